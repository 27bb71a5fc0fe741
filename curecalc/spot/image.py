"""A camera image to a spot: second moments where the sensor holds the whole beam, a Gaussian fit where it does not.

Plain float64, mm; frame as in `moments`. Whatever makes the width doubtful is found here and handed on as a list of
`Finding`s; what makes it worthless raises ValueError with a sentence that says what to measure instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from .doubts import (
    NO_PEAK,
    NOTHING,
    Finding,
    check_size,
    judge_dark,
    judge_mended,
    judge_rest,
    judge_room,
    judge_saturation,
    judge_shape,
    room_of,
)
from .frame import Cells, cells, mend, noise_of, window
from .gauss2d import Bell, first_estimate, fit_bell
from .moments import Moments, moments, principal

__all__ = ["Finding", "Spot", "axes_of", "image_spot"]

_FULL_SCALES = (255, 1023, 4095, 16383, 65535)
_ROOM_FOR_MOMENTS = 2.0
_NOISIEST = 0.04
_COARSE = 96


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


def axes_of(variance: Any, covariance: Any, *, pixel: tuple[float, float] = (0.0, 0.0), block: int = 1) -> Axes:
    """Radii along the principal axes from second moments, width of the pixels (p^2/12), `block` a side, taken out.

    Where the moments do not differ from a round beam's by more than noise (chi-squared, two degrees of freedom, 99 %)
    the axes stay x and y: principal axes of a round beam would point anywhere and always show an ellipse.
    """
    xx, xy, yy = variance
    px, py = pixel[0] ** 2 / 12.0, pixel[1] ** 2 / 12.0
    xx, yy = xx - px * block**2, yy - py * block**2
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


def _saturated(image: Any, top: float, centre: Any, variance: Any, pixel: Any, full_scale: float | None) -> tuple[float, float, bool]:
    """Share of the 1/e^2 ellipse that sits at the top reading, that reading, and whether it is a camera's full scale."""
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
    top, bottom = float(raw.max()), float(raw.min())
    if bottom == top:
        raise ValueError("every pixel holds the same reading, so there is no beam. Check the shutter, exposure time and file.")
    start = first_estimate(raw, pixel)
    if start is None:
        raise ValueError(NOTHING)
    whole, mended = raw, 0
    beam, found = _bell(raw, pixel, start)
    span = ((raw.shape[1] - 1) * pixel[0], (raw.shape[0] - 1) * pixel[1])
    check_size(found, span, pixel)
    if 2.0 * math.sqrt(max(min(principal(*found.variance)[:2]), 0.0)) > 6.5 * max(pixel):
        whole, mended = mend(raw, noise_of(raw), found.plane[0])
        if mended:
            beam, found = _bell(whole, pixel, (*found.centre, *found.variance))
    frame = cells(whole, pixel, max(1, math.ceil(max(raw.shape) / _COARSE)))
    saturated, level, at_scale = _saturated(raw, top, found.centre, found.variance, pixel, full_scale)
    findings: list[Finding] = []
    judge_saturation(saturated, level, at_scale, found, findings)
    fit_axes = axes_of(found.variance, found.covariance, pixel=pixel, block=beam.block)
    room = room_of(found.centre, found.variance, span)
    measured: Moments | None = None
    moment_axes: Axes | None = None
    noisy = _expected_spread(found, pixel, beam.block) > _NOISIEST
    if room >= _ROOM_FOR_MOMENTS and not noisy:
        measured = moments(beam, frame, (*found.centre, *found.variance))
    if measured is not None:
        try:
            moment_axes = axes_of(measured.variance, measured.covariance, pixel=pixel, block=beam.block)
        except ValueError:
            measured = None
    by_moments = moment_axes is not None
    judge_room(room, by_moments, noisy, measured is not None and measured.aperture_cut, _ROOM_FOR_MOMENTS, findings)
    judge_mended(mended, raw.size, findings)
    judge_dark(raw, bottom, beam, found, pixel, findings)
    axes = moment_axes if by_moments and moment_axes is not None else fit_axes
    use = measured if by_moments and measured is not None else found
    share = _power_inside(beam, measured) if by_moments and measured is not None else None
    excess = math.sqrt(max(found.residual**2 - found.noise**2, 0.0))
    judge_shape(excess, share, axes, fit_axes, by_moments, findings)
    judge_rest(frame, beam, found, measured, findings)
    z, x, y = _picture(beam, use)
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
        signal_to_noise=1.0 / (max(found.noise, 1e-12) * found.block * beam.block),
        saturated_share=saturated,
        mended=mended,
        room=room,
        pixel=pixel,
        findings=tuple(findings),
        profile=z,
        profile_x=x,
        profile_y=y,
    )


