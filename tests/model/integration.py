"""Exposure and cure of a scanned spot by plain numerical integration: an oracle that shares no code with the package.

Units: mm, s, mW, mJ (exposure mJ/mm^2), angles in degrees. Radii are 1/e^2 radii of irradiance. A place is (s, y): s
along the track from the vector's start, y across it to the left, from line 0. Time is integrated by Gauss-Legendre
panels that are halved until nothing changes; depth is found from light that is followed down through the resin.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import ceil, cos, floor, hypot, inf, pi, radians, sin, sqrt

import numpy as np
from numpy.polynomial import legendre
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

Array = np.ndarray
Place = tuple[float, float]

NODES, WEIGHTS = legendre.leggauss(24)
WINDOW = 7.0  # radii either side; what lies outside is below exp(-98) of what lies inside
CONVERGED = 3e-14


@dataclass(frozen=True)
class Spot:
    """A Gaussian ellipse (wx, wy; wy None is round) with its x axis at spot_angle, or a flat disc of radius wx."""

    wx: float
    wy: float | None = None
    spot_angle: float = 0.0
    flat: bool = False


@dataclass(frozen=True)
class Tilt:
    """A beam that arrives at an angle from the normal; s_share is the part of its power polarised across the plane."""

    incidence: float = 0.0
    incidence_direction: float = 0.0
    n: float = 1.5
    s_share: float = 0.5

    @property
    def surface_cosine(self) -> float:
        return cos(radians(self.incidence))

    @property
    def inner_cosine(self) -> float:
        return sqrt(1 - (sin(radians(self.incidence)) / self.n) ** 2)

    def transmission(self) -> float:
        """Share of the power that enters: one less what Fresnel's amplitudes reflect."""
        outer, inner = self.surface_cosine, self.inner_cosine
        across = (outer - self.n * inner) / (outer + self.n * inner)
        within = (self.n * outer - inner) / (self.n * outer + inner)
        return self.s_share * (1 - across**2) + (1 - self.s_share) * (1 - within**2)

    def gain(self) -> float:
        """Light per area of the refracted beam, per irradiance on the surface, in terms of normal incidence."""
        return self.transmission() / replace(self, incidence=0.0).transmission() / self.inner_cosine


NORMAL = Tilt()


@dataclass(frozen=True)
class Plain:
    """Light decays with dp; solid where the exposure reaches ec."""

    dp: float
    ec: float


@dataclass(frozen=True)
class Bleaching:
    """The absorber is used up: dI/dpath = -I c/dp, dc/dt = -I c/eb; solid where the dose that has passed reaches ec."""

    dp: float
    ec: float
    eb: float


@dataclass(frozen=True)
class Threshold:
    """Solid where int I^w dt / i_ref^(w-1) reaches ec; light decays with dp."""

    dp: float
    ec: float
    w: float
    i_ref: float


Law = Plain | Bleaching | Threshold


@dataclass(frozen=True)
class Scan:
    """How the spot moves. Endless without a length; a single line without a spacing; a steady beam without a rate.

    beam, with an acceleration: "off" (run-up outside the vector, full speed inside), "on" (rest to rest inside the
    vector at full power) or "follows" (rest to rest, power P v(t)/speed and never below least_power). Pulses fall at
    (i + phase + k phase_step)/rate on line k, from the vector's start at 0 to before its end. first and last bound the
    raster's lines. crossed adds the same endless raster turned by 90 degrees.
    """

    power: float
    speed: float
    length: float | None = None
    track_angle: float = 0.0
    acceleration: float | None = None
    beam: str = "off"
    least_power: float = 0.0
    rate: float | None = None
    phase: float = 0.0
    phase_step: float = 0.0
    pulse_length: float | None = None
    spacing: float | None = None
    first: int | None = None
    last: int | None = None
    crossed: bool = False
    passes: int = 1

    def __post_init__(self) -> None:
        if self.beam not in ("off", "on", "follows"):
            raise ValueError(f"no such beam: {self.beam}")
        if self.ramped and (self.length is None or self.acceleration is None):
            raise ValueError("a vector from rest to rest needs a length and an acceleration")
        if self.crossed and (self.spacing is None or self.length is not None):
            raise ValueError("a crossed raster needs a spacing and endless lines")
        if self.least_power > self.power:
            raise ValueError("the least power is above the power")

    @property
    def ramped(self) -> bool:
        return self.beam != "off"


