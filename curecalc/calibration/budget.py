"""What Ec owes to scatter and what to the scales it was measured with, and which of the two applies where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..units import MM, QuantityError, nonnegative, ratio, show_percent

__all__ = ["Budget", "Part", "Scales", "budget", "scales"]


@dataclass(frozen=True)
class Scales:
    """Errors common to all coupons, as standard uncertainties; zero where nothing was stated.

    `power` and `beam_radius` are relative (of the meter, of the radius in use), `thickness` is in mm. `same_machine` says the
    resin's numbers will set the same machine through the same meter and beam; `same_gauge` that wanted depths are those
    this gauge would read; `will_set` what will be set with them, `lines` or `rasters`, None where that was not said.
    """

    power: float
    beam_radius: float
    thickness: float
    same_machine: bool
    same_gauge: bool
    will_set: str | None


def scales(
    *,
    power_scale_uncertainty: Any = None,
    beam_radius_scale_uncertainty: Any = None,
    thickness_bias_uncertainty: Any = None,
    same_machine: bool = True,
    same_gauge: bool = True,
    will_set: str | None = None,
) -> Scales:
    """Check the stated common errors."""
    if will_set not in (None, "lines", "rasters"):
        raise QuantityError(f"will_set must be 'lines' or 'rasters', got {will_set!r}. Leave it out where it is not known.")
    relative = {}
    for name, value in (
        ("power_scale_uncertainty", power_scale_uncertainty),
        ("beam_radius_scale_uncertainty", beam_radius_scale_uncertainty),
    ):
        relative[name] = 0.0 if value is None else float(ratio(name, value, high=1.0, low_open=False))
    bias = 0.0 if thickness_bias_uncertainty is None else nonnegative("thickness_bias_uncertainty", thickness_bias_uncertainty, MM)
    if not isinstance(bias, float):
        raise QuantityError("thickness_bias_uncertainty must be one value, got an array.")
    return Scales(
        relative["power_scale_uncertainty"], relative["beam_radius_scale_uncertainty"], bias, bool(same_machine), bool(same_gauge), will_set
    )


@dataclass(frozen=True)
class Part:
    """One contribution to the standard uncertainty of ln Ec (so relative to Ec)."""

    source: str
    relative: float
    applies: bool

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {"source": self.source, "relative_standard_uncertainty": self.relative, "applies": self.applies}


@dataclass(frozen=True)
class Budget:
    """The parts, the relative standard uncertainty of Ec here and elsewhere, and the sentence that says which applies."""

    parts: tuple[Part, ...]
    random: float
    here: float
    elsewhere: float
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "parts": [part.to_dict() for part in self.parts],
            "relative_standard_uncertainty": self.here,
            "relative_standard_uncertainty_elsewhere": self.elsewhere,
            "sentence": self.sentence,
        }


def budget(*, random: float, penetration_depth: float, stated: Scales, raster: bool) -> Budget:
    """Put random and systematic parts of ln Ec together, keeping apart what cancels; the same parts move the exposure for a depth.

    A scale error of the exposure leaves Dp alone and multiplies Ec; setting the same machine through the same meter and
    beam divides it out again. A thickness bias d leaves Dp alone and multiplies Ec by exp(-d/Dp); it cancels where wanted
    depths are meant as this gauge reads them. The exposure of a line depends on the beam radius, the mean exposure of a raster does
    not: the radius cancels only where what is set is what the coupons were.

    Source: `gum` H.3.6 (a common error moves the line without tilting it) carried to the line's zero.
    """
    lines = stated.will_set == "lines" if stated.will_set else not raster
    parts = [Part("scatter of the coupons", random, True)]
    if stated.power:
        parts.append(Part("power meter scale", stated.power, not stated.same_machine))
    if stated.beam_radius and (lines or not raster):
        parts.append(Part("beam radius", stated.beam_radius, not stated.same_machine or lines == raster))
    if stated.thickness:
        parts.append(Part("thickness bias", stated.thickness / penetration_depth, not stated.same_gauge))
    here = float(np.sqrt(sum(p.relative**2 for p in parts if p.applies)))
    everything = float(np.sqrt(sum(p.relative**2 for p in parts)))
    return Budget(tuple(parts), random, here, everything, _sentence(parts, stated, everything, raster))


_WHY = {
    "power meter scale": (
        "since the meter that made the coupons will set the machine; it does not on another machine or meter",
        "since the numbers go to another machine or meter",
    ),
    "beam radius": ("", "since the radius does not divide out of what will be set"),
    "thickness bias": ("as long as wanted depths are meant as this gauge reads them", "since wanted depths are true depths"),
}


def _sentence(parts: list[Part], stated: Scales, elsewhere: float, raster: bool) -> str:
    coupons, other = ("rasters", "lines") if raster else ("lines", "rasters")
    said = []
    for p in parts[1:]:
        why = _WHY[p.source][p.applies]
        if p.source == "beam radius" and not p.applies:
            why = f"since the coupons were {coupons} and {coupons} will be set with the same beam"
            if stated.will_set is None:
                why = f"where {coupons} are set with this beam, as the coupons were; where {other} are set it counts: say which will be set"
        said.append(f"The {p.source} error ({show_percent(p.relative)} of Ec) {'is counted' if p.applies else 'cancels'}, {why}")
    if stated.beam_radius and all(p.source != "beam radius" for p in parts):
        said.append(
            "The beam radius error does not enter: the mean exposure of a raster is free of it"
            + ("" if stated.will_set else "; where lines are set it counts: say which will be set")
        )
    if not said:
        return (
            "No common scale error was stated: Ec's uncertainty is that of the coupons' scatter. It holds for this machine, "
            "meter, beam and gauge, where a common error cancels; elsewhere the scales of both must be added."
        )
    return ". ".join(said) + f". Counting everything, Ec has a standard uncertainty of {show_percent(elsewhere)}."
