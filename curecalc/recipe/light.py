"""What a kind of vector asks of the light: doses of weakest, mean and strongest place, over all directions it is scanned in."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from ..physics import light

__all__ = ["ROUND", "Pattern", "Shape", "shape", "weakest_track"]

ROUND = light.Gaussian(1.0)


class Pattern(NamedTuple):
    """One line or a raster, how often, pulsed or not (rate in Hz), the spot's shape at unit radius, and the directions of the tracks.

    `exponent` and `reference` are those of the cure law's dose; `turned` is the standard uncertainty of a single direction to the
    spot's axes (rad).
    """

    raster: bool
    passes: int = 1
    crossed: bool = False
    pulse_rate: float | None = None
    spot: light.Spot = ROUND
    tracks: tuple[float, ...] = (0.0,)
    exponent: float = 1.0
    reference: float = 1.0
    turned: float = 0.0

    @property
    def times(self) -> int:
        """How often each place is scanned."""
        return self.passes * (2 if self.crossed else 1)

    def sized(self, radius: Any) -> light.Spot:
        """The spot with that radius along its x axis."""
        return replace(self.spot, wx=radius, wy=None if self.spot.wy is None else self.spot.wy * radius)

    def scan(self, power: Any, radius: Any, spacing: Any, speed: Any, track: Any = None) -> light.Scan:
        """The pattern as the light takes it; in its first direction unless one is named."""
        return light.Scan(
            power,
            speed,
            self.sized(radius),
            spacing if self.raster else None,
            float(self.passes),
            self.crossed,
            self.tracks[0] if track is None else track,
            self.pulse_rate,
        )

    def line(self, radius: Any, track: Any = None) -> light.Scan:
        """A single line at unit power and speed, whose pulses flow into one another."""
        return self._replace(pulse_rate=None).scan(1.0, radius, None, 1.0, track)

    def doses(self, scan: light.Scan) -> dict[str, Any]:
        """Mean, least and greatest dose of a scan under the law's exponent."""
        return light.doses(scan, self.exponent, self.reference)

    def least_doses(self, power: Any, radius: Any, spacing: Any, speed: Any) -> list[Any]:
        """The least dose of each direction of the tracks."""
        return [self.doses(self.scan(power, radius, spacing, speed, track))["min"] for track in self.tracks]


class Shape(NamedTuple):
    """Dose at the weakest, the mean and the strongest place, times v/P^w; and local powers of the weakest one.

    `fullest` is the weakest place of the direction in which it gets most: what lies deepest under every place of the tracks;
    `fullest_power` the power of the radius there.
    `turn` is how far ln dose falls when the spot is turned by a standard uncertainty.
    """

    weakest: Any
    mean: Any
    strongest: Any
    fullest: Any
    fullest_power: Any
    radius_power: Any
    speed_power: Any
    spacing_power: Any
    power_power: Any = 1.0
    turn: Any = 0.0

    @property
    def powers(self) -> tuple[Any, ...]:
        """Of radius, speed, spacing and power, and `turn`: what `relative_variance` takes."""
        return self[5:]


def weakest_track(pattern: Pattern, beam_radius: float, hatch_spacing: float | None, scan_speed: float) -> float:
    """The direction (rad) of the tracks in which their weakest place gets least; the first of those that get the same."""
    return pattern.tracks[int(np.argmin(pattern.least_doses(1.0, beam_radius, hatch_spacing, scan_speed)))]


def shape(
    pattern: Pattern, beam_radius: Any, hatch_spacing: Any, scan_speed: Any = 1.0, step: float = 0.0, *, powers: bool = True
) -> Shape:
    """The doses times v/P^w. `scan_speed` matters for a pulsed laser only.

    `step` is the relative error over which the powers are taken (`light.powers`): about two standard uncertainties of the radius.
    Without `powers` those are left at zero, for searches that need the doses alone.
    """
    radius = np.asarray(beam_radius, float)
    spacing = None if hatch_spacing is None else np.asarray(hatch_spacing, float)
    first, *more = pattern.tracks
    track: Any = first
    if more:  # all directions at once, along a first axis
        rank = max(map(np.ndim, (radius, spacing, scan_speed)))
        track = np.reshape(pattern.tracks, (-1,) + (1,) * rank)
    scan = pattern.scan(1.0, radius, spacing, scan_speed, track)
    dose = pattern.doses(scan)
    low, mean, high = (dose[key] * scan_speed for key in ("min", "mean", "max"))
    zero = np.zeros(np.shape(low))
    found = light.powers(scan, pattern.exponent, pattern.reference, step) if powers else {}
    slopes = [zero + found[name] if powers else zero for name in ("beam_radius", "scan_speed", "hatch_spacing")]
    fullest, fullest_power = low, slopes[0]
    if more:
        worst, best = (np.expand_dims(pick(low, axis=0), 0) for pick in (np.argmin, np.argmax))
        fullest, fullest_power = low.max(0), np.take_along_axis(slopes[0], best, 0)[0]
        slopes = [np.take_along_axis(s, worst, 0)[0] for s in slopes]
        low, mean, high = low.min(0), (mean + zero).max(0), (high + zero).max(0)
    turn: Any = 0.0
    if powers and pattern.turned and not more:  # over two standard uncertainties to the weaker side: no slope at an axis
        turned = (pattern.doses(replace(scan, track=track + way * pattern.turned))["min"] * scan_speed for way in (-2.0, 2.0))
        turn = 0.5 * np.maximum(np.log(low / np.minimum(*turned)), 0.0)
    by_radius, by_speed, by_spacing = slopes
    return Shape(low, mean, high, fullest, fullest_power, by_radius, by_speed, by_spacing, found.get("power", pattern.exponent), turn)