@dataclass(frozen=True)
class Extremes:
    """Lowest, highest and mean value."""

    low: float
    high: float
    mean: float


# ---------------------------------------------------------------- the spot on the surface


@dataclass(frozen=True)
class _Footprint:
    """Irradiance per power in the track's frame, q = a x^2 + 2b xy + c y^2: peak exp(-2 q) or, flat, peak in q < 1."""

    peak: float
    a: float
    b: float
    c: float
    flat: bool

    def q(self, x: Array, y: Array) -> Array:
        return self.a * x * x + 2 * self.b * x * y + self.c * y * y

    @property
    def across(self) -> float:
        """What is left of q at its lowest along x, per y^2."""
        return self.c - self.b**2 / self.a

    def per_power(self, x: Array, y: Array, w: float) -> Array:
        """Irradiance per power, to the power w."""
        if self.flat:
            return self.peak**w * (self.q(x, y) < 1)
        return self.peak**w * np.exp(-2 * w * self.q(x, y))


def _turn(degrees: float) -> Array:
    angle = radians(degrees)
    return np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]])


def _footprint(spot: Spot, tilt: Tilt, track_angle: float) -> _Footprint:
    wx, wy = spot.wx, spot.wx if spot.wy is None or spot.flat else spot.wy
    # from the track's frame to machine axes, shrunk along the tilt to the beam's cross-section, to the spot's own axes
    along = _turn(tilt.incidence_direction)
    shrink = along @ np.diag([tilt.surface_cosine, 1.0]) @ along.T
    own = np.diag([1 / wx, 1 / wy]) @ _turn(-spot.spot_angle) @ shrink @ _turn(track_angle)
    form = own.T @ own
    peak = (1 if spot.flat else 2) / (pi * wx * wy) * tilt.surface_cosine
    return _Footprint(peak, form[0, 0], form[0, 1], form[1, 1], spot.flat)


# ---------------------------------------------------------------- the motion


@dataclass(frozen=True)
class _Piece:
    """A stretch of motion in its own time u: x = origin + sign (speed u + acceleration u^2/2), for low < u < high.

    A stretch that brakes is told backwards, from rest. Power is constant or, with slope, slope u.
    """

    origin: float
    sign: float
    speed: float
    acceleration: float
    low: float
    high: float
    power: float
    slope: float = 0.0

    def x(self, u: Array) -> Array:
        return self.origin + self.sign * (self.speed * u + self.acceleration * u * u / 2)

    def power_at(self, u: Array) -> Array:
        return self.slope * u if self.slope else np.full_like(u, self.power)

    def times(self, low: Array, high: Array) -> tuple[Array, Array]:
        """The stretch of time in which low < x < high."""
        near, far = (low, high) if self.sign > 0 else (high, low)
        ends = []
        for x in (near, far):
            d = self.sign * (x - self.origin)
            u = np.sqrt(2 * np.maximum(d, 0) / self.acceleration) if self.acceleration else d / self.speed
            ends.append(np.clip(u, self.low, self.high))
        return ends[0], ends[1]


def _ramp(scan: Scan, origin: float, sign: float, high: float) -> list[_Piece]:
    a, p = float(scan.acceleration or 0), scan.power
    if scan.beam == "on":
        return [_Piece(origin, sign, 0.0, a, 0.0, high, p)]
    bend = min(high, scan.least_power / p * scan.speed / a)
    pieces = [_Piece(origin, sign, 0.0, a, 0.0, bend, scan.least_power)] if bend > 0 else []
    if bend < high:
        pieces.append(_Piece(origin, sign, 0.0, a, bend, high, p, p * a / scan.speed))
    return pieces


def _pieces(scan: Scan) -> list[_Piece]:
    """The motion along one line."""
    v, length = scan.speed, scan.length
    if length is None:
        return [_Piece(0.0, 1.0, v, 0.0, -inf, inf, scan.power)]
    if not scan.ramped:
        return [_Piece(0.0, 1.0, v, 0.0, 0.0, length / v, scan.power)]
    a = float(scan.acceleration or 0)
    rise = min(v, sqrt(a * length)) / a
    run = a * rise**2 / 2
    pieces = _ramp(scan, 0.0, 1.0, rise) + _ramp(scan, length, -1.0, rise)
    if length > 2 * run * (1 + 1e-15):
        pieces.append(_Piece(run, 1.0, v, 0.0, 0.0, (length - 2 * run) / v, scan.power))
    return pieces


