"""Drawing the numbers of an exercise: near a bench's own, rounded, in units mixed on purpose."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...units import KINDS, MJ_MM2, MM, MW, Quantity, figure
from ..bench import Bench

__all__ = ["Draw", "Made"]


class Draw:
    """Random numbers for one exercise, as floats in the lab set (mm, s, mW, mJ)."""

    def __init__(self, random: np.random.Generator, bench: Bench) -> None:
        self.random = random
        self.dp = self._near(float(bench.penetration_depth.m_as(MM)))
        self.ec = self._near(float(bench.critical_exposure.m_as(MJ_MM2)))
        self.power = self._near(float(bench.power.m_as(MW)))
        self.radius = self._near(float(bench.beam_radius.m_as(MM)), 0.7, 1.4)
        self.layer = self._near(float(bench.layer_thickness.m_as(MM)), 0.6, 1.5)
        self.overcure = self._near(float(bench.overcure.m_as(MM)), 0.6, 1.4)
        self.spacing = self._near(float(bench.hatch_spacing.m_as(MM)), 0.7, 1.4)

    def _near(self, value: float, low: float = 0.65, high: float = 1.5) -> float:
        return rounded(value * self._factor(low, high))

    def _factor(self, low: float, high: float) -> float:
        return float(np.exp(self.random.uniform(np.log(low), np.log(high))))

    def between(self, low: float, high: float) -> float:
        """A number between two, equally likely per factor, rounded."""
        return rounded(self._factor(low, high))

    def near(self, value: float, low: float, high: float) -> float:
        """So many times a value, from `low` to `high`, rounded."""
        return rounded(value * self.between(low, high))

    def whole(self, low: int, high: int) -> int:
        """A whole number, both ends included."""
        return int(self.random.integers(low, high + 1))

    def one_of(self, choices: list[Any]) -> Any:
        """One of a list."""
        return choices[int(self.random.integers(len(choices)))]

    def said(self, value: float, kind: str, units: str) -> str:
        """The value with one of the units (spaces between), as text."""
        unit = self.one_of(units.split(" "))
        return f"{figure(float(quantity(value, kind).m_as(KINDS[kind].spellings[unit])), digits=5)} {unit}".rstrip()

    def length(self, value: float) -> str:
        """A length in mm or um."""
        return self.said(value, "length", "mm um")

    def exposure(self, value: float) -> str:
        """An exposure in mJ/cm^2 or mJ/mm^2."""
        return self.said(value, "exposure", "mJ/cm^2 mJ/mm^2")

    def light(self, value: float) -> str:
        """A power in mW or W."""
        return self.said(value, "power", "mW W")

    def speed(self, value: float) -> str:
        """A speed in mm/s or m/s."""
        return self.said(value, "speed", "mm/s m/s")


class Made:
    """What a generator hands back: text, the answer and its slips in the kernel unit, and the way."""

    def __init__(self, text: str, kind: str, unit: str, answer: float, steps: list[Any], **slips: tuple[float | None, str]) -> None:
        self.text, self.kind, self.unit, self.answer, self.steps = text, kind, unit, answer, steps
        # a slip that would give no sensible number with these values is left out
        self.slips = {name.replace("_", " "): (value, remark) for name, (value, remark) in slips.items() if value is not None}


def quantity(value: float, kind: str) -> Quantity:
    """A float of the kernel unit as a quantity in it."""
    return Quantity(value, KINDS[kind].kernel)


def rounded(value: float) -> float:
    """Rounded to two digits."""
    return float(f"{value:.2g}")
