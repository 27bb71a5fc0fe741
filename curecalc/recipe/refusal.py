"""No settings meet every limit: which limit, moved how little, would let some; each way out tried before it is named."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

from ..errors import NoSolution
from ..units import show_kernel
from .bounds import LIMIT_NAMES, Task

__all__ = ["refusal"]

# name in the message, first the limits of what comes out, then the ranges of what is set
_KINDS = {
    "scan_speed_low": "speed",
    "ripple": "length",
    "print_through": "length",
    "overcure": "length",
    "line_width_high": "length",
    "line_width_low": "length",
    "width_accuracy": "length",
    "power_high": "power",
    "power_low": "power",
    "beam_radius_high": "length",
    "beam_radius_low": "length",
    "hatch_spacing_low": "length",
    "hatch_spacing_high": "length",
    "scan_speed_high": "speed",
    "pulse_share": "number",
}
_DEPTHS = ("print_through", "overcure")
_FAR = math.log(100.0)
_COARSE, _FINE = 12, 22  # rounds of the search
_CLOSE = 10  # halvings: a move known to a thousandth of the greatest


def refusal(task: Task) -> NoSolution:
    """The error for a task without settings: each single limit that helps with the value it needs, else the pair that moves least."""
    fields = [field for field in _KINDS if _movable(task, field)]
    moves = {field: move for field in fields if (move := _least_move(task, (field,))) is not None}
    ways = [way for field, move in moves.items() if (way := _tried(task, (field,), move)) is not None]
    if ways:
        first = next(field for field in moves)
        more = f" Or instead: {'; or '.join(ways[1:])}." if len(ways) > 1 else ""
        return NoSolution(f"{task.kind}: no settings meet every limit; {ways[0]}.{more}", limit=LIMIT_NAMES[first])
    best: tuple[float, tuple[str, ...]] | None = None
    for pair in itertools.combinations(fields, 2):
        move = _least_move(task, pair, _FAR if best is None else best[0])
        if move is not None and (best is None or move < best[0]):
            best = (move, pair)
    way = None if best is None else _tried(task, best[1], best[0])
    if best is None or way is None:
        return NoSolution(
            f"{task.kind}: no settings meet every limit, and no two of them, however far they move, let any.",
            limit=" and ".join(LIMIT_NAMES[f] for f in fields[:1]),
            remedy="Change layer thickness, bond or assurance.",
        )
    return NoSolution(
        f"{task.kind}: no settings meet every limit, and no single limit is to blame; {way}.",
        limit=" and ".join(LIMIT_NAMES[field] for field in best[1]),
    )


def _movable(task: Task, field: str) -> bool:
    value = getattr(task.bounds, field)
    if not math.isfinite(value) or (value <= 0.0 and field not in _DEPTHS):
        return False
    if field == "pulse_share" and task.pattern.pulse_rate is None:
        return False
    raster = field.startswith("hatch") or field == "ripple"
    line = field.startswith("line") or field == "width_accuracy"
    return not (line if task.pattern.raster else raster)


def _eased(task: Task, fields: tuple[str, ...], move: float) -> Task:
    """The task with limits moved to the easier side: by a factor e^move, depths by that share of a layer."""
    return _with(task, {field: _value(task, field, move) for field in fields})


def _with(task: Task, values: dict[str, float]) -> Task:
    return replace(task, bounds=replace(task.bounds, **values))


def _value(task: Task, field: str, move: float) -> float:
    now = float(getattr(task.bounds, field))
    if field in _DEPTHS:
        return now + math.expm1(move) * task.layer_thickness
    return now * math.exp(-move if field.endswith("_low") else move)


def _feasible(task: Task, rounds: int) -> bool:
    from .search import any_settings

    return any_settings(task, rounds)


def _least_move(task: Task, fields: tuple[str, ...], most: float = _FAR) -> float | None:
    """The least common move of some limits that admits settings; None where the greatest does not."""
    if not _feasible(_eased(task, fields, most), _COARSE):
        return None
    low, high = 0.0, most
    for _ in range(_CLOSE):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if _feasible(_eased(task, fields, middle), _COARSE) else (middle, high)
    return high


def _tried(task: Task, fields: tuple[str, ...], move: float) -> str | None:
    """The way out in words, with values rounded to the easier side and proved to work as printed; None where none near works."""
    for _ in range(4):
        values = {field: _outward(_value(task, field, move), not field.endswith("_low")) for field in fields}
        if _feasible(_with(task, values), _FINE):
            said = [
                f"{LIMIT_NAMES[f]} of {show_kernel(getattr(task.bounds, f), _KINDS[f])} would have to be {show_kernel(v, _KINDS[f])}"
                for f, v in values.items()
            ]
            return " and ".join(said)
        move *= 1.02
    return None


def _outward(value: float, up: bool) -> float:
    """Three digits, rounded up or down."""
    if value == 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(abs(value))) - 2)
    return float(f"{(math.ceil(value / unit - 1e-9) if up else math.floor(value / unit + 1e-9)) * unit:.6g}")
