"""A camera image with units: principal radii, shape, and the exposure of a line computed from the image itself."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..setting.explain import Step
from ..symbols import percent
from ..units import DEG, MM, RAD, Measured, Quantity, QuantityError, finite, measured, positive, ratio, show_kernel
from .doubts import GAUSSIAN_SHARE, ROOM_FOR_MOMENTS
from .frame import block_mean, middles
from .image import Spot, image_spot
from .measurement import BeamMeasurement, Estimate, checked, estimate
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
    camera_angle: Measured | Quantity | None = None,
    mirrored: bool = False,
    moved_image: Any = None,
    moved: tuple[Quantity, Quantity] | None = None,
    confidence: float = 0.95,
) -> BeamMeasurement:
    r"""Beam radii from a camera image by second moments (ISO 11146), or by a Gaussian fit where they cannot be had.

    Parameters
    ----------
    image : array (rows, columns) or (frames, rows, columns)
        Camera counts, linear in irradiance. Frames are averaged; how their own radii scatter is part of the budget.
    pixel_size : Quantity or Measured [mm]
        Pitch along the columns at the plane of the spot (divide by the magnification of an imaging lens).
    pixel_size_y : Quantity or Measured [mm], optional
        Pitch along the rows; the same when left out.
    full_scale : float, optional
        Reading at which the camera saturates.
    penetration_depth : Quantity or Measured [mm], optional
        Of a resin: depth differences are then in mm, else in units of Dp.
    camera_angle : Quantity or Measured [deg], optional
        Of the picture's x axis (along the rows, to the right) to the machine's x axis; added to the spot's angle.
    mirrored : bool
        The picture's y axis (down the rows) runs against the machine's.
    moved_image : array (rows, columns), optional
        A second picture, taken after the scanner moved the spot by `moved`: it gives the camera angle.
    moved : (Quantity, Quantity) [mm], optional
        That move along the machine's x and y.
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
    stated = Quantity(0.0, RAD) if camera_angle is None else camera_angle
    stated = stated if isinstance(stated, Measured) else measured(stated)
    turn, u_turn = float(finite("camera_angle", stated.value, RAD)), float(stated.standard_uncertainty.m_as(RAD))
    if (moved_image is None) != (moved is None) or None not in (moved, camera_angle):
        raise QuantityError("moved_image and moved go together, in place of camera_angle. Give both, or the angle.")
    array = np.asarray(image)
    frames = array if array.ndim == 3 else array[None]
    if array.ndim not in (2, 3) or not frames.size or array.dtype.kind not in "uif" or not np.isfinite(array).all():
        raise QuantityError(f"image must be rows and columns of finite numbers, got {array.dtype} of shape {array.shape}.")
    spot = checked(image_spot, frames.mean(axis=0), (px, py), full_scale=full_scale)
    spread, more = _frames(frames, spot, (px, py), full_scale)
    sign = -1.0 if mirrored else 1.0
    if moved is not None:
        turn, u_turn, told = _camera_turn(spot, checked(image_spot, np.asarray(moved_image), (px, py), full_scale=full_scale), moved, sign)
        more = more + told
    angle = turn + sign * spot.axes.angle
    scale = max(float(size_x.standard_uncertainty.m_as(MM)) / px, float(size_y.standard_uncertainty.m_as(MM)) / py)
    name = "noise and background (Type A)" if spot.by_moments else "Gaussian fit (Type A)"
    radii = [
        estimate(
            r,
            [
                (name, u, math.inf),
                ("frame to frame (Type A)", max(wander**2 - u * u, 0.0) ** 0.5, len(frames) - 1),
                ("common: pixel size (Type B)", scale * r, math.inf),
            ],
            confidence=confidence,
        )
        for r, u, wander in ((spot.axes.radius_x, spot.axes.u_x, spread[0]), (spot.axes.radius_y, spot.axes.u_y, spread[1]))
    ]
    tracks = directions(spot) if _whole(spot) else []
    details = _details(spot, tracks, turn, sign, penetration_depth)
    warnings = more + [f.text for f in spot.findings if f.check]
    notes = [f.text for f in spot.findings if not f.check]
    if camera_angle is None and moved is None and not spot.axes.round:
        notes.append(
            "directions are those of the picture. Give camera_angle=, the picture's x axis to the machine's, or moved_image=, before an "
            "elliptical spot is used for tracks."
        )
    return BeamMeasurement(
        kind="image",
        radius_x=radii[0],
        radius_y=radii[1],
        angle=Quantity(math.degrees(angle), DEG),
        u_angle=Quantity(math.degrees(math.hypot(spot.axes.u_angle, u_turn)), DEG),
        centre=(Quantity(spot.centre[0], MM), Quantity(spot.centre[1], MM)),
        details=details,
        warnings=tuple(warnings),
        notes=tuple(notes),
        steps=tuple(_steps(spot, radii)),
        fits=(("image", spot, tracks, None),),
    )


