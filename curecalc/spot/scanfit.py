"""Fit of a scanned profile or edge: one engine for knife edge, slit and pinhole. Plain float64, mm.

The readings follow dark + tilt t + (height + drift t) S((x - x0)/W), with t the position scaled to -1..1 and S the shape that
the opening sees. On top of the curve the engine looks for what a shop's data bring along: readings held at the top or
bottom of a range (fitted with the censored likelihood), single wild readings, backlash between the two directions of
travel, scatter that grows with light or, from positions that are not sharp, with the slope of the curve, and readings in
coarse steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ..statistics.intervals import t_p
from ..statistics.least_squares import Fit, fit
from ..statistics.steps import step_of
from .scatter import log_radius_scatter, misfit, rounding, uneven

__all__ = ["Readings", "Scan", "Shape", "fit_scan"]

Shape = Callable[[Any, float], tuple[Any, Any, Any]]
"""(distance from the centre, radius) -> (S, dS/d distance, dS/d ln radius)"""

_SURE = 1e-3  # chance, over all readings of a good scan, that one is called wild
_ROUNDING = 1e-12  # of the largest reading: what the computer leaves of a curve that fits exactly
_TINY = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True)
class Readings:
    """What is odd about the readings of a scan; counts, indices as given, mm, readings' own unit.

    `quantum` is the step the readings stand on (0 where none is seen), `jitter` the standard deviation of positions that the
    scatter shows, `misfit_p` the chance that a Gaussian gives residuals of this shape, `misfit` their size over the height.
    """

    used: int
    saturated: int = 0
    clipped: int = 0
    wild: tuple[int, ...] = ()
    quantum: float = 0.0
    jitter: float = 0.0
    backlash: float = 0.0
    u_backlash: float = 0.0
    misfit_p: float = 1.0
    misfit: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Scan:
    """What every scan's fit says; lengths in mm, readings in their own unit, arrays in the order given."""

    radius: float
    u_radius: float
    centre: float
    u_centre: float
    dark: float
    tilt: float
    u_tilt: float
    residual_sd: float
    degrees_of_freedom: float
    travel_before: float
    travel_after: float
    weighted: bool
    readings: Readings
    fitted: Any = field(repr=False)
    residuals: Any = field(repr=False)
    converged: bool


@dataclass(frozen=True)
class _Found:
    """The engine's answer: the curve with its sorted data, the fit, and how the data were taken."""

    curve: _Curve
    order: Any
    result: Fit
    wander: int
    weighted: bool
    readings: Readings
    u_log_radius: float
    dof: float

    @property
    def radius(self) -> float:
        """At 1/e^2, of the curve itself."""
        return _radius(self.result.parameters[1])

    @property
    def step(self) -> Any:
        """S at every position."""
        return self.curve.shape(self.curve.x - self.result.parameters[0], self.radius)[0]

    def common(self, travel_radius: float) -> dict[str, Any]:
        """The fields of `Scan` but the radius."""
        curve, p, sd = self.curve, self.result.parameters, self.result.sd
        back = np.argsort(self.order)
        residuals = curve.y - self.result.fitted
        rest = float((residuals[curve.free] ** 2).sum())
        return {
            "centre": float(p[0]),
            "u_centre": float(sd[0]),
            "dark": float(p[2]),
            "tilt": float(p[4] / curve.scale) if self.wander else 0.0,
            "u_tilt": float(sd[4] / curve.scale) if self.wander else 0.0,
            "residual_sd": math.sqrt(rest / self.result.degrees_of_freedom),
            "degrees_of_freedom": self.dof,
            "travel_before": float((p[0] - curve.x[0]) / travel_radius),
            "travel_after": float((curve.x[-1] - p[0]) / travel_radius),
            "weighted": self.weighted,
            "readings": self.readings,
            "fitted": self.result.fitted[back],
            "residuals": residuals[back],
            "converged": self.result.converged,
        }


def _radius(log_radius: float) -> float:
    """Kept within what a float can hold when squared: a fit may run away."""
    return math.exp(min(max(log_radius, -60.0), 60.0))


