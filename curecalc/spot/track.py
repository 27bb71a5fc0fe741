"""Exposure of a scanned line computed from a measured spot image: the line integral along the track, at any angle.

Plain float64. A track leaves at the distance q beside it the exposure E(q) = (P/v) m(q), with m the image summed along
the track and scaled to unit area. The Gaussian with the second-moment radius gives m(0) = sqrt(2/pi)/W.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..physics import line

__all__ = ["Track", "gaussian_peak", "line_profile", "track_exposure"]


@dataclass(frozen=True)
class Track:
    """Exposure across one track per P/v, 1/mm: `image_peak` from the image, `gaussian_peak` from the radius.

    `radius` is the second-moment radius across the track, mm.
    """

    angle: float
    radius: float
    image_peak: float
    gaussian_peak: float
    distance: Any
    image: Any
    gaussian: Any

    @property
    def ratio(self) -> float:
        """Peak exposure from the image over that of the Gaussian."""
        return self.image_peak / self.gaussian_peak


def gaussian_peak(radius: float) -> float:
    """sqrt(2/pi)/W, per P/v.

    >>> f"{gaussian_peak(0.125):.5f}"
    '6.38308'
    """
    return float(line.scan_exposure(1.0, radius, 1.0))


def line_profile(image: Any, x: Any, y: Any, angle: float, *, step: float) -> tuple[Any, Any]:
    """Image summed along a track at `angle` (from x towards y): distances beside the track and shares per mm.

    Each pixel's reading is shared between the two nearest bins, so the sum and the mean distance are exact.
    """
    z = np.asarray(image, dtype=np.float64)
    q = (-math.sin(angle) * np.asarray(x))[None, :] + (math.cos(angle) * np.asarray(y))[:, None]
    low = math.floor(float(np.min(q)) / step)
    place = (q / step - low).ravel()
    left = place.astype(np.int64)
    part = place - left
    n = int(np.max(left)) + 2
    flat = z.ravel()
    sums = np.bincount(left, flat * (1.0 - part), n) + np.bincount(left + 1, flat * part, n)
    total = float(sums.sum())
    return (np.arange(n) + low) * step, sums / (total * step)


def track_exposure(image: Any, x: Any, y: Any, variance: tuple[float, float, float], angle: float) -> Track:
    """Exposure across a track from a background-free spot image about its centroid.

    Parameters
    ----------
    image : float array (rows, columns)
    x, y : float arrays, mm
        Distances from the centroid along columns and rows.
    variance : (s_xx, s_xy, s_yy), mm^2
    angle : float, radians
        Direction of the track, from x towards y.

    Returns
    -------
    Track

    Source: derived; a top hat of radius R must give 0.798 of the Gaussian with W0 = R.
    """
    xx, xy, yy = variance
    across = np.array([-math.sin(angle), math.cos(angle)])
    radius = 2.0 * math.sqrt(across @ [[xx, xy], [xy, yy]] @ across)
    pitch = max(float(x[1] - x[0]), float(y[1] - y[0]))
    step = pitch * math.ceil(radius / 60.0 / pitch)  # whole pixels, else bins and pixels beat
    distance, share = line_profile(image, x, y, angle, step=step)
    return Track(
        angle=angle,
        radius=radius,
        image_peak=_top(distance, share, radius),
        gaussian_peak=gaussian_peak(radius),
        distance=distance,
        image=share,
        gaussian=line.line_profile(gaussian_peak(radius), radius, distance),
    )


def _top(distance: Any, share: Any, radius: float) -> float:
    """Height of the top from a fourth-order curve through the readings near it, so that noise does not pick the highest."""
    at = distance[int(np.argmax(np.convolve(share, np.ones(3), mode="same")))]
    near = np.abs(distance - at) <= max(0.3 * radius, 3.1 * (distance[1] - distance[0]))
    if near.sum() < 6:
        return float(share.max())
    return float(np.max(np.polynomial.Polynomial.fit(distance[near], share[near], 4).linspace()[1]))
