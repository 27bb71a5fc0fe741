"""The part of a table above its rows: settings stated once, names of columns, units. Used by `tables` alone."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ..errors import FileError, QuantityError
from ..units.kinds import clip
from .rawtable import Raw

__all__ = ["Column", "Head", "explained", "nearest", "normalise", "warned"]

TEXT, WHOLE = "text", "whole"
_HEADER = re.compile(r"^(?P<name>[^\[\]()=]*?)\s*(?:\[(?P<unit>[^\[\]]*)\]|\((?P<round>[^()]*)\))?\s*$")
_ASSIGN = re.compile(r"^#?\s*(?P<name>[^\W\d][\w \-]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*(?:=|:)\s*(?P<value>.*)$")
NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
COMMA_NUMBER = re.compile(r"[+-]?(?:[0-9]+,[0-9]*|,[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
MAYBE_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
BLANKS = " \t\u00a0\u202f\u2009"
DECIMAL_NAMES = {"decimal", "decimal_mark", "decimal_sign"}
_DECIMAL_WORDS = {"comma": ",", ",": ",", "point": ".", ".": ".", "dot": "."}


@dataclass(frozen=True)
class Column:
    """One column a table may hold.

    Attributes
    ----------
    kind : str
        A kind of quantity (`units.KINDS`; the header then needs a unit), `number` (no unit), `whole` (a whole number),
        or `text`.
    required : bool
        The table must have it (as a column, or stated once when `once` is set).
    sign : str
        `any`, `nonnegative` or `positive`: checked on each cell.
    blank : bool
        Blank cells are allowed and become NaN (or "" in text).
    once : bool
        May stand once above the header instead of in a column.
    aliases : tuple of str
        Other names for the same column.
    hints : tuple of str
        Names people write for it that are not taken, only recognised in the complaint (`dose` for `exposure`).
    only_once : bool
        May stand only above the header (a setting of the whole file, never a column).
    any_unit : bool
        Of a `number`: any unit may stand in the header, and it is kept but not converted (a detector's V, mV, counts).
    about : str
        What the column means, in a sentence: for help and templates (`explained`).
    never : str
        What must not be put there, in a sentence: beside it, and at the end of complaints about the column.
    """

    kind: str
    required: bool = False
    sign: str = "any"
    blank: bool = False
    once: bool = False
    aliases: tuple[str, ...] = ()
    only_once: bool = False
    hints: tuple[str, ...] = ()
    any_unit: bool = False
    about: str = ""
    never: str = ""


def nearest(name: str, known: list[str] | tuple[str, ...] | set[str]) -> str:
    """The known name most like `name`."""
    return difflib.get_close_matches(name, sorted(known), n=1, cutoff=0.0)[0]


def normalise(text: str) -> str:
    return re.sub(r"[\s_\-]+", "_", text.strip(BLANKS + "#\"'")).strip("_").lower()


def plain_names(columns: Mapping[str, Column]) -> dict[str, str]:
    return {normalise(n): name for name, column in columns.items() for n in (name, *column.aliases)}


class Head:
    """The settings stated above the header and the header itself, read and checked."""

    def __init__(self, path: str, raw: Raw, columns: Mapping[str, Column], known: dict[str, str]) -> None:
        self.path, self.raw, self.specs, self.known = path, raw, columns, known
        self.settings: dict[str, Any] = {}
        self.setting_lines: dict[str, int] = {}
        self.units: dict[str, str] = {}
        self.fields: dict[str, int] = {}
        self.comments: list[str] = []
        self.stated_decimal: str | None = None
        self.convert: dict[str, tuple[Any, Any]] = {}

    def fail(self, line: int, column: int | None, problem: str) -> FileError:
        place = f"{self.path}:{line}" if column is None else f"{self.path}:{line}:{column}"
        return FileError(f"{place}: {problem}")

    # ------------------------------------------------------------ above the header

    def above(self, line: int, cells: list[Any]) -> None:
        texts = [_shown(cell) for cell in cells]
        first = texts[0].strip(BLANKS)
        values = [t.strip(BLANKS) for t in texts[1:] if t.strip(BLANKS)]
        if values and normalise(_HEADER.sub(r"\g<name>", first.lstrip("#"))) in (set(self.known) | DECIMAL_NAMES):
            head = _HEADER.match(first.lstrip("# "))
            if head and "=" not in values[0]:
                if len(values) > 1:
                    raise self.fail(line, 3, f"expected one value after {first!r}, got also {values[1]!r}. Write one value.")
                self._setting(line, head["name"], head["unit"], values[0])
                return
        for text in texts:
            part = text.strip(BLANKS)
            if not part:
                continue
            found = _ASSIGN.match(part)
            strict = not first.startswith("#")
            if found and (strict or self._like(found["name"])):
                self._setting(line, found["name"], found["unit"], found["value"].strip(BLANKS))
            elif strict and not found:
                raise self.fail(line, None, f"cannot read {part!r} above the header. Start a comment with '#'.")
            else:
                self.comments.append(part.lstrip("# "))

    def _like(self, name: str) -> bool:
        plain = normalise(name)
        every = set(self.known) | DECIMAL_NAMES
        return plain in every or bool(difflib.get_close_matches(plain, sorted(every), n=1, cutoff=0.75))

    def _setting(self, line: int, written: str, unit: str | None, value: str) -> None:
        plain = normalise(written)
        if plain in DECIMAL_NAMES:
            mark = _DECIMAL_WORDS.get(value.strip("\"'").lower())
            if mark is None:
                raise self.fail(line, None, f"decimal: cannot read {value!r}. Write 'decimal = comma' or 'decimal = point'.")
            if mark == "," and self.raw.delimiter == ",":
                raise self.fail(line, None, "decimal = comma does not go with commas between cells. Separate with ';'.")
            self.stated_decimal = mark
            return
        name = self._known(line, None, written, what="setting")
        spec = self.specs[name]
        if not (spec.once or spec.only_once):
            raise self.fail(line, None, f"{name} cannot be stated once above the header. Give it a column of its own.")
        if name in self.settings:
            raise self.fail(line, None, f"{name} is stated twice, first in line {self.setting_lines[name]}. Keep one.")
        if not value:
            raise self.fail(line, None, f"{name} is stated without a value. Write it like '{name} = {_example(spec)}'.")
        self.settings[name] = self._setting_value(line, name, spec, unit, value)
        self.setting_lines[name] = line

    def _setting_value(self, line: int, name: str, spec: Column, unit: str | None, value: str) -> Any:
        if spec.kind == TEXT:
            return value.strip("\"'")
        if self.raw.delimiter != "," and COMMA_NUMBER.match(value) and not MAYBE_GROUPED.match(value):
            value = value.replace(",", ".", 1)
        from ..units import KINDS, parse

        try:
            if spec.kind == WHOLE:
                number = float(parse(name, value, "number").m)
                if number != int(number):
                    raise QuantityError(f"{name} must be a whole number, got {value!r}.")
            else:
                written = f"{value} {unit}" if unit else value
                number = float(parse(name, written, spec.kind).m_as(KINDS[spec.kind].kernel))
        except QuantityError as error:
            raise self.fail(line, None, str(error)) from None
        if outside(number, spec.sign):
            raise self.bad_sign(line, None, name, spec, value)
        return number

    # ------------------------------------------------------------ header

    def _known(self, line: int, column: int | None, written: str, *, what: str) -> str:
        plain = normalise(written)
        if plain in self.known:
            return self.known[plain]
        words = dict(self.known) | {normalise(h): name for name, spec in self.specs.items() for h in spec.hints}
        close = difflib.get_close_matches(plain, sorted(words), n=1, cutoff=0.6)
        near = words[nearest(plain, set(words))]
        tail = "" if close else f"; known are {', '.join(sorted(self.specs))}"
        raise self.fail(line, column, f"unknown {what} {clip(written)}. The nearest known is '{near}'{tail}.")

    def header(self) -> list[tuple[str, int]]:
        line = self.raw.header_line
        positions: list[tuple[str, int]] = []
        texts = [_shown(cell) for cell in self.raw.header]
        if any(NUMBER.fullmatch(t.strip(BLANKS)) or COMMA_NUMBER.fullmatch(t.strip(BLANKS)) for t in texts):
            raise self.fail(
                line,
                None,
                f"no header: {clip(', '.join(texts))} holds numbers. Name the columns in the first line, like '{self._example_header()}'.",
            )
        for column, cell in enumerate(texts, 1):
            text = cell.strip(BLANKS)
            if not text:
                continue
            if "=" in text and (stated := _ASSIGN.match(text)):
                self._setting(line, stated["name"], stated["unit"], stated["value"].strip(BLANKS))
                continue
            found = _HEADER.match(text)
            if not found or not found["name"].strip():
                raise self.fail(line, column, f"cannot read the header {clip(text)}. Write it like 'thickness [um]'.")
            name = self._known(line, column, found["name"], what="column")
            if self.specs[name].only_once:
                raise self.fail(line, column, f"{name} holds for the whole file. State it once above the header.")
            if name in self.fields:
                raise self.fail(line, column, f"column {name} appears twice, first as column {self.fields[name]}. Keep one.")
            if name in self.settings:
                raise self.fail(line, column, f"{name} is a column and also stated above the header. Keep one.")
            unit = found["unit"] if found["unit"] is not None else found["round"]
            self._unit(line, column, name, unit)
            self.fields[name] = column
            positions.append((name, column - 1))
        if not positions:
            raise self.fail(line, None, f"no known column. Name the columns, like '{self._example_header()}'.")
        return positions

    def _example_header(self) -> str:
        wanted = [n for n, s in self.specs.items() if s.required] or list(self.specs)[:2]
        return ", ".join(with_unit(n, self.specs[n]) for n in wanted)

    def _unit(self, line: int, column: int, name: str, unit: str | None) -> None:
        spec = self.specs[name]
        if spec.kind in (TEXT, WHOLE):
            if unit:
                raise self.fail(line, column, f"{name} takes no unit, got {clip(unit)}. Write just '{name}'.")
            return
        from ..units import KINDS, parse

        if spec.any_unit:
            kernel = KINDS["number"].kernel
            self.units[name] = unit or ""
            self.convert[name] = (kernel, kernel)
            return
        if not unit and spec.kind not in ("number", "fraction"):
            raise self.fail(line, column, f"{name} has no unit in the header. Write it like '{with_unit(name, spec)}'.{warned(spec)}")
        try:
            one = parse(name, f"1 {unit or ''}".strip(), spec.kind)
        except QuantityError as error:
            raise self.fail(line, column, f"{str(error).replace(repr('1 ' + (unit or '')), 'the header')}") from None
        self.units[name] = unit or ""
        kernel = KINDS[spec.kind].kernel
        self.convert[name] = (one.units, kernel)

    def required(self, columns: dict[str, Any]) -> None:
        for name, spec in self.specs.items():
            if spec.required and name not in columns and name not in self.settings:
                raise self.fail(
                    self.raw.header_line,
                    None,
                    f"no column '{name}'. Add one, with the header {with_unit(name, spec)!r}; found {', '.join(columns)}.{warned(spec)}",
                )

    def bad_sign(self, line: int, column: int | None, name: str, spec: Column, text: str) -> FileError:
        rule = "above zero" if spec.sign == "positive" else "at least zero"
        unit = self.units.get(name, "")
        shown = f"{text.strip()} {unit}".strip()
        remedy = "Correct it" if column is None else "Correct the cell or delete the row"
        return self.fail(line, column, f"{name} must be {rule}, got {shown}. {remedy}.{warned(spec)}")


def _shown(cell: Any) -> str:
    return "" if cell is None else f"{cell:.17g}" if isinstance(cell, float | int) else str(cell)


def outside(number: Any, sign: str) -> Any:
    """Whether a number (or which of several) has a sign that its column does not take."""
    return number < 0 if sign == "nonnegative" else number <= 0 if sign == "positive" else False


def _example(spec: Column) -> str:
    from ..units import KINDS

    if spec.kind == TEXT:
        return "text"
    return KINDS[spec.kind].example if spec.kind in KINDS else "3"


def warned(spec: Column) -> str:
    return f" {spec.never}" if spec.never else ""


def explained(columns: Mapping[str, Column]) -> list[str]:
    """Each column in one line: its header, where it may stand, what it means, what must not be put there.

    >>> explained({"depth": Column("length", required=True, about="Of the groove.", never="Never its width.")})
    ['depth [mm] (needed) - Of the groove. Never its width.']
    """

    def place(spec: Column) -> str:
        if spec.required:
            return " (needed)"
        return " (once, above the header)" if spec.only_once else " (or once, above the header)" if spec.once else ""

    return [f"{with_unit(name, spec)}{place(spec)} - {spec.about}{warned(spec)}" for name, spec in columns.items()]


def with_unit(name: str, spec: Column) -> str:
    from ..units import KINDS

    unit = KINDS[spec.kind].shown_text if spec.kind in KINDS and spec.kind != "fraction" else ""
    return f"{name} [{unit}]" if unit else name