def _camera_turn(spot: Spot, other: Spot, moved: tuple[Quantity, Quantity], sign: float) -> tuple[float, float, list[str]]:
    """Angle of the picture's x axis to the machine's from a known move of the spot, its uncertainty, and a wrong pixel size."""
    dx, dy = (float(finite(f"moved {axis}", value, MM)) for axis, value in zip("xy", moved, strict=True))
    x, y = other.centre[0] - spot.centre[0], other.centre[1] - spot.centre[1]
    true, seen = math.hypot(dx, dy), math.hypot(x, y)
    u = math.sqrt(sum(v * v for s in (spot, other) for v in s.u_centre) / 2.0)
    if not true or seen < 20.0 * u or seen < 2.0 * max(spot.pixel):
        raise QuantityError(
            "the spot hardly moves between the two pictures, so they cannot tell the camera's angle. Move it by several radii."
        )
    turn = math.remainder(math.atan2(dy, dx) - sign * math.atan2(y, x), math.tau)
    out = []
    if abs(seen - true) > max(0.02 * true, 4.0 * u):
        out.append(
            f"the spot was moved by {show_kernel(true, 'length')} and moves by {show_kernel(seen, 'length')} in the pictures: the pixel "
            f"size or the scanner's scale is wrong. A pixel size {true / seen:.4f} times as large would agree."
        )
    return turn, u / seen, out


def _frames(frames: Any, spot: Spot, pixel: tuple[float, float], full_scale: float | None) -> tuple[tuple[float, float], list[str]]:
    """Standard uncertainty of the mean radii from single frames, and what the frames disagree about."""
    if len(frames) == 1:
        return (0.0, 0.0), []
    single = [checked(image_spot, frame, pixel, full_scale=full_scale) for frame in frames]
    sizes = np.array([[s.bell.variance[0], s.bell.variance[2]] for s in single]) ** 0.5
    places = np.array([s.centre for s in single])
    u = sizes.std(axis=0, ddof=1) / sizes.mean(axis=0) / math.sqrt(len(single)) * (spot.axes.radius_x, spot.axes.radius_y)
    out = []
    if (moved := float(np.max(places.std(axis=0, ddof=1)))) > 0.1 * min(spot.axes.radius_x, spot.axes.radius_y):
        out.append(
            f"the beam moves by {show_kernel(moved, 'length', digits=2)} (standard deviation) from frame to frame, which "
            f"widens their mean. "
            "Steady the mount, or measure single frames."
        )
    saturated = sum(any(f.key == "saturated" for f in s.findings) for s in single)
    if saturated and not any(f.key == "saturated" for f in spot.findings):
        out.append(f"{saturated} of {len(single)} frames are saturated. Shorten the exposure time or add attenuation.")
    return (float(u[0]), float(u[1])), out


def _whole(spot: Spot) -> bool:
    return spot.room >= ROOM_FOR_MOMENTS


def directions(spot: Spot) -> list[Track]:
    """Line exposure over half a turn of track directions in the picture's frame."""
    block = math.ceil(max(spot.profile.shape) / _MOST_PIXELS)
    z = block_mean(spot.profile, block)
    x, y = middles(spot.profile_x, block), middles(spot.profile_y, block)
    use = spot.moments or spot.bell
    return [track_exposure(z, x, y, use.variance, math.pi * k / _DIRECTIONS) for k in range(_DIRECTIONS)]


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
    if measurement.kind != "image" or not _whole(measurement.fits[0][1]):
        raise QuantityError(f"a line integral needs an image that holds the whole beam: {ROOM_FOR_MOMENTS:g} radii of room on every side.")
    spot: Spot = measurement.fits[0][1]
    use = spot.moments or spot.bell
    return track_exposure(spot.profile, spot.profile_x, spot.profile_y, use.variance, angle)


def _details(spot: Spot, tracks: list[Track], turn: float, sign: float, depth: Measured | Quantity | None) -> dict[str, Any]:
    f = spot.fit_axes
    found: dict[str, Any] = {
        "method": "second moments (ISO 11146)" if spot.by_moments else "Gaussian fit",
        "round_within_noise": spot.axes.round,
        "gaussian_fit_radius": {"x": Quantity(f.radius_x, MM), "y": Quantity(f.radius_y, MM)},
        "gaussian_residual": spot.gaussian_residual,
        "power_in_ellipse": spot.power_in_ellipse,
        "power_in_ellipse_gaussian": GAUSSIAN_SHARE,
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
            for t in tracks[::3]
        ],
    }


def _steps(spot: Spot, radii: list[Estimate]) -> list[Step]:
    mm = lambda v, u=None: show_kernel(v, "length", u)  # noqa: E731
    steps = []
    m = spot.moments
    if spot.by_moments and m is not None:
        steps.append(
            Step(
                f"background = surface of degree {m.ground.degree}, from the pixels beyond three radii",
                f"level {m.level:.4g} counts, noise {spot.bell.peak / spot.signal_to_noise:.3g} counts",
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
                f"peak {spot.bell.peak:.4g}, background {spot.bell.ground.level(spot.bell.centre):.4g} counts",
                f"residual {percent(spot.gaussian_residual, '.2f')} of the peak",
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