# ---------------------------------------------------------------- lines that matter, and where on them


def _windows(foot: _Footprint, scan: Scan, s: float, y: Array, w: float) -> tuple[Array, Array, Array]:
    """Per line that passes at y: the lowest q, and between which x the spot matters (none where low >= high)."""
    start, end = (-inf, inf) if scan.length is None else (0.0, scan.length)
    centre = s + foot.b * y / foot.a
    off = np.maximum(0.0, np.maximum(start - centre, centre - end))
    q = foot.a * off**2 + foot.across * y**2
    if foot.flat:
        half = np.sqrt(np.maximum(0.0, 1 - foot.across * y**2) / foot.a)
    else:
        half = np.sqrt(off**2 + WINDOW**2 / (foot.a * min(w, 1.0)))
    return q, np.maximum(centre - half, start), np.minimum(centre + half, end)


def _lines(foot: _Footprint, scan: Scan, s: float, y: float, w: float) -> tuple[Array, Array, Array, Array]:
    """Index, distance and window of every line whose light at the place counts."""
    if scan.spacing is None:
        k = np.array([0])
    else:
        nearest = round(y / scan.spacing)
        nearest = max(nearest, scan.first) if scan.first is not None else nearest
        nearest = min(nearest, scan.last) if scan.last is not None else nearest
        least = _windows(foot, scan, s, np.array([y - nearest * scan.spacing]), w)[0][0]
        room = 1.0 if foot.flat else least + WINDOW**2 / min(w, 1.0)
        reach = sqrt(room / foot.across)
        low, high = ceil((y - reach) / scan.spacing), floor((y + reach) / scan.spacing)
        low = low if scan.first is None else max(low, scan.first)
        high = high if scan.last is None else min(high, scan.last)
        k = np.arange(low, high + 1)
    offset = y - k * (scan.spacing or 0.0)
    _, low_x, high_x = _windows(foot, scan, s, offset, w)
    keep = low_x < high_x
    return k[keep], offset[keep], low_x[keep], high_x[keep]


# ---------------------------------------------------------------- exposure


def _steady(foot: _Footprint, scan: Scan, s: float, y: float, w: float) -> float:
    """Int I^w dt over every line, by Gauss-Legendre panels in time that are halved until the sum stands."""
    _, offset, low_x, high_x = _lines(foot, scan, s, y, w)
    total = 0.0
    for piece in _pieces(scan):
        low, high = piece.times(low_x, high_x)
        on = low < high
        if not on.any():
            continue
        low, high, dy = low[on][:, None], high[on][:, None], offset[on][:, None]
        root = 6 if piece.slope and w != 1 else 1  # u^w at rest becomes smooth in u^(1/6)
        low, high = low ** (1 / root), high ** (1 / root)

        def value(panels: int, low: Array = low, high: Array = high, dy: Array = dy, piece: _Piece = piece, root: int = root) -> float:
            unit = (np.arange(panels)[:, None] + (NODES + 1) / 2).ravel() / panels
            weight = np.tile(WEIGHTS / 2, panels) / panels
            r = low + (high - low) * unit
            u = r**root
            light = piece.power_at(u) ** w
            light *= weight if foot.flat else weight * np.exp(-2 * w * foot.q(s - piece.x(u), dy))
            if root != 1:
                light *= root * r ** (root - 1)
            return float(((high - low)[:, 0] * light.sum(axis=1)).sum())

        panels, last, now = 4, inf, value(4)
        while abs(now - last) > CONVERGED * abs(now):
            panels *= 2
            if panels > 4096:
                raise ArithmeticError("the integral over time does not settle")
            last, now = now, value(panels)
        total += now
    return foot.peak**w * total


