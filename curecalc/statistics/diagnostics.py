"""What a line's points say about themselves: lack of fit, curvature, outliers, influence, a robust line. Pure numpy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..errors import QuantityError
from .intervals import f_p, t_p
from .line import LineFit, ordinary_line

__all__ = [
    "Influence",
    "LackOfFit",
    "Parabola",
    "RobustLine",
    "Term",
    "added_term",
    "curvature",
    "groups_of",
    "influence",
    "lack_of_fit",
    "parabola",
    "robust_line",
    "within_groups",
]


@dataclass(frozen=True)
class LackOfFit:
    """The scatter about the line split into lack of fit and pure error (between points at the same x)."""

    f: Any
    p: Any
    lack_of_fit_squares: Any
    lack_of_fit_degrees_of_freedom: int
    pure_error_squares: Any
    pure_error_degrees_of_freedom: int


def groups_of(x: Any, *, relative: float = 0.0) -> np.ndarray:
    """Group number of each x: values equal, or within a relative distance of their neighbour, are one group."""
    x = np.asarray(x, dtype=float)
    order = np.argsort(x, kind="stable")
    gaps = np.diff(x[order]) > relative * np.abs(x[order][1:])
    group = np.empty(x.size, dtype=np.int64)
    group[order] = np.concatenate([[0], np.cumsum(gaps)])
    return group


def lack_of_fit(x: Any, y: Any, *, group: Any | None = None, weight: Any | None = None) -> LackOfFit | None:
    """F test of the line against the scatter of replicates at the same x; None where nothing is replicated.

    Parameters
    ----------
    x : float64, (n,)
    y : float64, (..., n)
    group : int, (n,), optional
        Which points are replicates; by default those with the very same x.
    weight : float64, (n,), optional
        Relative weights.

    Source: `iso11095` 6.3; `nist_handbook` 4.6.1. Valid for independent normal errors.
    """
    x = np.asarray(x, dtype=float)
    y = np.asarray(y, dtype=float)
    w = np.ones_like(x) if weight is None else np.asarray(weight, dtype=float)
    index = groups_of(x) if group is None else np.asarray(group)
    levels = int(index.max()) + 1
    n = x.size
    if levels >= n or levels < 3:
        return None
    pure, pure_dof = within_groups(y, index, weight=w)
    x_mean, y_mean = (w * x).sum() / w.sum(), (w * y).sum(-1) / w.sum()
    dx, dy = x - x_mean, y - y_mean[..., None]
    slope = (w * dx * dy).sum(-1) / (w * dx * dx).sum()
    squares = (w * (dy - slope[..., None] * dx) ** 2).sum(-1)
    lack, lack_dof = np.maximum(squares - pure, 0.0), levels - 2
    with np.errstate(divide="ignore", invalid="ignore"):
        f = (lack / lack_dof) / (pure / pure_dof)
        f = np.where(pure > 0, f, np.where(lack > 0, np.inf, 0.0))
    return LackOfFit(f[()], f_p(f, lack_dof, pure_dof), lack[()], lack_dof, pure[()], pure_dof)


def within_groups(y: Any, group: Any, *, weight: Any | None = None) -> tuple[Any, int]:
    """Sum of squares about the group means, and its degrees of freedom."""
    y, group = np.asarray(y, dtype=float), np.asarray(group)
    w = np.ones(group.shape) if weight is None else np.asarray(weight, dtype=float)
    levels = int(group.max()) + 1
    total = np.bincount(group, w, levels)
    flat = y.reshape(-1, y.shape[-1])
    means = np.stack([np.bincount(group, w * row, levels) / total for row in flat])
    squares = (w * (flat - means[:, group]) ** 2).sum(-1).reshape(y.shape[:-1])
    return squares[()], group.size - levels


@dataclass(frozen=True)
class Parabola:
    """y = constant + linear x + quadratic x^2 by least squares, with standard uncertainties."""

    constant: Any
    linear: Any
    quadratic: Any
    constant_sd: Any
    linear_sd: Any
    quadratic_sd: Any
    residual_sd: Any
    sum_of_squares: Any
    degrees_of_freedom: int


def parabola(x: Any, y: Any, weight: Any | None = None) -> Parabola:
    """Least-squares parabola through points on the last axis, by orthogonal polynomials about the centre.

    Source: `forsythe1957`; checked against `nist-strd` Pontius.
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    w = np.ones(x.shape) if weight is None else np.broadcast_to(np.asarray(weight, dtype=float), x.shape)
    n = x.shape[-1]
    total = w.sum(-1)
    centre = (w * x).sum(-1) / total
    size = np.sqrt((w * (x - centre[..., None]) ** 2).sum(-1) / total)
    z = (x - centre[..., None]) / size[..., None]
    z = z - ((w * z).sum(-1) / total)[..., None]
    szz = (w * z * z).sum(-1)
    alpha, beta = (w * z**3).sum(-1) / szz, szz / total
    q = z * z - alpha[..., None] * z - beta[..., None]
    q = q - ((w * q).sum(-1) / total)[..., None]
    sqq = (w * q * q).sum(-1)
    if np.any(np.isclose(sqq / total, 0.0, atol=1e-20)):
        raise QuantityError("a parabola needs at least three different x. Add coupons at other exposures.")
    c0, c1, c2 = (w * y).sum(-1) / total, (w * z * y).sum(-1) / szz, (w * q * y).sum(-1) / sqq
    residuals = y - c0[..., None] - c1[..., None] * z - c2[..., None] * q
    c0, c1, c2 = (
        c + d
        for c, d in zip(
            (c0, c1, c2), ((w * residuals).sum(-1) / total, (w * z * residuals).sum(-1) / szz, (w * q * residuals).sum(-1) / sqq)
        )
    )
    residuals = y - c0[..., None] - c1[..., None] * z - c2[..., None] * q
    squares = (w * residuals**2).sum(-1)
    dof = n - 3
    scale = squares / dof if dof > 0 else np.full(squares.shape, np.nan)
    # z = (x - m)/s;  y = c0 + c1 z + c2 (z^2 - alpha z - beta)
    m, s = centre, size
    quadratic = c2 / s**2
    linear = (c1 - c2 * alpha) / s - 2.0 * m * quadratic
    constant = c0 - c2 * beta - (c1 - c2 * alpha) * m / s + quadratic * m**2
    v0, v1, v2 = scale / total, scale / szz, scale / sqq
    d_linear = -alpha / s - 2.0 * m / s**2
    d_constant = -beta + alpha * m / s + m**2 / s**2
    return Parabola(
        constant[()],
        linear[()],
        quadratic[()],
        np.sqrt(v0 + v1 * (m / s) ** 2 + v2 * d_constant**2)[()],
        np.sqrt(v1 / s**2 + v2 * d_linear**2)[()],
        np.sqrt(v2 / s**4)[()],
        np.sqrt(scale)[()],
        squares[()],
        dof,
    )


