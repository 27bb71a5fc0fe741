"""The record of a solved setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.uncertainty import MonteCarlo
from ..units import Quantity, Shown, show, to_json
from .answer import Answer

__all__ = ["Solution"]


@dataclass(frozen=True)
class Solution(Shown):
    """The answers for one unknown, and what each setting does.

    Attributes
    ----------
    unknown : str
    values : tuple of Quantity (of int for `passes`)
        All answers, in rising order.
    answers : tuple of Answer
        The whole setting evaluated at each.
    standard_uncertainty : tuple of Quantity or None
        Of each value, first order, where inputs carry uncertainties.
    monte_carlo : tuple of MonteCarlo or None
    wanted : Quantity or None
        The cure depth asked for, where one was.
    ranges : tuple of (Quantity, Quantity) or None
        Where an answer begins an interval of answers, its ends.
    """

    unknown: str
    values: tuple[Any, ...]
    answers: tuple[Answer, ...]
    standard_uncertainty: tuple[Quantity | None, ...] = ()
    monte_carlo: tuple[MonteCarlo | None, ...] = ()
    notes: tuple[str, ...] = ()
    wanted: Quantity | None = None
    ranges: tuple[tuple[Quantity, Quantity] | None, ...] = ()

    @property
    def value(self) -> Any:
        """The answer, where there is one only; the smallest otherwise."""
        return self.values[0]

    @property
    def answer(self) -> Answer:
        """The setting at `value`."""
        return self.answers[0]

    @property
    def caution(self) -> str:
        """What a solved middle value does not promise; empty where nothing uncertain was asked to reach a depth."""
        if not self.standard_uncertainty or self.standard_uncertainty[0] is None or self.wanted is None:
            return ""
        return (
            "The middle value meets the depth asked for, so about half of all layers fall short of it. "
            "For a stated assurance use curecalc recipe."
        )

    def to_dict(self) -> dict[str, Any]:
        """The JSON object: the unknown's key (a list where several answers exist) and the keys of `depth`."""
        listed = [self._one(i) for i in range(len(self.values))]
        first, *others = listed
        found = {self.unknown: listed if others else first}
        record: dict[str, Any] = found | self.answer.to_dict() | found
        if others:
            record["answers"] = [answer.to_dict() for answer in self.answers]
        record["warnings"] = [*record["warnings"], *self.notes]
        return record

    def _remarks(self) -> tuple[str, ...]:
        return (*self.answer.warnings, *self.notes)

    def rows(self) -> list[tuple[str, str]]:
        """All answers, then what the first setting does."""
        spread = self.standard_uncertainty or (None,) * len(self.values)
        rows = [(self.unknown.replace("_", " "), show(v, u) if isinstance(v, Quantity) else str(v)) for v, u in zip(self.values, spread)]
        first = self.answer
        rows += [(name.replace("_", " "), first.text(name)) for name in first.outputs if name != self.unknown]
        return rows

    def _one(self, i: int) -> Any:
        value = self.values[i]
        if not isinstance(value, Quantity):
            return value.tolist() if isinstance(value, np.ndarray) else value
        record = to_json(value, self.standard_uncertainty[i] if self.standard_uncertainty else None)
        if self.ranges and self.ranges[i] is not None:
            record["range_of_answers"] = [to_json(end)["value"] for end in self.ranges[i] or ()]
        mc = self.monte_carlo[i] if self.monte_carlo else None
        if mc is not None:
            unit = value.units
            low, high = (Quantity(end, unit) for end in mc.interval)
            record["monte_carlo"] = to_json(Quantity(mc.mean, unit), Quantity(mc.standard_uncertainty, unit), (low, high), mc.confidence)
            record["monte_carlo"] |= {"shortest_interval": list(mc.shortest), "draws": mc.draws}
        return record
