"""The cells of a table, column by column, as float64 arrays or text. Used by `tables` alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ..units.kinds import clip
from .rawtable import Block
from .tablehead import BLANKS, COMMA_NUMBER, MAYBE_GROUPED, NUMBER, TEXT, WHOLE, Column, Head, outside, warned

__all__ = ["Cells"]

PLAIN = "0123456789+-eE \t"  # beside the decimal mark


class Cells:
    """Columns of a raw table, read under the head, block after block."""

    def __init__(self, head: Head, positions: list[tuple[str, int]]) -> None:
        self.head, self.raw, self.specs, self.fields = head, head.raw, head.specs, head.fields
        self.fail, self.positions = head.fail, positions
        self.lines: list[int] = []
        self.marks: dict[str, tuple[str, int, str]] = {}  # the first cell with a comma for sure, maybe, with a point: column, line, text

    def read(self, block: Block) -> dict[str, Any]:
        """The columns of a block, by name."""
        lines, _ = block
        if not lines:
            raise self.fail(self.raw.header_line, None, "a header and no rows below it. Add the readings.")
        columns = self._columns(block)
        self._look(columns)
        if self.marks.keys() == {"maybe"}:
            self._look_ahead()
            self.lines = lines
        mark = self._decimal_mark()
        return {name: self._column(name, cells, mark) for name, cells in columns.items()}

    def _look_ahead(self) -> None:
        """Read all blocks until a cell tells the decimal mark of the whole table."""
        for block in self.raw.blocks():
            self._look(self._columns(block))
            if self.marks.keys() != {"maybe"}:
                return

    def _columns(self, block: Block) -> dict[str, Sequence[Any]]:
        self.lines, rows = block
        if set(map(len, [self.raw.header, *rows])) != {len(self.positions)}:
            for row, line in zip(rows, self.lines):
                self._width(row, line)
            rows = [[*row, *("" for _ in self.raw.header)] for row in rows]
        turned = list(zip(*rows))
        return {name: turned[index] for name, index in self.positions}

    def _width(self, row: list[Any], line: int) -> None:
        """Refuse a row with a cell too many or too few."""
        used = {index for _, index in self.positions}
        for index, cell in enumerate(row):
            if index not in used and cell not in (None, "") and str(cell).strip(BLANKS):
                raise self.fail(
                    line,
                    index + 1,
                    f"{clip(str(cell))} stands under no header: the header names {len(self.positions)} columns. {self._comma_hint(row)}",
                )
        named = len(self.raw.header)
        if self.raw.delimiter == "," and len(row) > named:
            raise self.fail(line, named + 1, f"the row has {len(row)} cells, the header {named}. {self._comma_hint(row)}")
        for name, index in self.positions:
            if index not in range(len(row)) and not self.specs[name].blank:
                raise self.fail(line, self.fields[name], f"the row ends after cell {len(row)} of {named}: {name} is missing. Fill it in.")

    def _comma_hint(self, row: list[Any]) -> str:
        if self.raw.delimiter == ",":
            return "With commas between cells a decimal comma cannot be used: write decimal points, or separate with ';'."
        return "Remove it, or name the column."

    def _look(self, columns: dict[str, Sequence[Any]]) -> None:
        if self.raw.delimiter == "," or self.head.stated_decimal or {"sure", "point"} <= self.marks.keys():
            return
        for name, cells in columns.items():
            text = "".join(cell for cell in cells if isinstance(cell, str))
            known = ("," not in text or "sure" in self.marks) and ("." not in text or "point" in self.marks)
            if known or self.specs[name].kind == TEXT:
                continue
            for line, cell in zip(self.lines, cells):
                if not isinstance(cell, str) or ("," in cell) == ("." in cell):
                    continue  # both are an error of their own, found when the cell is read
                if "." in cell:
                    self.marks.setdefault("point", (name, line, cell))
                elif MAYBE_GROUPED.fullmatch(cell.strip(BLANKS)):
                    self.marks.setdefault("maybe", (name, line, cell))
                elif COMMA_NUMBER.fullmatch(cell.strip(BLANKS)):
                    self.marks.setdefault("sure", (name, line, cell))

    def _decimal_mark(self) -> str:
        if self.raw.delimiter == ",":
            return "."
        if self.head.stated_decimal:
            return self.head.stated_decimal
        comma, point = self.marks.get("sure", self.marks.get("maybe")), self.marks.get("point")
        if not comma:
            return "."
        name, line, cell = comma
        if point:
            raise self.fail(
                line,
                self.fields[name],
                f"{name}: {clip(cell)} has a comma and {clip(point[2])} in line {point[1]} a point. "
                "Write all numbers with the same decimal mark.",
            )
        if "sure" in self.marks:
            return ","
        plain = cell.strip(BLANKS)
        raise self.fail(
            line,
            self.fields[name],
            f"{name}: {clip(cell)} may be {plain.replace(',', '.')} or "
            f"{plain.replace(',', '')}. Write a decimal point, or state 'decimal = comma' above the header.",
        )

    def _column(self, name: str, cells: Sequence[Any], mark: str) -> Any:
        spec = self.specs[name]
        if spec.kind == TEXT:
            return self._text_column(name, spec, cells)
        values = self._fast(cells, mark, spec.blank)
        if values is None:
            values = np.array([self._number(name, spec, row, cell, mark) for row, cell in enumerate(cells)], dtype=float)
        bad = ~np.isfinite(values) & ~np.array([_is_blank(c) for c in cells]) if not np.isfinite(values).all() else None
        if bad is not None and bad.any():
            row = int(np.argmax(bad))
            raise self.fail(self.lines[row], self.fields[name], f"{name}: {clip(str(cells[row]))} is too large to use. Correct it.")
        if spec.kind == WHOLE:
            uneven = np.isfinite(values) & (values != np.floor(values))
            if uneven.any():
                row = int(np.argmax(uneven))
                raise self.fail(self.lines[row], self.fields[name], f"{name} must be a whole number, got {clip(str(cells[row]))}.")
        else:
            from ..units import Quantity

            unit, kernel = self.head.convert[name]
            values = np.asarray(Quantity(values, unit).m_as(kernel), dtype=float)
        wrong = outside(values, spec.sign)
        if np.any(wrong):
            row = int(np.argmax(wrong))
            raise self.head.bad_sign(self.lines[row], self.fields[name], name, spec, str(cells[row]))
        return values

    def _text_column(self, name: str, spec: Column, cells: Sequence[Any]) -> list[str]:
        keys = list(zip(map(type, cells), cells))
        plain = dict.fromkeys(keys, "")
        for key in plain:
            _, cell = key
            text = "" if cell is None else f"{cell:.15g}" if isinstance(cell, float) else str(cell).strip(BLANKS + "\r\n")
            if not text and not spec.blank:
                raise self.fail(self.lines[keys.index(key)], self.fields[name], f"{name} is blank. Fill it in or delete the row.")
            if len(text) > 10_000 or any(ord(c) < 32 and c not in "\n\r\t" for c in text):
                raise self.fail(self.lines[keys.index(key)], self.fields[name], f"{name}: {clip(text)} is not plain short text.")
            plain[key] = text
        return [plain[key] for key in keys]

    def _fast(self, cells: Sequence[Any], mark: str, blank: bool) -> np.ndarray | None:
        try:
            distinct = list(dict.fromkeys(cells))
            if "".join(distinct).strip(PLAIN + mark):
                return None
            none = "nan" if blank else ""
            values = {cell: float(cell.replace(mark, ".") or none) for cell in distinct}
            return np.array([values[cell] for cell in cells])
        except (TypeError, ValueError):
            return None

    def _number(self, name: str, spec: Column, row: int, cell: Any, mark: str) -> float:
        line, column = self.lines[row], self.fields[name]
        if isinstance(cell, float) and np.isfinite(cell):
            return cell
        if _is_blank(cell):
            if spec.blank:
                return float("nan")
            note = " (a formula that was never calculated also reads as blank)" if self.raw.delimiter == "xlsx" else ""
            raise self.fail(line, column, f"{name} is blank{note}. Fill it in, or delete the row.")
        if not isinstance(cell, str):
            raise self.fail(
                line,
                column,
                f"{name}: {clip(str(cell))} is a {_cell_type(cell)}, not a number. Format the column as numbers and type it again.",
            )
        text = cell.strip(BLANKS)
        if mark == "," and COMMA_NUMBER.fullmatch(text):
            return float(text.replace(",", "."))
        if NUMBER.fullmatch(text):
            return float(text)
        raise self.fail(line, column, f"{name}: {self._why_not(text, name, spec, mark)}{warned(spec)}")

    def _why_not(self, text: str, name: str, spec: Column, mark: str) -> str:
        shown = clip(text)
        if "," in text and "." in text:
            first, last = sorted(".,", key=text.rfind)
            plain = text.replace(first, "").replace(last, ".")
            return f"cannot read {shown}. Write it without a thousands separator, like {clip(plain)}."
        if "," in text and self.raw.delimiter == ",":
            return f"cannot read {shown}. Write a decimal point, or separate the cells with ';'."
        if text.lower() in ("nan", "inf", "-inf", "infinity", "n/a", "na", "none", "null", "-", "--", "?"):
            return f"{shown} is not a number. Delete the row if this was not measured."
        from ..units import KINDS

        head = NUMBER.match(text)
        if head and spec.kind != WHOLE and text[head.end() :].strip(BLANKS) in KINDS[spec.kind].spellings:
            header = f"{name} [{self.head.units.get(name, '')}]"
            return f"cannot read {shown}. Leave the unit out of the cells; it stands in the header, as '{header}'."
        return f"cannot read {shown} as a number. Write digits with a decimal point, like '120.5'."


def _is_blank(cell: Any) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip(BLANKS))


def _cell_type(cell: Any) -> str:
    return {"bool": "true/false value", "datetime": "date", "date": "date", "time": "time", "timedelta": "time"}.get(
        type(cell).__name__, type(cell).__name__
    )
