"""One step of a derivation: the formula, the numbers put in, what comes out, and one plain sentence why."""

from dataclasses import dataclass

__all__ = ["Step", "as_text"]


@dataclass(frozen=True)
class Step:
    """A step as people would write it on a whiteboard.

    `formula` uses the symbols of the nomenclature table, `numbers` is the same formula with numbers and units,
    `result` the value with its unit, `why` one plain sentence.
    """

    formula: str
    numbers: str
    result: str
    why: str

    def to_dict(self) -> dict[str, str]:
        """The step as it stands in JSON."""
        return {"formula": self.formula, "numbers": self.numbers, "result": self.result, "why": self.why}


def as_text(steps: list[Step]) -> str:
    """The steps as indented, numbered text for a terminal.

    >>> print(as_text([Step("a = b c", "2 x 3 mm", "6 mm", "Area rule.")]))
    1. Area rule.
       a = b c
         = 2 x 3 mm
         = 6 mm
    """
    lines = []
    for number, step in enumerate(steps, 1):
        lines += [f"{number}. {step.why}", f"   {step.formula}"]
        # a list of what the symbols are reads "with", a formula with numbers in it reads "="
        named = " = " in step.numbers.split(",")[0] and not step.numbers.split(" = ")[0].strip()[:1].isdigit()
        if step.numbers:
            lines.append(f"     {'with' if named else '='} {step.numbers}")
        lines.append(f"     = {step.result}")
    return "\n".join(lines)
