"""Our own plain table of paths: text with units in the header, or the same arrays in an .npz; vectors, or positions recorded in time."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import FileError
from ..files.tables import Column, Table, read_table, read_table_bytes
from .vectors import Paths, Positions, assembled

__all__ = [
    "COLUMNS",
    "Arrays",
    "check_archive",
    "checked_arrays",
    "paths_of",
    "read_table_paths",
    "save_paths",
    "table_paths",
    "table_text",
]

_LARGEST_TEXT, _MOST_ROWS = 400_000_000, 5_000_000
_LARGEST_ARRAYS = 8_000_000_000
_NPZ_WAY = "Save it with numpy.savez and plain arrays."
_FAR = 1e5  # mm: a hundred metres is no machine's field
COLUMNS = {
    "layer": Column("whole", once=True),
    "x0": Column("length"),
    "y0": Column("length"),
    "x1": Column("length"),
    "y1": Column("length"),
    "kind": Column("text", once=True),
    "power": Column("power", sign="nonnegative", once=True, blank=True),
    "scan_speed": Column("speed", sign="positive", once=True, blank=True),
    "beam_radius": Column("length", sign="positive", once=True, blank=True),
    "time": Column("time"),
    "x": Column("length"),
    "y": Column("length"),
}
_ENDS = ("x0", "y0", "x1", "y1")
_UNITS = {"power": "mW", "scan_speed": "mm/s", "time": "s", "layer": "", "kind": ""}


def read_table_paths(path: str | Path) -> Paths:
    """Vectors or recorded positions from a table.

    Parameters
    ----------
    path : path
        Text with columns `x0 [mm], y0 [mm], x1 [mm], y1 [mm]` and, as wanted, layer, kind, power, scan_speed, beam_radius; or
        `time [s], x [mm], y [mm], power [mW]` with layer; or an .npz of arrays of these names in mm, mm/s, mW, s.

    Raises
    ------
    FileError
        What cannot be read or makes no sense, by file, line and column.
    """
    columns: Any = _arrays(path) if str(path).lower().endswith(".npz") else None
    if columns is None:
        columns = read_table(path, COLUMNS, max_bytes=_LARGEST_TEXT, max_rows=_MOST_ROWS)
    return _in_order(columns, str(path))


def table_paths(name: str, data: bytes, *, max_rows: int) -> Paths:
    """`read_table_paths` of a text table already in memory; `name` is what errors call it."""
    return _in_order(read_table_bytes(name, data, COLUMNS, max_rows=max_rows), name)


def _in_order(columns: Any, name: str) -> Paths:
    one = paths_of(columns, name)
    return one.chosen(np.argsort(one.layer, kind="stable")) if len(one) else one


def paths_of(columns: Any, name: str) -> Paths:
    """Vectors or recorded positions of columns, as they stand; refused where they make no sense."""
    recorded = [c for c in ("time", "x", "y") if c in columns]
    vectors = [c for c in _ENDS if c in columns]
    if recorded and vectors:
        raise FileError(f"{name}: holds both vectors ({vectors[0]}) and recorded positions ({recorded[0]}). Put them into two files.")
    needed = ("time", "x", "y", "power") if recorded else _ENDS
    for column in needed:
        if column not in columns:
            raise FileError(f"{name}: no column {column!r}. {_way(recorded != [])}")
    size = len(columns[needed[0]])
    if size == 0:
        raise FileError(f"{name}: holds no rows. {_way(recorded != [])}")
    for column in needed:
        far = ~(np.abs(columns[column]) <= _FAR) if column not in ("time", "power") else ~np.isfinite(columns[column])
        if far.any():
            row = int(np.argmax(far))
            raise _error(columns, name, column, row, f"{column} of {columns[column][row]:g} is outside -1e5 to 1e5 mm. Correct it.")
    layer = _layers(columns, name, size)
    if recorded:
        return _positions(columns, name, layer)
    kinds: Any = ["hatch"]
    codes = np.zeros(size, np.int64)
    if isinstance(columns, Arrays) and columns.kinds and "kind" in columns:
        kinds, place = np.unique([k.strip() or "hatch" for k in columns.kinds], return_inverse=True)
        codes = place[np.asarray(columns["kind"], np.int64)]
    elif "kind" in columns:
        kinds, codes = np.unique([str(k).strip() or "hatch" for k in columns.value("kind")], return_inverse=True)
    lit = [np.asarray(columns.value(c), float) if c in columns else np.full(size, np.nan) for c in ("power", "scan_speed", "beam_radius")]
    return assembled(layer, [columns[c] for c in _ENDS], codes, kinds, lit, name)


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


def _positions(columns: Any, name: str, layer: np.ndarray) -> Paths:
    found = []
    for one in np.unique(layer):
        mine = np.flatnonzero(layer == one)
        t = columns["time"][mine]
        if (np.diff(t) <= 0.0).any():
            row = int(mine[int(np.argmax(np.diff(t) <= 0.0)) + 1])
            raise _error(columns, name, "time", row, "time does not go on from the row above. Sort the rows by time within a layer.")
        power = np.asarray(columns.value("power"), float)[mine]
        if (power < 0.0).any():
            raise FileError(f"{name}: power is below zero in layer {one}. Correct it.")
        found.append(Positions(int(one), t, columns["x"][mine], columns["y"][mine], power))
    none, codes = np.zeros(0), np.zeros(0, np.int64)
    return Paths(codes, none, none, none, none, codes, ("recorded",), none, none, none, recorded=tuple(found), source=name)


class Arrays(dict):  # type: ignore[type-arg]
    """Arrays by name with the table's way of asking; `kinds` are the texts that `kind` numbers, `first` the row they begin with."""

    kinds: tuple[str, ...] = ()
    first: int = 0

    def value(self, name: str) -> Any:
        return self[name]


