"""Judging a typed answer: right, a known slip, or wrong; always with a sentence that helps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ...symbols import percent
from ...units import KINDS, parse
from .record import Exercise

__all__ = ["Verdict", "check_answer"]


@dataclass(frozen=True)
class Verdict:
    """What an answer is worth: `right`, the `slip` it shows (or empty), and a `remark` for the learner."""

    right: bool
    slip: str
    remark: str

    def to_dict(self) -> dict[str, Any]:
        """The verdict as a JSON object."""
        return {"right": self.right, "slip": self.slip, "remark": self.remark}


# Slips that can happen in any exercise: a factor between what was typed and the answer.
_FACTORS = (
    ("area unit", 100.0, "exposure", "Off by a factor of 100: mJ/cm^2 and mJ/mm^2 are mixed up. 1 mJ/mm^2 = 100 mJ/cm^2."),
    ("factor of two", 2.0, "", "Off by a factor of 2: radius against diameter, perhaps. See which one the formula asks for."),
    ("prefix", 1000.0, "", "Off by a factor of 1000: a prefix is mixed up (um and mm, mW and W, mm/s and m/s, ms and s)."),
)


def check_answer(exercise: Exercise, text: str) -> Verdict:
    """The verdict on a typed answer with its unit.

    Raises
    ------
    QuantityError
        Text that is not a number with a unit of the right kind; nothing is counted then.

    >>> from curecalc.lessons.exercises import exercise
    >>> one = exercise("unit-change", seed=1)
    >>> check_answer(one, one.told()).right
    True
    """
    kernel = KINDS[exercise.kind].kernel
    got = float(parse("answer", text, exercise.kind).m_as(kernel))
    want = float(exercise.answer.m_as(kernel))
    near = exercise.tolerance
    if _close(got, want, near):
        return Verdict(True, "", f"Right: {exercise.told()}.")
    for slip in exercise.slips:
        if _close(got, float(slip.value.m_as(kernel)), near):
            return Verdict(False, slip.name, slip.remark)
    for name, factor, kind, remark in _FACTORS:
        if kind and kind != exercise.kind:
            continue
        if _close(got, want * factor, near) or _close(got, want / factor, near):
            return Verdict(False, name, remark)
    if _close(got, -want, near):
        return Verdict(False, "sign", "The size is right, the sign is not.")
    if _close(got, want, 5.0 * near):
        return Verdict(False, "rounding", f"Close, but off by more than {percent(near)}: keep more digits on the way.")
    first = exercise.steps[0].formula
    return Verdict(False, "", f"Not right. Look at the lesson '{exercise.lesson}' again, and begin with {first}.")


def _close(a: float, b: float, near: float) -> bool:
    return abs(a - b) <= near * abs(b)