class _Curve:
    """The model on sorted positions, with what is known about single readings; `solve` fits it."""

    def __init__(self, x: Any, y: Any, shape: Shape, direction: Any) -> None:
        self.x, self.y, self.shape, self.direction = x, y, shape, direction
        self.middle, self.scale = 0.5 * float(x[0] + x[-1]), 0.5 * float(np.ptp(x))
        self.t = (x - self.middle) / self.scale
        self.rounding = _ROUNDING * float(np.abs(y).max())
        self.kept = np.ones(x.size, dtype=bool)
        self.top, self.low = ~self.kept, ~self.kept

    @property
    def free(self) -> Any:
        """Readings that are neither left out nor held at an end of the range."""
        return self.kept & ~self.top & ~self.low

    def model(self, wander: int, backlash: bool) -> Callable[[Any], tuple[Any, Any]]:
        def values(p: Any) -> tuple[Any, Any]:
            centre, log_radius, dark, full, tilt, drift = [*p[: 4 + wander], 0.0, 0.0][:6]
            lag = 0.5 * self.direction if backlash else 0.0
            s, slope, wide = self.shape(self.x - centre - lag * p[-1], _radius(log_radius))
            height = full + drift * self.t
            columns = [-height * slope, height * wide, np.ones_like(s), s, self.t, self.t * s][: 4 + wander]
            if backlash:
                columns.append(-lag * height * slope)
            return dark + height * s + tilt * self.t, np.stack(columns, axis=1)

        return values

    def solve(self, first: Any, wander: int, *, backlash: bool = False, sigma: Any = None) -> Fit:
        """Least squares over the readings kept; those at an end of the range enter as "at least" or "at most"."""
        model, free, held = self.model(wander, backlash), self.free, (self.top | self.low) & self.kept
        sigma = np.ones_like(self.x) if sigma is None else sigma

        def some(which: Any) -> Callable[[Any], tuple[Any, Any]]:
            def values(p: Any) -> tuple[Any, Any]:
                value, columns = model(p)
                return value[which] / sigma[which], columns[which] / sigma[which, None]

            return values

        found = fit(some(free), self.y[free] / sigma[free], first)
        if held.any():
            found = self._censored(some(free), some(held), found, held)
        full = model(found.parameters)[0]
        return replace(found, fitted=full, residuals=self.y - full)

    def _censored(self, open_: Any, shut: Any, found: Fit, held: Any) -> Fit:
        """Tobit likelihood: a reading held at L adds Phi((mu - L)/s), written as a squared residual -2 ln Phi."""
        from scipy.special import erfcx, log_ndtr

        y, limit, side = self.y[self.free], self.y[held], np.where(self.top[held], 1.0, -1.0)
        target = np.concatenate([y, np.zeros_like(limit)])
        dof = y.size - found.parameters.size
        for _ in range(4):
            s = max(math.sqrt(float(((y - open_(found.parameters)[0]) ** 2).sum()) / dof), self.rounding)

            def joined(p: Any, s: float = s) -> tuple[Any, Any]:
                a, da = open_(p)
                b, db = shut(p)
                z = side * (b - limit) / s
                v = np.sqrt(np.maximum(-2.0 * log_ndtr(z), _TINY))
                ratio = math.sqrt(2.0 / math.pi) / erfcx(-z / math.sqrt(2.0))  # density over probability of the normal distribution
                return np.concatenate([a, s * v]), np.concatenate([da, -(side * ratio / v)[:, None] * db])

            again = fit(joined, target, found.parameters, sigma=np.full(target.size, s), known_sigma=True)
            found = replace(again, residual_sd=s, degrees_of_freedom=dof)
        return found


def _held(curve: _Curve, first: Any, least: int) -> Fit:
    """Marks the readings that stand at the top or the bottom of a range which the curve runs beyond."""
    best = curve.solve(first, 0)
    finest = float(np.diff(np.unique(curve.y)).min())
    for mask, level, sign in ((curve.top, curve.y.max(), 1.0), (curve.low, curve.y.min(), -1.0)):
        at = curve.y == level
        if at.sum() < least or (curve.free & ~at).sum() < 6:
            continue
        mask[at] = True
        tried = curve.solve(best.parameters, 0)
        beyond = float(np.median(sign * (tried.fitted[at] - level)))
        slopes = curve.model(0, False)(tried.parameters)[1][at]
        u = math.sqrt(max(float(np.median(np.einsum("ij,jk,ik->i", slopes, tried.covariance, slopes))), 0.0))
        sure = (
            tried.residual_sd < 0.9 * best.residual_sd
            and beyond > 3.0 * math.hypot(u, tried.residual_sd)
            and beyond > 2e-3 * abs(tried.parameters[3])
        )
        # four readings alike to the last digit, where the others scatter by far more than a digit
        alike = at.sum() >= 4 and tried.residual_sd > 3.0 * finest
        if sure or alike:
            best = tried
        else:
            mask[at] = False
    return best


