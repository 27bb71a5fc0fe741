"""Paths as points with energy: Gauss-Legendre nodes in time along each vector, as the motion has it. Positions mm, doses over the surface.

Nodes follow the beam's width, not the pixel, and their number the length; how many a stretch needs follows from the rule's own
error term, so that the sum over time is good to 3e-7 of a line's dose.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..errors import QuantityError
from ..paths.vectors import Paths
from ..physics import motion
from ..symbols import clip
from .beam import Beam

if TYPE_CHECKING:
    Window = tuple[float, float, float, float]

__all__ = [
    "LONGEST",
    "NODES",
    "QUADRATURE",
    "Legs",
    "Scanning",
    "chunks",
    "even_legs",
    "even_points",
    "numbered",
    "panels",
    "pieces",
    "points",
]

QUADRATURE = 3e-7
"""Error of the sum over time, over the dose of a steady line."""
_MOST = 8
_CHUNK = 200_000  # points at a time
NODES = np.zeros((2, _MOST + 1, _MOST))
"""Places from 0 to 1 and weights of so many nodes."""
for _m in range(1, _MOST + 1):
    _x, _w = np.polynomial.legendre.leggauss(_m)
    NODES[:, _m, :_m] = (1.0 + _x) / 2.0, _w / 2.0
# longest panel, in standard deviations of the beam, that m nodes integrate: error term of the rule, its share by the panel's length
LONGEST = np.array(
    [
        (
            (0.25 * QUADRATURE * math.sqrt(2.0 * math.pi))
            * (2 * m + 1)
            * math.factorial(2 * m) ** 3
            / (math.factorial(m) ** 4 * math.prod(range(2 * m - 1, 0, -2)))
        )
        ** (1.0 / (2 * m))
        for m in range(1, _MOST + 1)
    ]
)


@dataclass(frozen=True)
class Scanning:
    """How vectors are scanned; floats in the lab set.

    `acceleration` with `run_up_beam` "off": at full speed throughout, the run-up lies outside. "on": from rest to rest within the
    vector, the beam on; "follows speed": the power follows, not below the share `least_power`. `corner_speed` is kept through joints of
    vectors that meet end to end; `pulse_rate` of a pulsed laser, a pulse at the start of each vector.
    """

    acceleration: float | None = None
    run_up_beam: str = "off"
    least_power: float = 0.0
    corner_speed: float = 0.0
    pulse_rate: float | None = None

    def __post_init__(self) -> None:
        if self.run_up_beam not in motion.RUN_UPS:
            raise QuantityError(f"run_up_beam must be one of {', '.join(motion.RUN_UPS)}, got {clip(self.run_up_beam)}.")
        if self.acceleration is None and self.lit:
            raise QuantityError('run_up_beam needs an acceleration. Give acceleration=, like "1e6 mm/s^2".')

    @property
    def lit(self) -> bool:
        """Whether the beam is on while the spot speeds up."""
        return motion.RUN_UPS[self.run_up_beam] is not None

    @property
    def even(self) -> bool:
        """Whether every dose goes as one over the speed: no run-up while lit, no pulses."""
        return not self.lit and self.pulse_rate is None

    @property
    def cornering(self) -> float | None:
        """The acceleration between corners that keep some speed; None where all stop, or none is felt."""
        return self.acceleration if self.corner_speed and self.lit else None

    def ends(self, length: np.ndarray) -> motion.Ends:
        """The ends of vectors of these lengths."""
        follows = motion.RUN_UPS[self.run_up_beam]
        return motion.Ends(length) if follows is None else motion.Ends(length, self.acceleration, follows, self.least_power)


@dataclass(frozen=True)
class Legs:
    """Straight pieces in time: from (x0, y0) by (dx, dy) in `time`, as fractions of the way; power at the start and its change."""

    x0: np.ndarray
    y0: np.ndarray
    dx: np.ndarray
    dy: np.ndarray
    time: np.ndarray
    power: np.ndarray
    change: np.ndarray

    def chosen(self, which: np.ndarray) -> Legs:
        return Legs(**{name: getattr(self, name)[which] for name in self.__dataclass_fields__})


def points(paths: Paths, scanning: Scanning, beam: Beam, window: Window | None = None) -> Iterator[tuple[np.ndarray, ...]]:
    """Points x, y (mm) and doses over the surface of one layer's paths, a chunk at a time; of a window only what may fall in it."""
    for piece in pieces(paths, scanning, beam, window):
        if isinstance(piece, Legs):
            yield from even_points(piece, beam, window)
        else:
            yield piece


