"""Lessons on the page, with the numbers of the bench or of the settings in the address."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..lessons.bench import Bench
from ..lessons.show import lesson_html
from ..lessons.telling import ORDER, lesson, lesson_names
from .drawing import Board

if TYPE_CHECKING:
    from flask import Flask

__all__ = ["add_lessons"]


def add_lessons(app: Flask, bench: Bench, board: Board) -> None:
    """Addresses of the list and of each lesson."""
    from flask import abort, render_template
    from markupsafe import Markup

    @app.route("/lessons")
    def lessons() -> str:
        return render_template("lessons.html", names=lesson_names())

    @app.route("/lessons/<name>")
    def one_lesson(name: str) -> Any:
        if name not in ORDER:
            abort(404)
        place = ORDER.index(name)
        told = lesson(name, bench)
        with board.lock:
            body = lesson_html(told, head="h1")
        return render_template(
            "lesson.html",
            title=told.title,
            body=Markup(body),
            before=ORDER[place - 1] if place else None,
            after=ORDER[place + 1] if place + 1 < len(ORDER) else None,
            names=lesson_names(),
        )