def _wild(curve: _Curve, result: Fit) -> Fit:
    """Leaves out single readings that no scatter explains, one after the other."""
    around = np.pad(curve.y, 1, mode="reflect")
    lone = np.abs(curve.y - 0.5 * (around[:-2] + around[2:]))
    p = result.parameters.size
    for _ in range(max(1, curve.x.size // 15)):
        free = np.flatnonzero(curve.free)
        if free.size < p + 3:
            break
        tries = []
        for at in {int(free[np.argmax(np.abs(result.residuals[free]))]), int(free[np.argmax(lone[free])])}:
            curve.kept[at] = False
            # from the start as well: the wild reading may have pulled the curve away
            tries += [(fit.residual_sd, at, fit) for first in (result.parameters, _grid(curve)) if (fit := curve.solve(first, 0)).converged]
            curve.kept[at] = True
        if not tries:
            break
        _, at, tried = min(tries, key=lambda one: one[0])
        values, slopes = curve.model(0, False)(tried.parameters)
        steep = np.abs(slopes[:, 0])
        others = free[free != at]
        kin = others[(steep[others] > 0.3 * steep.max()) == (steep[at] > 0.3 * steep.max())]
        if kin.size < 4:
            kin = others
        spread = max(tried.residual_sd, math.sqrt(np.mean(tried.residuals[kin] ** 2) * others.size / (others.size - p)), curve.rounding)
        off = curve.y[at] - values[at]
        t = off / math.sqrt(spread**2 + float(slopes[at] @ tried.covariance @ slopes[at]))
        if free.size * t_p(t, min(tried.degrees_of_freedom, kin.size)) > _SURE or abs(off) < 0.005 * abs(tried.parameters[3]):
            break
        curve.kept[at] = False
        result = tried
    return result


def _grid(curve: _Curve, wander: int = 0, room: float = 0.0) -> Any:
    """Best knot of a grid of centres and radii, solved linearly at each; None where none leaves `room` radii on both sides.

    Centres stand a fortieth of the travel apart, radii are 18 from half a step to 0.7 of the travel.
    """
    some = np.flatnonzero(curve.kept)
    some = some[:: -(-some.size // 300)]
    x, y, t = curve.x[some], curve.y[some], curve.t[some]
    if x[0] == x[-1]:
        raise _one_place("nearly all", curve.x)
    span = float(x[-1] - x[0])
    centres = np.linspace(x[0], x[-1], 41)[1:-1]
    knots = []
    for w in np.geomspace(0.5 * span / (x.size - 1), 0.7 * span, 18):
        c = centres[np.minimum(centres - x[0], x[-1] - centres) >= room * w]
        if c.size:
            s = curve.shape((x[None, :] - c[:, None]).ravel(), float(w))[0].reshape(c.size, x.size)
            basis = np.stack([np.ones_like(s), s, np.broadcast_to(t, s.shape), t * s][: 2 + wander], axis=2)
            gram = np.einsum("mnp,mnq->mpq", basis, basis) + 1e-9 * x.size * np.eye(basis.shape[2])
            solution = np.linalg.solve(gram, np.einsum("mnp,n->mp", basis, y)[:, :, None])[:, :, 0]
            rest = ((y - np.einsum("mnp,mp->mn", basis, solution)) ** 2).sum(axis=1)
            k = int(np.argmin(rest))
            knots.append([float(rest[k]), float(c[k]), math.log(w), *map(float, solution[k])])
    return min(knots)[1:] if knots else None


def _one_place(many: str, x: Any) -> ValueError:
    return ValueError(
        f"{many} {x.size} readings stand at one position ({np.median(x):g} mm), so no width can be had. Check the column of positions."
    )


def _both_ways(position: Any) -> Any:
    """Direction of travel of each reading where the scan goes there and back, else None."""
    way = np.sign(np.diff(np.asarray(position, dtype=np.float64)))
    moved = way[way != 0]
    turns = int((moved[1:] != moved[:-1]).sum())
    if not 1 <= turns <= 3 or np.min(np.unique(moved, return_counts=True)[1]) < 5:
        return None
    way = np.append(way[:1], way)
    return np.where(way == 0, 1.0, way)


def fit_scan(
    position: Any, reading: Any, shape: Shape, *, wander: int, room: float, fewest: int, is_edge: bool, u_position: float
) -> _Found:
    """Fit a scan and find what is odd about its readings.

    Parameters
    ----------
    position, reading : float array (n,)
        In the order taken; that order tells the direction of travel.
    shape : Shape
    wander : int
        0: level ground; 1: it may tilt; 2: the source may drift as well. Used from `fewest` readings on where the scan
        reaches `room` radii beyond the centre on both sides.
    is_edge : bool
        Steps from one level to another, rather than rising to a peak.
    u_position : float, mm
        Stated standard uncertainty of each position; more is assumed where the scatter shows more.
    """
    order = np.argsort(position, kind="stable")
    x, y = np.asarray(position, dtype=np.float64)[order], np.asarray(reading, dtype=np.float64)[order]
    if (y == y[0]).all():
        raise ValueError(
            f"all {y.size} readings are alike ({y[0]:g}), so no beam is seen. Check the shutter, the range of the meter and the travel."
        )
    if x[0] == x[-1]:
        raise _one_place("all", x)
    way = _both_ways(position)
    curve = _Curve(x, y, shape, None if way is None else way[order])
    result = _wild(curve, _held(curve, _grid(curve), 3 if is_edge else 2))
    held = bool((curve.top | curve.low).any())
    used_wander = 0
    if wander and not held and x.size >= fewest:
        starts = [first for first in ([*result.parameters, *[0.0] * wander], _grid(curve, wander, room)) if first is not None]
        tries = [curve.solve(first, wander) for first in starts]
        fine = [f for f in tries if f.converged and min(f.parameters[0] - x[0], x[-1] - f.parameters[0]) >= room * _radius(f.parameters[1])]
        if fine:
            result, used_wander = min(fine, key=lambda f: f.residual_sd), wander
    has_backlash = False
    if way is not None:
        there = curve.solve([*result.parameters, 0.0], used_wander, backlash=True)
        if there.converged and t_p(there.parameters[-1] / max(there.sd[-1], _TINY), there.degrees_of_freedom) < 0.002:
            result, has_backlash = there, True
    model, rows = curve.model(used_wander, has_backlash), curve.free
    sigma, jitter = None, 0.0
    for _ in range(0 if held else 2):
        columns = model(result.parameters)[1]
        again, found = uneven(result.residuals, np.abs(columns[:, 0]), columns[:, 3], rows, floor=curve.rounding, u_position=u_position)
        if again is None:
            break
        better = curve.solve(result.parameters, used_wander, backlash=has_backlash, sigma=again)
        if not better.converged:
            break
        sigma, jitter, result = again, found, better
    columns, residuals = model(result.parameters)[1][rows], result.residuals[rows]
    away = 2.0 * (x[rows] - result.parameters[0]) / _radius(result.parameters[1])
    misfit_p, size = misfit(residuals, columns, away, orders=(2, 3) if is_edge else (3, 4), floor=curve.rounding)
    quantum = step_of(y)
    readings = Readings(
        used=int(rows.sum()),
        saturated=int(curve.top.sum()),
        clipped=int(curve.low.sum()),
        wild=tuple(int(i) for i in np.sort(order[~curve.kept])),
        quantum=quantum,
        jitter=jitter,
        backlash=abs(float(result.parameters[-1])) if has_backlash else 0.0,
        u_backlash=float(result.sd[-1]) if has_backlash else 0.0,
        misfit_p=misfit_p,
        misfit=size / abs(float(result.parameters[3])),
    )
    own = None if held else log_radius_scatter(residuals, columns, None if sigma is None else sigma[rows])
    u, dof = own or (float(result.sd[1]), float(result.degrees_of_freedom))
    u = math.hypot(u, rounding(residuals, columns, y[rows], quantum))
    return _Found(curve, order, result, used_wander, sigma is not None, readings, u, dof)
