"""From bytes to rows of cells: encodings, separators, where the header stands, spreadsheets. Used by `tables` alone."""

from __future__ import annotations

import codecs
import contextlib
import csv
import difflib
import io
import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import accumulate, chain, islice
from typing import Any, BinaryIO

from ..errors import FileError
from ..units.kinds import one_line
from .spreadsheets import EXPLANATIONS, bounded

__all__ = ["Block", "Names", "Raw", "raw_table"]

Block = tuple[list[int], list[list[Any]]]
"""Line numbers and rows of cells."""

_ASSIGNED = re.compile(r"^#?\s*[^\W\d][\w \-]*?\s*(?:\[[^\[\]]*\])?\s*[=:]")
# a separator before the next `name =` or `name:`; any other belongs to the value
_SPLIT_SETTINGS = re.compile(r"[;\t,](?=\s*#?\s*[^\W\d][\w \-]*?\s*(?:\[[^\[\]]*\])?\s*[=:])")
_UNIT = re.compile(r"\[[^\[\]]*\]|\([^()]*\)")
_MOST_UNPACKED, _MOST_CELLS = 500_000_000, 4_500_000  # of a spreadsheet: its reader holds it whole, about 80 bytes a cell
_PIECE = 100_000  # bytes looked at together; no line of a table is as long
_START, _PACKED = 200, b"PK\x03\x04"  # bytes by which a kind of file is known; a spreadsheet's
_MOST_ABOVE = 10_000  # lines above a header
_FEW, _MANY = 16, 200_000  # rows read together, and cells of a block
_CONTROLS = bytes(code for code in range(128) if not (chr(code).isprintable() or chr(code) in "\t\n\f\r"))
_NUMERIC = "0123456789+-."


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
    """What stands above the rows; `blocks` reads these from the first on: str from text; str, float, None or others from a spreadsheet."""

    above: list[tuple[int, list[Any]]]
    header_line: int
    header: list[Any]
    delimiter: str
    blocks: Callable[[], Iterator[Block]]


def raw_table(name: str, file: BinaryIO, names: Names, *, sheet: str | None, max_rows: float, most: int | None) -> Raw:
    """Split a file into settings lines, header and rows: text `most` rows at a time, where that is said."""
    packed = file.read(len(_PACKED)) == _PACKED
    file.seek(0)
    if name.lower().endswith(".xlsx") or (name == "-" and packed):
        data = file.read()
        if not data.strip():
            raise _empty_file(name)
        return _spreadsheet(name, data, names, sheet, max_rows, most)
    if sheet is not None:
        raise FileError(f"{name}: a sheet was asked for, but only .xlsx files have sheets. Leave the sheet out.")
    encoding = _encoding(name, file)
    return _text(name, partial(_lines, file, encoding), names, max_rows, most)


def _empty_file(name: str) -> FileError:
    return FileError(f"{name}: the file is empty. Save the table again.")


def _encoding(name: str, file: BinaryIO) -> str:
    """What all of the file can be read as; whatever is no table is refused."""
    start = file.read(_START)
    file.seek(0)
    if start.startswith(_PACKED):
        raise FileError(f"{name}: this is a spreadsheet or zip archive, not text. Name it .xlsx, or save it as CSV.")
    wide = start.startswith((b"\xff\xfe", b"\xfe\xff"))  # what spreadsheets call Unicode text
    decoders = {encoding: codecs.getincrementaldecoder(encoding)() for encoding in ("utf-8-sig", "cp1252")}
    filled = controls = False
    before = b""
    for piece in chain(_recoded(name, file) if wide else iter(lambda: file.read(_PIECE), b""), [b""]):
        if b"\x00" in piece or start.startswith((b"%PDF-", b"\xd0\xcf\x11\xe0\xa1", b"\x89PNG\r")):
            raise FileError(f"{name}: this is a binary file, not a table. Save the table as CSV or .xlsx.")
        if len(piece) >= _PIECE and b"\n" not in piece and b"\r" not in piece:
            raise FileError(f"{name}: a line is longer than {_PIECE} characters, so it is no table. Save the table as CSV or .xlsx.")
        filled |= bool(piece.strip())
        controls |= len(piece.translate(None, _CONTROLS)) < len(piece)
        for encoding, decoder in list(decoders.items()):
            try:
                if not (piece and piece.isascii() and before.isascii()):
                    decoder.decode(piece, final=not piece)
            except UnicodeDecodeError:
                del decoders[encoding]
        before = piece
    if not filled:
        raise _empty_file(name)
    if not decoders:
        raise FileError(f"{name}: the file is not readable text. Save the table as 'CSV UTF-8' or .xlsx.")
    if controls:
        raise FileError(f"{name}: the file holds control characters, so it is no table. Save it as CSV or .xlsx.")
    if re.match(rb"(?:\xef\xbb\xbf)?\s*<(!doctype|html|\?xml|table)", start, re.IGNORECASE):
        raise FileError(f"{name}: this is a web page, not a table. Save the table as CSV or .xlsx.")
    return "utf-16" if wide else next(iter(decoders))