def _bell(image: Any, pixel: tuple[float, float], start: Any) -> tuple[Cells, Bell]:
    """The window around the beam and the Gaussian fitted in it; the window follows where the fit finds another size."""
    beam, found = window(image, pixel, start), None
    for _ in range(3):
        beam = window(image, pixel, start)
        found = fit_bell(beam, start) if min(beam.z.shape) >= 2 else None
        if found is None:
            raise ValueError(NO_PEAK)
        grown = max(abs(math.log(max(found.variance[k], 1e-300) / start[2 + k])) for k in (0, 2))
        start = (*found.centre, *found.variance)
        if grown < 0.3:
            break
    assert found is not None
    return beam, found


def _expected_spread(found: Bell, pixel: Any, block: int) -> float:
    """Relative uncertainty that pixel noise would give a second-moment radius, from the fitted Gaussian.

    The noise in an aperture of three widths adds 29.3 (noise/peak)/(W in pixels). It is taken from the fit, not from
    the moments: moments that happen to shrink would call themselves good.
    """
    xx, xy, yy = found.variance
    in_pixels = 2.0 * ((xx * yy - xy * xy) ** 0.25) / math.sqrt(pixel[0] * pixel[1])
    return 29.3 * found.noise * found.block * block / in_pixels


def _cut(beam: Cells, centre: Any, variance: Any, reach: float) -> tuple[slice, slice]:
    rx, ry = reach * 2.0 * math.sqrt(variance[0]), reach * 2.0 * math.sqrt(variance[2])
    i = np.searchsorted(beam.x, [centre[0] - rx, centre[0] + rx])
    j = np.searchsorted(beam.y, [centre[1] - ry, centre[1] + ry])
    return slice(max(int(j[0]) - 1, 0), int(j[1]) + 1), slice(max(int(i[0]) - 1, 0), int(i[1]) + 1)


def _power_inside(beam: Cells, m: Moments) -> float:
    """Share of the aperture's power inside the 1/e^2 ellipse, edge cells counted by their covered part."""
    xx, xy, yy = m.variance
    rows, columns = _cut(beam, m.centre, m.variance, 1.1)
    x, y = beam.x[columns], beam.y[rows]
    dx, dy = x - m.centre[0], y - m.centre[1]
    step = float(beam.x[1] - beam.x[0]), float(beam.y[1] - beam.y[0])
    det = xx * yy - xy * xy
    form = (yy * (dx * dx)[None, :] - 2.0 * xy * dx[None, :] * dy[:, None] + xx * (dy * dy)[:, None]) / det
    distance = np.sqrt(form) - 2.0
    gx = np.abs(yy * dx[None, :] - xy * dy[:, None]) / det * step[0]
    gy = np.abs(xx * dy[:, None] - xy * dx[None, :]) / det * step[1]
    edge = (gx + gy) / np.maximum(np.sqrt(form), 1e-9)  # how far the form runs across one cell
    weight = np.clip(0.5 - distance / np.maximum(edge, 1e-12), 0.0, 1.0)
    return float((weight * (beam.z[rows, columns] - m.ground.over(x, y))).sum() / m.total)


def _picture(beam: Cells, use: Moments | Bell) -> tuple[Any, Any, Any]:
    """Background-free cut-out of 3 radii around the spot, for figures and line integrals."""
    rows, columns = _cut(beam, use.centre, use.variance, 3.0)
    x, y = beam.x[columns], beam.y[rows]
    dx, dy = x - use.centre[0], y - use.centre[1]
    if isinstance(use, Moments):
        surface = use.ground.over(x, y)
    else:
        surface = (use.plane[0] + use.plane[1] * dx)[None, :] + (use.plane[2] * dy)[:, None]
    return beam.z[rows, columns] - surface, dx, dy
