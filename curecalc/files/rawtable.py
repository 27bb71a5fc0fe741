"""From bytes to rows of cells: encodings, separators, where the header stands, spreadsheets. Used by `tables` alone."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ..errors import FileError
from .spreadsheets import EXPLANATIONS

__all__ = ["Names", "Raw", "raw_table"]

_ASSIGNED = re.compile(r"^#?\s*[^\W\d][\w \-]*?\s*(?:\[[^\[\]]*\])?\s*[=:]")
# a separator before the next `name =` or `name:`; any other belongs to the value
_SPLIT_SETTINGS = re.compile(r"[;\t,](?=\s*#?\s*[^\W\d][\w \-]*?\s*(?:\[[^\[\]]*\])?\s*[=:])")
_UNIT = re.compile(r"\[[^\[\]]*\]|\([^()]*\)")
_MOST_UNPACKED = 500_000_000


@dataclass(frozen=True)
class Names:
    """The names of columns, those that may stand once above the header, and how a written name is compared."""

    columns: set[str]
    once: set[str]
    plain: Callable[[str], str]

    def of(self, cell: str) -> str:
        """A header cell without its unit, as compared."""
        return self.plain(_UNIT.sub("", cell))


@dataclass(frozen=True)
class Raw:
    """Rows of cells: str from text; str, float, None or others from a spreadsheet."""

    above: list[tuple[int, list[Any]]]
    header_line: int
    header: list[Any]
    lines: list[int]
    rows: list[list[Any]]
    delimiter: str


def raw_table(name: str, data: bytes, names: Names, *, sheet: str | None, max_rows: int) -> Raw:
    """Split the bytes of a file into settings lines, header and rows."""
    if not data.strip():
        raise FileError(f"{name}: the file is empty. Save the table again.")
    if name.lower().endswith(".xlsx") or (name == "-" and data[:4] == b"PK\x03\x04"):
        return _spreadsheet(name, data, names, sheet, max_rows)
    if sheet is not None:
        raise FileError(f"{name}: a sheet was asked for, but only .xlsx files have sheets. Leave the sheet out.")
    text = _decoded(name, data)
    return _text(name, text, names, max_rows)


def _decoded(name: str, data: bytes) -> str:
    if data[:4] == b"PK\x03\x04":
        raise FileError(f"{name}: this is a spreadsheet or zip archive, not text. Name it .xlsx, or save it as CSV.")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):  # what spreadsheets call Unicode text
        try:
            data = data.decode("utf-16").encode()
        except UnicodeDecodeError:
            raise FileError(f"{name}: the file is in UTF-16 and broken. Save it as 'CSV UTF-8'.") from None
    if b"\x00" in data or data[:5] in (b"%PDF-", b"\xd0\xcf\x11\xe0\xa1", b"\x89PNG\r"):
        raise FileError(f"{name}: this is a binary file, not a table. Save the table as CSV or .xlsx.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text = data.decode("cp1252")
        except UnicodeDecodeError:
            raise FileError(f"{name}: the file is not readable text. Save the table as 'CSV UTF-8' or .xlsx.") from None
    if re.search(r"[\x01-\x08\x0b\x0e-\x1f\x7f]", text):
        raise FileError(f"{name}: the file holds control characters, so it is no table. Save it as CSV or .xlsx.")
    if re.match(r"\s*<(!doctype|html|\?xml|table)", text[:200], re.IGNORECASE):
        raise FileError(f"{name}: this is a web page, not a table. Save the table as CSV or .xlsx.")
    return text


def _assigned(text: str) -> list[str]:
    return [part.strip(" ;\t,").strip('"') for part in _SPLIT_SETTINGS.split(text)]


def _is_setting(cells: list[str], names: Names) -> bool:
    filled = [c.strip() for c in cells[1:] if c.strip()]
    if names.of(cells[0]) not in names.once or len(filled) != 1:
        return False
    if re.match(r"[+-]?[.,]?\d", filled[0]):
        return True
    return not _UNIT.search(filled[0]) and not difflib.get_close_matches(names.of(filled[0]), names.columns, 1, 0.75)


def _text(name: str, text: str, names: Names, max_rows: int) -> Raw:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    above: list[tuple[int, list[Any]]] = []
    for index, line in enumerate(lines):
        body = line.strip()
        if not body.strip(",;\t"):
            continue
        if body.lower().startswith("sep=") and len(body) <= 5:
            continue
        marked = next(csv.reader([body.lstrip("# ")], delimiter=_delimiter(body, names) or ","), [])
        if body.startswith("#") and len(marked) > 1 and _is_setting(marked, names):
            above.append((index + 1, marked))
            continue
        if body.startswith("#") or (_ASSIGNED.match(body.strip('"')) and not _looks_like_header(body, names)):
            above.append((index + 1, _assigned(body)))
            continue
        delimiter = _delimiter(body, names)
        cells = next(csv.reader([body], delimiter=delimiter)) if delimiter else [body]
        if len(cells) > 1 and _is_setting(cells, names):
            above.append((index + 1, cells))
            continue
        return _rows(name, lines, index, delimiter or ",", above, max_rows)
    raise FileError(f"{name}: no header found, only comments and settings. Add the table below them.")


def _looks_like_header(body: str, names: Names) -> bool:
    return sum(names.of(part) in names.columns for part in re.split(r"[;\t,]", body)) >= 2


def _delimiter(header: str, names: Names) -> str:
    best, most = "", (-1, -1)
    for mark in ("\t", ";", ","):
        if mark not in header:
            continue
        cells = next(csv.reader([header], delimiter=mark))
        score = (sum(names.of(c) in names.columns for c in cells), len(cells))
        if score > most:
            best, most = mark, score
    return best


def _rows(name: str, lines: list[str], at: int, delimiter: str, above: list[Any], max_rows: int) -> Raw:
    reader = csv.reader(io.StringIO("\n".join(lines[at:]), newline=""), delimiter=delimiter, strict=True)
    rows: list[list[Any]] = []
    numbers: list[int] = []
    header: list[Any] = []
    begin = at + 1
    try:
        for cells in reader:
            start, begin = begin, at + 1 + reader.line_num
            if not header:
                header = cells
                continue
            if not any(cells) or not any(c.strip() for c in cells):
                continue
            if cells[0].lstrip().startswith("#") and sum(bool(c.strip()) for c in cells) == 1 and len(header) > 1:
                continue
            rows.append(cells)
            numbers.append(start)
            if len(rows) > max_rows:
                raise FileError(f"{name}:{start}: more than {max_rows} rows. Split the file.")
    except csv.Error as error:
        raise FileError(f"{name}:{begin}: the row cannot be split into cells: {error}. Check the quotation marks.") from None
    width = len(header)
    # blank cells past the header are padding where every row has them; in one row alone a comma split a number in two
    padded = delimiter != "," or len({len(row) for row in rows}) == 1
    for index, row in enumerate(rows):
        if padded and len(row) > width:
            while len(row) > width and not row[-1].strip():
                row.pop()
            rows[index] = row
    return Raw(above, at + 1, header, numbers, rows, delimiter)


def _spreadsheet(name: str, data: bytes, names: Names, sheet: str | None, max_rows: int) -> Raw:
    try:
        from python_calamine import load_workbook
    except ImportError:
        raise FileError(
            f"{name}: reading .xlsx needs the package python-calamine, which is not installed. "
            "Install curecalc[excel], or save the table as CSV."
        ) from None
    _unpacked_size(name, data)
    try:
        book = load_workbook(io.BytesIO(data))
        sheets = list(book.sheet_names)
        if sheet is not None and sheet not in sheets:
            raise FileError(f"{name}: there is no sheet {sheet!r}. The sheets are {', '.join(sheets)}.")
        tables = {n: book.get_sheet_by_name(n).to_python(skip_empty_area=False) for n in ([sheet] if sheet else sheets)}
    except FileError:
        raise
    except Exception as error:  # the reader raises its own classes, and more than one
        raise FileError(f"{name}: the spreadsheet cannot be read: {_first_line(error)}. Save it again as .xlsx.") from None
    filled = {n: t for n, t in tables.items() if (sheet or n != EXPLANATIONS) and any(not _empty(c) for row in t for c in row)}
    if not filled:
        raise FileError(f"{name}: the spreadsheet is empty. Save the table again.")
    if len(filled) > 1:
        raise FileError(f"{name}: more than one sheet holds something: {', '.join(filled)}. Say which with sheet=.")
    return _sheet_rows(name, next(iter(filled.values())), names, max_rows)


def _unpacked_size(name: str, data: bytes) -> None:
    import zipfile

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(i.file_size for i in archive.infolist()) > _MOST_UNPACKED:
                raise FileError(f"{name}: the spreadsheet unpacks to more than {_MOST_UNPACKED} bytes. Split it.")
    except zipfile.BadZipFile:
        raise FileError(f"{name}: this is no .xlsx spreadsheet (broken or another format). Save it again as .xlsx.") from None


def _sheet_rows(name: str, table: list[list[Any]], names: Names, max_rows: int) -> Raw:
    above: list[tuple[int, list[Any]]] = []
    header: list[Any] = []
    header_line, rows, lines = 0, [], []
    for number, cells in enumerate(table, 1):
        cleaned = [_clean(c) for c in cells]
        if all(_empty(c) for c in cleaned):
            continue
        if not header:
            left = next(i for i, c in enumerate(cleaned) if not _empty(c))
            texts = [c if isinstance(c, str) else ("" if c is None else str(c)) for c in cleaned[left:]]
            first = texts[0].strip()
            bare = [first.lstrip("# "), *texts[1:]]
            if _is_setting(bare, names):
                above.append((number, [bare[0], *cleaned[left + 1 :]]))
            elif first.startswith("#") or (_ASSIGNED.match(first) and not any(t.strip() for t in texts[1:])):
                above.append((number, _assigned(first)))
            else:
                header, header_line = cleaned, number
            continue
        while len(cleaned) > len(header) and _empty(cleaned[-1]):
            cleaned.pop()
        rows.append(cleaned)
        lines.append(number)
        if len(rows) > max_rows:
            raise FileError(f"{name}:{number}: more than {max_rows} rows. Split the file.")
    if not header:
        raise FileError(f"{name}: no header found, only comments and settings. Add the table below them.")
    return Raw(above, header_line, header, lines, rows, "xlsx")


def _clean(cell: Any) -> Any:
    if isinstance(cell, bool):
        return cell
    return float(cell) if isinstance(cell, int) else cell


def _empty(cell: Any) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:120].rstrip(".")
