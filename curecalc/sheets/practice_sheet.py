"""Worksheets and answer keys for a class, as PDF on A4."""

from __future__ import annotations

from typing import Any

from ..cautions import SHORT_CAUTION
from ..lessons.exercises import Exercise
from ..lessons.telling import script
from ..symbols import percent, symbols
from .fonts import pdf_bytes
from .paper import LARGE, blank, put

__all__ = ["answer_key", "worksheet"]

_SIZE = 10.0


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
    FileError
        The library that writes PDF is not installed.
    """
    pdf = _document(title, note)
    put(pdf, "Name: ______________________________     Date: ____________________", _SIZE)
    pdf.ln()
    first, *_ = exercises
    near = f"Answers count as right within {percent(first.tolerance)}."
    put(pdf, f"{near} Write the unit with each answer. Everything needed stands in the lessons named.", _SIZE)
    for one in exercises:
        with pdf.unbreakable() as page:
            _question(page, one)
            page.ln(10.0 * (one.grade + 1.0))  # mm, for working
            put(page, f"Answer: ______________________ {symbols(one.unit)}", _SIZE)
    return pdf_bytes(pdf)


def answer_key(exercises: list[Exercise], *, title: str = "Answer key: exposure and cure", note: str = "") -> bytes:
    """Answers, the way to them, and what known slips give; otherwise as `worksheet`."""
    pdf = _document(title, note)
    for one in exercises:
        with pdf.unbreakable() as page:
            _question(page, one)
            put(page, symbols(f"Answer: {one.told()}"), _SIZE, "B")
            for step in one.steps:
                put(page, symbols("  =  ".join(p for p in (step.formula, step.numbers, step.result) if p)), _SIZE)
                put(page, symbols(f"    {step.why}"), _SIZE)
            for slip in one.slips:
                put(page, symbols(f"Slip, {slip.name}: gives {one.told(slip.value)}. {slip.remark}"), _SIZE)
    return pdf_bytes(pdf)


def _question(pdf: Any, one: Exercise) -> None:
    pdf.ln()
    put(pdf, f"{one.number}.  (grade {one.grade}, lesson: {script(one.lesson).title})", _SIZE, "B")
    put(pdf, symbols(one.text), _SIZE)


def _document(title: str, note: str) -> Any:
    pdf = blank(title, "sheet", foot=SHORT_CAUTION)
    pdf.set_creation_date(_fixed_date())
    put(pdf, title, LARGE * _SIZE, "B")
    put(pdf, note, _SIZE)
    return pdf


def _fixed_date() -> Any:
    """The same exercises give the same bytes, so the date of making stays out."""
    from datetime import UTC, datetime

    return datetime(2000, 1, 1, tzinfo=UTC)