def _recoded(name: str, file: BinaryIO) -> Iterator[bytes]:
    """UTF-16 as UTF-8."""
    text = io.TextIOWrapper(file, "utf-16", newline="")
    try:
        while piece := text.read(_PIECE):
            yield piece.encode()
    except UnicodeDecodeError:
        raise FileError(f"{name}: the file is in UTF-16 and broken. Save it as 'CSV UTF-8'.") from None
    finally:
        text.detach()


def _lines(file: BinaryIO, encoding: str) -> Iterator[str]:
    """The lines of a file from its first on, whatever ends them; who reads it already goes on as if nothing was."""
    where = file.tell()
    file.seek(0)
    text = io.TextIOWrapper(file, encoding)
    try:
        yield from islice(text, None)  # which, unlike the text itself, is not closed with this
    finally:
        with contextlib.suppress(ValueError):  # after an interruption the file is closed already
            text.detach()
            file.seek(where)


def _assigned(text: str) -> list[str]:
    return [part.strip(" ;\t,").strip('"') for part in _SPLIT_SETTINGS.split(text)]


def _is_setting(cells: list[str], names: Names) -> bool:
    filled = [c.strip() for c in cells[1:] if c.strip()]
    if names.of(cells[0]) not in names.once or len(filled) != 1:
        return False
    if re.match(r"[+-]?[.,]?\d", filled[0]):
        return True
    return not _UNIT.search(filled[0]) and not difflib.get_close_matches(names.of(filled[0]), names.columns, 1, 0.75)


def _text(name: str, begin: Callable[[], Iterator[str]], names: Names, max_rows: float, most: int | None) -> Raw:
    above: list[tuple[int, list[Any]]] = []
    for line, text in enumerate(islice(begin(), _MOST_ABOVE), 1):
        body = text.strip()
        if not body.strip(",;\t") or re.fullmatch("sep=.?", body, re.IGNORECASE):
            continue
        mark, commented = _delimiter(body, names) or ",", body.startswith("#")
        cells = next(csv.reader([body.lstrip("# ") if commented else body], delimiter=mark), [])
        if cells and _is_setting(cells, names):
            above.append((line, cells))
        elif commented or (_ASSIGNED.match(body.strip('"')) and not _looks_like_header(body, names)):
            above.append((line, _assigned(body)))
        else:
            _, (header,) = next(_rows(name, begin, line, mark))
            return Raw(above, line, header, mark, partial(_below, name, begin, line, mark, max_rows, most))
    raise FileError(f"{name}: no header found, only comments and settings. Add the table below them.")


def _looks_like_header(body: str, names: Names) -> bool:
    return sum(names.of(part) in names.columns for part in re.split(r"[;\t,]", body)) >= 2


def _delimiter(header: str, names: Names) -> str:
    def fits(mark: str) -> tuple[int, int]:
        cells = next(csv.reader([header], delimiter=mark))
        return sum(names.of(c) in names.columns for c in cells), len(cells)

    return max((mark for mark in "\t;," if mark in header), key=fits, default="")


def _below(*table: Any) -> Iterator[Block]:
    """What stands below the header."""
    return islice(_rows(*table), 1, None)


def _rows(
    name: str, begin: Callable[[], Iterator[str]], first: int, delimiter: str, max_rows: float = math.inf, most: int | None = None
) -> Iterator[Block]:
    """First the header, as a block of its own, from line `first` on; then the rows."""
    reader = csv.reader(islice(begin(), first - 1, None), delimiter=delimiter, strict=True)
    line, width, count, rest = first, 0, 0, True
    widths: set[int] = set()
    while rest:
        rows: list[list[Any]] = []
        try:
            rest = _taken(reader, rows, most if width else 1)
        except csv.Error as error:
            line = _numbers(rows, line)[-1]
            raise FileError(f"{name}:{line}: the row cannot be split into cells: {error}. Check the quotation marks.") from None
        numbers = list(range(line, line + len(rows) + 1)) if first + reader.line_num - line == len(rows) else _numbers(rows, line)
        line = numbers.pop()
        if not width:
            width = len(rows[0])
            yield numbers, rows
            continue
        if "".join([row[0] or " " if row else " " for row in rows]).strip(_NUMERIC):
            kept = [k for k, row in enumerate(rows) if not _says_nothing(row, width)]
            rows, numbers = [rows[k] for k in kept], [numbers[k] for k in kept]
        if count + len(rows) > max_rows:
            raise FileError(f"{name}:{numbers[int(max_rows) - count]}: more than {max_rows} rows. Split the file.")
        # blank cells past the header are padding where every row has them; in one row alone a comma split a number in two
        before, widths = widths, widths.union(map(len, rows))
        if delimiter == "," and max(before, default=width) > width and widths > before:
            k = next(k for k, row in enumerate(rows) if len(row) not in before)
            raise FileError(f"{name}:{numbers[k]}: the row has {len(rows[k])} cells, those above it {max(before)}. End all rows alike.")
        if delimiter != "," or len(widths) == 1:
            for row in rows:
                while len(row) > width and not row[-1].strip():
                    row.pop()
        count += len(rows)
        if rows or not (rest or count):
            yield numbers, rows