class Term(NamedTuple):
    """A further term of a line: whether it explains more than chance."""

    coefficient: Any
    t: Any
    p: Any
    degrees_of_freedom: int


def curvature(x: Any, y: Any) -> Term | None:
    """Whether an added quadratic term explains more than chance.

    None with fewer than four points or three different x.
    """
    x = np.asarray(x, dtype=float)
    if x.size < 4 or np.unique(x).size < 3:
        return None
    bent = parabola(x, y)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.divide(bent.quadratic, bent.quadratic_sd)
    return Term(bent.quadratic, t, t_p(t, bent.degrees_of_freedom), bent.degrees_of_freedom)


def added_term(x: Any, y: Any, z: Any) -> Term | None:
    """Whether a further variable z (run order, temperature) explains more of y than the line."""
    x, y, z = (np.asarray(a, dtype=float) for a in (x, y, z))
    n = x.size
    if n < 4:
        return None
    line_y = ordinary_line(x, y)
    line_z = ordinary_line(x, z)
    rz, ry = line_z.residuals, line_y.residuals
    szz = float(rz @ rz)
    if np.isclose(szz, 0.0, atol=1e-18 * n * np.var(z)):
        return None
    slope = float(rz @ ry) / szz
    squares = float(((ry - slope * rz) ** 2).sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.divide(slope, np.sqrt(squares / (n - 3) / szz))
    return Term(slope, float(t), float(t_p(t, n - 3)), n - 3)


@dataclass(frozen=True)
class Influence:
    """Leverage, studentised residuals and Cook's distance of each point."""

    leverage: Any
    internal: Any
    external: Any
    outlier_p: Any
    bonferroni_p: Any
    cook: Any


def influence(fit: LineFit, x: Any, *, weight: Any | None = None) -> Influence:
    """How far each point lies from the line the others would give, and how much it moves the line.

    Parameters
    ----------
    fit : LineFit
        From `ordinary_line`, or a weighted line whose weights are `weight` up to a common factor.
    x : float64, (..., n)

    Returns
    -------
    Influence
        `bonferroni_p` is the two-sided p value of the externally studentised residual times the number of points.

    Source: `cook1977`; `belsley1980` chapter 2. Valid with at least four points.
    """
    x = np.asarray(x, dtype=float)
    w = np.ones(x.shape) if weight is None else np.asarray(weight, dtype=float)
    n, dof = fit.n, fit.degrees_of_freedom

    def axis(a: Any) -> Any:
        return np.asarray(a)[..., None]

    w = w * (axis(fit.weight_sum) / w.sum(-1, keepdims=True))
    leverage = w * (1.0 / axis(fit.weight_sum) + (x - axis(fit.x_mean)) ** 2 / axis(fit.sxx))
    residual = fit.residuals * np.sqrt(w)
    squares = axis(fit.sum_of_squares)
    free = 1.0 - leverage
    free = np.where(np.isclose(free, 0.0, atol=1e-12), np.nan, free)
    with np.errstate(divide="ignore", invalid="ignore"):
        internal = residual / np.sqrt(squares / dof * free)
        left = squares - residual**2 / free
        left = np.where(np.isclose(left / squares, 0.0, atol=1e-14), 0.0, left)  # the others lie on a line: what is left is rounding
        external = residual / np.sqrt(left / (dof - 1 or np.nan) * free)
        cook = internal**2 * leverage / free / 2.0
    p = np.where(np.isnan(external), 1.0, t_p(external, dof - 1))
    return Influence(leverage, internal, external, p, np.minimum(p * n, 1.0), cook)


@dataclass(frozen=True)
class RobustLine:
    """Median of the slopes of all pairs, and the median intercept that goes with it."""

    slope: Any
    intercept: Any
    pairs: int


def robust_line(x: Any, y: Any, *, most: int = 2000) -> RobustLine:
    """A line that up to 29 % wild points cannot carry away: the median of the slopes between all pairs of points.

    Parameters
    ----------
    x, y : float64, (..., n)
    most : int
        With more points than this, each point is paired with the one half the points further on only.

    Source: `theil1950` (complete and incomplete method), `sen1968` for equal x (such pairs have no slope).
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    n = x.shape[-1]
    if n <= most:
        i, j = np.triu_indices(n)
    else:
        order = np.argsort(x, axis=-1, kind="stable")
        x, y = np.take_along_axis(x, order, -1), np.take_along_axis(y, order, -1)
        i = np.arange(n // 2)
        j = i + (n + 1) // 2
    dx, dy = x[..., j] - x[..., i], y[..., j] - y[..., i]
    apart = ~np.isclose(dx / np.ptp(x, axis=-1, keepdims=True), 0.0, atol=1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = np.where(apart, dy / dx, np.nan)
    slope = np.nanmedian(slopes, axis=-1)
    intercept = np.median(y - slope[..., None] * x, axis=-1)
    return RobustLine(slope[()], intercept[()], int(apart.sum(-1).max()))
