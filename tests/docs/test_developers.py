"""The contributor's page names places that exist, at most three a task."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TASKS = next(part for part in TEXT.split("## Where to do what")[1].split("\n\n") if part.startswith("|")).splitlines()[2:]


def places(row):
    """Paths named in the second cell of a row."""
    return [p for p in re.findall(r"`([\w./]+)`", row.split("|")[2]) if "/" in p]


def test_there_are_enough_tasks():
    assert len(TASKS) >= 10


@pytest.mark.parametrize("row", TASKS, ids=lambda row: row.split("|")[1].strip())
def test_a_task_names_at_most_three_places_that_exist(row):
    named = places(row)
    assert 1 <= len(named) <= 3
    for place in named:
        found = [
            folder / place for folder in (ROOT, ROOT / "curecalc") if (folder / place.replace("NAME.py", "").replace("NAME", "")).exists()
        ]
        assert found, place


def named_in(source):
    """Names that a module gives a meaning to: functions, classes, their fields and methods, and values."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id


@pytest.mark.parametrize("row", TASKS, ids=lambda row: row.split("|")[1].strip())
def test_what_a_task_names_in_a_module_stands_there(row):
    for place, names in re.findall(r"`([\w./]+\.py)` \(([^)]*)\)", row.split("|")[2]):
        file = next((f for f in (ROOT / "curecalc" / place, ROOT / place) if f.exists()), None)
        for name in re.findall(r"`(\w+)`", names) if file else ():
            assert name in set(named_in(file.read_text(encoding="utf-8"))), f"{name} in {place}"


def test_every_room_is_told():
    rooms = TEXT.split("## Rooms")[1].split("## Where")[0]
    for folder in sorted(p.name for p in (ROOT / "curecalc").iterdir() if p.is_dir() and not p.name.startswith("__")):
        assert f"`{folder}`" in rooms, folder