def _along_ramps(scan: Scan, t: Array) -> tuple[Array, Array, float]:
    """Where the beam is at t, the power it has there, and how long the vector takes, from rest to rest."""
    v, a, length = scan.speed, float(scan.acceleration or 0), float(scan.length or 0)
    top = min(v, sqrt(a * length))
    rise = top / a
    run = a * rise**2 / 2
    whole = 2 * rise + max(0.0, length - 2 * run) / top
    back = whole - t
    x = np.where(t < rise, a * t**2 / 2, np.where(back < rise, length - a * back**2 / 2, run + top * (t - rise)))
    speed = np.minimum(np.minimum(a * t, a * back), top)
    if scan.beam == "follows":
        return x, np.maximum(scan.power * speed / v, scan.least_power), whole
    return x, np.full_like(t, scan.power), whole


def _pulsed(foot: _Footprint, scan: Scan, s: float, lines: tuple[Array, ...], w: float, phases: Array) -> Array:
    """Int I^w dt of each line's pulses (rows) for each phase (columns; one row of phases for all or one a line)."""
    k, offset, low_x, high_x = lines
    if w != 1 and scan.pulse_length is None:
        raise ValueError("a power of a pulse's irradiance needs the pulse's length")
    phases = phases + k[:, None] * scan.phase_step
    if not k.size:
        return phases
    rate = float(scan.rate or 0)
    if scan.ramped:
        begin, end = 0.0, _along_ramps(scan, np.zeros(1))[2]
        stop = end
    else:
        begin, end = low_x.min() / scan.speed, high_x.max() / scan.speed
        stop = inf if scan.length is None else scan.length / scan.speed
    i = np.arange(floor(begin * rate - phases.max()), ceil(end * rate - phases.min()) + 1)
    t = (i + phases[..., None]) / rate
    if scan.ramped:
        x, power, _ = _along_ramps(scan, np.clip(t, 0, end))
    else:
        x, power = scan.speed * t, np.full_like(t, scan.power)
    light = foot.per_power(s - x, offset[:, None, None], w)
    if scan.length is not None:
        light = light * ((t >= 0) & (t < stop))
    if w == 1:
        return (power / rate * light).sum(axis=-1)
    length = float(scan.pulse_length or 0)
    return (length * (power / rate / length) ** w * light).sum(axis=-1)


def _once(foot: _Footprint, scan: Scan, s: float, y: float, w: float) -> float:
    if scan.rate is None:
        return _steady(foot, scan, s, y, w)
    return float(_pulsed(foot, scan, s, _lines(foot, scan, s, y, w), w, np.array([[scan.phase]])).sum())


def dose_power(place: Place, w: float, i_ref: float, spot: Spot, scan: Scan, tilt: Tilt = NORMAL) -> float:
    """The equivalent exposure int I^w dt / i_ref^(w-1) on the surface at (s, y), over all lines and passes."""
    s, y = place
    total = _once(_footprint(spot, tilt, scan.track_angle), scan, s, y, w)
    if scan.crossed:
        total += _once(_footprint(spot, tilt, scan.track_angle + 90), scan, y, -s, w)
    return scan.passes * total / i_ref ** (w - 1)


def dose(place: Place, spot: Spot, scan: Scan, tilt: Tilt = NORMAL) -> float:
    """The exposure int I dt on the surface at (s, y), over all lines and passes."""
    return dose_power(place, 1.0, 1.0, spot, scan, tilt)


def polyline_dose(
    point: Place, vertices: Sequence[Place], spot: Spot, scan: Scan, tilt: Tilt = NORMAL, w: float = 1.0, i_ref: float = 1.0
) -> float:
    """The (equivalent) exposure at a point, in machine axes, of vectors from vertex to vertex, each with its own ends.

    Between vectors no time passes; the scan gives power, speed, acceleration and beam.
    """
    total = 0.0
    for (x0, y0), (x1, y1) in zip(vertices[:-1], vertices[1:], strict=True):
        angle = float(np.degrees(np.arctan2(y1 - y0, x1 - x0)))
        s, y = _turn(-angle) @ np.array([point[0] - x0, point[1] - y0])
        leg = replace(scan, length=hypot(x1 - x0, y1 - y0), track_angle=angle)
        total += dose_power((float(s), float(y)), w, i_ref, spot, leg, tilt)
    return total


# ---------------------------------------------------------------- bounds over places and phases


