"""A camera image to a spot: second moments where the sensor holds the whole beam, a Gaussian fit where it does not.

Plain float64, mm; frame as in `moments`. Whatever makes the width doubtful is found here and handed on as a list of
`Finding`s; what makes it worthless raises ValueError with a sentence that says what to measure instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from .doubts import NO_PEAK, NOTHING, Finding, check_size, judge_dark, judge_room, judge_saturation, judge_shape, room_of
from .gauss2d import Bell, bell, first_estimate, fit_bell
from .moments import Moments, moments, principal

__all__ = ["Finding", "Spot", "axes_of", "image_spot", "mend_pixels"]

_FULL_SCALES = (255, 1023, 4095, 16383, 65535)
_ROOM_FOR_MOMENTS = 2.0
_NOISIEST = 0.04


@dataclass(frozen=True)
class Axes:
    """Radii along two perpendicular axes with their covariance; `angle` from x towards y to the first axis."""

    radius_x: float
    radius_y: float
    u_x: float
    u_y: float
    angle: float
    u_angle: float
    round: bool


@dataclass(frozen=True)
class Spot:
    """What an image says; mm, radians, counts.

    `axes` is the answer. `by_moments` tells whether it comes from second moments (ISO 11146) or, where the sensor cuts
    the beam or noise drowns its wings, from the Gaussian fit. `power_in_ellipse` is the share of the power inside the
    1/e^2 ellipse of the answer (86.47 % for a Gaussian), `gaussian_residual` the misfit of the Gaussian with the pixel
    noise taken out, over the peak. `room` is the distance from the centre to the nearest sensor edge in radii.
    """

    axes: Axes
    by_moments: bool
    centre: tuple[float, float]
    u_centre: tuple[float, float]
    fit_axes: Axes
    moment_axes: Axes | None
    moments: Moments | None
    bell: Bell
    power_in_ellipse: float | None
    gaussian_residual: float
    signal_to_noise: float
    saturated_share: float
    mended: int
    room: float
    pixel: tuple[float, float]
    findings: tuple[Finding, ...]
    profile: Any
    profile_x: Any
    profile_y: Any


def axes_of(variance: Any, covariance: Any, *, pixel: tuple[float, float] = (0.0, 0.0)) -> Axes:
    """Radii along the principal axes from second moments, width of the pixels (p^2/12) taken out.

    Where the moments do not differ from a round beam's by more than noise (chi-squared, two degrees of freedom, 99 %)
    the axes stay x and y: principal axes of a round beam would point anywhere and always show an ellipse.
    """
    xx, xy, yy = variance
    px, py = pixel[0] ** 2 / 12.0, pixel[1] ** 2 / 12.0
    xx, yy = xx - px, yy - py
    if not (xx > 0 and yy > 0 and xx * yy > xy * xy):
        raise ValueError("the pixels alone explain the whole measured width")
    turn = np.array([[1.0, 0.0, -1.0], [0.0, 2.0, 0.0]])
    apart = turn @ np.array([xx, xy, yy])
    spread = turn @ covariance @ turn.T + 1e-14 * (xx + yy) ** 2 * np.eye(2)
    distance = float(apart @ np.linalg.solve(spread, apart))
    is_round = distance < 9.21
    along, across, angle = (xx, yy, 0.0) if is_round else principal(xx, xy, yy)
    c, s = math.cos(angle), math.sin(angle)
    gx, gy = np.array([c * c, 2 * c * s, s * s]), np.array([s * s, -2 * c * s, c * c])
    # pixels may collect over less than their whole pitch, down to a point: the correction is good to its own size
    u_pixel_x, u_pixel_y = px, py
    var_x = float(gx @ covariance @ gx) + (u_pixel_x * c * c) ** 2 + (u_pixel_y * s * s) ** 2
    var_y = float(gy @ covariance @ gy) + (u_pixel_x * s * s) ** 2 + (u_pixel_y * c * c) ** 2
    if is_round:
        u_angle = math.pi / math.sqrt(12.0) / 2.0
    else:
        gap = along - across
        g = np.array([-c * s, c * c - s * s, c * s]) / gap
        u_angle = min(math.sqrt(max(float(g @ covariance @ g), 0.0)), math.pi / math.sqrt(12.0) / 2.0)
    radius_x, radius_y = 2.0 * math.sqrt(along), 2.0 * math.sqrt(across)
    # d(2 sqrt v) = dv / sqrt v
    return Axes(radius_x, radius_y, math.sqrt(max(var_x, 0.0) / along), math.sqrt(max(var_y, 0.0) / across), angle, u_angle, is_round)


def mend_pixels(image: Any, noise: float, dark: float) -> tuple[Any, int]:
    """Replace lone hot and dead pixels by the mean of their four neighbours; the image and how many there were."""
    z = np.asarray(image, dtype=np.float64)
    if min(z.shape) < 5 or noise <= 0:
        return z, 0
    up, down, left, right = z[:-2, 1:-1], z[2:, 1:-1], z[1:-1, :-2], z[1:-1, 2:]
    high = np.maximum(np.maximum(up, down), np.maximum(left, right))
    low = np.minimum(np.minimum(up, down), np.minimum(left, right))
    middle = z[1:-1, 1:-1]
    margin = 8.0 * noise + 0.3 * np.maximum(high - dark, 0.0)
    odd = (middle - high > margin) | (low - middle > margin)
    count = int(odd.sum())
    if count:
        z = z.copy()
        z[1:-1, 1:-1][odd] = (0.25 * (up + down + left + right))[odd]
    return z, count


def _saturated(image: Any, centre: Any, variance: Any, pixel: Any, full_scale: float | None) -> tuple[float, float, bool]:
    """Share of the 1/e^2 ellipse that sits at the top reading, that reading, and whether it is a camera's full scale."""
    top = float(image.max())
    whole = np.issubdtype(image.dtype, np.integer) or bool(np.all(image[::7, ::7] == np.floor(image[::7, ::7])))
    at_scale = top >= full_scale if full_scale is not None else bool(whole and top in _FULL_SCALES)
    level = full_scale if full_scale is not None and at_scale else top
    j, i = np.nonzero(image >= level)
    xx, xy, yy = variance
    dx, dy = i * pixel[0] - centre[0], j * pixel[1] - centre[1]
    inside = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy) <= 4.0
    area = 4.0 * math.pi * math.sqrt(xx * yy - xy * xy) / (pixel[0] * pixel[1])
    count = float(inside.sum())
    return count / max(area, 1.0) if count >= 5 else 0.0, level, at_scale


