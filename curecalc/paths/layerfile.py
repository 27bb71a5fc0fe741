"""The Common Layer Interface, ASCII and binary: a public, vendor neutral layer format of a European research project of the 1990s.

What is read here follows independent readers of the format, as its document itself was not at hand. Byte order (little endian) and
the padding of `$$ALIGN` were not seen in the document: they are unverified, and a file that does not fit to its last byte is refused.
The format holds no laser values: polylines become the kind `contour` (open ones `open`), hatches the kind `hatch`.
"""

from __future__ import annotations

import math
import os
import re
import struct
from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from ..errors import FileError
from ..symbols import clip
from .vectors import AT_ONCE, FAR, JOINED, MOST_LAYERS, Paths, assembled

__all__ = ["layer_blocks"]

_HEADER = 1_000_000  # bytes in which a header must end
_PIECE = _HEADER  # bytes read at once
_KINDS = ("contour", "hatch", "open")
_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_WAY = "Export the layers again."


def layer_blocks(name: str, file: BinaryIO) -> Iterator[Paths]:
    """Paths of an open layer file, some vectors at a time; layers count from 1 in the file's order.

    `heights` of each block are the upper surfaces of the layers that begin in it.

    Raises
    ------
    FileError
        Broken, or not fitting to its last byte.
    """
    header, end, _ = file.read(_HEADER).partition(b"$$HEADEREND")
    if not end or not header.lstrip().startswith(b"$$HEADERSTART"):
        where = f"in the first {_HEADER} bytes, so this is no Common Layer Interface file"
        raise FileError(f"{name}: no header from $$HEADERSTART to $$HEADEREND {where}. {_WAY}")
    plain = re.sub(rb"//.*?//", b" ", header, flags=re.DOTALL)
    words = {m[1].decode(): m[2] for m in re.finditer(rb"\$\$([A-Z]+)(?:/([^$]*))?", plain)}
    if ("ASCII" in words) == ("BINARY" in words):
        raise FileError(f"{name}: the header must say either $$ASCII or $$BINARY. {_WAY}")
    unit = _header_number(name, words, "UNITS")
    if not 1e-9 <= unit <= 1e3:
        raise FileError(f"{name}: $$UNITS must be from 1e-9 to 1000 mm, got {unit:g}. {_WAY}")
    begin = len(header) + len(end)
    size = file.seek(0, os.SEEK_END) - begin
    file.seek(begin)
    found = _Geometry(name, unit)
    many = 0
    for _ in _ascii(found, file) if "ASCII" in words else _binary(found, file, size, "ALIGN" in words):
        if found.many >= AT_ONCE:
            many += found.many
            yield found.block()
    if "LAYERS" in words and (stated := _header_number(name, words, "LAYERS")) != found.layers:
        raise FileError(f"{name}: the header states {stated:g} layers, the file holds {found.layers}. {_WAY}")
    if many + found.many == 0:
        raise FileError(f"{name}: holds no polyline and no hatch. {_WAY}")
    yield found.block()


def _header_number(name: str, words: dict[str, bytes], key: str) -> float:
    text = (words.get(key) or b"").strip()
    if not _NUMBER.fullmatch(text):
        raise FileError(f"{name}: $${key} must be a number, got {_told(text)}. {_WAY}")
    return float(text)


def _told(text: bytes) -> str:
    return clip(text.decode("ascii", "replace"))


