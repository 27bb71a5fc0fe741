"""Which lessons `curecalc lesson` shows, and as what."""

import json
from types import SimpleNamespace

import pytest

from curecalc.cli import lesson, main

ORDER = ("line", "raster", "stack")


@pytest.fixture
def shown(monkeypatch, capsys):
    written = []

    def made(name, bench):
        return SimpleNamespace(name=name, figure=lambda: f"figure of {name}", to_dict=lambda: {"name": name})

    monkeypatch.setattr("curecalc.lessons.telling.ORDER", ORDER)
    monkeypatch.setattr("curecalc.lessons.telling.script", lambda name: None)
    monkeypatch.setattr("curecalc.lessons.telling.lesson", made)
    monkeypatch.setattr("curecalc.lessons.telling.lesson_names", lambda: dict.fromkeys(ORDER, "a title"))
    monkeypatch.setattr("curecalc.lessons.show.lesson_text", lambda one, answer: f"{one.name} {answer}")
    monkeypatch.setattr("curecalc.lessons.show.lesson_page", lambda some, answers: f"{[one.name for one in some]} {answers}")
    monkeypatch.setattr(lesson, "bench", lambda args: None)
    monkeypatch.setattr(lesson, "write_figure", lambda figure, args: written.append(figure))
    monkeypatch.setattr(lesson, "write_target", lambda args, name, content: written.append(content))

    def call(words):
        written.clear()
        status = main(["lesson", *words.split()])
        return status, capsys.readouterr().out, list(written)

    return call


def test_lessons_in_the_terminal(shown):
    listed = "line     a title\nraster   a title\nstack    a title\n\nRead them in this order: curecalc lesson exposure\n"
    assert shown("") == (0, listed, [])
    assert shown("raster") == (0, "raster True\n", [])
    assert shown("stack line stack --no-answer") == (0, "stack False\n\n\nline False\n", [])
    assert shown("all")[1] == "line True\n\n\nraster True\n\n\nstack True\n"


def test_lessons_as_json(shown):
    assert json.loads(shown("--json")[1]) == {"lessons": [{"name": name, "title": "a title"} for name in ORDER]}
    assert json.loads(shown("line --json")[1]) == {"name": "line"}
    assert json.loads(shown("line stack --json")[1]) == {"lessons": [{"name": "line"}, {"name": "stack"}]}


def test_lessons_in_files(shown):
    assert shown("--html a.html") == (0, "", ["['line', 'raster', 'stack'] True"])
    assert shown("line --html a.html --no-answer") == (0, "", ["['line'] False"])
    assert shown("line --figure a.png") == (0, "line True\n", ["figure of line"])
    for words in ("--figure a.png", "line stack --figure a.png"):
        assert shown(words) == (2, "", [])