def pieces(paths: Paths, scanning: Scanning, beam: Beam, window: Window | None = None) -> Iterator[Legs | tuple[np.ndarray, ...]]:
    """What `points` is made of: pieces run at even speed, and points of all else."""
    one = paths.scanned
    if scanning.pulse_rate is not None:
        if beam.w != 1.0:
            raise QuantityError("pulse_rate cannot be combined with the power threshold law: it would need the length of the pulses.")
        yield from _pulses(one, scanning, scanning.pulse_rate, beam, window)
        return
    if len(one):
        if scanning.lit:
            yield from _moving(one, scanning, beam, window)
        else:
            yield even_legs(one)
    for p in paths.recorded:
        dt, change = np.diff(p.time), np.diff(p.power)
        lit = (p.power[:-1] > 0.0) | (p.power[1:] > 0.0)
        legs = Legs(p.x[:-1], p.y[:-1], np.diff(p.x), np.diff(p.y), dt, p.power[:-1], change)
        yield legs.chosen(lit)


def even_legs(one: Paths) -> Legs:
    """Vectors at full speed throughout."""
    return Legs(one.x0, one.y0, one.x1 - one.x0, one.y1 - one.y0, one.length / one.scan_speed, one.power, np.zeros(len(one)))


def panels(legs: Legs, beam: Beam, window: Window | None) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Nodes a panel, panels, and the first and last of them that run in the window, of pieces cut into equal panels."""
    sigma = beam.narrow
    length = np.sqrt(legs.dx * legs.dx + legs.dy * legs.dy) / sigma
    count = np.maximum(np.ceil(length / LONGEST[-1]), 1.0)
    m = np.where(legs.change != 0.0, _MOST, np.searchsorted(LONGEST[:-1], length / count) + 1)
    first, last = np.zeros(len(count)), count
    if window is not None:
        begin, end = _inside(legs, window)
        first, last = np.floor(begin * count), np.minimum(np.ceil(end * count), count)
        m = np.where(end >= begin, m, 0)
    return m, count, first, last


def even_points(legs: Legs, beam: Beam, window: Window | None) -> Iterator[tuple[np.ndarray, ...]]:
    """Points of pieces run at even speed."""
    m, count, first, last = panels(legs, beam, window)
    for nodes in range(1, _MOST + 1):
        mine = np.flatnonzero(m == nodes)
        number = (last - first)[mine].astype(np.int64)
        x, weight = NODES[:, nodes, :nodes]
        for part in chunks(number * nodes):
            own, k = numbered(number[part])
            row = mine[part][own]
            one, share = legs.chosen(row), 1.0 / count[row]
            at = ((first[row] + k)[:, None] + x) * share[:, None]
            power = one.power[:, None] + one.change[:, None] * at if np.any(one.change) else one.power[:, None]
            dose = beam.dose(power) * (one.time * share)[:, None] * weight
            yield (one.x0[:, None] + one.dx[:, None] * at).ravel(), (one.y0[:, None] + one.dy[:, None] * at).ravel(), dose.ravel()


def numbered(count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of so many of each item, one after the other: which item, and the how-manieth of it, from 0."""
    return np.repeat(np.arange(len(count)), count), np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)


def chunks(sizes: np.ndarray) -> Iterator[slice]:
    """Slices of consecutive items of about a chunk's points each."""
    total = np.cumsum(sizes)
    start = 0
    while start < len(sizes):
        done = total[start - 1] if start else 0
        stop = max(int(np.searchsorted(total, done + _CHUNK, side="right")), start + 1)
        yield slice(start, stop)
        start = stop


def _inside(legs: Legs, window: Window) -> tuple[np.ndarray, np.ndarray]:
    """The part of the way, as fractions, that runs within a window; end below begin, or NaN, where none does."""
    begin, end = np.zeros(len(legs.x0)), np.ones(len(legs.x0))
    for start, way, low, high in ((legs.x0, legs.dx, window[0], window[2]), (legs.y0, legs.dy, window[1], window[3])):
        with np.errstate(divide="ignore", invalid="ignore"):
            a, b = (low - start) / way, (high - start) / way  # infinite where it stands still, NaN where it stands on the window's edge
        begin, end = np.maximum(begin, np.minimum(a, b)), np.minimum(end, np.maximum(a, b))
    return begin, end


def _stretches(one: Paths, scanning: Scanning) -> tuple[motion.Ends, tuple[motion.Stretch, ...]]:
    ends = scanning.ends(one.length)
    first, last = _joint_speeds(one, scanning)
    return ends, motion.stretches(one.scan_speed, ends, first, last)


