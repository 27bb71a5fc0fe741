"""Run rules for control charts, and what they cost: the mean number of points until a false alarm, exactly."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from ..errors import QuantityError

__all__ = ["RULES", "Rule", "check_rules", "run_length", "run_signals"]


@dataclass(frozen=True)
class Rule:
    """`hits` of `span` points in a row beyond `zone` standard deviations, all on one side."""

    name: str
    hits: int
    span: int
    zone: float
    text: str


RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule("limit", 1, 1, 3.0, "a point beyond the three-sigma limits"),
        Rule("two-of-three", 2, 3, 2.0, "two of three points beyond two sigma on one side"),
        Rule("four-of-five", 4, 5, 1.0, "four of five points beyond one sigma on one side"),
        Rule("eight-in-a-row", 8, 8, 0.0, "eight points in a row on one side of the centre"),
    )
}


def check_rules(names: Iterable[str]) -> tuple[str, ...]:
    """The names as a tuple in standing order, `limit` always among them."""
    wanted = list(names)
    unknown = [name for name in wanted if name not in RULES]
    if unknown:
        raise QuantityError(f"no run rule is called {unknown[0]!r}. The rules are {', '.join(RULES)}.")
    return tuple(name for name in RULES if name in wanted or name == "limit")


def run_signals(standardised: Any, rules: Iterable[str] = tuple(RULES)) -> dict[str, np.ndarray]:
    """Where each rule signals, for points already in standard deviations from the centre.

    Parameters
    ----------
    standardised : array_like, shape (..., n)
        (value - centre)/sd in time order along the last axis; earlier axes are independent series.
    rules : names out of `RULES`

    Returns
    -------
    dict of boolean arrays of the same shape; True at the point that completes the pattern, provided that this point is
    itself beyond the zone.

    Source: `champ1987`; `nist_handbook` 6.3.2. Valid for independent normal points; drifting or autocorrelated series
    signal more often.

    >>> run_signals([0.1, 2.1, 0.0, 2.5, 3.2], ["limit", "two-of-three"])["two-of-three"].tolist()
    [False, False, False, True, True]
    """
    z = np.asarray(standardised, dtype=np.float64)
    found: dict[str, np.ndarray] = {}
    for name in check_rules(rules):
        rule = RULES[name]
        signal = np.zeros(z.shape, dtype=bool)
        for side in (1.0, -1.0):
            hit = z * side > rule.zone
            total = np.cumsum(hit, axis=-1, dtype=np.int64)
            within = total.copy()
            within[..., rule.span :] -= total[..., : -rule.span]
            signal |= hit & (within >= rule.hits)
        found[name] = signal
    return found


def run_length(rules: Iterable[str] = ("limit",), *, shift: float = 0.0) -> float:
    r"""Mean number of points until a signal, when the mean has moved by `shift` standard deviations.

    Exact: the chart is a Markov chain over what the rules remember (which of the last points were beyond which zone, on
    each side); the mean time to absorption solves (I - Q) L = 1.

    Source: `champ1987`, who give 370.40 for the limits alone and 91.75 for all four rules. Valid for independent normal
    points about a centre and standard deviation that are known, not estimated from few points.

    >>> f"{run_length():.2f} {run_length(RULES):.2f} {run_length(shift=1.0):.2f}"
    '370.40 91.75 43.89'
    """
    from scipy.special import ndtr

    sided = [(RULES[name], side) for name in check_rules(rules) for side in (1.0, -1.0)]
    ends = [-np.inf, *sorted({side * rule.zone for rule, side in sided}), np.inf]
    chance = np.diff(ndtr(np.array(ends) - float(shift)))
    marks = [tuple(min(side * low, side * high) >= rule.zone for rule, side in sided) for low, high in pairwise(ends)]
    start: tuple[tuple[bool, ...], ...] = tuple(() for _ in sided)
    states: dict[Any, int] = {start: 0}
    queue, moves = [start], []
    while queue:
        state = queue.pop()
        for probability, mark in zip(chance, marks):
            after: list[tuple[bool, ...]] = []
            signal = False
            for memory, hit, (rule, _) in zip(state, mark, sided):
                seen = (*memory, hit)
                signal |= hit and sum(seen) >= rule.hits
                after.append(_trim(seen, rule))
            if signal:
                continue
            key = tuple(after)
            if key not in states:
                states[key] = len(states)
                queue.append(key)
            moves.append((states[state], states[key], probability))
    chain = np.eye(len(states))
    for origin, target, probability in moves:
        chain[origin, target] -= probability
    return float(np.linalg.solve(chain, np.ones(len(states)))[0])


def _trim(memory: tuple[bool, ...], rule: Rule) -> tuple[bool, ...]:
    """Forget what can no longer count, so that equal futures share one state."""
    while memory and (not memory[0] or sum(memory) + rule.span - len(memory) < rule.hits):
        memory = memory[1:]
    return memory
