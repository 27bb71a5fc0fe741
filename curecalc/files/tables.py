"""Strict reading of tables people write: delimited text and .xlsx, units in the header, errors that name the cell.

A caller lists the columns it knows; everything else in the file is an error with the nearest known name::

    from curecalc.files.tables import Column, read_table

    COLUMNS = {
        "position": Column("length", required=True),
        "power": Column("power", required=True, sign="nonnegative"),
        "note": Column("text", blank=True),
        "wavelength": Column("wavelength", once=True),
    }
    table = read_table("scan.csv", COLUMNS)
    x = table["position"]            # float64 array in the kernel unit (mm)
    x_q = table.quantity("position")  # the same with its unit
    table.settings["wavelength"]     # stated once above the header, kernel unit, or absent
    raise table.error("position", row=3, problem="...")   # FileError that begins path:line:column:

What a file may look like: comma, semicolon or tab between cells (the header decides); UTF-8 with or without a byte
order mark, else Windows-1252; Unix or Windows line ends; blank lines and lines starting with `#` above the header;
settings stated once above the header, one or more a line, as `power = 300 mW`, `# power: 300 mW`, `power;300 mW` or
`power [mW];300`. A decimal comma is taken where the comma does not separate cells and the reading is unambiguous
(`10,5` is; `1,234` alone is not, unless a line `decimal = comma` says so). No thousands separators, no expressions.
"""

from __future__ import annotations

import hashlib
import io
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from ..errors import FileError
from .disk import read_bytes
from .rawtable import Names, raw_table
from .tablecells import Cells
from .tablehead import DECIMAL_NAMES, Column, Head, explained, nearest, normalise, plain_names

__all__ = ["Column", "Table", "explained", "nearest", "read_table", "read_table_bytes", "table_blocks"]

MOST_BYTES, MOST_ROWS = 50_000_000, 500_000  # of a table read whole, unless who reads it says otherwise


@dataclass(frozen=True)
class Table:
    """What was read. Index it by column name for a float64 array in the kernel unit, or a list of str for text."""

    path: str
    raw: bytes
    sha256: str
    columns: dict[str, Any]
    settings: dict[str, Any]
    units: dict[str, str]
    lines: np.ndarray
    fields: dict[str, int]
    kinds: dict[str, str]
    comments: tuple[str, ...]
    setting_lines: dict[str, int]
    header_line: int

    def __len__(self) -> int:
        return len(self.lines)

    def __contains__(self, name: str) -> bool:
        return name in self.columns or name in self.settings

    def __getitem__(self, name: str) -> Any:
        return self.columns[name]

    def value(self, name: str) -> Any:
        """The column, or the value stated once repeated for each row; KeyError where the file has neither."""
        if name in self.columns:
            return self.columns[name]
        once = self.settings[name]
        return [once] * len(self) if isinstance(once, str) else np.full(len(self), float(once))

    def quantity(self, name: str) -> Any:
        """The column (or setting) as a quantity in its kernel unit."""
        from ..units import KINDS, Quantity

        value = self.columns[name] if name in self.columns else self.settings[name]
        return Quantity(value, KINDS[self.kinds[name]].kernel)

    def where(self, name: str, row: int | None = None) -> str:
        """`path:line:column` of a cell, `path:line` of a setting."""
        if name in self.fields and row is not None:
            return f"{self.path}:{int(self.lines[row])}:{self.fields[name]}"
        if name in self.setting_lines:
            return f"{self.path}:{self.setting_lines[name]}"
        return self.path if row is None else f"{self.path}:{int(self.lines[row])}"

    def error(self, name: str, *, problem: str, row: int | None = None) -> FileError:
        """A `FileError` whose message begins with the place of the cell."""
        return FileError(f"{self.where(name, row)}: {problem}")


def read_table(
    path: str | Path, columns: Mapping[str, Column], *, sheet: str | None = None, max_bytes: int = MOST_BYTES, max_rows: int = MOST_ROWS
) -> Table:
    """Read a table from a file; see the module text for what a file may look like.

    Parameters
    ----------
    path : str or Path
        The ending decides: `.xlsx` is a spreadsheet, everything else delimited text.
    columns : mapping of str to Column
        The columns known, by name with underscores; a file may write spaces or hyphens and any case.
    sheet : str, optional
        Which sheet of a spreadsheet; needed when more than one holds anything.
    max_bytes, max_rows : int
        Larger files are refused.

    Returns
    -------
    Table

    Raises
    ------
    FileError
        Missing, locked, binary, empty or broken file; unknown, repeated or missing column; unreadable cell.
    """
    data = read_bytes(path, what="table", largest=max_bytes)
    return read_table_bytes(str(path), data, columns, sheet=sheet, max_bytes=max_bytes, max_rows=max_rows)


def read_table_bytes(
    name: str,
    data: bytes,
    columns: Mapping[str, Column],
    *,
    sheet: str | None = None,
    max_bytes: int = MOST_BYTES,
    max_rows: int = MOST_ROWS,
) -> Table:
    """Like `read_table`, for bytes already in memory (an upload, pasted text); `name` stands for the path in errors.

    >>> table = read_table_bytes("scan.csv", b"x [um];P [mW]\\n0;1,5\\n50;7,25\\n",
    ...                          {"x": Column("length"), "p": Column("power")})
    >>> table["x"].tolist(), table["p"].tolist()
    ([0.0, 0.05], [1.5, 7.25])
    """
    if len(data) > max_bytes:
        raise FileError(f"{name}: {len(data)} bytes, more than the {max_bytes} allowed. Split it.")
    (table,) = table_blocks(name, io.BytesIO(data), columns, sheet=sheet, max_rows=max_rows)
    return replace(table, raw=data, sha256=hashlib.sha256(data).hexdigest())


def table_blocks(
    name: str,
    file: BinaryIO,
    columns: Mapping[str, Column],
    *,
    sheet: str | None = None,
    max_rows: float = math.inf,
    most: int | None = None,
) -> Iterator[Table]:
    """Like `read_table`, for an open file, `most` rows of text at a time, so that memory does not grow with the file; without its bytes.

    What is wrong is said when its block is read.
    """
    known = plain_names(columns)
    once = {plain for plain, column in known.items() if columns[column].once or columns[column].only_once}
    raw = raw_table(name, file, Names(set(known), once | DECIMAL_NAMES, normalise), sheet=sheet, max_rows=max_rows, most=most)
    head = Head(name, raw, columns, known)
    for line, cells in raw.above:
        head.above(line, cells)
    reader = Cells(head, head.header())
    for block in raw.blocks():
        values = reader.read(block)
        head.required(values)
        yield Table(
            path=name,
            raw=b"",
            sha256="",
            columns=values,
            settings=head.settings,
            units=head.units,
            lines=np.asarray(block[0], dtype=np.int64),
            fields=head.fields,
            kinds={column: spec.kind for column, spec in columns.items()},
            comments=tuple(head.comments),
            setting_lines=head.setting_lines,
            header_line=raw.header_line,
        )
