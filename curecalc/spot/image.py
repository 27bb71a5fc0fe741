"""A camera image to a spot: second moments where the sensor holds the whole beam, a Gaussian fit where it does not.

Plain float64, mm; frame as in `moments`. Whatever makes the width doubtful is found here and handed on as a list of
`Finding`s; what makes it worthless raises ValueError with a sentence that says what to measure instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.uncertainty import combined
from .doubts import (
    NO_PEAK,
    NOTHING,
    ROOM_FOR_MOMENTS,
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
from .frame import Cells, cells, least_radius, mean_radius, mend, noise_of, window
from .gauss2d import Bell, first_estimate, fit_bell, form
from .moments import ANYWHERE, Moments, moments, principal

__all__ = ["Finding", "Spot", "axes_of", "image_spot"]

_FULL_SCALES = (255, 1023, 4095, 16383, 65535)
_NOISIEST = 0.04
_COARSE = 96
_ROUNDS = 6


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
    if not least_radius(xx, xy, yy) > 0:
        raise ValueError("the pixels alone explain the whole measured width")
    apart = np.array([[1.0, 0.0, -1.0], [0.0, 2.0, 0.0]])
    by, spread = apart @ (xx, xy, yy), apart @ covariance @ apart.T + 1e-14 * (xx + yy) ** 2 * np.eye(2)
    is_round = float(by @ np.linalg.solve(spread, by)) < 9.21
    along, across, angle = (xx, yy, 0.0) if is_round else principal(xx, xy, yy)
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c * c, 2 * c * s, s * s], [s * s, -2 * c * s, c * c], [-c * s, c * c - s * s, c * s]])
    # pixels may collect over less than their whole pitch, down to a point: the correction is good to its own size
    with_pixels = covariance + np.diag([px * px, 0.0, py * py])
    # d(2 sqrt v) = dv / sqrt v
    u_x, u_y = (combined(g, with_pixels) / math.sqrt(v) for g, v in zip(turn, (along, across), strict=False))
    u_angle = ANYWHERE if is_round else min(combined(turn[2], covariance) / abs(along - across), ANYWHERE)
    return Axes(2.0 * math.sqrt(along), 2.0 * math.sqrt(across), u_x, u_y, angle, u_angle, is_round)


def _saturated(image: Any, top: float, centre: Any, variance: Any, pixel: Any, full_scale: float | None) -> tuple[float, float, bool]:
    """Share of the 1/e^2 ellipse that sits at the top reading, that reading, and whether it is a camera's full scale."""
    if full_scale is None:
        level, at_scale = top, top in _FULL_SCALES and bool(np.all(image[::7, ::7] == np.floor(image[::7, ::7])))
    else:
        level, at_scale = min(top, full_scale), top >= full_scale
    j, i = np.nonzero(image >= level)
    inside = form(i * pixel[0] - centre[0], j * pixel[1] - centre[1], variance) <= 4.0
    area = math.pi * mean_radius(*variance) ** 2 / math.prod(pixel)
    return float(inside.sum()) / area if inside.sum() >= 5 else 0.0, level, at_scale


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
    mended = 0
    beam, found = _bell(raw, pixel, start)
    span = ((raw.shape[1] - 1) * pixel[0], (raw.shape[0] - 1) * pixel[1])
    check_size(found, span, pixel)
    whole = raw
    if least_radius(*found.variance) > 6.5 * max(pixel):
        whole, mended = mend(raw, noise_of(raw), found.ground.level(found.centre))
        if mended:
            beam, found = _bell(whole, pixel, (*found.centre, *found.variance))
    frame = cells(whole, pixel, math.ceil(max(raw.shape) / _COARSE))
    saturated, level, at_scale = _saturated(raw, top, found.centre, found.variance, pixel, full_scale)
    findings: list[Finding] = []
    judge_saturation(saturated, level, at_scale, found, findings)
    fit_axes = axes_of(found.variance, found.covariance, pixel=pixel, block=beam.block)
    measured: Moments | None = None
    moment_axes: Axes | None = None
    noisy = _expected_spread(found, pixel, beam.block) > _NOISIEST
    if room_of(found.centre, found.variance, span) >= ROOM_FOR_MOMENTS and not noisy:
        measured = moments(beam, frame, (*found.centre, *found.variance))
    if measured is not None:
        try:
            moment_axes = axes_of(measured.variance, measured.covariance, pixel=pixel, block=beam.block)
        except ValueError:
            measured = None
    by_moments, use = measured is not None, measured or found
    # by the narrower of the two: a halo does not bring the edge nearer, nor do wings that only a Gaussian has
    room = max(room_of(by.centre, by.variance, span) for by in (found, use))
    judge_room(room, by_moments, noisy, findings)
    judge_mended(mended, raw.size, findings)
    judge_dark(raw, bottom, beam, found, pixel, findings)
    axes = moment_axes or fit_axes
    share = None if measured is None else _power_inside(beam, measured)
    excess = math.sqrt(max(found.residual**2 - found.noise**2, 0.0))
    judge_shape(excess, share, axes, fit_axes, by_moments, findings)
    judge_rest(frame, found, use.ground, findings)
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
    for _ in range(_ROUNDS):
        beam = window(image, pixel, start)
        found = None if beam is None else fit_bell(beam, start)
        if beam is None or found is None:
            break
        after = (*found.centre, *found.variance)
        if max(abs(math.log(after[k] / start[k])) for k in (2, 4)) < 0.1:
            return beam, found
        start = after
    raise ValueError(NO_PEAK)


def _expected_spread(found: Bell, pixel: Any, block: int) -> float:
    """Relative uncertainty that pixel noise would give a second-moment radius, from the fitted Gaussian.

    The noise in an aperture of three widths adds 29.3 (noise/peak)/(W in pixels). It is taken from the fit, not from
    the moments: moments that happen to shrink would call themselves good.
    """
    return 29.3 * found.noise * found.block * block * math.sqrt(math.prod(pixel)) / mean_radius(*found.variance)


def _power_inside(beam: Cells, m: Moments) -> float:
    """Share of the aperture's power inside the 1/e^2 ellipse, edge cells counted by their covered part."""
    xx, xy, yy = m.variance
    rows, columns = beam.around(m.centre, m.variance, 1.1)
    x, y = beam.x[columns], beam.y[rows]
    dx, dy = (x - m.centre[0])[None, :], (y - m.centre[1])[:, None]
    away = np.sqrt(form(dx, dy, m.variance))
    slope_x, slope_y = (np.abs(slope) / (xx * yy - xy * xy) for slope in (yy * dx - xy * dy, xx * dy - xy * dx))
    # how far `away` runs across one cell
    edge = (slope_x * beam.pitch[0] + slope_y * beam.pitch[1]) / np.maximum(away, np.finfo(float).tiny)
    weight = np.clip(0.5 - (away - 2.0) / np.maximum(edge, np.finfo(float).eps), 0.0, 1.0)
    return float((weight * (beam.z[rows, columns] - m.ground.over(x, y))).sum() / m.total)


def _picture(beam: Cells, use: Moments | Bell) -> tuple[Any, Any, Any]:
    """Background-free cut-out of 3 radii around the spot, for figures and line integrals."""
    rows, columns = beam.around(use.centre, use.variance, 3.0)
    x, y = beam.x[columns], beam.y[rows]
    return beam.z[rows, columns] - use.ground.over(x, y), x - use.centre[0], y - use.centre[1]