def image_spot(image: Any, pixel: tuple[float, float], *, full_scale: float | None = None) -> Spot:
    """Spot of a camera image.

    Parameters
    ----------
    image : array (rows, columns), counts
        Any real type; linear in irradiance.
    pixel : (float, float), mm
        Pitch along columns and rows, at the plane of the spot.
    full_scale : float, optional
        Reading at which the camera saturates; else a flat top and the usual full scales (255 to 65535) are looked for.

    Returns
    -------
    Spot

    Raises
    ------
    ValueError
        No beam in the noise, beam larger than the sensor, smaller than three pixels, or saturated beyond use.
    """
    raw = np.asarray(image)
    if raw.ndim != 2 or min(raw.shape) < 12:
        raise ValueError(
            f"an image needs at least 12 x 12 pixels, this one has {' x '.join(map(str, raw.shape))}. "
            "Save the whole frame, or a region at least three beam diameters wide."
        )
    if float(raw.min()) == float(raw.max()):
        raise ValueError("every pixel holds the same reading, so there is no beam. Check the shutter, exposure time and file.")
    start = first_estimate(raw, pixel)
    if start is None:
        raise ValueError(NOTHING)
    found = fit_bell(raw, pixel, start)
    span = ((raw.shape[1] - 1) * pixel[0], (raw.shape[0] - 1) * pixel[1])
    if found is None:
        raise ValueError(NO_PEAK)
    check_size(found, span, pixel)
    saturated, level, at_scale = _saturated(raw, found.centre, found.variance, pixel, full_scale)
    noise_share = max(found.noise, 1e-12)
    image64, mended = (
        mend_pixels(raw, noise_share * found.peak * found.block, found.plane[0]) if _wide(found, pixel) else (raw.astype(np.float64), 0)
    )
    if mended:
        again = fit_bell(image64, pixel, (*found.centre, *found.variance))
        found = again if again is not None else found
    findings: list[Finding] = []
    judge_saturation(saturated, level, at_scale, found, findings)
    fit_axes = axes_of(found.variance, found.covariance, pixel=pixel)
    room = room_of(found.centre, found.variance, span)
    measured: Moments | None = None
    moment_axes: Axes | None = None
    noisy = _expected_spread(found, pixel) > _NOISIEST
    if room >= _ROOM_FOR_MOMENTS and not noisy:
        measured = moments(image64, pixel, (*found.centre, *found.variance))
    if measured is not None:
        try:
            moment_axes = axes_of(measured.variance, measured.covariance, pixel=pixel)
        except ValueError:
            measured = None
    by_moments = moment_axes is not None
    judge_room(room, by_moments, measured is not None and measured.aperture_cut, _ROOM_FOR_MOMENTS, findings)
    if mended:
        many = "s" if mended > 1 else ""
        findings.append(Finding("mended", f"{mended} lone hot or dead pixel{many} replaced by the neighbours' mean."))
    judge_dark(raw, found, findings)
    axes = moment_axes if by_moments and moment_axes is not None else fit_axes
    use = measured if by_moments and measured is not None else found
    share = _power_inside(image64, measured, pixel) if by_moments and measured is not None else None
    excess = math.sqrt(max(found.residual**2 - found.noise**2, 0.0))
    judge_shape(excess, share, axes, fit_axes, by_moments, findings)
    z, x, y = _picture(image64, use, pixel)
    return Spot(
        axes=axes,
        by_moments=by_moments,
        centre=use.centre,
        u_centre=use.u_centre,
        fit_axes=fit_axes,
        moment_axes=moment_axes,
        moments=measured,
        bell=found,
        power_in_ellipse=share,
        gaussian_residual=excess,
        signal_to_noise=1.0 / (noise_share * found.block),
        saturated_share=saturated,
        mended=mended,
        room=room,
        pixel=pixel,
        findings=tuple(findings),
        profile=z,
        profile_x=x,
        profile_y=y,
    )


