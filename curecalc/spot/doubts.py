"""What can be wrong with a camera image of a spot, in words a technician can act on.

Each function adds a `Finding` or raises ValueError: the fault, then what to measure instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..physics.spot import enclosed_power
from ..symbols import percent
from .frame import Cells, Ground, block_mean, least_radius, mean_radius, middles, noise_of
from .gauss2d import Bell, bell
from .moments import inside

if TYPE_CHECKING:
    from .image import Axes

__all__ = [
    "BEYOND",
    "GAUSSIAN_SHARE",
    "NO_PEAK",
    "NOTHING",
    "ROOM_FOR_MOMENTS",
    "Finding",
    "check_size",
    "judge_dark",
    "judge_mended",
    "judge_rest",
    "judge_room",
    "judge_saturation",
    "judge_shape",
    "room_of",
]

NOTHING = (
    "nothing stands clearly out of the noise. Raise the exposure time or the power on the sensor, take a frame with the "
    "beam on, and average several frames."
)
NO_PEAK = (
    "no spot can be made out: the light has no peak that falls off inside the picture. If the beam is larger than the "
    "sensor, measure nearer the focus, use a larger sensor or scan a knife edge."
)
BEYOND, ROOM_FOR_MOMENTS = 3.0, 2.0
GAUSSIAN_SHARE = float(enclosed_power(1.0, 1.0))  # of the power inside the 1/e^2 ellipse
_FULL_SCALE_ADVICE = "Shorten the exposure time or add attenuation until the peak reads about 80 % of full scale."


@dataclass(frozen=True)
class Finding:
    """Something the reader must know: a short key, and a sentence with what to do."""

    key: str
    text: str
    check: bool = True  # False: taken into account, no fault of the data


def room_of(centre: Any, variance: Any, span: Any) -> float:
    """Distance from the centre to the nearest sensor edge, in beam radii."""
    rx, ry = 2.0 * math.sqrt(variance[0]), 2.0 * math.sqrt(variance[2])
    return min(centre[0] / rx, (span[0] - centre[0]) / rx, centre[1] / ry, (span[1] - centre[1]) / ry)


def check_size(found: Bell, span: Any, pixel: Any) -> None:
    least = least_radius(*found.variance)
    room = room_of(found.centre, found.variance, span)
    peak_u = found.u_peak / found.peak
    if peak_u > 0.10 or (not found.converged and found.residual > 0.5):
        raise ValueError(NOTHING)
    if room < 1.0 or max(found.u_centre[0] / span[0], found.u_centre[1] / span[1]) > 0.2:
        raise ValueError(
            f"the beam is larger than the sensor holds or stands at its edge: only {max(room, 0.0):.2f} beam radii fit "
            "between its centre and the nearest edge. Centre it, measure nearer the focus, use a larger sensor, or "
            "scan a knife edge."
        )
    if least < 1.5 * max(pixel):
        raise ValueError(
            f"the beam radius is only {least / max(pixel):.1f} pixels, too few to measure (3 pixels at least). Use a camera "
            "with finer pixels, image the spot through a known magnification, or scan a knife edge."
        )


def judge_saturation(share: float, level: float, at_scale: bool, found: Bell, findings: list[Finding]) -> None:
    if at_scale and share > 0.10:
        raise ValueError(
            f"{percent(share, '.0f')} of the pixels inside the spot sit at full scale ({level:g}): the peak is cut off and the width means "
            f"nothing. {_FULL_SCALE_ADVICE}"
        )
    if at_scale and share > 0.0005:
        findings.append(
            Finding(
                "saturated",
                (
                    f"{percent(share, '.1f')} of the pixels inside the spot sit at full scale ({level:g}); the peak is cut off and the "
                    f"radius comes out too large. {_FULL_SCALE_ADVICE}"
                ),
            )
        )
    elif not at_scale and share > 0.02 + 1.5 / max(found.peak, 1.0):  # half a count of the peak is flat by its digits
        findings.append(
            Finding(
                "flat_top",
                (
                    f"{percent(share, '.0f')} of the pixels inside the spot share one top reading ({level:g}): either the camera "
                    "saturates there or the profile is flat. Halve the exposure time and see whether the top follows."
                ),
            )
        )


def judge_mended(count: int, pixels: int, findings: list[Finding]) -> None:
    if count:
        told = f"{count} hot or dead pixel{'s' if count > 1 else ''} replaced by their surroundings."
        findings.append(Finding("mended", told, check=count > 0.005 * pixels))


def judge_dark(raw: Any, low: float, beam: Cells, found: Bell, pixel: Any, findings: list[Finding]) -> None:
    """Zeros beside the beam though its pixels are noisy: the wings are cut off with the dark level."""
    if low != 0:
        return
    step = max(1, max(raw.shape) // 400)
    some = raw[::step, ::step]
    x, y = np.arange(some.shape[1]) * step * pixel[0], np.arange(some.shape[0]) * step * pixel[1]
    beside = some[~inside(x, y, *found.centre, found.variance, 1.5)]
    core = inside(beam.x, beam.y, *found.centre, found.variance, 0.7)
    if not beside.size or not core.any():
        return
    share, noise = float(np.mean(beside == 0)), math.sqrt(float(beam.noise[core].mean())) * beam.block
    if share > 0.02 and noise > 1.0:
        findings.append(
            Finding(
                "dark_cut",
                (
                    f"{percent(share, '.0f')} of the pixels beside the beam read exactly 0: the camera cuts its dark level off and with it "
                    "the wings of the beam. Raise the camera's dark offset until a covered sensor reads a few counts everywhere."
                ),
            )
        )


def judge_shape(excess: float, share: float | None, axes: Axes, fit_axes: Axes, by_moments: bool, findings: list[Finding]) -> None:
    missed = excess > 0.03
    if missed or (share is not None and abs(share - GAUSSIAN_SHARE) > 0.03 + 3.0 * axes.u_x / axes.radius_x):
        told = f"a Gaussian misses the image by {percent(excess, '.1f')} of its peak (root mean square)"
        if share is not None:
            told += f" and {percent(share, '.1f')} of the power is inside the 1/e^2 ellipse (86.5 % for a Gaussian)"
        findings.append(
            Finding("not_gaussian", (f"{told}: use the line exposure computed from the image itself rather than the radius alone."))
        )
    if by_moments:
        # of the round spot of the same area: an uneven background can turn the axes of a round beam, and axes apart do not compare
        gap = abs(math.sqrt(axes.radius_x * axes.radius_y / (fit_axes.radius_x * fit_axes.radius_y)) - 1.0)
        sure = 1.5 * math.hypot(*(u / r for a in (axes, fit_axes) for r, u in ((a.radius_x, a.u_x), (a.radius_y, a.u_y))))
        if gap > max(0.025, sure) and not missed:
            findings.append(
                Finding(
                    "wings",
                    (
                        f"the second-moment radius differs by {percent(gap, '.0f')} from the Gaussian fit: a halo, stray light or an "
                        "uneven background. Shade the camera, record a dark frame, and measure again."
                    ),
                )
            )


def judge_rest(frame: Cells, found: Bell, ground: Ground, findings: list[Finding]) -> None:
    """What is left over the whole frame when the Gaussian and the background are taken off: other spots, halos, uneven ground."""
    dx, dy = frame.x - found.centre[0], frame.y - found.centre[1]
    left = frame.z - ground.over(frame.x, frame.y) - found.peak * bell(frame.x, frame.y, found.centre, found.variance)
    radius, cell = mean_radius(*found.variance), math.prod(frame.pitch)
    group = max(1, round(radius / math.sqrt(8.0 * cell)))
    part = block_mean(left, group)
    away, far = (block_mean(~inside(frame.x, frame.y, *found.centre, found.variance, reach), group) == 1.0 for reach in (1.0, 1.8))
    least = 6.0 * max(noise_of(frame.z) / group, 1e-3 * found.peak)
    strong, weak = away & (part > least), far & (part < -least)
    whole = found.peak * 0.5 * math.pi * radius**2 / (cell * group**2)
    share, lack = float(part[strong].sum() / whole), float(-part[weak].sum() / whole)
    if max(share, lack) < 0.004:
        return
    rows, columns = np.nonzero(strong)
    x, y, weight = middles(dx, group)[columns], middles(dy, group)[rows], part[strong]
    if lack > share:
        told = (
            "the background is uneven in a way that no smooth surface follows. Shade the camera, take a dark frame off, and measure again."
        )
        findings.append(Finding("background", told))
        return
    near = np.hypot(x, y) < 6.0 * radius
    sectors, _ = np.histogram(np.arctan2(y, x)[near], 8, (-math.pi, math.pi), weights=weight[near])
    if (sectors > 0.25 * sectors.mean()).sum() >= 7:
        told = f"a halo around the beam holds about {percent(share, '.1f')} of its power beyond the Gaussian. "
        findings.append(Finding("halo", told + "Look for stray light, dirty optics or a camera window, or count it in by second moments."))
        return
    top = int(np.argmax(weight))
    own = np.hypot(x - x[top], y - y[top]) < 1.5 * radius
    x, y, weight = x[own], y[own], weight[own]
    mx, my, share = float(weight @ x / weight.sum()), float(weight @ y / weight.sum()), float(weight.sum() / whole)
    far, way = math.hypot(mx, my) / radius, math.degrees(math.atan2(my, mx))
    told = (
        f"a second spot stands {far:.1f} beam radii from the first (at {way:.0f} deg in the picture) with about {percent(share, '.1f')} "
        "of its power. The radius is of the brighter one alone: find the reflection or split, and measure again."
    )
    findings.append(Finding("second_spot", told))


def judge_room(room: float, by_moments: bool, noisy: bool, findings: list[Finding]) -> None:
    """What the distance to the sensor's edge and the noise do to the method."""
    if by_moments and room < BEYOND:
        findings.append(
            Finding(
                "tight",
                (
                    f"the sensor ends {room:.1f} beam radii from the centre; ISO 11146 asks for {BEYOND:g}. Light beyond the edge "
                    "is not counted. Centre the beam or use a larger sensor."
                ),
                check=False,
            )
        )
    elif not by_moments and room < ROOM_FOR_MOMENTS:
        findings.append(
            Finding(
                "truncated",
                (
                    f"the sensor ends {room:.2f} beam radii from the centre, so it cuts the beam off; second moments would come "
                    "out too small, and the radius is from a Gaussian fit instead. Centre the beam, use a larger sensor, or scan "
                    f"a knife edge: a camera needs {BEYOND:g} radii of room on every side."
                ),
            )
        )
    elif not by_moments and not noisy:
        findings.append(
            Finding(
                "background",
                (
                    "second moments cannot be had: too few dark pixels are left beside the beam to tell the background, or it "
                    "takes more away "
                    "than there is light. The radius is from a Gaussian fit. Shade the camera, or use a larger sensor."
                ),
            )
        )
    elif not by_moments:
        findings.append(
            Finding(
                "noisy",
                (
                    "noise drowns the wings of the beam, so second moments do not settle; the radius is from a Gaussian fit "
                    "instead. Average several frames, or raise the exposure time to just below saturation."
                ),
                check=False,
            )
        )