def _scanned(f: Callable[[float], float], low: float, high: float, count: int) -> tuple[float, float]:
    """Lowest and highest value on [low, high]: on a grid, then closer around the best of it."""
    at = np.linspace(low, high, count + 1)
    values = [f(float(x)) for x in at]
    found = []
    for sign in (1.0, -1.0):
        best = int(np.argmin(np.multiply(values, sign)))
        ends = (at[max(best - 1, 0)], at[min(best + 1, count)])
        closer = minimize_scalar(lambda x, sign=sign: sign * f(x), bounds=ends, method="bounded", options={"xatol": 1e-9 * (high - low)})
        found.append(sign * min(float(closer.fun), sign * values[best]))
    return found[0], found[1]


def _phases_once(foot: _Footprint, scan: Scan, s: float, y: float, w: float, independent: bool) -> Extremes:
    """Bounds at one place of one set of lines when the phase is unknown: one for all lines, or each line its own."""
    if scan.rate is None:
        value = _steady(foot, scan, s, y, w)
        return Extremes(value, value, value)
    if scan.ramped and foot.flat:
        raise ValueError("phases of a flat spot's pulses are not scanned along a speeding vector")
    lines = _lines(foot, scan, s, y, w)
    k, _, low, high = lines
    if not k.size:
        return Extremes(0.0, 0.0, 0.0)

    def values(phases: Array) -> Array:
        """One row for the sum of all lines, or a row for each."""
        each = _pulsed(foot, scan, s, lines, w, phases)
        return each if independent else each.sum(axis=0, keepdims=True)

    turns = scan.rate / scan.speed
    if foot.flat:  # the sum only steps, where a pulse comes in or goes out
        ends = [low, high] + ([] if scan.length is None else [np.zeros_like(low), np.full_like(low, scan.length)])
        steps = np.mod([x * turns - k * scan.phase_step for x in ends], 1.0).T
        rows = []
        for line, at in enumerate(steps if independent else [steps.ravel()]):
            edges = np.unique(at)
            edges = np.append(edges, edges[0] + 1)
            found = values((edges[:-1] + edges[1:])[None, :] / 2)[line]
            rows.append((found.min(), found.max(), float(found @ np.diff(edges))))
        return Extremes(*(float(sum(part)) for part in zip(*rows, strict=True)))
    count = 32 + ceil(16 * sqrt(foot.a) / turns)
    grid = np.arange(count)[None, :] / count
    first = values(grid)
    bounds = []
    for sign in (1.0, -1.0):
        middle, width, best = grid[0, np.argmin(sign * first, axis=1)], 1 / count, np.min(sign * first, axis=1)
        while width > 1e-9:  # nine points on the bracket, then the bracket about the best of them
            near = middle[:, None] + width * np.linspace(-1, 1, 9)
            found = sign * values(near)
            index = np.argmin(found, axis=1)[:, None]
            middle, width = np.take_along_axis(near, index, 1)[:, 0], width / 4
            best = np.minimum(best, np.take_along_axis(found, index, 1)[:, 0])
        bounds.append(float(sign * best.sum()))
    return Extremes(bounds[0], bounds[1], float(first.mean(axis=1).sum()))


def phase_extremes(
    place: Place, spot: Spot, scan: Scan, tilt: Tilt = NORMAL, w: float = 1.0, i_ref: float = 1.0, independent: bool = False
) -> Extremes:
    """Bounds and mean at one place when the pulses' phase is unknown; crossed rasters have a phase each."""
    s, y = place
    sets = [_phases_once(_footprint(spot, tilt, scan.track_angle), scan, s, y, w, independent)]
    if scan.crossed:
        sets.append(_phases_once(_footprint(spot, tilt, scan.track_angle + 90), scan, y, -s, w, independent))
    scale = scan.passes / i_ref ** (w - 1)
    return Extremes(*(scale * sum(getattr(e, part) for e in sets) for part in ("low", "high", "mean")))


def _cell_mean(f: Callable[[float], float], spacing: float, count: int, bends: Sequence[float]) -> float:
    if not bends:  # smooth and periodic
        return float(np.mean([f(spacing * i / count) for i in range(count)]))
    edges = sorted({b % spacing for b in bends})
    edges.append(edges[0] + spacing)
    total = 0.0
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        r = (NODES + 1) / 2
        values = [f(float(a + (b - a) * x * x * (3 - 2 * x))) for x in r]  # roots at the bends become smooth
        total += (b - a) * float(np.dot(WEIGHTS / 2 * 6 * r * (1 - r), values))
    return total / spacing