def _expected_spread(found: Bell, pixel: Any) -> float:
    """Relative uncertainty that pixel noise would give a second-moment radius, from the fitted Gaussian.

    The noise in an aperture of three widths adds 29.3 (noise/peak)/(W in pixels). It is taken from the fit, not from
    the moments: moments that happen to shrink would call themselves good.
    """
    xx, xy, yy = found.variance
    in_pixels = 2.0 * ((xx * yy - xy * xy) ** 0.25) / math.sqrt(pixel[0] * pixel[1])
    return 29.3 * found.noise * found.block / in_pixels


def _wide(found: Bell, pixel: Any) -> bool:
    along, across, _ = principal(*found.variance)
    return 2.0 * math.sqrt(max(min(along, across), 0.0)) > 4.0 * max(pixel)


def _power_inside(image: Any, m: Moments, pixel: Any) -> float:
    """Share of the aperture's power inside the 1/e^2 ellipse, edge pixels counted by their covered part."""
    xx, xy, yy = m.variance
    rx, ry = 2.2 * math.sqrt(xx), 2.2 * math.sqrt(yy)
    i0, i1 = max(0, int((m.centre[0] - rx) / pixel[0])), min(image.shape[1], int((m.centre[0] + rx) / pixel[0]) + 2)
    j0, j1 = max(0, int((m.centre[1] - ry) / pixel[1])), min(image.shape[0], int((m.centre[1] + ry) / pixel[1]) + 2)
    dx, dy = np.arange(i0, i1) * pixel[0] - m.centre[0], np.arange(j0, j1) * pixel[1] - m.centre[1]
    det = xx * yy - xy * xy
    form = (yy * (dx * dx)[None, :] - 2.0 * xy * dx[None, :] * dy[:, None] + xx * (dy * dy)[:, None]) / det
    distance = np.sqrt(form) - 2.0
    gx = np.abs(yy * dx[None, :] - xy * dy[:, None]) / det * pixel[0]
    gy = np.abs(xx * dy[:, None] - xy * dx[None, :]) / det * pixel[1]
    edge = (gx + gy) / np.maximum(np.sqrt(form), 1e-9)  # how far the form runs across one pixel
    weight = np.clip(0.5 - distance / np.maximum(edge, 1e-12), 0.0, 1.0)
    z = image[j0:j1, i0:i1] - ((m.plane[0] + m.plane[1] * dx)[None, :] + (m.plane[2] * dy)[:, None])
    return float((weight * z).sum() / m.total)


def _picture(image: Any, use: Moments | Bell, pixel: Any) -> tuple[Any, Any, Any]:
    """Background-free cut-out of 3 radii around the spot, for figures and line integrals."""
    xx, _, yy = use.variance
    rx, ry = 6.0 * math.sqrt(xx), 6.0 * math.sqrt(yy)
    i0, i1 = max(0, int((use.centre[0] - rx) / pixel[0])), min(image.shape[1], int((use.centre[0] + rx) / pixel[0]) + 2)
    j0, j1 = max(0, int((use.centre[1] - ry) / pixel[1])), min(image.shape[0], int((use.centre[1] + ry) / pixel[1]) + 2)
    x, y = np.arange(i0, i1) * pixel[0] - use.centre[0], np.arange(j0, j1) * pixel[1] - use.centre[1]
    return image[j0:j1, i0:i1] - ((use.plane[0] + use.plane[1] * x)[None, :] + (use.plane[2] * y)[:, None]), x, y


def model_picture(spot: Spot) -> Any:
    """The fitted Gaussian on the grid of `spot.profile`, for figures."""
    shift = (spot.bell.centre[0] - spot.centre[0], spot.bell.centre[1] - spot.centre[1])
    return spot.bell.peak * bell(spot.profile_x, spot.profile_y, shift, spot.bell.variance)
