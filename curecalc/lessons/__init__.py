"""Lessons and exercises: text that explains, numbers computed on the reader's own machine and resin."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .bench import Bench, invented_bench
    from .telling import Lesson, glossary, lesson, lesson_names

__all__ = ["Bench", "Lesson", "glossary", "invented_bench", "lesson", "lesson_names"]

_WHERE = {"Bench": "bench", "invented_bench": "bench"}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(f"{__name__}.{_WHERE.get(name, 'telling')}"), name)
    globals()[name] = value
    return value
