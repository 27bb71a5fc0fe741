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
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..statistics.intervals import t_p
from ..statistics.least_squares import Fit, fit
from ..statistics.steps import step_of

__all__ = ["Readings", "Scan", "Shape", "fit_scan"]

Shape = Callable[[Any, float], tuple[Any, Any, Any]]
"""(distance from the centre, radius) -> (S, dS/d distance, dS/d ln radius)"""

_SURE = 1e-3  # chance, over all readings of a good scan, that one is called wild


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
    """The engine's answer: sorted data, the fit, and the model that made it."""

    x: Any
    y: Any
    order: Any
    result: Fit
    wander: int
    shape: Shape
    weighted: bool
    readings: Readings
    u_log_radius: float
    dof: float
    middle: float
    scale: float
    kept: Any

    @property
    def step(self) -> Any:
        """S at every position."""
        centre, log_radius = self.result.parameters[:2]
        return self.shape(self.x - centre, math.exp(log_radius))[0]

    def common(self, travel_radius: float) -> dict[str, Any]:
        """The fields of `Scan` but the radius."""
        p, sd = self.result.parameters, self.result.sd
        back = np.argsort(self.order, kind="stable")
        residuals = self.y - self.result.fitted
        rest = float((residuals[self.kept] ** 2).sum())
        return {
            "centre": float(p[0]),
            "u_centre": float(sd[0]),
            "dark": float(p[2]),
            "tilt": float(p[4] / self.scale) if self.wander else 0.0,
            "u_tilt": float(sd[4] / self.scale) if self.wander else 0.0,
            "residual_sd": math.sqrt(rest / max(self.result.degrees_of_freedom, 1)),
            "degrees_of_freedom": self.dof,
            "travel_before": float((p[0] - self.x[0]) / travel_radius),
            "travel_after": float((self.x[-1] - p[0]) / travel_radius),
            "weighted": self.weighted,
            "readings": self.readings,
            "fitted": self.result.fitted[back],
            "residuals": residuals[back],
            "converged": self.result.converged,
        }


class _Curve:
    """The model on sorted positions, with what is known about single readings; `solve` fits it."""

    def __init__(self, x: Any, y: Any, shape: Shape, direction: Any) -> None:
        self.x, self.y, self.shape, self.direction = x, y, shape, direction
        self.middle, self.scale = 0.5 * float(x[0] + x[-1]), 0.5 * float(np.ptp(x))
        self.t = (x - self.middle) / self.scale
        self.kept = np.ones(x.size, dtype=bool)
        self.top, self.low = np.zeros(x.size, dtype=bool), np.zeros(x.size, dtype=bool)

    def model(self, wander: int, backlash: bool) -> Callable[[Any], tuple[Any, Any]]:
        def values(p: Any) -> tuple[Any, Any]:
            away = self.x - p[0] - (0.5 * p[-1] * self.direction if backlash else 0.0)
            s, slope, wide = self.shape(away, math.exp(min(max(p[1], -60.0), 60.0)))
            height = p[3] + (p[5] * self.t if wander == 2 else 0.0)
            columns = [-height * slope, height * wide, np.ones_like(s), s, self.t, self.t * s][: 4 + wander]
            if backlash:
                columns.append(-0.5 * self.direction * height * slope)
            return p[2] + height * s + (p[4] * self.t if wander else 0.0), np.stack(columns, axis=1)

        return values

    def solve(self, first: Any, wander: int, *, backlash: bool = False, sigma: Any = None) -> Fit:
        """Least squares over the readings kept; those at an end of the range enter as "at least" or "at most"."""
        model, held = self.model(wander, backlash), (self.top | self.low) & self.kept
        rows = self.kept & ~held
        weight = np.ones(self.x.size) if sigma is None else 1.0 / sigma

        def some(which: Any) -> Callable[[Any], tuple[Any, Any]]:
            def values(p: Any) -> tuple[Any, Any]:
                value, columns = model(p)
                return value[which] * weight[which], columns[which] * weight[which, None]

            return values

        found = fit(some(rows), self.y[rows] * weight[rows], first)
        if held.any():
            found = self._censored(some, found, rows, held)
        full = model(found.parameters)[0]
        return Fit(
            found.parameters, found.covariance, full, self.y - full, found.residual_sd, found.degrees_of_freedom, found.converged, False
        )

    def _censored(self, some: Any, found: Fit, rows: Any, held: Any) -> Fit:
        """Tobit likelihood: a reading held at L adds Phi((mu - L)/s), written as a squared residual -2 ln Phi."""
        from scipy.special import log_ndtr

        open_, shut = some(rows), some(held)
        side = np.where(self.top[held], 1.0, -1.0)
        target = np.concatenate([self.y[rows], np.zeros(int(held.sum()))])
        dof = max(int(rows.sum()) - found.parameters.size, 1)
        for _ in range(4):
            s = math.sqrt(max(float(((self.y[rows] - open_(found.parameters)[0]) ** 2).sum()) / dof, 1e-24 * float(np.ptp(self.y)) ** 2))

            def joined(p: Any, s: float = s) -> tuple[Any, Any]:
                a, da = open_(p)
                b, db = shut(p)
                z = np.clip(side * (b - self.y[held]) / s, -1e6, 1e6)
                log_p = log_ndtr(z)
                v = np.sqrt(np.maximum(-2.0 * log_p, 1e-18))
                ratio = np.exp(np.clip(-0.5 * z * z - log_p, -700.0, 700.0)) / math.sqrt(2.0 * math.pi)
                ratio = np.where(z < -30.0, -z, ratio)
                return np.concatenate([a, s * v]), np.concatenate([da, -(side * ratio / v)[:, None] * db])

            again = fit(joined, target, found.parameters, sigma=np.full(target.size, s), known_sigma=True)
            found = Fit(again.parameters, again.covariance, again.fitted, again.residuals, s, dof, again.converged, True)
        return found


