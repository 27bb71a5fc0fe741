"""Workbooks (.xlsx) for people: tables to fill in, with checks on what is typed and a sheet of explanations, and reports. Extra `excel`."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from ..errors import FileError
from .spreadsheets import EXPLANATIONS
from .tablehead import Column, explained, normalise

__all__ = ["report_workbook", "table_file", "table_workbook"]

_SPARE = 200  # rows that are ready to be filled


def table_file(path: str, text: str, columns: Mapping[str, Column]) -> bytes:
    """The table as its file's ending asks: the text itself, or a workbook to fill in."""
    return table_workbook(text, columns) if path.lower().endswith(".xlsx") else text.encode()


def table_workbook(text: str, columns: Mapping[str, Column]) -> bytes:
    """A comma-separated table, with its settings above the header, as a workbook to fill in.

    Comments move to the second sheet, where every column is explained; numbers below a header are checked as they are typed.
    """
    above: list[list[str]] = []
    rows: list[list[str]] = []
    for line in text.splitlines():
        found = rows if rows or not line.startswith("#") else above
        found.append(next(csv.reader([line])) if found is rows else [line])
    settings = [row for row in above if " = " in row[0] and normalise(row[0].lstrip("# ").partition(" = ")[0]) in columns]
    book, bold, out = _workbook()
    sheet = book.add_worksheet("table")
    for r, row in enumerate(settings):
        sheet.write_row(r, 0, row[0].lstrip("# ").split(" = ", 1))
    head = len(settings) + bool(settings)
    for c, name in enumerate(rows[0]):
        sheet.write_string(head, c, name, bold)
        spec = columns.get(normalise(name.partition("[")[0]))
        if spec is not None and spec.kind != "text":
            sheet.data_validation(head + 1, c, head + _SPARE, c, _check(name, spec))
    for r, row in enumerate(rows[1:], head + 1):
        sheet.write_row(r, 0, map(_value, row))
    sheet.set_column(0, len(rows[0]) - 1, width=20)
    sheet.freeze_panes(head + 1, 0)
    notes = book.add_worksheet(EXPLANATIONS)
    notes.set_column(0, 0, width=110, cell_format=book.add_format({"text_wrap": True}))
    told = [row[0].lstrip("# ") for row in above if row not in settings]
    lines = explained(columns)
    for r, line in enumerate([*(t for t in told if t not in lines), *lines]):
        notes.write_string(r, 0, line)
    book.close()
    return out.getvalue()


def _check(name: str, spec: Column) -> dict[str, Any]:
    whole = spec.kind == "whole"
    least = {"positive": (">", 0), "nonnegative": (">=", 0)}.get(spec.sign, (">", -1e300))
    rule = {"validate": "integer" if whole else "decimal", "criteria": least[0], "value": least[1], "ignore_blank": True}
    above = {"positive": " above zero", "nonnegative": ", zero or more"}.get(spec.sign, "")
    said = f"One {'whole ' * whole}number{above}, without a unit: it stands in the header."
    return rule | {"error_title": name[:32], "error_message": said}


def report_workbook(sheets: Mapping[str, Sequence[Sequence[Any]]]) -> bytes:
    """Sheets of rows; the first row of each is its header. Numbers stay numbers, at the 16 digits that workbooks keep."""
    book, bold, out = _workbook()
    for name, (header, *rows) in sheets.items():
        sheet = book.add_worksheet(name)
        sheet.write_row(0, 0, header, bold)
        for r, row in enumerate(rows, 1):
            sheet.write_row(r, 0, row)
        sheet.set_column(0, max(map(len, [header, *rows])) - 1, width=24)
        sheet.freeze_panes(1, 0)
    book.close()
    return out.getvalue()


def _workbook() -> tuple[Any, Any, io.BytesIO]:
    """A workbook, its format of headers, and what it is written into."""
    try:
        import xlsxwriter
    except ImportError:
        raise FileError("writing .xlsx needs one more package. Install it with: pip install 'curecalc[excel]'") from None
    out = io.BytesIO()
    # a text that begins with = stays a text
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    return book, book.add_format({"bold": True, "bottom": 1}), out


def _value(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell
