"""Making exercises from a seed: the same seed gives the same sheet on every machine."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import cache
from itertools import combinations
from typing import Any

import numpy as np

from ...units import KINDS, QuantityError, count
from ..bench import Bench, invented_bench
from ..telling import ORDER
from .draw import Draw, Made, quantity
from .first import FIRST
from .record import TOLERANCE, Exercise, Slip
from .second import SECOND
from .third import THIRD

__all__ = ["KINDS_BY_GRADE", "exercise", "exercises"]

_Kinds = dict[str, tuple[str, Callable[[Draw], Made]]]
KINDS_BY_GRADE: dict[int, _Kinds] = {1: dict(FIRST), 2: dict(SECOND), 3: dict(THIRD)}
_APART = 4.0  # tolerances between the answer and a slip, so that no slip is taken for the answer
MOST = 200
_INVENTED = cache(invented_bench)


def exercises(
    *, seed: int, number: int = 6, grade: int | None = None, lesson: str | None = None, bench: Bench | None = None
) -> list[Exercise]:
    """A sheet of exercises, easy ones first.

    Parameters
    ----------
    seed : int
        The same seed gives the same sheet.
    number : int
        How many, at most 200.
    grade : int, optional
        1, 2 or 3; a mixture when left out.
    lesson : str, optional
        Only what this lesson teaches.
    bench : Bench, optional
        Whose numbers the draws are near to.

    Raises
    ------
    QuantityError

    >>> [e.grade for e in exercises(seed=7, number=6)]
    [1, 1, 2, 2, 3, 3]
    """
    count("seed", seed, minimum=0)
    if count("number", number) > MOST:
        raise QuantityError(f"number must be at most {MOST}, got {number}. Print several sheets.")
    if grade is not None and grade not in KINDS_BY_GRADE:
        raise QuantityError(f"grade must be 1, 2 or 3, got {grade}.")
    if lesson is not None and lesson not in ORDER:
        raise QuantityError(f"lesson must be one of {', '.join(ORDER)}, got {lesson[:40]!r}.")
    grades = [grade] if grade is not None else [1, 2, 3]
    pool = {g: [n for n, (taught, _) in KINDS_BY_GRADE[g].items() if lesson in (None, taught)] for g in grades}
    pool = {g: names for g, names in pool.items() if names}
    if not pool:
        have = sorted({taught for g in grades for taught, _ in KINDS_BY_GRADE[g].values()}, key=ORDER.index)
        raise QuantityError(f"no exercises of this kind for the lesson {lesson}. There are some for {', '.join(have)}.")
    random = np.random.default_rng([seed, 1])
    wanted = sorted(list(pool)[i * len(pool) // number] for i in range(number))
    made = []
    left: dict[int, list[str]] = {}
    for place, g in enumerate(wanted, 1):
        if not left.get(g):
            left[g] = [pool[g][i] for i in random.permutation(len(pool[g]))]
        made.append(exercise(left[g].pop(), seed=seed, number=place, bench=bench))
    return made


def exercise(name: str, *, seed: int, number: int = 1, bench: Bench | None = None) -> Exercise:
    """One exercise of a kind; its numbers depend on seed and place only.

    Raises
    ------
    QuantityError
        No such kind.
    """
    found = [(grade, *kinds[name]) for grade, kinds in KINDS_BY_GRADE.items() if name in kinds]
    if not found:
        every = [n for kinds in KINDS_BY_GRADE.values() for n in kinds]
        raise QuantityError(f"exercise must be one of {', '.join(every)}, got {name[:40]!r}.")
    grade, taught, generator = found[0]
    here = bench or _INVENTED()
    random = np.random.default_rng([seed, number, _code(name)])
    for _ in range(50):
        with suppress(OverflowError):  # numbers out of all proportion
            made = generator(Draw(random, here))
            if _clear(made):
                return _record(name, taught, grade, number, made)
    raise QuantityError(f"the numbers given leave no clear exercise of the kind {name}: check their sizes, or leave them out.")


def _code(name: str) -> int:
    """A number of a name that is the same on every machine."""
    return int.from_bytes(name.encode()[:6], "big") ^ len(name)


def _clear(made: Made) -> bool:
    """Whether the answer is a sound number, no slip lies near it, and no two slips together give it."""
    values = [given for given, _ in made.slips.values()]
    if not all(np.isfinite([made.answer, *values])) or made.answer == 0.0:
        return False
    near = _APART * TOLERANCE * abs(made.answer)
    if not all(abs(v - made.answer) > near for v in values):
        return False
    # two slips made together, their factors or their differences joined, must not bring the answer back
    pairs = list(combinations(values, 2))
    return all(abs(a * b / made.answer - made.answer) > near and abs(a + b - 2.0 * made.answer) > near for a, b in pairs)


def _record(name: str, taught: str, grade: int, number: int, made: Made) -> Exercise:
    slips: list[Any] = [Slip(n, quantity(value, made.kind), remark) for n, (value, remark) in made.slips.items()]
    assert made.unit in KINDS[made.kind].spellings
    return Exercise(
        number=number,
        name=name,
        lesson=taught,
        grade=grade,
        text=made.text,
        kind=made.kind,
        unit=made.unit,
        answer=quantity(made.answer, made.kind),
        tolerance=TOLERANCE,
        slips=tuple(slips),
        steps=tuple(made.steps),
    )
