"""What a document may hold: fields with kind, rule and a line of help, declared as data."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from ..units import KINDS

__all__ = ["Field", "Schema"]

PLAIN_KINDS = ("text", "choice", "date", "boolean", "whole", "list", "table", "tables")
RULES = ("positive", "nonnegative", "finite")


@dataclass(frozen=True)
class Field:
    """One key of a document.

    Parameters
    ----------
    kind : str
        A kind of quantity (`curecalc.units.KINDS`: length, power, speed, exposure ...; `number` and `fraction` are
        read as plain floats), or `text`, `choice`, `date`, `boolean`, `whole` (a whole number), `list` (of `item`),
        `table` or `tables` (a list of tables).
    help : str
        The comment above the key in a starting file.
    example : str
        What a starting file shows: `300 mW`; quotes are put where TOML asks for them.
    required : bool
        The key must stand in the file.
    rule : {"positive", "nonnegative", "finite"}
        For quantities and numbers.
    low, high : str or float, optional
        Bounds, the ends allowed; text with a unit for a quantity.
    uncertain : bool
        A quantity that may carry a standard uncertainty; it is then read as `Measured` always.
    choices : tuple of str
        For `choice`.
    item : Field, optional
        For `list`.
    fields : mapping of str to Field
        For `table` and `tables`.
    exactly_one : tuple of tuples of str
        Groups of keys of this table of which exactly one must stand.
    minimum : int
        Least number of items of a list, least value of `whole`.
    start : bool or str
        An optional key that stands in a starting file without `#`: with its example, or with this.
    """

    kind: str
    help: str = ""
    example: str = ""
    required: bool = False
    rule: str = "positive"
    low: str | float | None = None
    high: str | float | None = None
    uncertain: bool = False
    choices: tuple[str, ...] = ()
    item: Field | None = None
    fields: Mapping[str, Field] = field(default_factory=dict)
    exactly_one: tuple[tuple[str, ...], ...] = ()
    minimum: int = 0
    start: bool | str = False

    def __post_init__(self) -> None:
        if self.kind not in KINDS and self.kind not in PLAIN_KINDS:
            raise ValueError(f"no such kind of field: {self.kind!r}")
        if self.rule not in RULES:
            raise ValueError(f"no such rule: {self.rule!r}")
        if (self.kind == "list") != (self.item is not None):
            raise ValueError("a list needs an item, and nothing else may have one")
        if (self.kind == "choice") != bool(self.choices):
            raise ValueError("a choice needs choices, and nothing else may have them")
        for group in self.exactly_one:
            unknown = [name for name in group if name not in self.fields]
            if unknown:
                raise ValueError(f"exactly_one names keys that are not fields: {unknown}")

    @property
    def quantity(self) -> bool:
        """Whether values are text with a unit (or a plain number)."""
        return self.kind in KINDS

    def _toml(self, shown: str) -> str:
        """An example as TOML: in quotes where it is text, or a number with a unit."""
        bare = not self.quantity or re.fullmatch(r"[-+0-9.e]+", shown)
        return shown if bare and self.kind not in ("text", "choice") else f'"{shown}"'

    def live(self) -> str | None:
        """What a starting file shows without `#`, in TOML, though the key is optional."""
        return self.sample() if self.start is True else self._toml(self.start) if self.start else None

    def sample(self) -> str:
        """What to show as an example, in TOML."""
        if self.example:
            return self._toml(self.example)
        if self.kind in ("number", "fraction"):
            return "1.5" if self.kind == "number" else "0.05"
        if self.quantity:
            return f'"{KINDS[self.kind].example}"'
        if self.kind == "list":
            assert self.item is not None
            return f"[{self.item.sample()}]"
        return {
            "text": '"..."',
            "choice": f'"{self.choices[0]}"' if self.choices else "",
            "date": "2026-01-31",
            "boolean": "true",
            "whole": str(max(self.minimum, 1)),
        }.get(self.kind, "{}")


@dataclass(frozen=True)
class Schema:
    """A kind of document: its plain name, its fields, what stands at the top of a starting file."""

    name: str
    fields: Mapping[str, Field]
    help: str = ""
    exactly_one: tuple[tuple[str, ...], ...] = ()
    version: int = 1

    def table(self) -> Field:
        """The whole document as one table field."""
        return Field("table", fields=self.fields, exactly_one=self.exactly_one)
