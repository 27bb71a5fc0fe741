"""The recipe's sheet as a PDF of A4: one page, more where one would be too small to read."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any

from .fonts import close_fonts, pdf_bytes, refuse_missing_signs
from .paper import LARGE, blank, put, table
from .recipe_sheet import EFFECT_UNITS, EFFECTS, SETTINGS, UNITS, recipe_view

__all__ = ["recipe_pdf"]


def recipe_pdf(record: dict[str, Any], png: bytes) -> bytes:
    """The settings large on top; what does not fit at a readable size goes to a second page. Needs the extra `pdf`.

    Parameters
    ----------
    record : dict
        The recipe's JSON object.
    png : bytes
        The process window.

    Raises
    ------
    FileError
        The extra is missing, or a text has a sign that the font of the sheet lacks.
    """
    view = recipe_view(record)
    refuse_missing_signs(view)
    pdf = _drawn(view, png, 9.0)
    if pdf.pages_count > 1:
        close_fonts(pdf)
        pdf = _drawn(view, png, 7.5)
    return pdf_bytes(pdf)


def _drawn(view: dict[str, Any], png: bytes, size: float) -> Any:
    """All of it, from the top down."""
    pdf = blank(view["title"], "sheet", head=view["title"])
    put(pdf, view["title"], LARGE * size, "B")
    put(pdf, "     ".join(f"{name}: {text}" for name, text in view["head"]), size)
    pdf.ln()
    *values, _ = SETTINGS  # the last column is words, on the left as the first
    # a value and its uncertainty stay on one line
    settings = [[cell.replace(" ± ", "\u00a0±\u00a0") for cell in row] for row in view["settings"]]
    table(pdf, (("kind", *SETTINGS), ("", *UNITS), *settings), size, heads=2, align=_sides(values, "LEFT"), large="scan speed")
    if view["facts"]:
        put(pdf, "Rate: " + "; ".join(view["facts"]) + ".", size)
    if view["warnings"]:
        pdf.ln()
        table(pdf, (["Look at this first"], *([text] for text in view["warnings"])), size)
    _heading(pdf, "What these settings bring", size)
    table(pdf, (("kind", *EFFECTS), ("", *EFFECT_UNITS), *view["effects"]), size - 1.0, heads=2, align=_sides(EFFECTS))
    pdf.ln()
    put(pdf, view["proof"], size)
    table(pdf, (view["sign_off"], ["\n\n"] * len(view["sign_off"])), size)
    _columns(pdf, view, png, size)
    pdf.ln()
    put(pdf, " ".join(view["cautions"]), size)
    put(pdf, "; ".join(view["files"]) + ". " + view["foot"], size)
    return pdf


def _sides(values: Sequence[str], *last: str) -> tuple[str, ...]:
    """On which side each column stands: the kind on the left, values on the right, then what else there is."""
    return ("LEFT", *["RIGHT"] * len(values), *last)


def _heading(pdf: Any, text: str, size: float) -> None:
    x = pdf.get_x()
    pdf.ln()
    pdf.set_x(x)
    put(pdf, text, size, "B")


def _columns(pdf: Any, view: dict[str, Any], png: bytes, size: float) -> None:
    """The window on the left, texts on the right."""
    pdf.ln()
    shown = pdf.image(BytesIO(png), w=0.5 * pdf.epw, alt_text="process window of the first raster kind")
    bottom, page = pdf.get_y(), pdf.page_no()
    pdf.set_xy(pdf.l_margin + shown.rendered_width, bottom - shown.rendered_height)
    put(pdf, "How sure, and where it holds", size, "B")
    for text in (*view["validity"], view["budget"], view["spread"]):
        put(pdf, text, size)
    _heading(pdf, "Assumed", size)
    for text in view["assumptions"]:
        put(pdf, text, size)
    pdf.set_y(max(bottom, pdf.get_y()) if pdf.page_no() == page else pdf.get_y())
