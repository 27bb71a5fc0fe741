"""A spreadsheet bounded by its cells before it is read, and as the text of a table."""

from __future__ import annotations

import csv
import io
import zipfile
import zlib
from typing import Any

from ..errors import FileError
from ..units.kinds import one_line

__all__ = ["EXPLANATIONS", "bounded", "spreadsheet_as_csv"]

EXPLANATIONS = "explanations"  # a sheet of our own tables that holds no data
_CHUNK = 1 << 16
_MARKS = (b"<c ", b"<c>", b"<c/", b"<row", b"<si")


def bounded(name: str, data: bytes, *, cells: int, unpacked: int) -> None:
    """Refuse a spreadsheet of more cells, rows and shared texts than `cells`, or larger than `unpacked` bytes, without reading it.

    The parts are unpacked piece by piece and counted; nothing is parsed, and no more than the limit is ever unpacked.

    Raises
    ------
    FileError
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            size = sum(item.file_size for item in archive.infolist())
            if size > unpacked:
                raise FileError(f"{name}: unpacks to {size / 1e6:.0f} MB, too large for such a table. Save it as CSV.")
            found = 0
            for item in archive.infolist():
                with archive.open(item) as part:
                    before = b""
                    while chunk := part.read(_CHUNK):
                        both = before + chunk
                        found += sum(both.count(mark) - before.count(mark) for mark in _MARKS)
                        before = chunk
                        if found > cells:
                            raise FileError(f"{name}: holds more than {cells} cells. Keep only the table, or save it as CSV.")
    except FileError:
        raise
    except (zipfile.BadZipFile, ValueError, OSError, EOFError, NotImplementedError, RuntimeError, zlib.error):
        raise FileError(f"{name}: this is no .xlsx spreadsheet (broken or another format). Save it again as .xlsx, or as CSV.") from None


def spreadsheet_as_csv(name: str, data: bytes) -> str:
    """The one sheet that holds something as comma-separated text, every column kept.

    Raises
    ------
    FileError
    """
    try:
        from python_calamine import load_workbook
    except ImportError:
        raise FileError(f"{name}: reading .xlsx needs one more package. Install it with: pip install 'curecalc[excel]'") from None
    try:
        book = load_workbook(io.BytesIO(data))
        tables = [book.get_sheet_by_name(n).to_python(skip_empty_area=False) for n in book.sheet_names if n != EXPLANATIONS]
    except Exception as error:  # the reader raises its own classes, and more than one
        raise FileError(f"{name}: the spreadsheet cannot be read ({one_line(error)}). Save it again as .xlsx, or as .csv.") from None
    filled = [t for t in tables if any(_text(c).strip() for row in t for c in row)]
    if len(filled) != 1:
        what = "no sheet holds anything" if not filled else "more than one sheet holds something"
        raise FileError(f"{name}: {what}. Keep the table on one sheet.")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for row in filled[0]:
        texts = [_text(c) for c in row]
        while texts and not texts[-1].strip():
            texts.pop()
        if texts:
            writer.writerow(texts)
    return out.getvalue().strip("\n")


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return repr(cell).removesuffix(".0")
    return str(cell)
