"""A camera image with units: principal radii, shape, and the exposure of a line computed from the image itself."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..units import DEG, MM, RAD, Measured, Quantity, QuantityError, finite, measured, positive, ratio, show_kernel
from .image import Spot, image_spot
from .measurement import BeamMeasurement, Estimate, checked, estimate
from .moments import block_mean
from .track import Track, track_exposure

__all__ = ["directions", "image_beam", "line_exposure"]

_DIRECTIONS = 36
_MOST_PIXELS = 320


def image_beam(
    *,
    image: Any,
    pixel_size: Measured | Quantity,
    pixel_size_y: Measured | Quantity | None = None,
    full_scale: float | None = None,
    penetration_depth: Measured | Quantity | None = None,
    camera_angle: Quantity | None = None,
    mirrored: bool = False,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Beam radii from a camera image by second moments (ISO 11146), or by a Gaussian fit where they cannot be had.

    Parameters
    ----------
    image : array (rows, columns)
        Camera counts, linear in irradiance.
    pixel_size : Quantity or Measured [mm]
        Pitch along the columns at the plane of the spot (divide by the magnification of an imaging lens).
    pixel_size_y : Quantity or Measured [mm], optional
        Pitch along the rows; the same when left out.
    full_scale : float, optional
        Reading at which the camera saturates.
    penetration_depth : Quantity or Measured [mm], optional
        Of a resin: depth differences are then in mm, else in units of Dp.
    camera_angle : Quantity [deg], optional
        Of the picture's x axis (along the rows, to the right) to the machine's x axis; added to the spot's angle.
    mirrored : bool
        The picture's y axis (down the rows) runs against the machine's.
    confidence : float

    Returns
    -------
    BeamMeasurement
        Centre from the middle of the first pixel, x to the right, y down the rows; angle from x towards y.

    Raises
    ------
    QuantityError
        No beam, a beam larger than the sensor, too few pixels, or a peak cut off by saturation.

    Source: ISO 11146-1 (second moments, aperture of three beam widths), ISO 11146-3 (background). The width p^2/3 that
    pixels of pitch p add to W0^2 is taken out.

    >>> y, x = np.mgrid[:120, :120] - 60.0
    >>> spot = 200.0 * np.exp(-2.0 * (x**2 + y**2) / 15.0**2) + 0.3 * np.cos(7.0 * x + 3.0 * y)
    >>> f"{image_beam(image=spot, pixel_size=Quantity(5.0, 'um')).radius_x.value.m_as('um'):.0f}"
    '75'
    """
    size_x = pixel_size if isinstance(pixel_size, Measured) else measured(pixel_size)
    size_y = size_x if pixel_size_y is None else (pixel_size_y if isinstance(pixel_size_y, Measured) else measured(pixel_size_y))
    px, py = positive("pixel_size", size_x.value, MM), positive("pixel_size_y", size_y.value, MM)
    ratio("confidence", confidence, low=0.5, high=1.0, low_open=False)
    turn = 0.0 if camera_angle is None else float(finite("camera_angle", camera_angle, RAD))
    array = np.asarray(image)
    if array.ndim != 2 or array.dtype.kind not in "uif" or not np.isfinite(array).all():
        raise QuantityError(f"image must be rows and columns of finite numbers, got {array.dtype} of shape {array.shape}.")
    spot = checked(image_spot, array, (px, py), full_scale=full_scale)
    sign = -1.0 if mirrored else 1.0
    angle = turn + sign * spot.axes.angle
    scale = max(float(size_x.standard_uncertainty.m_as(MM)) / px, float(size_y.standard_uncertainty.m_as(MM)) / py)
    name = "noise and background (Type A)" if spot.by_moments else "Gaussian fit (Type A)"
    radii = [
        estimate(r, [(name, u, math.inf), ("common: pixel size (Type B)", scale * r, math.inf)], confidence=confidence)
        for r, u in ((spot.axes.radius_x, spot.axes.u_x), (spot.axes.radius_y, spot.axes.u_y))
    ]
    tracks = directions(spot) if spot.room >= 2.0 else []
    details = _details(spot, tracks, turn, sign, penetration_depth)
    warnings = [f.text for f in spot.findings if f.check]
    notes = [f.text for f in spot.findings if not f.check]
    if camera_angle is None and not spot.axes.round:
        notes.append(
            "directions are those of the picture. Give --camera-angle, the picture's x axis to the machine's, before an elliptical spot "
            "is used for tracks."
        )
    return BeamMeasurement(
        kind="image",
        radius_x=radii[0],
        radius_y=radii[1],
        angle=Quantity(math.degrees(angle), DEG),
        centre=(Quantity(spot.centre[0], MM), Quantity(spot.centre[1], MM)),
        details=details,
        warnings=tuple(warnings),
        notes=tuple(notes),
        steps=tuple(_steps(spot, radii)),
        fits=(("image", spot, tracks, None),),
    )


def directions(spot: Spot, count: int = _DIRECTIONS) -> list[Track]:
    """Line exposure over half a turn of track directions in the picture's frame."""
    block = max(1, math.ceil(max(spot.profile.shape) / _MOST_PIXELS))
    z = block_mean(spot.profile, block)
    x = block_mean(spot.profile_x[None, :].repeat(block, axis=0), block)[0] if block > 1 else spot.profile_x
    y = block_mean(spot.profile_y[:, None].repeat(block, axis=1), block)[:, 0] if block > 1 else spot.profile_y
    use = spot.moments if spot.by_moments and spot.moments is not None else spot.bell
    return [track_exposure(z, x, y, use.variance, math.pi * k / count) for k in range(count)]


