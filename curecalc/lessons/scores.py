"""A score file: one line an answer, added at the end, readable in any spreadsheet."""

from __future__ import annotations

import csv
import io
import os
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ..errors import FileError
from .exercises import Exercise, Verdict
from .telling import ORDER

__all__ = ["Scores", "add_scores", "read_scores"]

COLUMNS = ("time", "learner", "seed", "number", "exercise", "lesson", "grade", "answer", "right", "slip")
LARGEST = 20_000_000


@dataclass(frozen=True)
class Scores:
    """What a score file tells: answers and right ones by lesson, slips by how often they happened."""

    answers: dict[str, int]
    right: dict[str, int]
    slips: dict[str, int]

    def to_dict(self) -> dict[str, Any]:
        """The JSON object."""
        return {"answers": self.answers, "right": self.right, "slips": self.slips}

    def text(self) -> str:
        """A few lines for the terminal."""
        total, good = sum(self.answers.values()), sum(self.right.values())
        lines = [f"so far: {good} of {total} right"]
        weak = [n for n in self.answers if self.right[n] < 0.6 * self.answers[n]]
        if weak:
            lines.append("read again: " + ", ".join(weak))
        if self.slips:
            name, often = next(iter(self.slips.items()))
            lines.append(f"most frequent slip: {name} ({often} times)")
        return "\n".join(lines)


def add_scores(path: str | Path, rows: list[tuple[Exercise, str, Verdict]], *, seed: int, learner: str = "") -> None:
    """Add answers to a score file, made where it does not exist.

    Raises
    ------
    FileError
        The file is something else, or cannot be written.
    """
    target = Path(path)
    new = not target.exists()
    if not new:
        _read_rows(target)
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    if new:
        writer.writerow(COLUMNS)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    for one, text, verdict in rows:
        writer.writerow(
            [
                now,
                _safe(learner),
                seed,
                one.number,
                one.name,
                one.lesson,
                one.grade,
                _safe(text),
                "yes" if verdict.right else "no",
                verdict.slip,
            ]
        )
    try:
        with open(target, "ab") as file:
            file.write(buffer.getvalue().encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise FileError(f"{path}: cannot write here ({error.strerror or error}). Name another place.") from None


def _safe(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    clean = "".join(c if c.isprintable() else " " for c in text)[:200]
    return f"'{clean}" if clean.startswith(("=", "+", "-", "@")) else clean


def _read_rows(target: Path) -> list[dict[str, str]]:
    try:
        if target.stat().st_size > LARGEST:
            raise FileError(f"{target}: is larger than {LARGEST // 1_000_000} MB. Begin a new score file.")
        head, *rows = list(csv.reader(io.StringIO(target.read_text(encoding="utf-8-sig")))) or [[]]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise FileError(f"{target}: cannot be read ({reason}). Name a score file, or a new one.") from None
    if tuple(head) != COLUMNS:
        raise FileError(f"{target}:1: is not a score file, its first line must be {','.join(COLUMNS)}. Name a new file.")
    for line, row in enumerate(rows, 2):
        if len(row) != len(COLUMNS):
            raise FileError(f"{target}:{line}: has {len(row)} cells, a score file has {len(COLUMNS)} in each line. Mend the line.")
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows]


def read_scores(path: str | Path) -> Scores:
    """The totals of a score file.

    Raises
    ------
    FileError
    """
    rows = _read_rows(Path(path))
    answers, right = Counter(r["lesson"] for r in rows), Counter(r["lesson"] for r in rows if r["right"] == "yes")
    slips = Counter(r["slip"] for r in rows if r["slip"])
    order = [n for n in ORDER if n in answers] + sorted(n for n in answers if n not in ORDER)
    return Scores({n: answers[n] for n in order}, {n: right[n] for n in order}, dict(slips.most_common()))
