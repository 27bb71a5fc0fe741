"""What Ec owes to scatter and what to the scales it was measured with, and which of the two applies where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..units import MM, QuantityError, figure, nonnegative, ratio

__all__ = ["Budget", "Part", "Scales", "budget", "scales"]


@dataclass(frozen=True)
class Scales:
    """Errors common to all coupons, as standard uncertainties; zero where nothing was stated.

    `power` and `beam_radius` are relative (of the meter, of the radius in use), `thickness` is in mm. `same_machine` says the
    resin's numbers will set the same machine through the same meter and beam; `same_gauge` that wanted depths are those
    this gauge would read.
    """

    power: float = 0.0
    beam_radius: float = 0.0
    thickness: float = 0.0
    same_machine: bool = True
    same_gauge: bool = True


def scales(
    *,
    power_scale_uncertainty: Any = None,
    beam_radius_scale_uncertainty: Any = None,
    thickness_bias_uncertainty: Any = None,
    same_machine: bool = True,
    same_gauge: bool = True,
) -> Scales:
    """Check the stated common errors."""
    relative = {}
    for name, value in (
        ("power_scale_uncertainty", power_scale_uncertainty),
        ("beam_radius_scale_uncertainty", beam_radius_scale_uncertainty),
    ):
        relative[name] = 0.0 if value is None else float(ratio(name, value, low=0.0, high=1.0, low_open=False))
    bias = 0.0 if thickness_bias_uncertainty is None else nonnegative("thickness_bias_uncertainty", thickness_bias_uncertainty, MM)
    if not isinstance(bias, float):
        raise QuantityError("thickness_bias_uncertainty must be one value, got an array.")
    return Scales(
        relative["power_scale_uncertainty"], relative["beam_radius_scale_uncertainty"], bias, bool(same_machine), bool(same_gauge)
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
    """Put random and systematic parts of ln Ec together, keeping apart what cancels.

    A scale error of the exposure leaves Dp alone and multiplies Ec; setting the same machine through the same meter and
    beam divides it out again. A thickness bias d leaves Dp alone and multiplies Ec by exp(-d/Dp); it cancels where wanted
    depths are meant as this gauge reads them. The mean exposure of a raster does not depend on the beam radius.

    Source: `gum` H.3.6 (a common error moves the line without tilting it) carried to the line's zero.
    """
    exposure = [("power meter scale", stated.power)]
    if not raster:
        exposure.append(("beam radius", stated.beam_radius))
    parts = [Part("scatter of the coupons", random, True)]
    parts += [Part(name, value, not stated.same_machine) for name, value in exposure if value > 0]
    if stated.thickness > 0:
        parts.append(Part("thickness bias", stated.thickness / penetration_depth, not stated.same_gauge))
    here = float(np.sqrt(sum(p.relative**2 for p in parts if p.applies)))
    everything = float(np.sqrt(sum(p.relative**2 for p in parts)))
    return Budget(tuple(parts), random, here, everything, _sentence(parts, stated, everything, raster))


def _sentence(parts: list[Part], stated: Scales, elsewhere: float, raster: bool) -> str:
    scale = [p for p in parts if p.source in ("power meter scale", "beam radius")]
    bias = [p for p in parts if p.source == "thickness bias"]
    if not scale and not bias:
        return (
            "No common scale error was stated: Ec's uncertainty is that of the coupons' scatter. It holds for this machine, "
            "meter, beam and gauge, where a common error cancels; elsewhere the scales of both must be added."
        )
    said = []
    if scale:
        names = " and ".join(p.source for p in scale)
        size = figure(100 * float(np.sqrt(sum(p.relative**2 for p in scale))), digits=2)
        if stated.same_machine:
            said.append(
                f"The {names} error ({size} %) cancels, since the same meter and beam that made the coupons will set the "
                "machine; it does not when these numbers move to another machine or meter"
            )
        else:
            said.append(f"The {names} error ({size} %) is counted, since the numbers go to another machine or meter")
    if bias:
        size = figure(100 * bias[0].relative, digits=2)
        if stated.same_gauge:
            said.append(f"The thickness bias ({size} % of Ec) cancels as long as wanted depths are meant as this gauge reads them")
        else:
            said.append(f"The thickness bias ({size} % of Ec) is counted, since wanted depths are true depths")
    tail = f". Counting everything, Ec has a standard uncertainty of {figure(100 * elsewhere, digits=2)} %."
    return ". ".join(said) + tail
