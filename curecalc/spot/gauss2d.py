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
from .frame import Cells, block_mean, noise_of

__all__ = ["Bell", "bell", "first_estimate", "fit_bell"]

_MOST_PIXELS = 48


@dataclass(frozen=True)
class Bell:
    """Elliptical Gaussian fitted to an image: `variance` (s_xx, s_xy, s_yy) in mm^2 with its covariance.

    `residual` is the root mean square misfit inside 1.5 radii over the peak, noise included; `noise` the part of it
    that pixel noise explains. `block` pixels a side were averaged before the fit.
    """

    centre: tuple[float, float]
    u_centre: tuple[float, float]
    variance: tuple[float, float, float]
    covariance: Any
    peak: float
    u_peak: float
    plane: tuple[float, float, float]
    residual: float
    noise: float
    block: int
    converged: bool


def first_estimate(image: Any, pixel: tuple[float, float]) -> tuple[float, float, float, float, float] | None:
    """Centre and second moments of whatever stands clearly above the background; None where nothing does."""
    whole = np.asarray(image)
    for target in (64, 256, 100_000):
        block = max(1, math.ceil(max(whole.shape) / target))
        z = block_mean(whole, block)
        if min(z.shape) < 6:
            continue
        edge = max(1, min(z.shape) // 20)
        frame = np.concatenate([z[:edge].ravel(), z[-edge:].ravel(), z[:, :edge].ravel(), z[:, -edge:].ravel()])
        dark = float(np.percentile(frame, 25.0))
        spread = max(noise_of(z), 1.4826 * float(np.median(np.abs(frame[frame <= np.median(frame)] - dark))))
        # a peak is believed when its 3 x 3 neighbourhood stands out: one hot pixel does not
        s = z[:-2] + z[1:-1] + z[2:]
        s = (s[:, :-2] + s[:, 1:-1] + s[:, 2:]) / 9.0
        j, i = np.unravel_index(int(np.argmax(s)), s.shape)
        peak = float(s[j, i]) - dark
        if peak <= max(6.0 * spread / 3.0, 1e-9 * abs(dark)):
            if block == 1:
                return None
            continue
        strong = s - dark > max(0.3 * peak, 3.0 * spread / 3.0)
        strong = _joined(strong, int(j), int(i))
        if strong.sum() < 5 and block > 1:
            continue
        weight = np.where(strong, s - dark - 0.2 * peak, 0.0)
        x = ((np.arange(z.shape[1]) * block + 0.5 * (block - 1)) * pixel[0])[1:-1]
        y = ((np.arange(z.shape[0]) * block + 0.5 * (block - 1)) * pixel[1])[1:-1]
        total = weight.sum()
        mx, my = float(weight.sum(axis=0) @ x / total), float(weight.sum(axis=1) @ y / total)
        xx = float(weight.sum(axis=0) @ (x - mx) ** 2 / total)
        yy = float(weight.sum(axis=1) @ (y - my) ** 2 / total)
        xy = float((y - my) @ (weight @ (x - mx)) / total)
        widen = 2.2  # a Gaussian cut at 30 % of its peak, with 20 % taken off, shows less than half its variance
        floor_x, floor_y = (0.3 * pixel[0]) ** 2, (0.3 * pixel[1]) ** 2
        return mx, my, max(widen * xx, floor_x), widen * xy, max(widen * yy, floor_y)
    return None


def _joined(mask: Any, j: int, i: int) -> Any:
    """The part of a mask connected with (j, i), grown step by step inside its own bounding box."""
    grown = np.zeros_like(mask)
    grown[j, i] = True
    for _ in range(4 * max(mask.shape)):
        wider = grown.copy()
        wider[1:] |= grown[:-1]
        wider[:-1] |= grown[1:]
        wider[:, 1:] |= grown[:, :-1]
        wider[:, :-1] |= grown[:, 1:]
        wider &= mask
        if wider.sum() == grown.sum():
            break
        grown = wider
    return grown


def bell(x: Any, y: Any, centre: Any, variance: Any) -> Any:
    """exp(-1/2 d^T V^-1 d) on the grid of x (columns) and y (rows)."""
    xx, xy, yy = variance
    det = xx * yy - xy * xy
    dx, dy = (x - centre[0])[None, :], (y - centre[1])[:, None]
    return np.exp(-0.5 * (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / det)


def fit_bell(beam: Cells, start: Any, *, reach: float = 3.0) -> Bell | None:
    """Fit peak exp(-1/2 d^T V^-1 d) + plane to the cells within `reach` radii of the first estimate.

    The covariance is the sandwich form, right also when bright pixels are noisier than dark ones. Pixels are averaged
    in blocks (never wider than a fifth of the radius), and the width the blocks add is taken out again.
    """
    whole, corner = beam.z, (float(beam.x[0]), float(beam.y[0]))
    pixel = (float(beam.x[1]) - corner[0], float(beam.y[1]) - corner[1])
    mx, my, xx, xy, yy = (float(v) for v in start)
    for _ in range(3):
        hx, hy = reach * 2.0 * math.sqrt(xx), reach * 2.0 * math.sqrt(yy)
        i0, i1 = max(0, math.floor((mx - hx - corner[0]) / pixel[0])), min(whole.shape[1], math.ceil((mx + hx - corner[0]) / pixel[0]) + 1)
        j0, j1 = max(0, math.floor((my - hy - corner[1]) / pixel[1])), min(whole.shape[0], math.ceil((my + hy - corner[1]) / pixel[1]) + 1)
        if i1 - i0 < 5 or j1 - j0 < 5:
            return None
        narrow = 2.0 * math.sqrt(max(min(_least(xx, xy, yy), xx, yy), 0.0)) / max(pixel)
        block = max(1, min(math.ceil(max(i1 - i0, j1 - j0) / _MOST_PIXELS), int(narrow / 5.0)))
        found = _fit_window(whole[j0:j1, i0:i1], pixel, (float(beam.x[i0]), float(beam.y[j0])), (mx, my, xx, xy, yy), block)
        if found is None:
            return None
        (nx, ny), (vxx, vxy, vyy) = found.centre, found.variance
        if not (vxx > 0 and vyy > 0 and vxx * vyy > vxy * vxy):
            return None
        near = abs(math.log(vxx / xx)) < 0.1 and abs(math.log(vyy / yy)) < 0.1
        mx, my, xx, xy, yy = nx, ny, vxx, vxy, vyy
        if near:
            break
    return found


def _least(xx: float, xy: float, yy: float) -> float:
    return 0.5 * (xx + yy) - math.hypot(0.5 * (xx - yy), xy)


def _fit_window(window: Any, pixel: Any, origin: Any, start: Any, block: int) -> Bell | None:
    z = block_mean(window, block)
    x = origin[0] + (np.arange(z.shape[1]) * block + 0.5 * (block - 1)) * pixel[0]
    y = origin[1] + (np.arange(z.shape[0]) * block + 0.5 * (block - 1)) * pixel[1]
    if z.size < 25:
        return None
    mx, my, xx, xy, yy = start
    sx, sy = math.sqrt(xx), math.sqrt(yy)
    rho = max(-0.95, min(0.95, xy / (sx * sy)))
    corner = np.concatenate([z[0], z[-1], z[:, 0], z[:, -1]])
    dark = float(np.percentile(corner, 25.0))
    peak = max(float(z.max()) - dark, 1e-300)
    gx, gy = np.meshgrid(x, y)
    gx, gy, flat = gx.ravel(), gy.ravel(), z.ravel()
    tx, ty = (gx - mx) / np.ptp(x), (gy - my) / np.ptp(y)
    one = np.ones_like(flat)

    def model(p: Any) -> tuple[Any, Any]:
        cx, cy, lx, ly, skew, height = p[:6]
        ax, ay = math.exp(min(max(lx, -60.0), 60.0)), math.exp(min(max(ly, -60.0), 60.0))
        r = math.tanh(min(max(skew, -8.0), 8.0))
        k = 1.0 / (1.0 - r * r)
        u, v = (gx - cx) / ax, (gy - cy) / ay
        form = k * (u * u - 2.0 * r * u * v + v * v)
        shape = np.exp(-0.5 * form)
        high = height * shape
        du, dv = k * (u - r * v), k * (v - r * u)  # half the derivative of the form
        columns = [
            high * du / ax,
            high * dv / ay,
            high * du * u,
            high * dv * v,
            high * (k * u * v - r * form) * k * (1 - r * r),
            shape,
            one,
            tx,
            ty,
        ]
        return high + p[6] + p[7] * tx + p[8] * ty, np.stack(columns, axis=1)

    try:
        result = fit(model, flat, [mx, my, math.log(sx), math.log(sy), math.atanh(rho), peak, dark, 0.0, 0.0], max_steps=60)
    except np.linalg.LinAlgError:
        return None
    cx, cy, lx, ly, skew, height = (float(v) for v in result.parameters[:6])
    if not (height > 0 and abs(lx) < 50 and abs(ly) < 50):
        return None
    _, slopes = model(result.parameters)
    size = np.sqrt((slopes**2).sum(axis=0))
    size[size == 0] = 1.0
    inverse = np.linalg.pinv((slopes / size).T @ (slopes / size), rcond=1e-14)
    meat = (slopes / size * result.residuals[:, None]).T @ (slopes / size * result.residuals[:, None])
    cov = inverse @ meat @ inverse / np.outer(size, size) * (flat.size / max(flat.size - 9, 1))
    ax, ay, r = math.exp(lx), math.exp(ly), math.tanh(skew)
    # (log ax, log ay, skew) to (s_xx, s_xy, s_yy)
    turn = np.array([[2.0 * ax * ax, 0.0, 0.0], [r * ax * ay, r * ax * ay, (1 - r * r) * ax * ay], [0.0, 2.0 * ay * ay, 0.0]])
    widened_x, widened_y = ((block**2 - 1) * p * p / 12.0 for p in pixel)
    variance = (ax * ax - widened_x, r * ax * ay, ay * ay - widened_y)
    form_r = ((gx - cx) / ax) ** 2 + ((gy - cy) / ay) ** 2 - 2 * r * (gx - cx) * (gy - cy) / (ax * ay)
    core = form_r / (1 - r * r) <= 9.0  # 1.5 radii
    misfit = math.sqrt(float(np.mean(result.residuals[core] ** 2))) / height if core.any() else math.inf
    return Bell(
        centre=(cx, cy),
        u_centre=(math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])),
        variance=variance,
        covariance=turn @ cov[2:5, 2:5] @ turn.T,
        peak=height,
        u_peak=math.sqrt(cov[5, 5]),
        plane=(
            float(result.parameters[6] + result.parameters[7] * (cx - mx) / np.ptp(x) + result.parameters[8] * (cy - my) / np.ptp(y)),
            float(result.parameters[7] / np.ptp(x)),
            float(result.parameters[8] / np.ptp(y)),
        ),
        residual=misfit,
        noise=noise_of(z) / height,
        block=block,
        converged=result.converged,
    )
