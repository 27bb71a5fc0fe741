"""The font of PDF sheets: matplotlib's own, so that figure and text agree; opened here and closed when the sheet is done."""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["add_fonts", "close_fonts", "pdf_bytes"]


def add_fonts(pdf: Any, family: str) -> None:
    """Register the plain and the bold face under a family name."""
    import matplotlib

    faces = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdf.add_font(family, "", faces / "DejaVuSans.ttf")
    pdf.add_font(family, "B", faces / "DejaVuSans-Bold.ttf")


def close_fonts(pdf: Any) -> None:
    """Close the font files, which the PDF library would leave open."""
    for font in pdf.fonts.values():
        if (opened := getattr(font, "ttfont", None)) is not None:
            opened.close()


def pdf_bytes(pdf: Any) -> bytes:
    """The finished document; its font files are closed."""
    try:
        return bytes(pdf.output())
    finally:
        close_fonts(pdf)
