"""Printing a solved setting: text, JSON, derivation, figure."""

from __future__ import annotations

import argparse
from typing import Any

from .common import print_json, write_figure
from .setting import answer_text, mc_text

__all__ = ["show_solution"]


def show_solution(args: argparse.Namespace, solution: Any) -> int:
    """Print a solution the way the options ask."""
    if args.figure is not None:
        from ..figures.section import section_figure

        write_figure(section_figure(solution.answer), args)
    steps = []
    if args.explain:
        from ..setting.derivation import solution_steps

        steps = solution_steps(solution)
    if args.json:
        record = solution.to_dict()
        if args.explain:
            record["derivation"] = [step.to_dict() for step in steps]
        print_json(record)
        return 0
    parts = [_part(solution, i) for i in range(len(solution.values))]
    if len(parts) > 1:
        parts.insert(0, f"{len(solution.values)} answers exist.")
    parts += [f"note: {note}" for note in solution.notes]
    if solution.caution:
        parts.append(f"note: {solution.caution}")
    print("\n\n".join(parts))
    if args.explain:
        from ..setting.explain import as_text

        print("\n" + as_text(steps))
    return 0


def _part(solution: Any, i: int) -> str:
    from ..setting.unknowns import UNKNOWNS
    from ..units import Quantity, show

    label = solution.unknown.replace("_", " ")
    value = solution.values[i]
    shown = show(value, solution.standard_uncertainty[i]) if isinstance(value, Quantity) else str(value)
    first = [(label, shown)]
    if solution.monte_carlo and solution.monte_carlo[i] is not None:
        first.append(("   Monte Carlo", mc_text(solution.monte_carlo[i], UNKNOWNS[solution.unknown].kind)))
    answer = solution.answers[i]
    if solution.unknown == "overcure":
        first = []
    return answer_text(answer, first)