def extremes(spot: Spot, scan: Scan, tilt: Tilt = NORMAL, w: float = 1.0, i_ref: float = 1.0, independent: bool = False) -> Extremes:
    """Bounds and mean of the (equivalent) exposure over the cell of an endless raster and, pulsed, over the phase.

    The two sets of a crossed raster add up as functions of y alone and of s alone (and of a phase each), so the bounds
    of their sum are the sums of their bounds. With phase_step and independent False all lines share one unknown phase.
    """
    if scan.spacing is None or scan.length is not None or scan.first is not None or scan.last is not None:
        raise ValueError("a cell belongs to an endless raster")
    h = scan.spacing
    sets = []
    for turn in (0.0, 90.0)[: 2 if scan.crossed else 1]:
        foot = _footprint(spot, tilt, scan.track_angle + turn)
        count = 32 + ceil(16 * h * sqrt(foot.across))
        bends = [sign / sqrt(foot.across) for sign in (-1, 1)] if foot.flat else []

        @cache
        def at(y: float, foot: _Footprint = foot) -> Extremes:
            return _phases_once(foot, scan, 0.0, y, w, independent)

        if foot.flat:
            edges = sorted({b % h for b in bends})
            edges.append(edges[0] + h)
            reach = [
                (_scanned(lambda y: at(y).low, a, b, count)[0], _scanned(lambda y: at(y).high, a, b, count)[1])
                for a, b in zip(edges[:-1], edges[1:], strict=True)
            ]
            low, high = min(r[0] for r in reach), max(r[1] for r in reach)
        else:
            low, high = (_scanned(lambda y: at(y).low, 0.0, h, count)[0], _scanned(lambda y: at(y).high, 0.0, h, count)[1])
        sets.append(Extremes(low, high, _cell_mean(lambda y: at(y).mean, h, count, bends)))
    scale = scan.passes / i_ref ** (w - 1)
    return Extremes(*(scale * sum(getattr(e, part) for e in sets) for part in ("low", "high", "mean")))


# ---------------------------------------------------------------- light in the resin

ORDER = 12
_POINTS, _ = legendre.leggauss(ORDER)
_TO_SERIES = np.linalg.inv(legendre.legvander(_POINTS, ORDER - 1))


def _running() -> tuple[Array, Array]:
    """Matrices from values at the element's points to the integral from its start to each point, and to its end."""
    at = np.append(_POINTS, 1.0)
    values = legendre.legvander(at, ORDER)
    parts = np.empty((ORDER + 1, ORDER))
    parts[:, 0] = at + 1
    for k in range(1, ORDER):
        parts[:, k] = (values[:, k + 1] - values[:, k - 1]) / (2 * k + 1)
    running = parts @ _TO_SERIES
    return running[:-1], running[-1]


_TO_POINTS, _TO_END = _running()
ELEMENT = 0.5  # of the vertical penetration depth


class _Decay:
    """dF/dz = -F/reach from F(0) = 1 by collocation, element after element."""

    def __init__(self, reach: float) -> None:
        self.size = ELEMENT * reach
        values = np.linalg.solve(np.eye(ORDER) + ELEMENT / 2 * _TO_POINTS, np.ones(ORDER))
        self.series = _TO_SERIES @ values
        self.end = 1 - ELEMENT / 2 * float(_TO_END @ values)

    def __call__(self, z: float) -> float:
        whole = floor(z / self.size)
        return self.end**whole * float(legendre.legval(2 * (z / self.size - whole) - 1, self.series))


def _solid_of_decay(surface: Sequence[float], law: Plain | Threshold, thickness: float, tilt: Tilt) -> float:
    w = law.w if isinstance(law, Threshold) else 1.0
    decay = _Decay(law.dp * tilt.inner_cosine)
    entering = tilt.gain() ** w

    def excess(z: float) -> float:
        local = sum(entering * e * decay(z + k * thickness) ** w for k, e in enumerate(surface))
        return float(np.log(local / law.ec))

    if sum(surface) == 0 or excess(0.0) <= 0:
        return 0.0
    deep = law.dp
    while excess(deep) > 0:
        deep *= 2
    return float(brentq(excess, 0.0, deep, xtol=1e-14, rtol=1e-14))


