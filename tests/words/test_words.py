"""What people read, word for word: help, answers, derivations, refusals and sheets of every command.

Each block of the .txt files beside this one is a command as typed and all that it says; figures are masked by # except in help, so
that these files hold words and never a number as a reference. Where a wording is meant to change, `CURECALC_WRITE_WORDS=1
python -m pytest tests/words` writes the files anew, and the change of words stands in the diff for a reader to judge.
"""

import io
import os
import re
import shutil
import textwrap
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

import curecalc
from curecalc.cli import main
from curecalc.errors import CurecalcError
from curecalc.units import Quantity

from .browsing import FIGURES, Browser

HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "demo"
WRITE = bool(os.environ.get("CURECALC_WRITE_WORDS"))
REWRITE = "the words changed. Where that is meant: CURECALC_WRITE_WORDS=1 python -m pytest tests/words (without -n), and read the diff"
SLOW: set[str] = set()  # cases that take long: `slow LINE`
SHORT: dict[str, str] = {}  # names of stretches of commands that many cases share: `let NAME TEXT`, then $NAME
STATUS = {0: "", 1: "(status one)", 2: "(status two)", 3: "(status three)"}


def cases() -> list[tuple[str, str]]:
    """Topic and command lines (several with ` && ` between them run in one folder)."""
    found, topic = [], ""
    for file in sorted(HERE.glob("cases*.txt")):
        for line in file.read_text(encoding="utf-8").splitlines():
            if line.startswith("== "):
                topic = line[3:]
            elif line.startswith("let "):
                _, name, text = line.split(" ", 2)
                assert SHORT.get(name, in_full(text)) == in_full(text), f"{name} has two meanings"
                SHORT[name] = in_full(text)
            elif line.strip() and not line.startswith("#"):
                found.append((topic, line.removeprefix("slow ")))
                if line.startswith("slow "):
                    SLOW.add(found[-1][1])
    return found


def in_full(text: str) -> str:
    """With the stretches that have a name."""
    return re.sub(r"(?<!\$)\$([A-Z]+)", lambda found: SHORT[found[1]], text)


def masked(text: str) -> str:
    """The words alone: figures, hashes and dates as #."""
    text = re.sub(r"\b(?=[0-9a-f]*\d)[0-9a-f]{8,}\b", "#", text)
    text = re.sub(r"[-+−]?\d[\d.,]*(?:e[-+]?\d+)?", "#", text)
    return re.sub(r"#(?:[-:T/ ]#)+", "#", text)


def words_of(command: str) -> list[str]:
    """A command line as a shell would cut it."""
    import shlex

    return shlex.split(command)


def called(line: str) -> str:
    """What a Python expression of a module of the program gives or raises: `call MODULE EXPRESSION`."""
    _, module, expression = line.split(" ", 2)
    names: dict[str, object] = {"np": np, "Q": Quantity, "Path": Path, "curecalc": curecalc}
    for room in (curecalc, curecalc.units, import_module(module)):
        names |= {name: getattr(room, name) for name in re.findall(r"\w+", expression) if hasattr(room, name)}
    try:
        value = eval(expression, names)
    except (CurecalcError, AttributeError, ValueError) as error:
        return f"{type(error).__name__}: {error}\n"
    return "".join(f"{drawn(one)}\n" for one in (value if isinstance(value, list | tuple) else [value]))


def drawn(one: object) -> object:
    """The words on a figure, each once; ticks come and go with the plotting library. All else as it is."""
    if not hasattr(one, "findobj"):
        return one
    from matplotlib.text import Text

    words = [text.get_text() for text in one.findobj(Text)]
    return "\n".join(dict.fromkeys(text for text in words if not FIGURES.fullmatch(text)))


@pytest.fixture
def say(capsys, tmp_path, monkeypatch):
    """Run command lines in a folder that holds the invented files; what they say, without figures."""
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.chdir(tmp_path)

    def call(line: str) -> str:
        line = in_full(line)
        for file in DEMO.iterdir():
            if file.name in line:
                shutil.copy(file, tmp_path)
        said, browser = [], None
        for command in line.split(" && "):
            if command.startswith(tuple(f"{verb} " for verb in Browser.VERBS)):
                browser = browser or Browser()
                said.append(masked(browser(command)))
                continue
            if command.startswith("call "):
                said.append(masked(called(command).replace(str(tmp_path), "")))
                continue
            if command.startswith("type "):  # type TEXT: what is typed at the next command
                monkeypatch.setattr("sys.stdin", io.StringIO(command[5:].replace("\\n", "\n")))
                continue
            if command.startswith("write "):  # write FILE TEXT, with \n for a new line
                _, name, text = command.split(" ", 2)
                Path(name).write_text(text.replace("\\n", "\n"), encoding="utf-8")
                continue
            if command.startswith("change "):  # change FILE OLD => NEW
                _, name, rest = command.split(" ", 2)
                old, new = rest.replace("\\n", "\n").split(" => ")
                text = Path(name).read_text(encoding="utf-8")
                assert old in text, old
                Path(name).write_text(text.replace(old, new), encoding="utf-8")
                continue
            try:
                status = main(words_of(command))
            except SystemExit as stop:
                status = stop.code or 0
            out, err = capsys.readouterr()
            if "--help" in command:
                said.append(out.partition("\n\n")[2])  # the first lines, the usage, are laid out by the interpreter
            else:
                told = out + "".join(f"[{line}]\n" for line in err.splitlines())
                said.append(masked(told.replace(str(DEMO.parent), "").replace(str(tmp_path), "")) + STATUS[status])
        return "\n".join(said)

    return call


def kept(topic: str) -> dict[str, str]:
    """The blocks of one file."""
    blocks: dict[str, str] = {}
    for block in (HERE / f"{topic}.txt").read_text(encoding="utf-8").split("\n$ ")[1:]:
        command, _, text = block.partition("\n")
        blocks[command] = text
    return blocks


@pytest.mark.parametrize(("topic", "line"), [pytest.param(*c, marks=pytest.mark.slow if c[1] in SLOW else ()) for c in cases()])
def test_every_word(say, topic, line):
    said = say(line)
    if WRITE:
        assert "PYTEST_XDIST_WORKER" not in os.environ, "several writers would lose each other's blocks: write without -n"
        target = HERE / f"{topic}.txt"
        rows = re.sub(r"^\$ ", " $ ", said, flags=re.MULTILINE).splitlines()  # a block alone begins with a dollar
        lines = [part for row in rows for part in (textwrap.wrap(row, 140, break_on_hyphens=False) or [""])]
        old = kept(topic) if target.exists() else {}
        old[line] = "\n".join(lines).rstrip() + "\n"
        order = [command for name, command in cases() if name == topic]
        target.write_text("".join(f"\n$ {c}\n{old[c]}" for c in order if c in old), encoding="utf-8")
        return
    assert said.split() == kept(topic)[line].split(), REWRITE


def test_files_hold_no_block_without_its_command():
    for topic in {topic for topic, _ in cases()}:
        assert list(kept(topic)) == [line for name, line in cases() if name == topic]
