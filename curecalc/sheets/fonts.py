"""The font of PDF sheets: matplotlib's own, so that figure and text agree; opened here and closed when the sheet is done."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ..errors import FileError

__all__ = ["add_fonts", "close_fonts", "font_file", "pdf_bytes", "refuse_missing_signs"]


def add_fonts(pdf: Any, family: str) -> None:
    """Register the plain and the bold face under a family name."""
    pdf.add_font(family, "", font_file("DejaVuSans.ttf"))
    pdf.add_font(family, "B", font_file("DejaVuSans-Bold.ttf"))


def font_file(name: str) -> Path:
    """A face that comes with matplotlib."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name


def refuse_missing_signs(view: Any) -> None:
    """Refuse texts with signs that the font lacks: on paper they would be empty boxes.

    Raises
    ------
    FileError
        Names the sign and the text, and the way out.
    """
    from matplotlib.ft2font import FT2Font

    known = FT2Font(str(font_file("DejaVuSans.ttf"))).get_charmap()
    for text in _texts(view):
        for sign in text:
            if ord(sign) not in known and not sign.isspace():
                raise FileError(f"{text!r}: the font of PDF sheets has no {sign!r}. Save the sheet as .html: browsers have more fonts.")


def _texts(view: Any) -> Iterator[str]:
    if isinstance(view, str):
        yield view
    elif isinstance(view, dict):
        yield from _texts(list(view.values()))
    elif isinstance(view, list | tuple):
        for one in view:
            yield from _texts(one)


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