class _Geometry:
    """Vectors since the last block, as they are read: a command begins, its coordinates come some at a time, it ends."""

    def __init__(self, name: str, unit: float) -> None:
        self.name, self.unit = name, unit
        self.layers, self.height = 0, 0.0
        self._empty()

    def _empty(self) -> None:
        self.many = 0
        self.heights: list[float] = []
        self.rows: list[np.ndarray] = []
        self.marks: list[tuple[int, int, str]] = []  # of each array of rows: its layer, kind, command

    def fail(self, where: str, problem: str) -> FileError:
        return FileError(f"{self.name}: {where}: {problem} {_WAY}")

    def layer(self, z: float, where: str) -> None:
        z *= self.unit
        if not 0.0 <= z <= FAR:
            raise self.fail(where, f"a layer's height must be from 0 to 1e5 mm, got {z:g}.")
        if z < self.height:
            raise self.fail(where, f"layers must ascend, but {z:g} mm follows {self.height:g} mm.")
        if self.layers == MOST_LAYERS:
            raise self.fail(where, f"more than {MOST_LAYERS} layers.")
        self.layers, self.height = self.layers + 1, z
        self.heights.append(z)

    def begin(self, direction: float | None, where: str) -> None:
        """Of hatches no direction."""
        if not self.layers:
            raise self.fail(where, "geometry stands before the first layer.")
        if direction not in (None, 0, 1, 2):
            raise self.fail(where, f"a polyline's direction is 0, 1 or 2, got {direction:g}.")
        self.line, self.closed = direction is not None, direction != 2
        self.mark = self.layers, _KINDS.index(("contour" if self.closed else "open") if self.line else "hatch"), where
        self.first = self.rest = np.zeros(0)
        self.drawn = False

    def add(self, values: np.ndarray) -> None:
        if self.rest.size:
            values = np.concatenate([self.rest, values])
        if not self.line:
            whole = values.size // 4 * 4
            self._put(values[:whole].reshape(-1, 4))
            self.rest = values[whole:]
            return
        whole = values.size // 2 * 2
        if not self.first.size:
            self.first = values[:2].copy()
        points = values[:whole].reshape(-1, 2)
        self.drawn |= len(points) > 1
        self._put(np.hstack([points[:-1], points[1:]]))
        self.rest = values[max(whole - 2, 0) :]

    def end(self) -> None:
        if not self.line:
            return
        if not self.drawn:
            raise self.fail(self.mark[2], f"a polyline needs two points or more, got {self.first.size // 2}.")
        if self.closed and math.hypot(*(self.first - self.rest)) * self.unit > JOINED:  # closed by meaning, not always by its last point
            self._put(np.concatenate([self.rest, self.first])[None])

    def _put(self, rows: np.ndarray) -> None:
        self.rows.append(rows)
        self.marks.append(self.mark)
        self.many += len(rows)

    def block(self) -> Paths:
        """What was gathered, which it then holds no more."""
        sizes = [len(rows) for rows in self.rows]
        every = np.concatenate([np.zeros((0, 4)), *self.rows]) * self.unit
        near = (np.abs(every) <= FAR).all(axis=1)
        if not near.all():
            where = self.marks[int(np.searchsorted(np.cumsum(sizes), np.argmin(near), side="right"))][2]
            raise self.fail(where, "a coordinate is not a number within -1e5 to 1e5 mm.")
        layer, kind = (np.repeat(np.array([mark[k] for mark in self.marks], np.int64), sizes) for k in (0, 1))
        one = assembled(layer, list(every.T.copy()), kind, _KINDS, [np.full(len(every), np.nan)] * 3, self.name)
        one = replace(one, heights=tuple(self.heights))
        self._empty()
        return one


# ---------------------------------------------------------------- ASCII

_COMMENT = re.compile(rb"//[^\n]*?//")
_PLAIN = b"0123456789+-., \t\r\n"
_HEADS = {b"POLYLINE": (3, 2), b"HATCHES": (2, 4)}  # numbers before the coordinates, and coordinates each


def _ascii(found: _Geometry, file: BinaryIO) -> Iterator[None]:
    """Read command after command, a long one some coordinates at a time."""
    texts = _texts(found.name, file)
    astray = FileError(f"{found.name}: the geometry must stand between $$GEOMETRYSTART and $$GEOMETRYEND, and nothing else. {_WAY}")
    (before, _), (start, _) = next(texts), next(texts, (b"", True))
    if before.strip() or not start.startswith(b"GEOMETRYSTART"):
        raise astray
    if start.removeprefix(b"GEOMETRYSTART").strip():
        raise found.fail("command 1", "text before the first command.")
    number, goes_on = 0, False
    for text, ends in texts:
        if not goes_on:
            number, count = number + 1, 0
            where = f"command {number}"
            if text.rstrip() == b"GEOMETRYEND":
                if next(texts, None) is None:
                    return
                raise astray
            word, _, text = text.partition(b"/")
            word = word.strip()
            if word != b"LAYER" and word not in _HEADS:
                raise found.fail(where, f"unknown command {_told(word)}.")
        values = _values(found, where, text)
        if word == b"LAYER":
            if len(values) != 1 or not ends:
                raise found.fail(where, f"a layer has one height, got {len(values)} numbers.")
            found.layer(float(values[0]), where)
            continue
        head, each = _HEADS[word]
        if not goes_on:
            if len(values) < head:
                raise found.fail(where, "no points or hatches are stated, but 0 coordinates follow.")
            found.begin(float(values[1]) if word == b"POLYLINE" else None, where)
            stated, values = float(values[head - 1]), values[head:]
        found.add(values)
        count, goes_on = count + len(values), not ends
        if ends:
            if stated * each != count:
                raise found.fail(where, f"{stated:g} points or hatches are stated, but {count} coordinates follow.")
            found.end()
        yield
    raise astray


