"""First estimate of a spot in an image, and the fit of an elliptical Gaussian on a tilted background to it.

The fit serves three ends: where the beam stands, how Gaussian it is, and the width when the sensor cuts the beam off.
Plain float64; frame and lengths as in `moments`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.least_squares import fit
from .frame import Cells, Ground, cells, least_radius, noise_of, raw_moments

__all__ = ["Bell", "bell", "first_estimate", "fit_bell", "form"]

_MOST_PIXELS = 48


@dataclass(frozen=True)
class Bell:
    """Elliptical Gaussian on a plane fitted to an image: `variance` (s_xx, s_xy, s_yy) in mm^2 with its covariance.

    `residual` is the root mean square misfit inside 1.5 radii over the peak, noise included; `noise` the part of it
    that pixel noise explains. `block` pixels a side were averaged before the fit.
    """

    centre: tuple[float, float]
    u_centre: tuple[float, float]
    variance: tuple[float, float, float]
    covariance: Any
    peak: float
    u_peak: float
    ground: Ground
    residual: float
    noise: float
    block: int
    converged: bool


def first_estimate(image: Any, pixel: tuple[float, float]) -> tuple[float, float, float, float, float] | None:
    """Centre and second moments of whatever stands clearly above the background; None where nothing does."""
    from scipy.ndimage import label

    whole = np.asarray(image)
    longest = max(whole.shape)
    for block in sorted({math.ceil(longest / target) for target in (64, 256, longest)}, reverse=True):
        coarse = cells(whole, pixel, block)
        z = coarse.z
        if min(z.shape) < 6:
            continue
        edge = max(1, min(z.shape) // 20)
        frame = np.concatenate([z[:edge].ravel(), z[-edge:].ravel(), z[:, :edge].ravel(), z[:, -edge:].ravel()])
        dark = float(np.percentile(frame, 25.0))
        spread = max(noise_of(z), 1.4826 * float(np.median(np.abs(frame[frame <= np.median(frame)] - dark))))
        # a peak is believed when its 3 x 3 neighbourhood stands out: one hot pixel does not
        s = z[:-2] + z[1:-1] + z[2:]
        s = (s[:, :-2] + s[:, 1:-1] + s[:, 2:]) / 9.0 - dark
        peak, noise = float(s.max()), spread / 3.0
        if peak <= max(6.0 * noise, 1e-9 * abs(dark)):
            continue
        parts, _ = label(s > max(0.3 * peak, 3.0 * noise))
        strong = parts == parts[np.unravel_index(np.argmax(s), s.shape)]
        if strong.sum() < 5 and block > 1:
            continue
        weight = np.where(strong, s - 0.2 * peak, 0.0)
        _, mx, my, xx, xy, yy = raw_moments(weight, coarse.x[1:-1], coarse.y[1:-1])
        # a Gaussian cut at 30 % of its peak, with 20 % taken off, shows less than half its variance; no light is narrower than a pixel
        return mx, my, *np.maximum(np.multiply(2.2, (xx, xy, yy)), (pixel[0] ** 2 / 12.0, -math.inf, pixel[1] ** 2 / 12.0))
    return None


def form(dx: Any, dy: Any, variance: Any) -> Any:
    """d^T V^-1 d: the square of the distance in standard deviations, 4 at the 1/e^2 radius."""
    xx, xy, yy = variance
    return (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy)


def bell(x: Any, y: Any, centre: Any, variance: Any) -> Any:
    """exp(-1/2 d^T V^-1 d) on the grid of x (columns) and y (rows)."""
    return np.exp(-0.5 * form((x - centre[0])[None, :], (y - centre[1])[:, None], variance))


def fit_bell(beam: Cells, start: Any) -> Bell | None:
    """Fit peak exp(-1/2 d^T V^-1 d) + plane to the cells within three radii of a first estimate (mx, my, s_xx, s_xy, s_yy).

    The covariance is the sandwich form, right also when bright pixels are noisier than dark ones. Pixels are averaged
    in blocks (never wider than a fifth of the radius), and the width the blocks add is taken out again.
    """
    mx, my, xx, xy, yy = start
    rows, columns = beam.around(start[:2], start[2:], 3.0)
    part, pixel = beam.z[rows, columns], beam.pitch
    block = max(1, min(math.ceil(max(part.shape) / _MOST_PIXELS), int(least_radius(xx, xy, yy) / max(pixel) / 5.0)))
    small = cells(part, pixel, block)
    z = small.z
    if min(z.shape) < 5:
        return None
    gx, gy = (g.ravel() for g in np.meshgrid(small.x + beam.x[columns.start], small.y + beam.y[rows.start]))
    flat, one = z.ravel(), np.ones(z.size)

    def model(p: Any) -> tuple[Any, Any]:
        cx, cy, lx, ly, skew, height, level, slope_x, slope_y = p
        ax, ay, r = np.exp(lx), np.exp(ly), np.tanh(skew)
        u, v = (gx - cx) / ax, (gy - cy) / ay
        square = form(u, v, (1.0, r, 1.0))
        shape = np.exp(-0.5 * square)
        high = height * shape
        du, dv = (u - r * v) / (1.0 - r * r), (v - r * u) / (1.0 - r * r)  # half the derivative of the form
        moves = [high * du / ax, high * dv / ay, high * du * u, high * dv * v, high * (u * v - r * square)]
        return high + level + slope_x * (gx - mx) + slope_y * (gy - my), np.stack([*moves, shape, one, gx - mx, gy - my], axis=1)

    sx, sy, low = math.sqrt(xx), math.sqrt(yy), float(z.min())
    skew = math.atanh(0.95 * xy / (sx * sy))
    first = [mx, my, math.log(sx), math.log(sy), skew, float(z.max()) - low, low, 0.0, 0.0]
    try:
        result = fit(model, flat, first, known_sigma=True, max_steps=60)
    except np.linalg.LinAlgError:
        return None
    cx, cy, lx, ly, skew, height = (float(v) for v in result.parameters[:6])
    if max(abs(lx), abs(ly)) > 50:
        return None
    _, slopes = model(result.parameters)
    lever = slopes @ result.covariance * result.residuals[:, None]
    cov = lever.T @ lever * (flat.size / result.degrees_of_freedom)
    ax, ay, r = math.exp(lx), math.exp(ly), math.tanh(skew)
    # (log ax, log ay, skew) to (s_xx, s_xy, s_yy)
    turn = np.array([[2.0 * ax * ax, 0.0, 0.0], [r * ax * ay, r * ax * ay, (1 - r * r) * ax * ay], [0.0, 2.0 * ay * ay, 0.0]])
    widened_x, widened_y = ((block**2 - 1) * p * p / 12.0 for p in pixel)
    variance = (ax * ax - widened_x, r * ax * ay, ay * ay - widened_y)
    if not (height > 0 and least_radius(*variance) > 0):
        return None
    core = form((gx - cx) / ax, (gy - cy) / ay, (1.0, r, 1.0)) <= 9.0  # 1.5 radii
    return Bell(
        centre=(cx, cy),
        u_centre=(math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])),
        variance=variance,
        covariance=turn @ cov[2:5, 2:5] @ turn.T,
        peak=height,
        u_peak=math.sqrt(cov[5, 5]),
        ground=Ground(1, (mx, my), 1.0, result.parameters[6:], cov[6:, 6:], result.residual_sd),
        residual=math.sqrt(float(np.mean(result.residuals[core] ** 2))) / height if core.any() else math.inf,
        noise=noise_of(z) / height,
        block=block,
        converged=result.converged,
    )