def _held(curve: _Curve, first: Any, least: int) -> tuple[int, int, Fit]:
    """Marks the readings that stand at the top or the bottom of a range which the curve runs beyond."""
    best = curve.solve(first, 0)
    counts = [0, 0]
    finest = float(np.diff(np.unique(curve.y)).min()) if np.ptp(curve.y) > 0 else math.inf
    for k, (mask, level, sign) in enumerate(((curve.top, curve.y.max(), 1.0), (curve.low, curve.y.min(), -1.0))):
        at = curve.y == level
        if at.sum() < least or curve.x.size - at.sum() - counts[0] < 6:
            continue
        mask[:] = at
        tried = curve.solve(best.parameters, 0)
        beyond = float(np.median(sign * (tried.fitted[at] - level)))
        slopes = curve.model(0, False)(tried.parameters)[1][at]
        u = float(np.median(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, tried.covariance, slopes), 0.0))))
        better = tried.residual_sd / max(best.residual_sd, 1e-300)
        sure = better < 0.9 and beyond > 3.0 * math.hypot(u, tried.residual_sd) and beyond > 2e-3 * abs(tried.parameters[3])
        # four readings alike to the last digit, where the others scatter by far more than a digit
        alike = at.sum() >= 4 and tried.residual_sd > 3.0 * finest
        if sure or alike:
            best, counts[k] = tried, int(at.sum())
        else:
            mask[:] = False
    return counts[0], counts[1], best


