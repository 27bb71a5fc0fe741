"""The Common Layer Interface, ASCII and binary: a public, vendor neutral layer format of a European research project of the 1990s.

What is read here follows independent readers of the format, as its document itself was not at hand. Byte order (little endian) and
the padding of `$$ALIGN` were not seen in the document: they are unverified, and a file that does not fit to its last byte is refused.
The format holds no laser values: polylines become the kind `contour` (open ones `open`), hatches the kind `hatch`.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from ..errors import FileError
from .vectors import Paths, assembled

__all__ = ["read_layer_file", "read_layer_bytes"]

_LARGEST = 1_000_000_000
_HEADER = 1_000_000  # bytes in which a header must end
_FAR = 1e5  # mm
_KINDS = ("contour", "hatch", "open")
_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_WAY = "Export the layers again."


@dataclass
class _Gathered:
    """What a file's geometry gives: arrays (n, 4) with layer and kind, and the heights of layers."""

    name: str
    unit: float
    heights: list[float] = field(default_factory=list)
    rows: list[np.ndarray] = field(default_factory=list)
    layers: list[np.ndarray] = field(default_factory=list)
    kinds: list[np.ndarray] = field(default_factory=list)

    def layer(self, z: float, where: str) -> None:
        if not math.isfinite(z) or abs(z * self.unit) > _FAR or (z < 0.0):
            raise FileError(f"{self.name}: {where}: a layer's height must be from 0 to 1e5 mm, got {z * self.unit:g}. {_WAY}")
        if self.heights and z * self.unit < self.heights[-1]:
            raise FileError(f"{self.name}: {where}: layers must ascend, but {z * self.unit:g} mm follows {self.heights[-1]:g} mm. {_WAY}")
        self.heights.append(z * self.unit)

    def polyline(self, direction: int, points: np.ndarray, where: str) -> None:
        if direction not in (0, 1, 2):
            raise FileError(f"{self.name}: {where}: a polyline's direction is 0, 1 or 2, got {direction}. {_WAY}")
        places = points.reshape(-1, 2)
        if len(places) < 2:
            raise FileError(f"{self.name}: {where}: a polyline needs two points or more, got {len(places)}. {_WAY}")
        if direction != 2 and np.hypot(*(places[0] - places[-1])) * self.unit > 1e-6:
            places = np.vstack([places, places[:1]])  # closed by meaning, not always by its last point
        self._put(np.hstack([places[:-1], places[1:]]), 2 if direction == 2 else 0, where)

    def hatches(self, points: np.ndarray, where: str) -> None:
        self._put(points.reshape(-1, 4), 1, where)

    def _put(self, rows: np.ndarray, kind: int, where: str) -> None:
        if not self.heights:
            raise FileError(f"{self.name}: {where}: geometry stands before the first layer. {_WAY}")
        rows = rows.astype(float) * self.unit
        if not (np.abs(rows) <= _FAR).all():
            raise FileError(f"{self.name}: {where}: a coordinate is not a number within -1e5 to 1e5 mm. {_WAY}")
        self.rows.append(rows)
        self.layers.append(np.full(len(rows), len(self.heights), np.int64))
        self.kinds.append(np.full(len(rows), kind, np.int64))

    def paths(self) -> Paths:
        if not self.rows:
            raise FileError(f"{self.name}: holds no polyline and no hatch. {_WAY}")
        rows, layer, kind = np.concatenate(self.rows), np.concatenate(self.layers), np.concatenate(self.kinds)
        unknown = np.full(len(rows), np.nan)
        one = assembled(layer, list(rows.T.copy()), kind, _KINDS, [unknown, unknown, unknown], self.name)
        return replace(one, heights=tuple(self.heights))


def read_layer_file(path: str | Path) -> Paths:
    """Paths from a layer file; layers count from 1 in the file's order, their upper surfaces stand in `heights`.

    Raises
    ------
    FileError
        Broken, too large, or not fitting to its last byte.
    """
    name = str(path)
    try:
        if Path(path).is_dir():
            raise FileError(f"{name}: this is a folder. Give the file itself.")
        size = Path(path).stat().st_size
        if size > _LARGEST:
            raise FileError(f"{name}: the file has {size} bytes, more than {_LARGEST}. Split it by layers.")
        return read_layer_bytes(name, Path(path).read_bytes())
    except FileNotFoundError:
        raise FileError(f"{name}: there is no such file. Check the path and its spelling.") from None
    except OSError as error:
        raise FileError(f"{name}: the file cannot be read: {error.strerror or error}. Check the path.") from None


def read_layer_bytes(name: str, data: bytes) -> Paths:
    """Like `read_layer_file`, for bytes in memory."""
    start, end = data.find(b"$$HEADERSTART"), data.find(b"$$HEADEREND", 0, _HEADER)
    if start < 0 or end < start or data[:start].strip():
        raise FileError(f"{name}: no header from $$HEADERSTART to $$HEADEREND, so this is no Common Layer Interface file. {_WAY}")
    header = re.sub(rb"//.*?//", b" ", data[start + 13 : end], flags=re.DOTALL)
    words = {m[1].decode(): m[2] for m in re.finditer(rb"\$\$([A-Z]+)(?:/([^$]*))?", header)}
    if ("ASCII" in words) == ("BINARY" in words):
        raise FileError(f"{name}: the header must say either $$ASCII or $$BINARY. {_WAY}")
    unit = _header_number(name, words, "UNITS")
    if not 1e-9 <= unit <= 1e3:
        raise FileError(f"{name}: $$UNITS must be from 1e-9 to 1000 mm, got {unit:g}. {_WAY}")
    found = _Gathered(name, unit)
    if "ASCII" in words:
        _ascii(found, data[end + 11 :])
    else:
        _binary(found, data[end + 11 :], "ALIGN" in words)
    if "LAYERS" in words and (stated := _header_number(name, words, "LAYERS")) != len(found.heights):
        raise FileError(f"{name}: the header states {stated:g} layers, the file holds {len(found.heights)}. {_WAY}")
    return found.paths()


