"""Lessons on the page, with the numbers of the browser's own work, and one thing to move where a lesson has one."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from ..errors import CurecalcError

if TYPE_CHECKING:
    from flask import Flask

    from ..lessons.bench import Bench
    from .app import Views
    from .work import Works

__all__ = ["MOVED", "add_lessons"]

# what there is to move in a lesson: a field of the bench, and the view that goes on with the lesson's numbers
MOVED = {
    "exposure": ("power", "settings"),
    "absorption": ("penetration_depth", "settings"),
    "working-curve": ("critical_exposure", "settings"),
    "spot": ("spot", "settings"),
    "line": ("power", "settings"),
    "raster": ("hatch_spacing", "settings"),
    "overcure": ("overcure", "settings"),
    "stack": ("layer_thickness", "stack"),
    "uncertainty": ("penetration_depth", "settings"),
    "drift": ("power", "settings"),
}


def add_lessons(app: Flask, works: Works, views: Views) -> None:
    """Addresses of the list and of each lesson."""
    from flask import abort, make_response, render_template, request, session
    from markupsafe import Markup

    @app.route("/lessons")
    def lessons() -> str:
        from ..lessons.telling import lesson_names

        return render_template("lessons.html", names=lesson_names())

    @app.route("/lessons/<name>")
    def one_lesson(name: str) -> Any:
        from ..lessons.show import lesson_html
        from ..lessons.telling import ORDER, lesson, lesson_names
        from .fields import FIELDS, read, start_texts

        if name not in ORDER:
            abort(HTTPStatus.NOT_FOUND)
        place = ORDER.index(name)
        bench = works.of(session).bench()
        start = start_texts(bench)
        moved, view = MOVED.get(name, ("", "settings"))
        state = read(request.args, start, [moved] if moved else [])
        problem = ""
        try:
            told = lesson(name, _moved(bench, moved, state.values.get(moved)))
        except CurecalcError as error:
            problem, told = " ".join(str(error).split()), lesson(name, bench)
        with views.board.lock:
            body = lesson_html(told, head="h1")
        part = "_lesson.html" if request.headers.get("X-Part") == "yes" else "lesson.html"
        answer = make_response(
            render_template(
                part,
                title=told.title,
                name=name,
                body=Markup(body),
                moved=FIELDS[moved] if moved else None,
                state=state,
                problem=problem,
                on=f"/{view}?{urlencode({k: v for k, v in state.texts.items() if k == moved})}",
                before=ORDER[place - 1] if place else None,
                after=ORDER[place + 1] if place + 1 < len(ORDER) else None,
                names=lesson_names(),
            )
        )
        if problem or not state.good:
            answer.headers["X-Problem"] = "yes"
        return answer


def _moved(bench: Bench, field: str, value: Any) -> Bench:
    """The bench with the one thing moved."""
    from dataclasses import replace

    if value is None:
        return bench
    if field in ("power", "spot"):
        return replace(bench, beam=replace(bench.beam, **{"power": {"power": value}, "spot": {"radius_x": value}}[field]))
    if field in ("penetration_depth", "critical_exposure"):
        return replace(bench, resin=replace(bench.resin, **{field: value}, correlation=0.0))
    return replace(bench, **{field: value.value if hasattr(value, "value") else value})
