"""What a document may hold: fields with kind, rule and a line of help, declared as data."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from ..units import KINDS

__all__ = ["Field", "Schema"]

PLAIN_KINDS = ("text", "choice", "date", "boolean", "whole", "list", "matrix", "table", "tables", "named", "free")
RULES = ("positive", "nonnegative", "finite")


@dataclass(frozen=True)
class Field:
    """One key of a document.

    Parameters
    ----------
    kind : str
        A kind of quantity (`curecalc.units.KINDS`: length, power, speed, exposure ...; `number` and `fraction` are
        read as plain floats), or `text`, `choice`, `date`, `boolean`, `whole` (a whole number), `list` (of `item`),
        `matrix` (rows of plain numbers), `table`, `tables` (a list of tables), `named` (tables under names the writer
        chooses) or `free` (any TOML value, kept as it is).
    required : bool
        The key must stand in the file.
    help : str
        The comment above the key in a starting file.
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
        For `table`, `tables` and `named`.
    exactly_one : tuple of tuples of str
        Groups of keys of this table of which exactly one must stand.
    minimum : int
        Least number of items of a list, least value of `whole`.
    example : str
        What a starting file shows, as TOML: `"300 mW"` with its quotes.
    default : object
        The value as it would stand in the file, used when the key is missing.
    """

    kind: str
    required: bool = False
    help: str = ""
    rule: str = "positive"
    low: str | float | None = None
    high: str | float | None = None
    uncertain: bool = False
    choices: tuple[str, ...] = ()
    item: Field | None = None
    fields: Mapping[str, Field] = field(default_factory=dict)
    exactly_one: tuple[tuple[str, ...], ...] = ()
    minimum: int = 0
    example: str = ""
    default: Any = None

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

    def sample(self) -> str:
        """What to show as an example, in TOML."""
        if self.example:
            return self.example
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
            "matrix": "[[1.0, 0.0], [0.0, 1.0]]",
        }.get(self.kind, "{}")


@dataclass(frozen=True)
class Schema:
    """A kind of document: its plain name, its fields, what must hold between them.

    `check` gets the read `Document` and raises `document.error(key, message)` where fields disagree.
    `help` stands at the top of a starting file.
    """

    name: str
    fields: Mapping[str, Field]
    help: str = ""
    exactly_one: tuple[tuple[str, ...], ...] = ()
    check: Callable[[Any], None] | None = None
    version: int = 1

    def table(self) -> Field:
        """The whole document as one table field."""
        return Field("table", fields=self.fields, exactly_one=self.exactly_one)