def _joint_speeds(one: Paths, scanning: Scanning) -> tuple[np.ndarray, np.ndarray]:
    """Speeds at the starts and ends of vectors: the corner speed at joints, less where the way is too short to reach it; else rest."""
    first, last = np.zeros(len(one)), np.zeros(len(one))
    if scanning.cornering is None:
        return first, last
    joined = np.flatnonzero(one.joints())
    first[joined] = np.minimum(scanning.corner_speed, np.minimum(one.scan_speed[joined], one.scan_speed[joined - 1]))
    gain = 2.0 * scanning.cornering * one.length
    for _ in range(len(one)):  # speeds only fall; a few rounds settle them
        last[:-1] = np.where(one.joints()[1:], first[1:], 0.0)
        new_last = np.minimum(last, np.sqrt(first**2 + gain))
        new_first = np.minimum(first, np.sqrt(new_last**2 + gain))
        new_first[joined] = np.minimum(new_first[joined], new_last[joined - 1])
        if np.array_equal(new_first, first) and np.array_equal(new_last, last):
            break
        first, last = new_first, new_last
    return first, last


def _moving(one: Paths, scanning: Scanning, beam: Beam, window: Window | None) -> Iterator[Legs | tuple[np.ndarray, ...]]:
    """Points of vectors from rest to rest, or through corners at speed."""
    ends, parts = _stretches(one, scanning)
    length = one.length
    ux, uy = (one.x1 - one.x0) / length, (one.y1 - one.y0) / length
    for part in parts:
        way = part.place(part.time) - part.start
        if not np.any(part.acceleration):
            yield Legs(
                one.x0 + ux * part.start,
                one.y0 + uy * part.start,
                ux * way,
                uy * way,
                part.time,
                one.power * part.lit(np.zeros_like(part.time), one.scan_speed, ends),
                np.zeros(len(one)),
            )
            continue
        bend = part.dim(one.scan_speed, ends)
        for begin, end in ((np.zeros_like(bend), bend), (bend, part.time)):
            number = np.where(end > begin, np.ceil(np.abs(way) / beam.narrow), 0.0).astype(np.int64)
            yield from _ramps(one, ends, part, (begin, end), number, beam, window)


def _ramps(
    one: Paths,
    ends: motion.Ends,
    part: motion.Stretch,
    span: tuple[np.ndarray, np.ndarray],
    number: np.ndarray,
    beam: Beam,
    window: Window | None,
) -> Iterator[tuple[np.ndarray, ...]]:
    x, weight = NODES[:, _MOST]
    length = one.length
    for which in chunks(number * _MOST):
        own, k = numbered(number[which])
        row = which.start + own
        each = number[row].astype(float)
        u = (k[:, None] + x) / each[:, None]
        size = weight / each[:, None]
        if beam.w != 1.0 and ends.follows:  # t^w from rest becomes smooth in t^(1/3)
            size, u = size * 3.0 * u * u, u**3
        begin, whole = span[0][row][:, None], (span[1] - span[0])[row][:, None]
        t = begin + whole * u
        here = replace(part, start=part.start[row][:, None], speed=part.speed[row][:, None])
        v = one.scan_speed[row][:, None]
        dose = beam.dose(one.power[row][:, None] * here.lit(t, v, ends)) * whole * size
        along = here.place(t) / length[row][:, None]
        px = one.x0[row][:, None] + (one.x1 - one.x0)[row][:, None] * along
        py = one.y0[row][:, None] + (one.y1 - one.y0)[row][:, None] * along
        yield _kept(px.ravel(), py.ravel(), dose.ravel(), window)


def _kept(x: np.ndarray, y: np.ndarray, dose: np.ndarray, window: Window | None) -> tuple[np.ndarray, ...]:
    if window is None:
        return x, y, dose
    near = (x >= window[0]) & (x <= window[2]) & (y >= window[1]) & (y <= window[3])
    return x[near], y[near], dose[near]


def _pulses(one: Paths, scanning: Scanning, rate: float, beam: Beam, window: Window | None) -> Iterator[tuple[np.ndarray, ...]]:
    """A point for each pulse."""
    ends, parts = _stretches(one, scanning)
    times = np.array([part.time for part in parts])
    total = times.sum(0)
    count = np.ceil(total * rate * (1.0 - 1e-12)).astype(np.int64)
    length = one.length
    for which in chunks(count):
        own, k = numbered(count[which])
        row, t = which.start + own, k / rate
        along, lit = np.zeros(len(row)), np.zeros(len(row))
        before = np.zeros(len(one))
        for i, part in enumerate(parts):
            inside = t >= before[row]
            at = np.minimum(t - before[row], part.time[row])
            at = np.where(part.sign < 0, part.time[row] - at, at)[inside]
            here = replace(part, start=part.start[row][inside], speed=part.speed[row][inside])
            along[inside] = here.place(at)
            lit[inside] = here.lit(at, one.scan_speed[row][inside], ends)
            before = before + times[i]
        share = along / length[row]
        dose = beam.dose(one.power[row] * lit) / rate
        yield _kept(one.x0[row] + (one.x1 - one.x0)[row] * share, one.y0[row] + (one.y1 - one.y0)[row] * share, dose, window)