def line_exposure(*, measurement: BeamMeasurement, track_angle: Quantity) -> Track:
    """Exposure across a track at an angle to the picture's x axis, from the measured image and from the Gaussian.

    Parameters
    ----------
    measurement : BeamMeasurement
        From `image_beam`, with the whole beam on the sensor.
    track_angle : Quantity [deg]

    Returns
    -------
    Track
        Per P/v: multiply by power over scan speed.

    Raises
    ------
    QuantityError
        Not an image, or the sensor cut the beam off.
    """
    angle = float(finite("track_angle", track_angle, RAD))
    if measurement.kind != "image" or measurement.fits[0][1].room < 2.0:
        raise QuantityError("a line integral needs an image that holds the whole beam: 2 radii of room on every side.")
    spot: Spot = measurement.fits[0][1]
    use = spot.moments if spot.by_moments and spot.moments is not None else spot.bell
    return track_exposure(spot.profile, spot.profile_x, spot.profile_y, use.variance, angle)


def _details(spot: Spot, tracks: list[Track], turn: float, sign: float, depth: Measured | Quantity | None) -> dict[str, Any]:
    f = spot.fit_axes
    found: dict[str, Any] = {
        "method": "second moments (ISO 11146)" if spot.by_moments else "Gaussian fit",
        "angle_standard_uncertainty": Quantity(math.degrees(spot.axes.u_angle), DEG),
        "round_within_noise": spot.axes.round,
        "gaussian_fit_radius": {"x": Quantity(f.radius_x, MM), "y": Quantity(f.radius_y, MM)},
        "gaussian_residual": spot.gaussian_residual,
        "power_in_ellipse": spot.power_in_ellipse,
        "power_in_ellipse_gaussian": 1.0 - math.exp(-2.0),
        "signal_to_noise": spot.signal_to_noise,
        "saturated_share": spot.saturated_share,
        "room_radii": spot.room,
        "mended_pixels": spot.mended,
    }
    if tracks:
        dp = None if depth is None else positive("penetration_depth", depth.value if isinstance(depth, Measured) else depth, MM)
        found["line_exposure"] = _line_record(tracks, turn, sign, dp)
    return found


def _line_record(tracks: list[Track], turn: float, sign: float, dp: float | None) -> dict[str, Any]:
    """What directions and the measured profile do to the exposure of a line: ratios, and depths as Dp ln(ratio)."""
    ratios = np.array([t.ratio for t in tracks])
    peaks = np.array([t.image_peak for t in tracks])
    radii = np.array([t.radius for t in tracks])

    def depth(share: float) -> Any:
        d = math.log(share)
        return {"in_penetration_depths": d, **({} if dp is None else {"depth": Quantity(dp * d, MM)})}

    return {
        "image_over_gaussian": [float(ratios.min()), float(ratios.max())],
        "depth_difference_low": depth(float(ratios.min())),
        "depth_difference_high": depth(float(ratios.max())),
        "perpendicular_radius": [Quantity(float(radii.min()), MM), Quantity(float(radii.max()), MM)],
        "strongest_over_weakest_direction": float(peaks.max() / peaks.min()),
        "depth_range_over_directions": depth(float(peaks.max() / peaks.min())),
        "directions": [
            {
                "track_angle": Quantity(math.degrees(turn + sign * t.angle) % 180.0, DEG),
                "perpendicular_radius": Quantity(t.radius, MM),
                "image_over_gaussian": t.ratio,
            }
            for t in tracks[:: max(1, len(tracks) // 12)]
        ],
    }


def _steps(spot: Spot, radii: list[Estimate]) -> list[Step]:
    mm = lambda v, u=None: show_kernel(v, "length", u)  # noqa: E731
    steps = []
    m = spot.moments
    if spot.by_moments and m is not None:
        steps.append(
            Step(
                "plane = level + slopes, from the pixels beyond three radii",
                f"level {m.plane[0]:.4g} counts, noise {m.noise:.3g} counts",
                f"signal to noise {spot.signal_to_noise:.3g}",
                "The background is taken off before anything is summed.",
            )
        )
        steps.append(
            Step(
                "s^2 = sum (q - centre)^2 I / sum I, inside three beam widths",
                f"{m.steps} rounds",
                f"centre {mm(m.centre[0])}, {mm(m.centre[1])}",
                "The width ISO 11146 defines; the aperture keeps noise out.",
            )
        )
    else:
        steps.append(
            Step(
                "I = peak exp(-2 d^T W^-2 d) + plane",
                f"peak {spot.bell.peak:.4g}, background {spot.bell.plane[0]:.4g} counts",
                f"residual {spot.gaussian_residual:.2%} of the peak",
                "Second moments cannot be had, so a Gaussian is fitted.",
            )
        )
    steps.append(
        Step(
            "W = 2 s, less p^2/3 for the pixels, along the principal axes",
            "a round beam within the noise: axes stay x and y" if spot.axes.round else f"axis at {math.degrees(spot.axes.angle):.1f} deg",
            " and ".join(mm(float(r.value.m_as(MM)), float(r.standard_uncertainty.m_as(MM))) for r in radii),
            "Twice the standard deviation is the 1/e^2 radius of a Gaussian, half of D4sigma.",
        )
    )
    return steps