def _arrays(path: str | Path) -> Arrays:
    name = str(path)
    try:
        check_archive(path)
        with np.load(path, allow_pickle=False) as loaded:
            found = {key: loaded[key] for key in loaded.files}
    except FileNotFoundError:
        raise FileError(f"{name}: there is no such file. Check the path and its spelling.") from None
    except FileError:
        raise
    except Exception as error:  # whatever the reader meets in a broken file
        raise FileError(f"{name}: cannot be read as an .npz of arrays ({type(error).__name__}). {_NPZ_WAY}") from None
    return checked_arrays(found, name)


def check_archive(path: str | Path, *, most: float = _LARGEST_ARRAYS) -> None:
    """Refuse what unpacks without bound or to more bytes than `most`, and arrays of unknown names."""
    with zipfile.ZipFile(path) as archive:
        entries = archive.infolist()
    claimed, packed = sum(entry.file_size for entry in entries), sum(entry.compress_size for entry in entries)
    if claimed > most or claimed > 1000 * packed + 1_000_000:
        raise FileError(f"{path}: unpacks to {claimed} bytes from {packed}: more than such a table can be. {_NPZ_WAY}")
    unknown = [e.filename for e in entries if e.filename.removesuffix(".npy") not in (*COLUMNS, "kinds")]
    if unknown:
        known = f"Known are {', '.join(COLUMNS)} and kinds."
        raise FileError(f"{path}: unknown array {unknown[0].removesuffix('.npy')[:40]!r}. {known} {_NPZ_WAY}")


def checked_arrays(found: dict[str, np.ndarray], name: str, first: int = 0) -> Arrays:
    """Arrays of one length and of numbers, as float64; `kinds` set apart."""
    kinds = found.pop("kinds", None)
    sizes = {key: array.shape for key, array in found.items()}
    if len(set(sizes.values())) > 1 or any(len(shape) != 1 for shape in sizes.values()):
        raise FileError(f"{name}: the arrays are not of one length: {sizes}. {_NPZ_WAY}")
    columns = Arrays(found)
    columns.first = first
    for key, array in found.items():
        if key != "kind" and array.dtype.kind not in "fiu":
            raise FileError(f"{name}: {key} holds no numbers ({array.dtype}). {_NPZ_WAY}")
        if key in ("power", "scan_speed", "beam_radius") and ((array < 0) | np.isinf(array) | ((array == 0) & (key != "power"))).any():
            raise FileError(f"{name}: {key} must be finite and above zero. Correct it.")
        if key != "kind":
            columns[key] = array.astype(float)
    if kinds is not None and "kind" in found:
        codes = found["kind"]
        if codes.dtype.kind not in "iu" or (codes.size and not 0 <= codes.min() <= codes.max() < len(kinds)):
            raise FileError(f"{name}: kind must number the texts in kinds. {_NPZ_WAY}")
        columns.kinds = tuple(str(k) for k in kinds)
    return columns


def save_paths(path: str | Path, paths: Paths) -> None:
    """Write vectors as .npz, or as text for any other ending; whole or not at all, replacing what stood there."""
    from io import BytesIO

    from ..files.disk import write_bytes

    if not str(path).lower().endswith(".npz"):
        write_bytes(path, table_text(paths), overwrite=True)
        return
    buffer = BytesIO()
    arrays = {c: getattr(paths, c) for c in ("layer", *_ENDS, "kind", "power", "scan_speed", "beam_radius")}
    np.savez(buffer, kinds=np.array(paths.kinds, str), **{k: v for k, v in arrays.items() if not np.all(np.isnan(v))})
    write_bytes(path, buffer.getvalue(), overwrite=True)


def table_text(paths: Paths) -> str:
    """The vectors as our plain table; what is not known is blank, a column of which nothing is known is left out."""
    columns = [c for c in ("layer", *_ENDS, "kind", "power", "scan_speed", "beam_radius") if not np.all(np.isnan(getattr(paths, c)))]
    head = [c if (unit := _UNITS.get(c, "mm")) == "" else f"{c} [{unit}]" for c in columns]
    values = [paths.names if c == "kind" else getattr(paths, c) for c in columns]
    body = "".join(",".join("" if cell != cell else str(cell) for cell in row) + "\n" for row in zip(*(v.tolist() for v in values)))
    return ",".join(head) + "\n" + body
