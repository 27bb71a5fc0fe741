"""What an exercise is: text, answer, tolerance, the slips it lies in wait for, the way to the answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ...setting.explain import Step
from ...units import KINDS, Quantity, figure, to_json

__all__ = ["TOLERANCE", "Exercise", "Slip"]

TOLERANCE = 0.01


@dataclass(frozen=True)
class Slip:
    """A known mistake: what it gives, and what to say."""

    name: str
    value: Quantity
    remark: str


@dataclass(frozen=True)
class Exercise:
    """One exercise.

    Attributes
    ----------
    number : int
        In its sheet, from 1.
    name, lesson : str
        Kind of exercise, and the lesson that teaches what it needs.
    grade : int
        1 one formula; 2 two steps or a trap; 3 several steps and traps.
    text : str
    kind : str
        Kind of quantity of the answer.
    unit : str
        In which the answer is told.
    answer : Quantity
    tolerance : float
        Relative, of a typed answer.
    slips : tuple of Slip
    steps : tuple of Step
    """

    number: int
    name: str
    lesson: str
    grade: int
    text: str
    kind: str
    unit: str
    answer: Quantity
    tolerance: float
    slips: tuple[Slip, ...]
    steps: tuple[Step, ...]

    def told(self, value: Quantity | None = None) -> str:
        """The answer (or another value) in the exercise's unit."""
        spelled = KINDS[self.kind].spellings[self.unit]
        return f"{figure(float((value if value is not None else self.answer).m_as(spelled)), digits=4)} {self.unit}".rstrip()

    def to_dict(self, *, with_answer: bool = False) -> dict[str, Any]:
        """The exercise as a JSON object; the answer only where asked for."""
        record: dict[str, Any] = {
            "number": self.number,
            "name": self.name,
            "lesson": self.lesson,
            "grade": self.grade,
            "text": self.text,
            "unit": self.unit,
            "tolerance": self.tolerance,
        }
        if with_answer:
            record["answer"] = to_json(self.answer)
            record["slips"] = [{"name": s.name, "value": to_json(s.value), "remark": s.remark} for s in self.slips]
            record["steps"] = [step.to_dict() for step in self.steps]
        return record

    def _repr_html_(self) -> str:
        from html import escape

        return f"<p><strong>{self.number}.</strong> {escape(self.text)}</p>"
