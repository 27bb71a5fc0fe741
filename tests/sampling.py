"""Long tables of cases: some of them are quick tests, all of them run with the slow ones."""

from collections.abc import Iterable

import pytest


def few(cases: Iterable[object], every: int) -> list[object]:
    """The cases as parameters of a test: the first of each `every` is quick, the others are slow."""
    return [
        case if number % every == 0 else pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.slow)
        for number, case in enumerate(cases)
    ]
