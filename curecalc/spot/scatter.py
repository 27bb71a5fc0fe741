"""What the readings' scatter about the curve of a scan tells: uneven noise, a wrong shape, how well the width is known.

Plain float64. Residuals and the derivatives of the curve (columns: the centre first, ln W second) are those of the readings that the
fit used, in the order of their positions.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..statistics.intervals import f_p

__all__ = ["log_radius_scatter", "misfit", "rounding", "uneven"]


def uneven(residuals: Any, per_mm: Any, light: Any, rows: Any, *, floor: float, u_position: float) -> tuple[Any, float]:
    """Standard deviations of the readings, None where they scatter evenly, and the jitter of the positions behind it.

    Tests at 2 %: steep readings against flat ones (positions that are not sharp), bright against dark (light noise).

    Parameters
    ----------
    residuals, per_mm, light : float array (n,)
        Of all readings; how steep the curve is, and its shape.
    rows : bool array (n,)
        The readings used.
    floor : float
        Residuals of this size are the computer's rounding.
    u_position : float
        Stated standard uncertainty of each position.
    """
    square = residuals**2

    def apart(high: Any, low: Any) -> tuple[float, float, float]:
        more, less = square[high & rows], square[low & rows]
        if min(more.size, less.size) < 5:
            more = less = square[rows]
        a, b = max(float(more.mean()), floor**2), max(float(less.mean()), floor**2)
        return float(f_p(a / b, more.size - 2, less.size - 2)), a, b

    light = light - light.min()
    steep, flat = per_mm > 0.4 * per_mm.max(), per_mm < 0.1 * per_mm.max()
    bright, dark = light > 0.8 * light.max(), light < 0.2 * light.max()
    (p_jitter, a, b), (p_bright, c, d), (p_dark, e, f) = apart(steep, flat), apart(bright, dark), apart(dark, bright)
    least, jitter = min(p_jitter, p_bright, p_dark), u_position
    if p_jitter == least < 0.02:
        jitter = max(jitter, math.sqrt((a - b) / float(np.mean(per_mm[steep & rows] ** 2))))
    if jitter > 0.0:
        return np.sqrt(b + (jitter * per_mm) ** 2), jitter
    if least < 0.02:
        share = light / light.max()
        return (np.sqrt(d + (c - d) * share**2) if p_bright < p_dark else np.sqrt(f + (e - f) * (1.0 - share) ** 2)), 0.0
    return None, 0.0


def _inverse(columns: Any) -> Any:
    """The matrix that takes readings to parameters."""
    size = np.linalg.norm(columns, axis=0)
    size = size + (size == 0.0)
    return np.linalg.pinv(columns / size, rcond=_rounded(columns)) / size[:, None]


def _rounded(columns: Any) -> float:
    """Share that the computer's rounding makes in a sum over them."""
    return float(columns.size * np.finfo(np.float64).eps)


def misfit(residuals: Any, columns: Any, away: Any, *, orders: tuple[int, int], floor: float) -> tuple[float, float]:
    """Chance that a Gaussian leaves such residuals, and the root mean square of the misfit.

    The smaller of two, both blind to uneven noise: a test of two more terms of the shape, Hermite polynomials of `orders` times the
    bell over `away`, in standard deviations (Gram-Charlier, sandwich covariance HC3), and the likeness of neighbouring residuals,
    each product in units of its own scatter.
    """
    from scipy.special import ndtr

    r = residuals
    rms = math.sqrt(float(np.mean(r**2)))
    if rms < floor:
        return 1.0, rms
    pairs = r[1:] * r[:-1]
    likeness = float(pairs.sum()) / max(float(np.linalg.norm(pairs)), floor * floor)
    found = (float(ndtr(-likeness)) if r.size >= 15 else 1.0, rms)
    terms = np.polynomial.hermite_e.hermevander(away, max(orders))[:, orders] * np.exp(-0.5 * away * away)[:, None]
    both = np.column_stack([columns, terms])
    dof = r.size - both.shape[1]
    if dof < 3:
        return found
    inverse = _inverse(both)
    left = (r - both @ (inverse @ r)) / np.maximum(1.0 - np.einsum("ij,ji->i", both, inverse), 0.05)
    shift, spread = inverse[-2:] @ r, (inverse[-2:] * left**2) @ inverse[-2:].T
    if not np.linalg.det(spread) > 0.0:
        return found
    p = float(f_p(0.5 * float(shift @ np.linalg.solve(spread, shift)), 2, dof))
    return min(found, (p, math.sqrt(float(np.mean((terms @ shift) ** 2)))))


def log_radius_scatter(residuals: Any, columns: Any, sigma: Any = None) -> tuple[float, float] | None:
    """Standard uncertainty of ln W from the scatter of each reading where it counts, and what it is worth in degrees of freedom.

    A reading that decides the width brings its own scatter, so that positions that are not sharp or light that flickers widen the
    interval without being found first. Weights found from the same readings cost half of the degrees. None where no reading is left
    over where the width is decided. Source: HC2 of MacKinnon and White (1985), degrees of freedom of Bell and McCaffrey (2002), both
    from memory; checked by simulated scans.
    """
    if sigma is not None:
        columns, residuals = columns / sigma[:, None], residuals / sigma
    inverse = _inverse(columns)
    spare = 1.0 - np.einsum("ij,ji->i", columns, inverse)  # the diagonal of what makes readings residuals
    share = inverse[1] ** 2 / np.maximum(spare, 1e-3)
    inner = (inverse * share) @ columns
    # trace of maker diag(share) maker, and of its square
    once, twice = float(share @ spare), float(share**2 @ (2.0 * spare - 1.0)) + float((inner * inner.T).sum())
    if once <= _rounded(columns) * share.sum():
        return None
    dof = once**2 / twice
    return math.sqrt(float(share @ residuals**2)), dof if sigma is None else max(0.5 * dof, 1.0)


def rounding(residuals: Any, columns: Any, readings: Any, quantum: float) -> float:
    """Effect on ln W of readings that share one rounding error, where noise does not blur the steps of size `quantum`."""
    if float(np.sqrt(np.mean(residuals**2))) > 0.7 * quantum:
        return 0.0
    level = np.unique(readings, return_inverse=True)[1]
    shared = np.bincount(level, _inverse(columns)[1])
    return quantum / math.sqrt(12.0) * float(np.linalg.norm(shared))
