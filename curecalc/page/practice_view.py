"""Practice on the page: one exercise of a sheet, the answer checked, the way shown on request; the browser keeps the score."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError, QuantityError

if TYPE_CHECKING:
    from flask import Flask

    from ..lessons.exercises import Exercise, Verdict
    from .work import Work

__all__ = ["add_practice"]

NUMBER = 12  # exercises a sheet
MOST_KEPT = 60


def add_practice(app: Flask, first: Work) -> None:
    """Addresses of the exercises and of their printed sheets."""
    from flask import Response, abort, render_template, request, session

    def sheet() -> tuple[list[Exercise], dict[str, str]]:
        from ..lessons.exercises import exercises

        seed, typed = _whole("Sheet number", request.args.get("seed", "1")), request.args.get("grade", "").strip()
        grade = _whole("Grade", typed) if typed else None
        return exercises(seed=seed, number=NUMBER, grade=grade, bench=first.base), {"seed": str(seed), "grade": typed and str(grade)}

    @app.route("/practice")
    def practice() -> Any:
        from ..lessons.exercises import check_answer
        from ..lessons.telling import script

        context: dict[str, Any] = {"problem": "", "texts": {"seed": "1", "grade": ""}, "number": NUMBER}
        try:
            made, texts = sheet()
            place = min(max(_whole("Exercise", request.args.get("exercise", "1")), 1), NUMBER)
        except QuantityError as error:
            return render_template("practice.html", **context | {"problem": str(error), "one": None}), HTTPStatus.BAD_REQUEST
        one = made[place - 1]
        answer = request.args.get("answer", "")
        verdict: Verdict | None = None
        unread = ""
        if answer.strip():
            try:
                verdict = check_answer(one, answer)
                key = f"{texts['seed']}-{texts['grade']}-{place}"
                kept: dict[str, bool] = session.get("score", {})
                if key not in kept:  # the first try counts
                    session["score"] = dict([*kept.items(), (key, verdict.right)][-MOST_KEPT:])
            except QuantityError as error:
                unread = str(error)
        return render_template(
            "practice.html",
            **context
            | {
                "one": one,
                "texts": texts,
                "answer": answer,
                "verdict": verdict,
                "unread": unread,
                "place": place,
                "lesson_title": script(one.lesson).title,
                "way": request.args.get("way") == "yes",
                "score": list(session.get("score", {}).values()),
            },
        )

    @app.route("/practice/<which>.pdf")
    def practice_pdf(which: str) -> Any:
        from ..sheets import answer_key, worksheet

        make = {"worksheet": worksheet, "key": answer_key}.get(which)
        if make is None:
            abort(HTTPStatus.NOT_FOUND)
        try:
            made, texts = sheet()
            content = make(made, note=f"Sheet made from seed {texts['seed']}.")
        except CurecalcError as error:
            return Response(f"{error}\n", HTTPStatus.BAD_REQUEST, mimetype="text/plain")
        answer = Response(content, mimetype="application/pdf")
        answer.headers["Content-Disposition"] = f'attachment; filename="curecalc-{which}.pdf"'
        return answer


def _whole(name: str, text: str) -> int:
    from ..units import count, parse

    return int(count(name, float(parse(name, text, "number").m), minimum=0))
