"""`curecalc lesson`: the list of lessons, one in the terminal, or printable HTML."""

from __future__ import annotations

import argparse

from .bench import add_bench, bench
from .common import FIGURES, add_target, print_json, show_rows, write_figure, write_target

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("name", nargs="*", metavar="LESSON", help="names of lessons, or all; the list when left out")
    add_bench(parser)
    group = parser.add_argument_group("output")
    group.add_argument("--no-answer", action="store_true", help="leave the answer out, for a class")
    add_target(group, "--html", "write a printable page instead", ".html", ".htm")
    add_target(group, "--figure", "draw the figure", *FIGURES)
    group.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")


def run(args: argparse.Namespace) -> int:
    """Show the lessons asked for."""
    from ..errors import QuantityError
    from ..lessons.telling import ORDER, lesson, lesson_names, script

    names = list(ORDER) if args.name == ["all"] else list(dict.fromkeys(args.name))
    for name in names:
        script(name)
    if args.figure is not None and len(names) != 1:
        raise QuantityError(f"--figure draws one lesson's figure: name one lesson, got {len(names)}.")
    if args.html is not None and not names:
        names = list(ORDER)
    if not names:
        if args.json:
            print_json({"lessons": [{"name": k, "title": v} for k, v in lesson_names().items()]})
        else:
            print(show_rows(list(lesson_names().items())))
            print("\nRead them in this order: curecalc lesson exposure")
        return 0
    here = bench(args)
    lessons = [lesson(name, here) for name in names]
    if args.figure is not None:
        write_figure(lessons[0].figure(), args)
    if args.html is not None:
        from ..lessons.show import lesson_page

        write_target(args, "html", lesson_page(lessons, answers=not args.no_answer))
    if args.json:
        records = [one.to_dict() for one in lessons]
        print_json(records[0] if len(records) == 1 else {"lessons": records})
    elif args.html is None:
        from ..lessons.show import lesson_text

        print("\n\n\n".join(lesson_text(one, answer=not args.no_answer) for one in lessons))
    return 0