def _texts(name: str, file: BinaryIO) -> Iterator[tuple[bytes, bool]]:
    """What stands between `$$` and `$$`, without comments, and True; of what is long first pieces, each up to a comma, and False."""
    rest, read = b"", b"more"
    while read:
        read = file.read(_PIECE)
        text = _COMMENT.sub(b" ", rest + read)
        above, end, line = text.rpartition(b"\n")
        line, *begun = line.partition(b"//") if read else (line,)  # a comment that may end in the next piece
        *whole, rest = (above + end + line).split(b"$$")
        for one in whole:
            yield one, True
        if read and len(rest) > _PIECE and b"," in rest:
            one, _, rest = rest.rpartition(b",")
            yield one, False
        rest += b"".join(begun)
        if len(rest) > 4 * _PIECE:
            raise FileError(f"{name}: more than {4 * _PIECE} bytes without a comma or a command. {_WAY}")
    yield rest, True


def _values(found: _Geometry, where: str, text: bytes) -> np.ndarray:
    cells = text.split(b",")
    if not text.strip(_PLAIN):
        try:
            return np.array(list(map(float, cells)))
        except ValueError:  # said below
            pass
    for cell in map(bytes.strip, cells):
        if not _NUMBER.fullmatch(cell):
            raise found.fail(where, f"cannot read the number {_told(cell)}.")
    return np.array(list(map(float, cells)))


# ---------------------------------------------------------------- binary

# command: format of what stands before the coordinates, their type; of a layer, which has none, of its height
_COMMANDS = {127: ("<f", ""), 128: ("<H", ""), 129: ("<HHH", "<u2"), 130: ("<iii", "<f4"), 131: ("<HH", "<u2"), 132: ("<ii", "<f4")}


def _binary(found: _Geometry, file: BinaryIO, whole: int, align: bool) -> Iterator[None]:
    """Read command after command of so many bytes in all, a long one some coordinates at a time."""
    at, number = 0, 0
    while at < whole:
        number += 1
        where = f"command {number} at byte {at} of the geometry"
        (code,) = _unpacked(found, where, "<H", file, align)
        if code not in _COMMANDS:
            raise found.fail(where, f"unknown command {code}; the file is not what it says, or is padded otherwise.")
        head, kind = _COMMANDS[code]
        first, *rest = _unpacked(found, where, head, file, align)
        at += sum(_padded(struct.calcsize(form), align) for form in ("<H", head))
        if not rest:
            found.layer(float(first), where)
            continue
        *direction, many = rest
        _, each = _HEADS[b"POLYLINE" if direction else b"HATCHES"]
        size = many * each * np.dtype(kind).itemsize
        if not 0 <= size <= whole - at:
            raise found.fail(where, f"{many} points or hatches are stated, but the file ends before them.")
        found.begin(direction[0] if direction else None, where)
        for start in range(0, size, _PIECE):
            found.add(np.frombuffer(file.read(min(_PIECE, size - start)), kind).astype(float))
            yield
        found.end()
        file.read(_padded(size, align) - size)
        at += _padded(size, align)
    if at != whole:
        raise FileError(f"{found.name}: the geometry does not end with its last command ({at} bytes needed, {whole} there). {_WAY}")


def _padded(size: int, align: bool) -> int:
    return (size + 3) // 4 * 4 if align else size


def _unpacked(found: _Geometry, where: str, form: str, file: BinaryIO, align: bool) -> tuple[int, ...]:
    data = file.read(_padded(struct.calcsize(form), align))
    if len(data) < struct.calcsize(form):
        raise found.fail(where, "the file ends within it.")
    return struct.unpack_from(form, data)