def _solid_of_bleaching(surface: Sequence[float], law: Bleaching, thickness: float, tilt: Tilt) -> float:
    """The true sequence of scans on a grid of elements; the dose that has passed is the state, c = exp(-dose/eb)."""
    reach = law.dp * tilt.inner_cosine
    entering = [tilt.gain() * e for e in surface]
    if sum(entering) == 0:
        return 0.0
    small = min(law.ec, law.eb)
    deep = reach * (3 + max(entering) / law.eb + max(0.0, float(np.log(sum(entering) / small))))
    while True:
        below = np.full(ceil(deep / (ELEMENT * reach)), ELEMENT * reach)
        per_layer = max(1, ceil(thickness / (ELEMENT * reach)))
        fresh = np.full(per_layer, thickness / per_layer)
        passed, half = np.zeros((len(below), ORDER)), below / 2
        for layer, e in enumerate(entering):
            if layer:
                passed, half = np.vstack([np.zeros((per_layer, ORDER)), passed]), np.append(fresh / 2, half)
            passed = _expose(passed, half, e, law.eb, reach, small)
        passed = passed[-len(below) :]
        series = _TO_SERIES @ np.log(passed.T / law.ec)
        tops, ends = legendre.legval(-1.0, series), legendre.legval(1.0, series)
        if ends[-1] < 0:
            break
        deep *= 1.5
    if tops[0] <= 0:
        return 0.0
    i = int(np.argmax(ends < 0))
    x = -1.0 if tops[i] <= 0 else brentq(lambda x: float(legendre.legval(x, series[:, i])), -1.0, 1.0, xtol=1e-14)
    return float((i + (x + 1) / 2) * ELEMENT * reach)


def _expose(passed: Array, half: Array, exposure: float, eb: float, reach: float, small: float) -> Array:
    """March one scan, its entering exposure for time: the rate of the dose at a depth is the light that gets there."""
    shape = passed.shape

    def light(_: float, state: Array) -> Array:
        c = np.exp(state.reshape(shape) / -eb) * (half / reach)[:, None]
        before = np.cumsum(c @ _TO_END)
        return np.exp(-(c @ _TO_POINTS.T + np.append(0.0, before[:-1])[:, None])).ravel()

    if exposure == 0:
        return passed
    done = solve_ivp(light, (0.0, exposure), passed.ravel(), method="DOP853", rtol=1e-11, atol=1e-12 * small, t_eval=[exposure])
    if not done.success:
        raise ArithmeticError(done.message)
    return done.y[:, -1].reshape(shape)


def _solid(surface: Sequence[float], law: Law, thickness: float, tilt: Tilt) -> float:
    if isinstance(law, Bleaching):
        return _solid_of_bleaching(surface, law, thickness, tilt)
    return _solid_of_decay(surface, law, thickness, tilt)


def depth(surface: float, law: Law, tilt: Tilt = NORMAL) -> float:
    """Vertical depth of the solid under a surface exposure (Threshold: equivalent exposure); 0 where nothing sets."""
    return _solid([surface], law, 0.0, tilt)


def surface_value(place: Place, spot: Spot, scan: Scan, law: Law, tilt: Tilt = NORMAL) -> float:
    """The exposure at a place in the law's own terms."""
    if isinstance(law, Threshold):
        return dose_power(place, law.w, law.i_ref, spot, scan, tilt)
    return dose(place, spot, scan, tilt)


def local_depth(place: Place, spot: Spot, scan: Scan, law: Law, tilt: Tilt = NORMAL) -> float:
    """Vertical depth of the solid under a place of a scan."""
    return depth(surface_value(place, spot, scan, law, tilt), law, tilt)


def print_through(surface: float | Sequence[float], law: Law, layers: int, thickness: float, tilt: Tilt = NORMAL) -> float:
    """Depth of the solid below the first layer's bottom after all layers; negative where the first layer stays short.

    surface is every layer's exposure, or one for each from the first on. Each layer lies fresh on those before it, and
    solid absorbs as its resin does.
    """
    each = list(surface) if isinstance(surface, Sequence) else [surface] * layers
    if len(each) != layers:
        raise ValueError("one exposure a layer")
    return _solid(each, law, thickness, tilt) - thickness
