"""Make notebook.ipynb from notebook.py, every cell run and its answer kept: python demo/make_notebook.py"""

from __future__ import annotations

import ast
import base64
import json
import os
import re
from io import BytesIO
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent


def cells_of(text: str) -> list[tuple[str, str]]:
    """Kind and source of each cell."""
    pieces = re.split(r"^# %%(.*)\n", text, flags=re.MULTILINE)[1:]
    found = []
    for mark, body in zip(pieces[::2], pieces[1::2], strict=True):
        kind = "markdown" if "markdown" in mark else "code"
        found.append((kind, re.sub(r"^# ?", "", body, flags=re.MULTILINE).strip() if kind == "markdown" else body.strip()))
    return found


def shown(value: Any) -> dict[str, Any]:
    """A value as a notebook shows it: a picture, a table, or text."""
    from matplotlib.figure import Figure

    if isinstance(value, Figure):
        picture = BytesIO()
        value.savefig(picture, format="png", dpi=72, metadata={"Software": None})
        return {"image/png": base64.b64encode(picture.getvalue()).decode()}
    told = {"text/plain": str(value).splitlines(keepends=True)}
    return told | ({"text/html": value._repr_html_().splitlines(keepends=True)} if hasattr(value, "_repr_html_") else {})


def notebook(text: str, *, run: bool = True) -> dict[str, Any]:
    """The notebook (format 4.5) of a script whose cells begin with `# %%`."""
    space: dict[str, Any] = {"__name__": "notebook"}
    cells: list[dict[str, Any]] = []
    for number, (kind, source) in enumerate(cells_of(text)):
        cell: dict[str, Any] = {"cell_type": kind, "id": f"cell-{number}", "metadata": {}, "source": source.splitlines(keepends=True)}
        if kind == "code":
            cell |= {"execution_count": None, "outputs": []}
            if run:
                body = ast.parse(source).body
                last = body.pop() if isinstance(body[-1], ast.Expr) else None
                exec(compile(ast.Module(body, []), "notebook.py", "exec"), space)
                if last is not None:
                    data = shown(eval(compile(ast.Expression(last.value), "notebook.py", "eval"), space))
                    cell["outputs"] = [{"output_type": "display_data", "metadata": {}, "data": data}]
        cells.append(cell)
    return {"cells": cells, "metadata": {"language_info": {"name": "python"}}, "nbformat": 4, "nbformat_minor": 5}


if __name__ == "__main__":
    os.chdir(HERE)  # its answers then name files, not folders
    made = notebook(Path("notebook.py").read_text(encoding="utf-8"))
    Path("notebook.ipynb").write_text(json.dumps(made, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
