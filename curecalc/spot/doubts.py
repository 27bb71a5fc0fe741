"""What can be wrong with a camera image of a spot, in words a technician can act on.

Each function adds a `Finding` or raises ValueError: the fault, then what to measure instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .gauss2d import Bell
from .moments import principal

if TYPE_CHECKING:
    from .image import Axes

__all__ = [
    "BEYOND",
    "NO_PEAK",
    "NOTHING",
    "Finding",
    "check_size",
    "judge_dark",
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
BEYOND = 3.0
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
    along, across, _ = principal(*found.variance)
    least = 2.0 * math.sqrt(max(min(along, across), 0.0))
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
    expected = 0.5 / max(found.peak, 1.0) if not at_scale else 0.0
    if at_scale and share > 0.10:
        raise ValueError(
            f"{share:.0%} of the pixels inside the spot sit at full scale ({level:g}): the peak is cut off and the width means "
            f"nothing. {_FULL_SCALE_ADVICE}"
        )
    if at_scale and share > 0.0005:
        findings.append(
            Finding(
                "saturated",
                (
                    f"{share:.1%} of the pixels inside the spot sit at full scale ({level:g}); the peak is cut off and the radius "
                    f"comes out too large. {_FULL_SCALE_ADVICE}"
                ),
            )
        )
    elif not at_scale and share > 0.02 + 3.0 * expected:
        findings.append(
            Finding(
                "flat_top",
                (
                    f"{share:.0%} of the pixels inside the spot share one top reading ({level:g}): either the camera saturates there or "
                    "the profile is flat. Halve the exposure time and see whether the top follows."
                ),
            )
        )


def judge_dark(raw: Any, found: Bell, findings: list[Finding]) -> None:
    low = raw.min()
    share = float(np.mean(raw == low))
    noise = found.noise * found.peak * found.block
    if 0.2 < share < 0.98 and low == 0 and noise > 0.3 and float(np.mean((raw > low) & (raw <= low + 3 * noise + 1))) > 0.1:
        findings.append(
            Finding(
                "dark_cut",
                (
                    f"{share:.0%} of the pixels read exactly 0: the camera cuts its dark level off and with it the wings of the beam. "
                    "Raise the camera's dark offset until a covered sensor reads a few counts everywhere."
                ),
            )
        )


def judge_shape(excess: float, share: float | None, axes: Axes, fit_axes: Axes, by_moments: bool, findings: list[Finding]) -> None:
    if excess > 0.05 or (share is not None and abs(share - 0.864665) > 0.03 + 3.0 * axes.u_x / axes.radius_x):
        told = f"a Gaussian misses the image by {excess:.1%} of its peak (root mean square)"
        if share is not None:
            told += f" and {share:.1%} of the power is inside the 1/e^2 ellipse (86.5 % for a Gaussian)"
        findings.append(
            Finding("not_gaussian", (f"{told}: use the line exposure computed from the image itself rather than the radius alone."))
        )
    if by_moments:
        gap = max(abs(axes.radius_x / fit_axes.radius_x - 1.0) if axes.round == fit_axes.round else 0.0, 0.0)
        sure = 4.0 * math.hypot(axes.u_x / axes.radius_x, fit_axes.u_x / fit_axes.radius_x)
        if gap > max(0.05, sure) and excess <= 0.05:
            findings.append(
                Finding(
                    "wings",
                    (
                        f"the second-moment radius differs by {gap:.0%} from the Gaussian fit: a halo, stray light or an uneven "
                        "background. Shade the camera, record a dark frame, and measure again."
                    ),
                )
            )


def judge_room(room: float, by_moments: bool, cut: bool, least: float, findings: list[Finding]) -> None:
    """What the distance to the sensor's edge and the noise do to the method."""
    if room < least:
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
    elif not by_moments:
        findings.append(
            Finding(
                "noisy",
                (
                    "noise drowns the wings of the beam, so second moments do not settle; the radius is from a Gaussian fit "
                    "instead. Average several frames, or raise the exposure time to just below saturation."
                ),
            )
        )
    elif cut and room < BEYOND:
        findings.append(
            Finding(
                "tight",
                (
                    f"the sensor ends {room:.1f} beam radii from the centre; ISO 11146 asks for {BEYOND:g}. Light beyond the edge "
                    "is not counted. Centre the beam or use a larger sensor."
                ),
            )
        )
