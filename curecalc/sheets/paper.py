"""A4 that is written on from the top down: words, and tables whose columns are as wide as their words ask."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import Any

from ..errors import FileError
from .fonts import add_fonts

__all__ = ["blank", "put", "table"]

FONT = "sheet"
MARGIN = 12.0  # mm, on every side
LEADING = 1.2  # height of a line over that of its font
LARGE = 1.5  # of titles and of what is read from afar, over the words around


def blank(title: str, what: str, *, head: str = "", foot: str = "") -> Any:
    """An empty document; `head` stands on all pages but the first, `foot` at the end of each, both with the number of the page.

    Raises
    ------
    FileError
        The extra that writes PDF is missing.
    """
    try:
        from fpdf import FPDF
    except ImportError:
        raise FileError(f"a PDF {what} needs one more package. Install it with: pip install 'curecalc[pdf]'") from None

    class Paper(FPDF):  # type: ignore[misc]
        def header(self) -> None:
            if head and self.pages_count > 1:
                put(self, f"{head}, page {self.page_no()}", 10.0, "B")

        def footer(self) -> None:
            if foot:
                self.set_y(-2.0 * MARGIN)
                put(self, f"{foot} Page {self.page_no()} of {{nb}}.", 7.5)

    pdf = Paper(format="A4")
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(True, 2.0 * MARGIN if foot else MARGIN)
    add_fonts(pdf, FONT)
    pdf.set_title(title)
    pdf.set_creator("curecalc")
    pdf.set_lang("en")
    pdf.add_page()
    return pdf


def put(pdf: Any, text: str, size: float, style: str = "", *, family: str = FONT) -> None:
    """Words from where the pen stands to the right margin; the pen goes below them."""
    pdf.set_font(family, style, size)
    pdf.multi_cell(0.0, LEADING * pdf.font_size, text, new_x="LEFT", new_y="NEXT", align="LEFT")


def table(pdf: Any, rows: Iterable[Sequence[str]], size: float, *, align: Any = "LEFT", heads: int = 1, large: str = "") -> None:
    """A table whose first rows are heads, said again on each page; the column headed `large` in large type.

    No word is broken while all of them find room beside each other; what room is left goes to the longer texts.
    """
    from fpdf import FontFace

    rows = list(rows)
    pdf.set_font(FONT, "B", size)
    widths = []
    for column in zip(*rows):
        scale = LARGE if large in column else 1.0
        widths.append(2.0 * pdf.c_margin + scale * max(pdf.get_string_width(word) for text in column for word in re.split("[ \n]", text)))
    long = [math.sqrt(max(map(len, column))) for column in zip(*rows)]
    spare = max(pdf.epw - sum(widths), 0.0) / sum(long)
    widths = [width + spare * more for width, more in zip(widths, long)]
    pdf.set_font(FONT, "", size)
    big = FontFace(emphasis="B", size_pt=LARGE * size)
    look: Any = {"text_align": align, "line_height": LEADING * pdf.font_size, "padding": pdf.c_margin if large else None}
    with pdf.table(col_widths=widths, num_heading_rows=heads, **look) as made:
        for i, row in enumerate(rows):
            cells = made.row()
            for name, text in zip(rows[0], row):
                cells.cell(text, style=big if name == large and i >= heads else None)
