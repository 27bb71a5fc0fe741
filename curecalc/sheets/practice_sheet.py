"""Worksheets and answer keys for a class, as PDF on A4."""

from __future__ import annotations

from typing import Any

from ..cautions import SHORT_CAUTION
from ..errors import CurecalcError
from ..lessons.exercises import Exercise
from ..lessons.telling import script
from ..symbols import percent, symbols
from .fonts import add_fonts, pdf_bytes

__all__ = ["answer_key", "worksheet"]

_FONT = "DejaVu Sans"
_BELOW: Any = {"new_x": "LMARGIN", "new_y": "NEXT", "align": "L"}
_LEFT = 18.0
_WIDTH = 210.0 - 2 * _LEFT


def worksheet(exercises: list[Exercise], *, title: str = "Practice: exposure and cure", note: str = "") -> bytes:
    """The exercises with room for working, as the bytes of a PDF.

    Parameters
    ----------
    exercises : list of Exercise
    title : str
    note : str
        Below the title, for example which seed made the sheet.

    Raises
    ------
    CurecalcError
        The library that writes PDF is not installed.
    """
    pdf = _document(title, note)
    pdf.set_font(_FONT, size=10)
    pdf.cell(0, 8, "Name: ______________________________     Date: ____________________", **_BELOW)
    pdf.multi_cell(
        _WIDTH,
        5,
        f"Answers count as right within {percent(exercises[0].tolerance)}. Write the unit with each answer. "
        "Everything needed stands in the lessons named.",
        **_BELOW,
    )
    pdf.ln(3)
    for one in exercises:
        room = 16 + 9 * one.grade
        with pdf.offset_rendering() as trial:
            _question(trial, one)
        if trial.page_break_triggered or pdf.get_y() + room + 28 > pdf.page_break_trigger:
            pdf.add_page()
        _question(pdf, one)
        pdf.ln(room)
        pdf.set_font(_FONT, size=10)
        pdf.cell(0, 7, f"Answer: ______________________ {symbols(one.unit)}", **_BELOW)
        pdf.ln(4)
    return pdf_bytes(pdf)


def answer_key(exercises: list[Exercise], *, title: str = "Answer key: exposure and cure", note: str = "") -> bytes:
    """Answers, the way to them, and what known slips give; otherwise as `worksheet`."""
    pdf = _document(title, note)
    for one in exercises:
        if pdf.get_y() + 45 > pdf.page_break_trigger:
            pdf.add_page()
        _question(pdf, one)
        pdf.set_font(_FONT, "B", 10)
        pdf.multi_cell(_WIDTH, 6, symbols(f"Answer: {one.told()}"), **_BELOW)
        pdf.set_font(_FONT, size=9)
        for step in one.steps:
            parts = "  =  ".join(p for p in (step.formula, step.numbers, step.result) if p)
            pdf.multi_cell(_WIDTH, 5, symbols(parts), **_BELOW)
            pdf.multi_cell(_WIDTH, 5, symbols(f"    {step.why}"), **_BELOW)
        for slip in one.slips:
            pdf.multi_cell(_WIDTH, 5, symbols(f"Slip, {slip.name}: gives {one.told(slip.value)}. {slip.remark}"), **_BELOW)
        pdf.ln(5)
    return pdf_bytes(pdf)


def _question(pdf: Any, one: Exercise) -> None:
    pdf.set_font(_FONT, "B", 10)
    pdf.multi_cell(_WIDTH, 6, f"{one.number}.  (grade {one.grade}, lesson: {script(one.lesson).title})", **_BELOW)
    pdf.set_font(_FONT, size=11)
    pdf.multi_cell(_WIDTH, 6, symbols(one.text), **_BELOW)


def _document(title: str, note: str) -> Any:
    try:
        from fpdf import FPDF
    except ImportError:
        raise CurecalcError(
            "Writing PDF needs the library fpdf2, which is not installed. Install it with: pip install 'curecalc[pdf]'"
        ) from None

    class Sheet(FPDF):  # type: ignore[misc]
        def footer(self) -> None:
            self.set_y(-20)
            self.set_font(_FONT, size=7.5)
            self.multi_cell(_WIDTH, 4, SHORT_CAUTION, **_BELOW)
            self.cell(0, 5, f"page {self.page_no()} of {{nb}}", align="R")

    pdf = Sheet(format="A4")
    pdf.set_margins(_LEFT, 16.0, _LEFT)
    pdf.set_auto_page_break(True, margin=24.0)
    add_fonts(pdf, _FONT)
    pdf.set_title(title)
    pdf.set_lang("en")
    pdf.set_creation_date(_fixed_date())
    pdf.add_page()
    pdf.set_font(_FONT, "B", 15)
    pdf.multi_cell(_WIDTH, 8, title, **_BELOW)
    if note:
        pdf.set_font(_FONT, size=9)
        pdf.multi_cell(_WIDTH, 5, note, **_BELOW)
    pdf.ln(2)
    return pdf


def _fixed_date() -> Any:
    """The same exercises give the same bytes, so the date of making stays out."""
    from datetime import UTC, datetime

    return datetime(2000, 1, 1, tzinfo=UTC)
