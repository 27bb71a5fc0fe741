"""No settings meet every limit: which limit, moved how little, would let some; each way out tried before it is named."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from ..errors import NoSolution
from ..units import show_kernel
from .bounds import DEPTHS, LIMITS, Task

__all__ = ["refusal"]

_FAR = math.log(100.0)
_CLOSE = 10  # halvings: a move known to a thousandth of the greatest
_TRIED = ((1.0, 3), (1.0, 4), (1.02, 3), (1.05, 3), (1.1, 3), (1.2, 3))  # moves over the least one, with so many digits


@dataclass(frozen=True)
class _Lever:
    """What may move: a limit, or a setting that has one value, whose `other` end comes along; not beyond `most`."""

    field: str
    name: str
    other: str | None = None
    most: float | None = None

    @property
    def down(self) -> bool:
        """Whether lower is easier."""
        return self.field.endswith("_low")

    def beyond(self, value: float) -> bool:
        """Whether the machine cannot be set to a value."""
        return self.most is not None and (value < self.most if self.down else value > self.most)

    def moved(self, task: Task, move: float) -> float:
        """The value after a move to the easier side: by a factor e^move, a depth by that share of a layer."""
        now = float(getattr(task.bounds, self.field))
        if self.field in DEPTHS:
            return now + math.expm1(move) * task.layer_thickness
        value = now * math.exp(-move if self.down else move)
        return self.most if self.most is not None and self.beyond(value) else value


def refusal(task: Task) -> NoSolution:
    """The error for a task without settings: each single limit that helps with the value it needs, else the pair that moves least."""
    from .search import any_settings, settable

    levers = list(_levers(task))
    feasible = settable if any_settings(task) else any_settings  # the first where only the machine's steps are in the way
    moves = {lever: move for lever in levers if (move := _least_move(task, (lever,), feasible)) is not None}
    ways = {lever: way for lever, move in moves.items() if (way := _tried(task, (lever,), move)) is not None}
    if ways:
        first, *others = ways.values()
        more = f" Or instead: {'; or '.join(others)}." if others else ""
        return NoSolution(f"{task.kind}: no settings meet every limit; {first}.{more}", limit=next(iter(ways)).name)
    best: tuple[float, tuple[_Lever, ...]] | None = None
    for pair in itertools.combinations(levers, 2):
        if pair[0].name == pair[1].name:
            continue
        move = _least_move(task, pair, feasible, _FAR if best is None else best[0])
        if move is not None and (best is None or move < best[0]):
            best = (move, pair)
    way = None if best is None else _tried(task, best[1], best[0])
    if best is None or way is None:
        return NoSolution(
            f"{task.kind}: no settings meet every limit, and no two of them, however far they move, let any.",
            limit=" and ".join(lever.name for lever in levers[:1]),
            remedy="Change layer thickness, bond or assurance.",
        )
    return NoSolution(
        f"{task.kind}: no settings meet every limit, and no single limit is to blame; {way}.",
        limit=" and ".join(lever.name for lever in best[1]),
    )


def _levers(task: Task) -> Iterator[_Lever]:
    """What may move; a setting that the needs give is moved as a whole, inside what the machine can set."""
    b, given = task.bounds, {name: span for name, *span in task.able}
    for field in LIMITS:
        now = getattr(b, field)
        if not math.isfinite(now) or (now <= 0.0 and field not in DEPTHS):
            continue
        name, _, end = field.rpartition("_")
        other = f"{name}_{'low' if end == 'high' else 'high'}"
        if name in given:
            most = given[name][0 if end == "low" else 1]
            if most != now:
                yield _Lever(field, f"given {name.replace('_', ' ')}", other, most)
        elif field == "power_high" and b.power_low == b.power_high and not b.power_least:  # a laser of one power
            yield _Lever(field, LIMITS[field][0], other)
        else:
            yield _Lever(field, LIMITS[field][0])


def _with(task: Task, values: dict[str, float]) -> Task:
    return replace(task, bounds=replace(task.bounds, **values))


def _least_move(task: Task, levers: tuple[_Lever, ...], feasible: Callable[[Task], bool], most: float = _FAR) -> float | None:
    """The least common move of some limits that admits settings; None where the greatest does not."""

    def eased(move: float) -> Task:
        return _with(task, {lever.field: lever.moved(task, move) for lever in levers})

    if not feasible(eased(most)):
        return None
    low, high = 0.0, most
    for _ in range(_CLOSE):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if feasible(eased(middle)) else (middle, high)
    return high


def _tried(task: Task, levers: tuple[_Lever, ...], move: float) -> str | None:
    """The way out in words, with values rounded to the easier side and proved to work as printed; None where none near works."""
    from .search import settable

    for factor, digits in _TRIED:
        values = {lever: _outward(lever.moved(task, factor * move), not lever.down, digits) for lever in levers}
        if any(lever.beyond(value) for lever, value in values.items()):
            continue
        written = {field: value for lever, value in values.items() for field in (lever.field, lever.other) if field}
        if settable(_with(task, written)):
            said = [
                f"{lever.name} of {show_kernel(getattr(task.bounds, lever.field), LIMITS[lever.field][1])} would have to be "
                f"{show_kernel(value, LIMITS[lever.field][1])}"
                for lever, value in values.items()
            ]
            return " and ".join(said)
    return None


def _outward(value: float, up: bool, digits: int) -> float:
    """So many digits, rounded up or down."""
    if value == 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(abs(value))) - digits + 1)
    return float(f"{(math.ceil(value / unit - 1e-9) if up else math.floor(value / unit + 1e-9)) * unit:.6g}")
