"""What can still be read of a damaged logbook's file, written into a new logbook whose first entry says so."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import FileError
from .book import Logbook
from .rows import COLUMNS, Row
from .server import is_server

__all__ = ["Salvaged", "salvage"]

_MISSES = 2000  # numbers in a row without an entry, where the last number cannot be read


@dataclass(frozen=True)
class Salvaged:
    """Numbers of the entries of the damaged file: kept, lost (cannot be read, or correct one that is lost), not as they were written."""

    path: str
    kept: int
    lost: tuple[int, ...]
    changed: tuple[int, ...]
    without_data: int

    @property
    def whole(self) -> bool:
        """Everything could be read, as it was written."""
        return not (self.lost or self.changed or self.without_data)

    def text(self) -> str:
        """In one sentence."""
        said = f"{self.kept} entries of {self.kept + len(self.lost) + len(self.changed)} could be read as they were written"
        parts = [f"{what} {_spans(numbers)}" for what, numbers in (("lost:", self.lost), ("not as written:", self.changed)) if numbers]
        parts += [f"source data lost: {self.without_data}"] if self.without_data else []
        return "; ".join([said, *parts])


def salvage(path: str | Path, target: str | Path) -> Salvaged:
    """Write what can be read of the file at `path` into a new logbook at `target`. The damaged file is not touched.

    An entry is kept when its own hash fits; it gets a new number, and the hash it had is its origin.

    Raises
    ------
    FileError
        No such file, nothing of it can be read, or something stands at `target`.
    """
    if is_server(str(path)):
        raise FileError(f"{path}: a server keeps its own copies: salvage is for files. Restore its backup, or use log export.")
    if is_server(str(target)) or Path(target).exists():
        raise FileError(f"{target}: must be a new file. Choose another name.")
    rows: list[tuple[Row, Any, dict[str, Any]]] = []
    lost: list[int] = []
    changed: list[int] = []
    with _copy(Path(path)) as raw:
        for number, row in _each(raw, str(path)):
            if row is None:
                lost.append(number)
                continue
            attached = _read(raw, "SELECT role, name, sha256 FROM attached WHERE entry = ? ORDER BY role", number)
            if attached is not None and _as_written(row, attached):
                rows.append((row, attached, {one[2]: _data(raw, one[2]) for one in attached}))
            else:
                changed.append(number)
    good: set[int | None] = set()
    for row, *_ in rows:
        if row.kind == "correction" and row.corrects not in good:
            lost.append(row.number)
        else:
            good.add(row.number)
    rows = [one for one in rows if one[0].number in good]
    if not rows:
        raise FileError(f"{path}: no entry of it can be read as it was written. Restore the last backup.")
    bare = sum(data is None for *_, kept in rows for data, _ in kept.values())
    found = Salvaged(str(target), len(rows), tuple(sorted(lost)), tuple(changed), bare)
    *_, (last, *_) = rows
    with Logbook(target, create=True) as book, book.together():
        book.add("note", {"text": f"salvaged from {Path(path).name}: {found.text()}; its last entry kept is {last.number}, {last.sha256}"})
        _write(book, rows)
    return found


def _write(book: Logbook, rows: Iterable[tuple[Row, Any, dict[str, Any]]]) -> None:
    numbers: dict[int | None, int] = {}
    for row, attached, kept in rows:
        for sha256, (data, size) in kept.items():
            book._keep(data, sha256, size)
        numbers[row.number] = book._append(row._replace(corrects=numbers.get(row.corrects), origin=row.sha256), attached)


@contextlib.contextmanager
def _copy(path: Path) -> Iterator[sqlite3.Connection]:
    """The file and its write-ahead log, copied to a place where reading changes nothing that matters."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy.db"
        try:
            shutil.copyfile(path, copy)
            if Path(f"{path}-wal").exists():
                shutil.copyfile(f"{path}-wal", f"{copy}-wal")
        except OSError as error:
            raise FileError(f"{path}: cannot be read ({error.strerror}).") from None
        raw = sqlite3.connect(copy, isolation_level=None)
        raw.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
        try:
            yield raw
        finally:
            raw.close()


def _read(raw: sqlite3.Connection, query: str, *values: Any) -> list[Any] | None:
    """Rows, or None where they cannot be read."""
    with contextlib.suppress(sqlite3.Error):
        return raw.execute(query, values).fetchall()
    return None


def _each(raw: sqlite3.Connection, path: str) -> Iterator[tuple[int, Row | None]]:
    """Every number with its row, None where it cannot be read."""
    if _read(raw, "SELECT count(*) FROM sqlite_master") is None:
        raise FileError(f"{path}: its beginning cannot be read, so nothing can be salvaged. Restore the last backup.")
    ends = _read(raw, "SELECT coalesce(max(number), 0) FROM entry")
    gap: list[int] = []
    for number in range(1, ends[0][0] + 1) if ends else itertools.count(1):
        if rows := _read(raw, f"SELECT {COLUMNS} FROM entry WHERE number = ?", number):
            yield from ((missed, None) for missed in gap)
            gap = []
            yield number, Row(*rows[0])
            continue
        gap.append(number)
        if not ends and len(gap) == _MISSES:
            return
    yield from ((missed, None) for missed in gap)


def _as_written(row: Row, attached: list[tuple[str, str, str]]) -> bool:
    with contextlib.suppress(TypeError, ValueError):
        return row.chained(attached) == row.sha256
    return False


def _data(raw: sqlite3.Connection, sha256: str) -> tuple[bytes | None, int]:
    """Source data and its size; None where it is lost or not as it was kept."""
    rows = _read(raw, "SELECT data, size FROM source WHERE sha256 = ?", sha256)
    data, size = rows[0] if rows else (None, 0)
    if isinstance(data, bytes) and hashlib.sha256(data).hexdigest() == sha256:
        return data, len(data)
    return None, int(size or 0)


def _spans(numbers: tuple[int, ...]) -> str:
    """`3, 7 to 9` of (3, 7, 8, 9).

    >>> _spans((3, 7, 8, 9))
    '3, 7 to 9'
    """
    spans: list[list[int]] = []
    for one in numbers:
        if spans and one == spans[-1][1] + 1:
            spans[-1][1] = one
        else:
            spans.append([one, one])
    return ", ".join(f"{a} to {b}" if b > a else str(a) for a, b in spans)