def _wild(curve: _Curve, result: Fit) -> Fit:
    """Leaves out single readings that no scatter explains, one after the other."""
    for _ in range(max(1, curve.x.size // 15)):
        free = np.flatnonzero(curve.kept & ~curve.top & ~curve.low)
        p = result.parameters.size
        if free.size < p + 3:
            return result
        lone = np.abs(curve.y - 0.5 * (np.roll(curve.y, 1) + np.roll(curve.y, -1)))
        lone[[0, -1]] = np.abs(curve.y[[0, -1]] - curve.y[[1, -2]])
        best = None
        for at in {int(free[np.argmax(np.abs(result.residuals[free]))]), int(free[np.argmax(lone[free])])}:
            curve.kept[at] = False
            tried = curve.solve(result.parameters, 0)
            rest = curve.y[free[free != at]]
            gross = not rest.min() - 0.3 * np.ptp(rest) < curve.y[at] < rest.max() + 0.3 * np.ptp(rest)
            if gross or tried.residual_sd > 0.6 * result.residual_sd:  # the wild reading had pulled the start away
                start = _grid(curve)
                again = tried if start is None else curve.solve(start, 0)
                tried = again if again.residual_sd < tried.residual_sd else tried
            curve.kept[at] = True
            if tried.converged and (best is None or tried.residual_sd < best[1].residual_sd):
                best = (at, tried)
        if best is None:
            return result
        at, tried = best
        values, slopes = curve.model(0, False)(tried.parameters)
        steep = np.abs(slopes[:, 0])
        others = free[free != at]
        kin = others[(steep[others] > 0.3 * steep.max()) == (steep[at] > 0.3 * steep.max())]
        grow = others.size / max(others.size - p, 1)
        floor = (1e-13 * float(np.abs(curve.y).max())) ** 2
        spread = max(tried.residual_sd**2, grow * float(np.mean(tried.residuals[kin] ** 2)) if kin.size > 3 else 0.0, floor)
        t = (curve.y[at] - values[at]) / math.sqrt(spread + float(slopes[at] @ tried.covariance @ slopes[at]))
        dof = min(tried.degrees_of_freedom, kin.size) if kin.size > 3 else tried.degrees_of_freedom
        if free.size * t_p(t, max(dof, 1)) > _SURE or abs(curve.y[at] - values[at]) < 0.005 * abs(tried.parameters[3]):
            return result
        curve.kept[at] = False
        result = tried
    return result


def _grid(curve: _Curve, wander: int = 0, room: float = 0.0) -> Any:
    """Best knot of a grid of centres and radii, solved linearly at each."""
    x, y = curve.x[curve.kept], curve.y[curve.kept]
    step = max(1, x.size // 300)
    x, y = x[::step], y[::step]
    span = float(np.ptp(x))
    gaps = np.diff(np.unique(x))
    if gaps.size == 0:
        return None
    centres, radii = np.linspace(x[0], x[-1], 41)[1:-1], np.geomspace(max(0.5 * float(np.median(gaps)), 1e-3 * span), 0.7 * span, 18)
    t = (x - curve.middle) / curve.scale
    best: tuple[float, Any] = (math.inf, None)
    level = y - y.mean()
    for w in radii:
        fits = np.minimum(centres - x[0], x[-1] - centres) >= room * w
        if not fits.any():
            continue
        c = centres[fits]
        s = curve.shape((x[None, :] - c[:, None]).ravel(), float(w))[0].reshape(c.size, x.size)
        basis = np.stack([np.ones_like(s), s, np.broadcast_to(t, s.shape), t * s][: 2 + wander], axis=2)
        gram = np.einsum("mnp,mnq->mpq", basis, basis) + 1e-9 * x.size * np.eye(basis.shape[2])
        solution = np.linalg.solve(gram, np.einsum("mnp,n->mp", basis, level)[:, :, None])[:, :, 0]
        rest = ((level - np.einsum("mnp,mp->mn", basis, solution)) ** 2).sum(axis=1)
        k = int(np.argmin(rest))
        if rest[k] < best[0]:
            dark, *more = (float(v) for v in solution[k])
            best = (float(rest[k]), [float(c[k]), math.log(w), dark + float(y.mean()), *more])
    return best[1]


def _scatter(curve: _Curve, result: Fit, wander: int, backlash: bool, u_position: float) -> tuple[Any, float]:
    """Standard deviations of the readings, where they scatter unevenly, and the jitter of the positions behind it.

    Tests at 2 %: steep readings against flat ones (positions that are not sharp), bright against dark (light noise).
    """
    from scipy.special import fdtrc

    p = result.parameters
    s, slope, _ = curve.shape(curve.x - p[0], math.exp(min(max(p[1], -60.0), 60.0)))
    per_mm = np.abs(p[3] * slope)
    rows = curve.kept & ~curve.top & ~curve.low
    square = result.residuals**2
    floor = 1e-24 * float(np.ptp(result.fitted)) ** 2

    def apart(high: Any, low: Any) -> tuple[float, float, float]:
        high, low = high & rows, low & rows
        if high.sum() < 5 or low.sum() < 5:
            return 1.0, 0.0, 0.0
        a, b = max(float(square[high].mean()), floor), max(float(square[low].mean()), floor)
        return float(fdtrc(int(high.sum()) - 2, int(low.sum()) - 2, a / b)), a, b

    steep, flat = per_mm > 0.4 * per_mm.max(), per_mm < 0.1 * per_mm.max()
    level = (s - s.min()) / max(float(np.ptp(s)), 1e-300)
    p_jitter, a, b = apart(steep, flat)
    p_light, c, d = apart(level > 0.8, level < 0.2)
    p_dark, e, f = apart(level < 0.2, level > 0.8)
    least = min(p_jitter, p_light, p_dark)
    jitter = u_position
    if max(a, c, e) > floor and least < 0.02 and least == p_jitter:
        jitter = max(u_position, math.sqrt(max(a - b, 0.0) / float(np.mean(per_mm[steep & rows] ** 2))))
        return np.sqrt(b + (jitter * per_mm) ** 2), jitter
    if u_position > 0.0:
        base = b if a else float(square[rows].mean())
        return np.sqrt(max(base, floor) + (u_position * per_mm) ** 2), u_position
    if max(c, e) > floor and least < 0.02:
        return (np.sqrt(d + (c - d) * level**2) if p_light < p_dark else np.sqrt(f + (e - f) * (1 - level) ** 2)), 0.0
    return None, 0.0


def _misfit(curve: _Curve, result: Fit, wander: int, backlash: bool, is_edge: bool) -> tuple[float, float]:
    """Chance that a Gaussian leaves such residuals, and the size of the misfit over the height.

    The smaller of two, both blind to uneven noise: a test of two more terms, the third and fourth moment of the shape
    (Gram-Charlier, sandwich covariance HC3), and the likeness of neighbouring residuals, each product in units of its own scatter.
    """
    from scipy.special import fdtrc, ndtr

    rows = curve.kept & ~curve.top & ~curve.low
    _, columns = curve.model(wander, backlash)(result.parameters)
    g = 2.0 * (curve.x - result.parameters[0]) / math.exp(result.parameters[1])
    bell = np.exp(-0.5 * g * g)
    more = [(g * g - 1) * bell, (g**3 - 3 * g) * bell] if is_edge else [(g**3 - 3 * g) * bell, (g**4 - 6 * g * g + 3) * bell]
    r, height = result.residuals[rows], abs(result.parameters[3])
    rough = float(r @ r) < (1e-12 * height) ** 2 * r.size
    pairs = r[1:] * r[:-1]
    like = 1.0 - float(ndtr(pairs.sum() / max(math.sqrt(float(pairs @ pairs)), 1e-300))) if r.size >= 15 and not rough else 1.0
    found = (like, math.sqrt(float(np.mean(r**2))) / height)
    both = np.column_stack([columns, *more])[rows]
    dof = int(rows.sum()) - both.shape[1]
    if dof < 3 or rough:
        return found
    size = np.sqrt((both**2).sum(axis=0))
    size[size == 0.0] = 1.0
    inverse = np.linalg.pinv(both / size, rcond=1e-10)
    reach = np.einsum("ij,ji->i", both / size, inverse)
    left = (r - (both / size) @ (inverse @ r)) / np.maximum(1.0 - reach, 0.05)
    shift, spread = (inverse @ r)[-2:], (inverse[-2:] * left**2) @ inverse[-2:].T
    if not np.linalg.det(spread) > 0.0:
        return found
    p = float(fdtrc(2, dof, 0.5 * float(shift @ np.linalg.solve(spread, shift))))
    return min(found, (p, math.sqrt(float(np.mean(((both / size)[:, -2:] @ shift) ** 2))) / height))


def _both_ways(position: Any) -> Any:
    """Direction of travel of each reading where the scan goes there and back, else None."""
    step = np.sign(np.diff(np.asarray(position, dtype=np.float64)))
    step = step[step != 0]
    turns = int((step[1:] != step[:-1]).sum())
    if not 1 <= turns <= 3 or min((step > 0).sum(), (step < 0).sum()) < 5:
        return None
    way = np.sign(np.diff(np.asarray(position, dtype=np.float64)))
    return np.concatenate([[way[0] or 1.0], np.where(way == 0, 1.0, way)])


def fit_scan(
    position: Any, reading: Any, shape: Shape, *, wander: int, room: float, fewest: int, is_edge: bool, u_position: float = 0.0
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
    if not np.ptp(y) > 0.0:
        raise ValueError(
            f"all {y.size} readings are alike ({y[0]:g}), so no beam is seen. Check the shutter, the range of the meter and the travel."
        )
    remedy = "so no width can be had. Check the column of positions."
    if not np.ptp(x) > 0.0:
        raise ValueError(f"all {x.size} readings stand at one position ({x[0]:g} mm), {remedy}")
    way = _both_ways(position)
    curve = _Curve(x, y, shape, None if way is None else way[order])
    start = _grid(curve)
    if start is None:  # a few readings apart from all others may not be among those looked at for a start
        raise ValueError(f"nearly all {x.size} readings stand at one position ({np.median(x):g} mm), {remedy}")
    saturated, clipped, result = _held(curve, start, 3 if is_edge else 2)
    result = _wild(curve, result)
    held = saturated + clipped > 0
    used_wander = 0
    if wander and not held and x.size >= fewest:
        again = _grid(curve, wander, room)
        for first in [[*result.parameters, *[0.0] * wander], *([again] if again is not None else [])]:
            wider = curve.solve(first, wander)
            if not wider.converged or abs(wider.parameters[1]) > 50:
                continue
            reach = min(wider.parameters[0] - x[0], x[-1] - wider.parameters[0]) / math.exp(wider.parameters[1])
            if reach >= room and (not used_wander or wider.residual_sd < result.residual_sd * (1 - 1e-9)):
                result, used_wander = wider, wander
    backlash, u_backlash, has_backlash = 0.0, 0.0, False
    if way is not None:
        there = curve.solve([*result.parameters, 0.0], used_wander, backlash=True)
        if there.converged and t_p(there.parameters[-1] / max(there.sd[-1], 1e-300), there.degrees_of_freedom) < 0.002:
            result, has_backlash = there, True
    sigma, jitter = (None, 0.0) if held else _scatter(curve, result, used_wander, has_backlash, u_position)
    weighted = False
    if sigma is not None:
        for _ in range(2):
            better = curve.solve(result.parameters, used_wander, backlash=has_backlash, sigma=sigma)
            if not better.converged:
                break
            result, weighted = better, True
            sigma, jitter = (
                again_sigma
                if (again_sigma := _scatter(curve, result, used_wander, has_backlash, u_position))[0] is not None
                else (sigma, jitter)
            )
    if has_backlash:
        backlash, u_backlash = abs(float(result.parameters[-1])), float(result.sd[-1])
    misfit_p, misfit = _misfit(curve, result, used_wander, has_backlash, is_edge)
    quantum = step_of(y)
    rows = curve.kept & ~curve.top & ~curve.low
    readings = Readings(
        used=int(rows.sum()),
        saturated=saturated,
        clipped=clipped,
        wild=tuple(int(i) for i in np.sort(order[~curve.kept])),
        quantum=quantum,
        jitter=jitter,
        backlash=backlash,
        u_backlash=u_backlash,
        misfit_p=misfit_p,
        misfit=misfit,
    )
    u, dof = float(result.sd[1]), float(result.degrees_of_freedom)
    if not held:
        u, dof = _own_scatter(curve, result, used_wander, has_backlash, rows, sigma)
    u = math.hypot(u, _rounding(curve, result, used_wander, has_backlash, rows, quantum))
    return _Found(x, y, order, result, used_wander, shape, weighted, readings, u, dof, curve.middle, curve.scale, rows)


def _own_scatter(curve: _Curve, result: Fit, wander: int, backlash: bool, rows: Any, sigma: Any) -> tuple[float, float]:
    """Standard uncertainty of ln W from the scatter of each reading where it counts, and what it is worth in degrees of freedom.

    A reading that decides the width brings its own scatter, so that positions that are not sharp or light that flickers widen the
    interval without being found first. Weights found from the same readings cost half of the degrees. Source: HC2 of MacKinnon and
    White (1985), degrees of freedom of Bell and McCaffrey (2002), both from memory; checked by simulated scans.
    """
    _, columns = curve.model(wander, backlash)(result.parameters)
    weight = np.ones(int(rows.sum())) if sigma is None else 1.0 / sigma[rows]
    columns, rest = columns[rows] * weight[:, None], result.residuals[rows] * weight
    size = np.sqrt((columns**2).sum(axis=0))
    size[size == 0.0] = 1.0
    u, s, v = np.linalg.svd(columns / size, full_matrices=False)
    u, s, v = (part[..., s > 1e-13 * s[0]] for part in (u, s, v.T))
    taken = (u**2).sum(axis=1)  # the hat matrix is u u', its residual maker 1 - u u'
    share = (u @ (v[1] / s) / size[1]) ** 2 / np.maximum(1.0 - taken, 1e-3)
    # trace of maker diag(share) maker, and of its square
    once, twice = float(share @ (1.0 - taken)), float(share**2 @ (1.0 - 2.0 * taken)) + float(((u.T * share @ u) ** 2).sum())
    if once <= 1e-9 * share.sum():  # no reading is left over where the width is decided: nothing to take the scatter from
        return float(result.sd[1]), float(result.degrees_of_freedom)
    dof = once**2 / twice
    return math.sqrt(float(share @ rest**2)), dof if sigma is None else max(0.5 * dof, 1.0)


def _rounding(curve: _Curve, result: Fit, wander: int, backlash: bool, rows: Any, quantum: float) -> float:
    """Effect on ln W of readings that share one rounding error, where noise does not blur the steps."""
    if quantum == 0.0 or float(np.sqrt(np.mean(result.residuals[rows] ** 2))) > 0.7 * quantum:
        return 0.0
    _, columns = curve.model(wander, backlash)(result.parameters)
    influence = np.linalg.pinv(columns[rows])[1]
    shared = np.zeros(int(rows.sum()))
    np.add.at(shared, np.unique(curve.y[rows], return_inverse=True)[1], influence)
    return quantum / math.sqrt(12.0) * math.sqrt(float((shared**2).sum()))