def _taken(reader: Iterator[list[str]], rows: list[list[Any]], most: int | None) -> bool:
    """Add rows, no more than `most` and than a block's cells; whether there may be others."""
    if most is None:
        rows.extend(reader)
        return False
    cells = 0
    while len(rows) < most and cells < _MANY:
        before = len(rows)
        rows.extend(islice(reader, min(_FEW, most - before)))
        if len(rows) == before:
            return False
        cells += sum(map(len, rows[before:]))
    return True


def _numbers(rows: list[list[str]], begin: int) -> list[int]:
    """The lines that rows begin in, of which cells may hold several, and the next one."""
    return list(accumulate((1 + sum(cell.count("\n") for cell in row) for row in rows), initial=begin))


def _says_nothing(cells: list[str], width: int) -> bool:
    """Blank, or a comment."""
    filled = [c for c in cells if c.strip()]
    return not filled or (cells[0].lstrip().startswith("#") and len(filled) == 1 and width > 1)


def _spreadsheet(name: str, data: bytes, names: Names, sheet: str | None, max_rows: float, most: int | None) -> Raw:
    try:
        from python_calamine import load_workbook
    except ImportError:
        raise FileError(
            f"{name}: reading .xlsx needs the package python-calamine, which is not installed. "
            "Install curecalc[excel], or save the table as CSV."
        ) from None
    bounded(name, data, cells=_MOST_CELLS, unpacked=_MOST_UNPACKED)
    try:
        book = load_workbook(io.BytesIO(data))
        sheets = list(book.sheet_names)
        if sheet is not None and sheet not in sheets:
            raise FileError(f"{name}: there is no sheet {sheet!r}. The sheets are {', '.join(sheets)}.")
        tables = {n: book.get_sheet_by_name(n) for n in ([sheet] if sheet else sheets)}
    except FileError:
        raise
    except Exception as error:  # the reader raises its own classes, and more than one
        raise FileError(f"{name}: the spreadsheet cannot be read: {one_line(error)}. Save it again as .xlsx.") from None
    filled = {n: t for n, t in tables.items() if (sheet or n != EXPLANATIONS) and any(not _empty(c) for row in _cells(t) for c in row)}
    if not filled:
        raise FileError(f"{name}: the spreadsheet is empty. Save the table again.")
    if len(filled) > 1:
        raise FileError(f"{name}: more than one sheet holds something: {', '.join(filled)}. Keep one of them, or say which with sheet=.")
    return _sheet(name, next(iter(filled.values())), names, max_rows, most)


def _cells(table: Any) -> Iterator[list[Any]]:
    """The rows of a sheet, from its first cell on."""
    if table.start is not None:
        for row in table.iter_rows():
            yield [None] * table.start[1] + [_clean(c) for c in row]


def _sheet(name: str, table: Any, names: Names, max_rows: float, most: int | None) -> Raw:
    above: list[tuple[int, list[Any]]] = []
    for number, cells in enumerate(_cells(table), 1):
        if all(_empty(c) for c in cells):
            continue
        left = next(i for i, c in enumerate(cells) if not _empty(c))
        texts = ["" if c is None else str(c) for c in cells[left:]]
        first = texts[0].strip()
        bare = [first.lstrip("# "), *texts[1:]]
        if _is_setting(bare, names):
            above.append((number, [bare[0], *cells[left + 1 :]]))
        elif first.startswith("#") or (_ASSIGNED.match(first) and not any(t.strip() for t in texts[1:])):
            above.append((number, _assigned(first)))
        else:
            return Raw(above, number, cells, "xlsx", partial(_sheet_rows, name, table, number, max_rows, most))
    raise FileError(f"{name}: no header found, only comments and settings. Add the table below them.")


def _sheet_rows(name: str, table: Any, at: int, max_rows: float, most: int | None) -> Iterator[Block]:
    rows: list[list[Any]] = []
    lines: list[int] = []
    filled = ((n, cells) for n, cells in enumerate(_cells(table), 1) if n > at and not all(_empty(c) for c in cells))
    count: int | None = None
    for count, (number, cells) in enumerate(filled, 1):
        rows.append(cells)
        lines.append(number)
        if count > max_rows:
            raise FileError(f"{name}:{number}: more than {max_rows} rows. Split the file.")
        if len(rows) == most:
            yield lines, rows
            lines, rows = [], []
    if rows or count is None:
        yield lines, rows


def _clean(cell: Any) -> Any:
    if isinstance(cell, bool):
        return cell
    return float(cell) if isinstance(cell, int) else cell


def _empty(cell: Any) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())
