"""Our own plain table of paths: text with units in the header, some rows at a time; vectors, or positions recorded in time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from io import BytesIO
from typing import Any, BinaryIO

import numpy as np

from ..errors import FileError
from ..files.tables import Column, Table, table_blocks
from .vectors import ENDS, FAR, LIT, Paths, Positions, assembled, joined

__all__ = ["COLUMNS", "MOST_KINDS", "Arrays", "header", "paths_of", "table_paths", "text_blocks"]

MOST_KINDS = 1000
_ROWS = 4096
COLUMNS = {
    "layer": Column("whole", once=True, about="Number of the layer, from below; one layer when left out."),
    "x0": Column("length", about="Where the vector begins."),
    "y0": Column("length", about="Where the vector begins."),
    "x1": Column("length", about="Where it ends."),
    "y1": Column("length", about="Where it ends."),
    "kind": Column(
        "text",
        once=True,
        about="Of the vector, by its name in the needs, like contour or hatch; outline is the drawing and is not exposed.",
    ),
    "power": Column(
        "power", sign="nonnegative", once=True, blank=True, about="On the resin surface; of recorded positions, from this row to the next."
    ),
    "scan_speed": Column("speed", sign="positive", once=True, blank=True, about="Of the spot along the vector."),
    "beam_radius": Column("length", sign="positive", once=True, blank=True, about="At 1/e^2 of the peak."),
    "time": Column("time", about="Of a recorded position, instead of vectors."),
    "x": Column("length", about="Recorded position."),
    "y": Column("length", about="Recorded position."),
}
_UNITS = {"power": "mW", "scan_speed": "mm/s", "time": "s", "layer": "", "kind": ""}


def text_blocks(name: str, file: BinaryIO, *, max_rows: float = math.inf) -> Iterator[Paths]:
    """Vectors or recorded positions of an open table, some rows at a time; `name` is what errors call it.

    The table has columns `x0 [mm], y0 [mm], x1 [mm], y1 [mm]` and, as wanted, layer, kind, power, scan_speed, beam_radius; or
    `time [s], x [mm], y [mm], power [mW]` with layer.

    Raises
    ------
    FileError
        What cannot be read or makes no sense, by file, line and column.
    """
    last: dict[int, float] = {}
    for table in table_blocks(name, file, COLUMNS, max_rows=max_rows, most=_ROWS):
        yield paths_of(table, name, last)


def table_paths(name: str, data: bytes, *, max_rows: float) -> Paths:
    """The paths of a text table already in memory."""
    return joined(list(text_blocks(name, BytesIO(data), max_rows=max_rows))).in_order()


def paths_of(columns: Any, name: str, last: dict[int, float]) -> Paths:
    """Vectors or recorded positions of columns, as they stand; refused where they make no sense.

    `last` is the time at which the positions of a layer ended in the rows above, and is kept up.
    """
    recorded = [c for c in ("time", "x", "y") if c in columns]
    vectors = [c for c in ENDS if c in columns]
    if recorded and vectors:
        raise FileError(f"{name}: holds both vectors ({vectors[0]}) and recorded positions ({recorded[0]}). Put them into two files.")
    needed = ("time", "x", "y", "power") if recorded else ENDS
    for column in needed:
        if column not in columns:
            raise FileError(f"{name}: no column {column!r}. {_way(bool(recorded))}")
    size = len(columns[column])
    if not size:
        raise FileError(f"{name}: holds no rows. {_way(bool(recorded))}")
    for column in needed:
        far = ~(np.abs(columns[column]) <= FAR) if column not in ("time", "power") else ~np.isfinite(columns[column])
        if far.any():
            row = int(np.argmax(far))
            raise _error(columns, name, column, row, f"{column} of {columns[column][row]:g} is outside -1e5 to 1e5 mm. Correct it.")
    layer = _layers(columns, name, size)
    if recorded:
        return _positions(columns, name, layer, last)
    kinds, codes = ["hatch"], np.zeros(size, np.int64)
    if "kind" in columns:
        numbered = isinstance(columns, Arrays) and columns.kinds
        texts = columns.kinds if numbered else dict.fromkeys(columns.value("kind"))
        plain = [str(k).strip() or "hatch" for k in texts]
        kinds = sorted(set(plain))
        if len(kinds) > MOST_KINDS:
            raise FileError(f"{name}: more than {MOST_KINDS} kinds of vector. Name a few kinds, like hatch.")
        at = {k: i for i, k in enumerate(kinds)}
        place = np.array([at[k] for k in plain], np.int64)
        if numbered:
            codes = place[np.asarray(columns["kind"], np.int64)]
        else:
            number = dict(zip(texts, place.tolist()))
            codes = np.array([number[k] for k in columns.value("kind")], np.int64)
    lit = [np.asarray(columns.value(c), float) if c in columns else np.full(size, np.nan) for c in LIT]
    return assembled(layer, [columns[c] for c in ENDS], codes, kinds, lit, name)


def _way(recorded: bool) -> str:
    if recorded:
        return "Recorded positions need: layer, time [s], x [mm], y [mm], power [mW]."
    return "Vectors need: layer, x0 [mm], y0 [mm], x1 [mm], y1 [mm], kind."


def _error(columns: Any, name: str, column: str, row: int, problem: str) -> FileError:
    if isinstance(columns, Table):
        return columns.error(column, row=row, problem=problem)
    return FileError(f"{name}: row {columns.first + row + 1}: {problem}")


def _layers(columns: Any, name: str, size: int) -> np.ndarray:
    if "layer" not in columns:
        return np.ones(size, np.int64)
    layer = np.asarray(columns.value("layer"), float)
    wrong = ~((layer >= 0) & (layer < 10_000_000) & (layer == np.floor(layer)))
    if wrong.any():
        row = int(np.argmax(wrong))
        raise _error(columns, name, "layer", row, f"layer must be a whole number from 0 to 9999999, got {layer[row]:g}. Correct it.")
    return layer.astype(np.int64)


def _positions(columns: Any, name: str, layer: np.ndarray, last: dict[int, float]) -> Paths:
    found = []
    for one in np.unique(layer).tolist():
        mine = np.flatnonzero(layer == one)
        t = columns["time"][mine]
        back = np.diff(t, prepend=last.get(one, -math.inf)) <= 0.0
        last[one] = float(t[-1])
        if back.any():
            row = int(mine[int(np.argmax(back))])
            raise _error(columns, name, "time", row, "time does not go on from the row above. Sort the rows by time within a layer.")
        power = np.asarray(columns.value("power"), float)[mine]
        found.append(Positions(int(one), t, columns["x"][mine], columns["y"][mine], power))
    none, codes = np.zeros(0), np.zeros(0, np.int64)
    return Paths(codes, none, none, none, none, codes, ("recorded",), none, none, none, recorded=tuple(found), source=name)


class Arrays(dict):  # type: ignore[type-arg]
    """Arrays by name with the table's way of asking; `kinds` are the texts that `kind` numbers, `first` the row they begin with."""

    kinds: tuple[str, ...] = ()
    first: int

    def value(self, name: str) -> Any:
        return self[name]


def header(columns: list[str]) -> str:
    """The header of a table of these columns."""
    return ",".join(c if (unit := _UNITS.get(c, "mm")) == "" else f"{c} [{unit}]" for c in columns) + "\n"
