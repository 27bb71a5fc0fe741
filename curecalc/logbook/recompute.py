"""Compute results again from the source data kept with them, and say where they differ."""

from __future__ import annotations

import importlib
import math
from collections.abc import Mapping
from typing import Any

from ..errors import CurecalcError
from .entries import Entry

__all__ = ["RECOMPUTED_KINDS", "compare", "recompute"]

# kind -> "module:function", called with the payload and {role: (name, bytes)}; returns the payload values it can repeat
_HOOKS: dict[str, str] = {
    "calibration": ".refit:fit_again",
    "comparison": ".refit:compare_again",
    "beam": ".refit:measure_again",
    "power": ".refit:measure_again",
    "recipe": ".refit:recipe_again",
    "retune": ".refit:retune_again",
}
RECOMPUTED_KINDS = tuple(_HOOKS)


def recompute(entry: Entry, sources: Mapping[str, tuple[str, bytes]]) -> list[str]:
    """Sentences on what does not come out as it was recorded; empty when all does."""
    module, _, name = _HOOKS[entry.kind].partition(":")
    function = getattr(importlib.import_module(module, __package__), name)
    try:
        values = function(entry.payload, sources)
    except CurecalcError as error:
        return [f"cannot be computed again: {error}"]
    return compare(entry.payload, values)


def compare(recorded: Mapping[str, Any], again: Mapping[str, Any]) -> list[str]:
    """Differences beyond rounding between recorded values and those computed again, key by key.

    >>> compare({"penetration_depth": {"value": 0.15, "unit": "mm"}}, {"penetration_depth": {"value": 0.16, "unit": "mm"}})
    ['penetration_depth.value was 0.15, computed again it is 0.16']
    """
    return list(_differences("", recorded, again))


def _differences(path: str, recorded: Any, again: Any) -> list[str]:
    if isinstance(again, Mapping):
        found = []
        for key, value in again.items():
            inner = f"{path}.{key}" if path else str(key)
            if not isinstance(recorded, Mapping) or key not in recorded:
                found.append(f"{inner} was not recorded, computed again it is {value!r}")
            else:
                found += _differences(inner, recorded[key], value)
        return found
    if isinstance(again, list | tuple) and isinstance(recorded, list | tuple):
        if len(again) != len(recorded):
            return [f"{path} had {len(recorded)} values, computed again it has {len(again)}"]
        pairs = enumerate(zip(recorded, again))
        return [line for index, (old, new) in pairs for line in _differences(f"{path}[{index}]", old, new)]
    if _is_number(again) and _is_number(recorded):
        if math.isclose(recorded, again, abs_tol=1e-12):
            return []
        return [f"{path} was {recorded:.12g}, computed again it is {again:.12g}"]
    return [] if recorded == again else [f"{path} was {recorded!r}, computed again it is {again!r}"]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
