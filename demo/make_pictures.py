"""Make the README's two pictures from the invented data: python demo/make_pictures.py (needs pdftoppm, of the poppler tools)"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

from curecalc.cli import main

HERE = Path(__file__).resolve().parent
FILES = [word for name in ("machine", "resin", "needs") for word in (f"--{name}", str(HERE / f"{name}.toml"))]


def make() -> None:
    """A lot's working curve and the first page of a recipe's sheet."""
    if shutil.which("pdftoppm") is None:
        raise SystemExit("pdftoppm is not here: install the poppler tools.")
    lot = str(HERE / "coupons_lot_7_read_again.csv")
    assert main(["fit", lot, "--at-depth", "0.18mm", "--figure", str(HERE / "working_curve.png"), "--overwrite"]) == 0
    with tempfile.TemporaryDirectory() as folder:
        sheet = Path(folder) / "sheet.pdf"
        assert main(["recipe", *FILES, "--sheet", str(sheet)]) == 0
        target = HERE / "recipe_sheet"
        subprocess.run(["pdftoppm", "-r", "80", "-png", "-gray", "-singlefile", str(sheet), str(target)], check=True)


if __name__ == "__main__":
    make()
