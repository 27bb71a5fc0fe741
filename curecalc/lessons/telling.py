"""A lesson: its text with the numbers put in, figure, worked example, question and answer, sources."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from ..errors import QuantityError
from ..setting.explain import Step
from ..units import Quantity, to_json
from .bench import Bench, invented_bench

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["ORDER", "Block", "Lesson", "Script", "blocks", "cited", "glossary", "lesson", "lesson_names", "script"]

# Each lesson uses the words of those before it only; the last two may be read any time.
ORDER = (
    "exposure",
    "absorption",
    "working-curve",
    "spot",
    "line",
    "raster",
    "overcure",
    "stack",
    "coupons",
    "uncertainty",
    "drift",
    "safety",
    "beyond",
)
_PLACE = re.compile(r"\{(\w+)(?: in ([^}]+))?\}")
_CITED = re.compile(r"\[([a-z_]+[0-9a-z_-]*)\]")


@dataclass(frozen=True)
class Script:
    """A lesson as written, with places for numbers."""

    name: str
    title: str
    aim: str
    formulas: tuple[str, ...]
    text: str
    caption: str
    question: str
    hint: str
    answer: str
    terms: dict[str, str]


@dataclass(frozen=True)
class Block:
    """A piece of text: `kind` is paragraph, formula or list."""

    kind: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Lesson:
    """A lesson with a bench's numbers.

    Attributes
    ----------
    name, title, aim : str
    text : tuple of Block
    example : tuple of Step
    question, hint, answer : str
    caption : str
        Of the figure, which `figure()` draws.
    terms : dict of term to meaning
        The words this lesson introduces.
    sources : dict of key to reference
    numbers : dict
        Every number in the text, as quantities.
    bench_name : str
        Whose numbers they are.
    """

    name: str
    title: str
    aim: str
    text: tuple[Block, ...]
    example: tuple[Step, ...]
    question: str
    hint: str
    answer: str
    caption: str
    terms: dict[str, str]
    sources: dict[str, str]
    numbers: dict[str, Any]
    bench_name: str
    bench: Bench = field(repr=False)

    def figure(self) -> Figure:
        """The lesson's figure with the bench's numbers."""
        from .pictures import lesson_figure

        return lesson_figure(self.name, self.bench)

    def to_dict(self) -> dict[str, Any]:
        """The lesson as a JSON object."""
        return {
            "name": self.name,
            "title": self.title,
            "aim": self.aim,
            "text": [{"kind": b.kind, "lines": list(b.lines)} for b in self.text],
            "example": [step.to_dict() for step in self.example],
            "question": self.question,
            "hint": self.hint,
            "answer": self.answer,
            "terms": self.terms,
            "sources": self.sources,
            "numbers": {k: to_json(v) if isinstance(v, Quantity) else v for k, v in self.numbers.items()},
            "numbers_of": self.bench_name,
        }

    def _repr_html_(self) -> str:
        from .show import lesson_html

        return lesson_html(self, figure=True)


@cache
def script(name: str) -> Script:
    """The lesson as written."""
    if name not in ORDER:
        from difflib import get_close_matches

        near = get_close_matches(name, ORDER, n=1)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise QuantityError(f"lesson must be one of {', '.join(ORDER)}, got {name[:40]!r}.{hint}")
    raw = tomllib.loads(files(__package__).joinpath("texts", f"{name}.toml").read_text(encoding="utf-8"))
    terms = raw.pop("terms")
    formulas = tuple(raw.pop("formulas"))
    return Script(name=name, terms=terms, formulas=formulas, **{k: v.strip() for k, v in raw.items()})


def lesson_names() -> dict[str, str]:
    """Names and titles in the order of learning."""
    return {name: script(name).title for name in ORDER}


def glossary(upto: str | None = None) -> dict[str, str]:
    """Terms and meanings, of all lessons or up to one."""
    terms: dict[str, str] = {}
    for name in ORDER[: ORDER.index(upto) + 1] if upto else ORDER:
        terms |= script(name).terms
    return terms


def lesson(name: str, bench: Bench | None = None) -> Lesson:
    """A lesson with its numbers computed for a bench, or for an invented machine and resin.

    Raises
    ------
    QuantityError
        No lesson of that name.

    >>> f"{lesson('working-curve').numbers['doubling'].m_as('mm'):.4f}"
    '0.0984'
    """
    from ..validation import load_sources
    from .examples import EXAMPLES
    from .numbers import NUMBERS, shown

    written = script(name)
    here = bench or invented_bench()
    numbers = NUMBERS[name](here)

    def told(text: str) -> str:
        return _PLACE.sub(lambda m: shown(numbers[m[1]], m[2] or ""), text)

    example = tuple(EXAMPLES[name](here))
    keys = cited(" ".join([written.text, written.answer, written.caption, *(s.why for s in example)]))
    known = load_sources()
    return Lesson(
        name=name,
        title=written.title,
        aim=written.aim,
        text=blocks(told(written.text)),
        example=example,
        question=told(written.question),
        hint=told(written.hint),
        answer=told(written.answer),
        caption=told(written.caption),
        terms=written.terms,
        sources={key: _reference(known[key]) for key in keys},
        numbers=numbers,
        bench_name=here.name,
        bench=here,
    )


def cited(text: str) -> tuple[str, ...]:
    """Keys of the sources named in a text, in order."""
    return tuple(dict.fromkeys(_CITED.findall(text)))


def _reference(source: dict[str, Any]) -> str:
    return f"{source['author']}: {source['title']}, {source['year']} ({source['locator']})"


def blocks(text: str) -> tuple[Block, ...]:
    """Text apart into paragraphs, formulas (indented) and lists (lines that begin with a dash)."""
    made = []
    for part in re.split(r"\n\s*\n", text.strip("\n")):
        lines = part.split("\n")
        if all(line.startswith("    ") for line in lines):
            made.append(Block("formula", tuple(line.strip() for line in lines)))
        elif lines[0].startswith("- "):
            made.append(Block("list", tuple(line.removeprefix("- ").strip() for line in lines)))
        else:
            made.append(Block("paragraph", (" ".join(line.strip() for line in lines),)))
    return tuple(made)
