"""`curecalc practice`: exercises from a seed, answers checked, worksheets for a class."""

from __future__ import annotations

import argparse
import re
from typing import Any

from ..errors import QuantityError
from ..files.disk import check_target
from ..symbols import clip
from .bench import add_bench, bench
from .common import _Once, add_target, print_json, write_target
from .setting import number

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    group = parser.add_argument_group("exercises")
    group.add_argument("--seed", metavar="N", action=_Once, help="the same seed gives the same exercises (1)")
    group.add_argument("--count", metavar="N", action=_Once, help="how many (6)")
    group.add_argument("--grade", metavar="G", action=_Once, help="1 easy, 2, 3 hard; a mixture when left out")
    group.add_argument("--lesson", metavar="NAME", action=_Once, help="only what this lesson teaches")
    group = parser.add_argument_group("answers (asked for one by one when none is given)")
    group.add_argument(
        "--answer", metavar="N=VALUE", action="append", default=[], help='answer to exercise N, like --answer "2=0.15 mm"; may be repeated'
    )
    group.add_argument("--print", action="store_true", help="print the exercises and ask nothing")
    group.add_argument("--score", metavar="FILE", action=_Once, help="add the answers to this score file (.csv)")
    group.add_argument("--learner", metavar="NAME", action=_Once, help="name or initials for the score file")
    group = parser.add_argument_group("output")
    add_target(group, "--worksheet", "write the exercises, with room for working", ".pdf")
    add_target(group, "--answer-key", "write the answer key", ".pdf")
    group.add_argument("--with-answers", action="store_true", help="show answers and the way to them")
    group.add_argument("--json", action="store_true", help="one JSON object on stdout and nothing else")
    add_bench(parser)


def run(args: argparse.Namespace) -> int:
    """Make the exercises and do with them what was asked."""
    from ..lessons.exercises import exercises

    if args.learner is not None and args.score is None:
        raise QuantityError("--learner belongs to --score. Add --score FILE, or leave --learner out.")
    if args.score is not None:
        check_target("--score", args.score, (".csv",))
    seed = number("--seed", args.seed, 1, whole=True)
    sheet = exercises(
        seed=seed,
        number=number("--count", args.count, 6, whole=True),
        grade=number("--grade", args.grade, None, whole=True),
        lesson=args.lesson,
        bench=bench(args),
    )
    if args.worksheet is not None or args.answer_key is not None:
        return _print_pdf(args, sheet, seed)
    if args.answer:
        return _checked(args, sheet, seed)
    if args.json:
        print_json({"seed": seed, "exercises": [e.to_dict(with_answer=args.with_answers) for e in sheet]})
        return 0
    if args.print or args.with_answers:
        print("\n\n".join(_shown(one, args.with_answers) for one in sheet))
        return 0
    return _asked(args, sheet, seed)


def _print_pdf(args: argparse.Namespace, sheet: list[Any], seed: int) -> int:
    from ..sheets import answer_key, worksheet

    note = f"Sheet made from seed {seed}. The same seed and options give the same sheet and key."
    for name, make in (("worksheet", worksheet), ("answer_key", answer_key)):
        if getattr(args, name) is not None:
            write_target(args, name, make(sheet, note=note))
    return 0


def _shown(one: Any, answer: bool) -> str:
    from textwrap import fill

    from ..setting.explain import as_text

    text = f"{one.number}. (grade {one.grade}, lesson {one.lesson})\n{fill(one.text, 88)}"
    if answer:
        text += f"\nanswer: {one.told()}\n{as_text(list(one.steps))}"
    return text


def _checked(args: argparse.Namespace, sheet: list[Any], seed: int) -> int:
    from ..lessons.exercises import check_answer

    given: dict[int, str] = {}
    for text in args.answer:
        found = re.fullmatch(r"\s*(\d{1,4})\s*=\s*(.*)", text, re.S)
        if not found or not 1 <= int(found[1]) <= len(sheet):
            raise QuantityError(
                f"--answer: cannot read {clip(text)}. Write the exercise's number (1 to {len(sheet)}), = and the answer, "
                'like --answer "2=0.15 mm".'
            )
        if int(found[1]) in given:
            raise QuantityError(f"--answer: exercise {int(found[1])} is answered twice. Leave one out.")
        given[int(found[1])] = found[2]
    rows = []
    for place, text in sorted(given.items()):
        one = sheet[place - 1]
        try:
            rows.append((one, text, check_answer(one, text)))
        except QuantityError as error:
            raise QuantityError(str(error).replace("answer", f"--answer {place}", 1)) from None
    _keep(args, rows, seed)
    if args.json:
        record: dict[str, Any] = {
            "seed": seed,
            "answers": [{"number": e.number, "answer": t} | v.to_dict() for e, t, v in rows],
            "right": sum(v.right for _, _, v in rows),
        }
        print_json(record)
        return 0
    for one, _, verdict in rows:
        print(f"{one.number}. {verdict.remark}")
    _total(args, rows)
    return 0


def _asked(args: argparse.Namespace, sheet: list[Any], seed: int) -> int:
    """Ask one after the other; an empty line shows the answer, the end of input stops."""
    from ..lessons.exercises import check_answer

    rows: list[tuple[Any, str, Any]] = []
    print("Type each answer with its unit; an empty line shows the answer, Ctrl-D stops.\n")
    try:
        for one in sheet:
            print(_shown(one, False))
            tries = 0
            while True:
                text = input("> ").strip()
                if not text:
                    print(_shown(one, True).split("\n", 1)[1])
                    break
                try:
                    verdict = check_answer(one, text)
                except QuantityError as error:
                    print(error)
                    continue
                print(verdict.remark)
                if not tries:
                    rows.append((one, text, verdict))
                tries += 1
                if verdict.right:
                    break
            print()
    except EOFError:
        print()
    finally:
        _keep(args, rows, seed)
    _total(args, rows)
    return 0


def _keep(args: argparse.Namespace, rows: list[Any], seed: int) -> None:
    if args.score is not None and rows:
        from ..lessons.scores import add_scores

        add_scores(args.score, rows, seed=seed, learner=args.learner or "")


def _total(args: argparse.Namespace, rows: list[Any]) -> None:
    if not rows:
        return
    print(f"\n{sum(v.right for _, _, v in rows)} of {len(rows)} right at the first try")
    if args.score is not None:
        from ..lessons.scores import read_scores

        print(read_scores(args.score).text())
