"""The README's examples run and give what it says."""

import doctest
import re
import shlex
from pathlib import Path

import pytest

from curecalc.cli import main

README = Path(__file__).resolve().parent.parent.parent / "README.md"


def test_python_examples():
    failed, tried = doctest.testfile(str(README), module_relative=False)
    assert tried
    assert not failed


def test_worked_example_command_gives_the_number_worked_by_hand(capsys):
    text = README.read_text(encoding="utf-8").replace("\\\n", " ")
    command = next(line for line in text.splitlines() if line.startswith("curecalc speed"))
    assert main(shlex.split(command)[1:]) == 0
    by_hand = re.search(r"= ([0-9.]+) mm/s", text)[1]
    assert f"{by_hand} mm/s" in capsys.readouterr().out


NAMED = re.findall(r"(?:^|`|bin/)curecalc ([a-z]+)(?= --|`|$)", README.read_text(encoding="utf-8"), re.M)


@pytest.mark.parametrize("command", sorted(set(NAMED)))
def test_commands_named_exist(command):
    from curecalc.cli import COMMANDS

    assert command in COMMANDS


def test_it_is_short_and_shows_what_is_there():
    text = README.read_text(encoding="utf-8")
    assert len(text.splitlines()) < 200
    for picture in re.findall(r'src="([^"]+)"', text):
        assert (README.parent / picture).read_bytes().startswith(b"\x89PNG")