def _header_number(name: str, words: dict[str, bytes], key: str) -> float:
    text = (words.get(key) or b"").strip()
    if not _NUMBER.fullmatch(text):
        raise FileError(f"{name}: $$${key} must be a number, got {text[:40].decode('ascii', 'replace')!r}. {_WAY}".replace("$$$", "$$"))
    return float(text)


# ---------------------------------------------------------------- ASCII


def _ascii(found: _Gathered, body: bytes) -> None:
    body = re.sub(rb"//[^\n]*?//", b" ", body)
    begin, end = body.find(b"$$GEOMETRYSTART"), body.rfind(b"$$GEOMETRYEND")
    if begin < 0 or end < begin or body[:begin].strip() or body[end + 13 :].strip():
        raise FileError(f"{found.name}: the geometry must stand between $$GEOMETRYSTART and $$GEOMETRYEND, and nothing else. {_WAY}")
    commands = body[begin + 15 : end].split(b"$$")
    if commands[0].strip():
        raise FileError(f"{found.name}: command 1: text before the first command. {_WAY}")
    for number, command in enumerate(commands[1:], 1):
        word, _, rest = command.partition(b"/")
        where = f"command {number}"
        word = word.strip()
        if word not in (b"LAYER", b"POLYLINE", b"HATCHES"):
            raise FileError(f"{found.name}: {where}: unknown command {word[:30].decode('ascii', 'replace')!r}. {_WAY}")
        values = _values(found.name, where, rest)
        if word == b"LAYER":
            if len(values) != 1:
                raise FileError(f"{found.name}: {where}: a layer has one height, got {len(values)} numbers. {_WAY}")
            found.layer(float(values[0]), where)
            continue
        head, each = (3, 2) if word == b"POLYLINE" else (2, 4)
        if len(values) < head or values[head - 1] * each != len(values) - head:
            stated = f"{values[head - 1]:g}" if len(values) >= head else "no"
            raise FileError(
                f"{found.name}: {where}: {stated} points or hatches are stated, but {max(len(values) - head, 0)} coordinates follow. {_WAY}"
            )
        if word == b"POLYLINE":
            found.polyline(_whole(found.name, where, values[1]), values[3:], where)
        else:
            found.hatches(values[2:], where)


def _whole(name: str, where: str, value: float) -> int:
    if value != math.floor(value):
        raise FileError(f"{name}: {where}: a direction must be a whole number, got {value:g}. {_WAY}")
    return int(value)


def _values(name: str, where: str, text: bytes) -> np.ndarray:
    cells = text.strip().split(b",")
    if not all(_NUMBER.fullmatch(cell.strip()) for cell in cells):
        bad = next(cell for cell in cells if not _NUMBER.fullmatch(cell.strip()))
        raise FileError(f"{name}: {where}: cannot read the number {bad.strip()[:30].decode('ascii', 'replace')!r}. {_WAY}")
    return np.array(cells, dtype=float)


# ---------------------------------------------------------------- binary

# command: name, format of what stands before the coordinates, their type, coordinates each
_COMMANDS = {
    127: ("layer", "<f", "", 0),
    128: ("layer", "<H", "", 0),
    129: ("polyline", "<HHH", "<u2", 2),
    130: ("polyline", "<iii", "<f4", 2),
    131: ("hatches", "<HH", "<u2", 4),
    132: ("hatches", "<ii", "<f4", 4),
}


def _binary(found: _Gathered, body: bytes, align: bool) -> None:
    at, number = 0, 0
    while at < len(body):
        number += 1
        where = f"command {number} at byte {at} of the geometry"
        (code,) = _unpacked(found.name, where, "<H", body, at)
        if code not in _COMMANDS:
            raise FileError(f"{found.name}: {where}: unknown command {code}; the file is not what it says, or is padded otherwise. {_WAY}")
        what, head, kind, each = _COMMANDS[code]
        at += 4 if align else 2
        values = _unpacked(found.name, where, head, body, at)
        at += _padded(struct.calcsize(head), align)
        if what == "layer":
            found.layer(float(values[0]), where)
            continue
        count = values[-1]
        size = count * each * np.dtype(kind).itemsize
        if count < 0 or size > len(body) - at:
            raise FileError(f"{found.name}: {where}: {count} points or hatches are stated, but the file ends before them. {_WAY}")
        points = np.frombuffer(body, kind, count * each, at)
        at += _padded(size, align)
        if what == "polyline":
            found.polyline(values[1], points, where)
        else:
            found.hatches(points, where)
    if at != len(body):
        raise FileError(f"{found.name}: the geometry does not end with its last command ({at} bytes needed, {len(body)} there). {_WAY}")


def _padded(size: int, align: bool) -> int:
    return (size + 3) // 4 * 4 if align else size


def _unpacked(name: str, where: str, form: str, body: bytes, at: int) -> tuple[int, ...]:
    try:
        return struct.unpack_from(form, body, at)
    except struct.error:
        raise FileError(f"{name}: {where}: the file ends within it. {_WAY}") from None
