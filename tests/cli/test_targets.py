"""Nothing is overwritten in silence, and no command writes over what it reads: the same rule for every file of every command."""

import pytest
from parsers import parsers

from curecalc.cli import main
from curecalc.cli.common import _Target


def lines():
    """One command line for each file that a command can write: its words, the option, an ending."""
    for words, parser in parsers():
        for action in parser._actions:
            if isinstance(action, _Target):
                read = [str(a.choices[0] if a.choices else "none.x") for a in parser._actions if not a.option_strings and a is not action]
                others = [a.option_strings[0] for a in parser._actions if a.required and a.option_strings and a is not action]
                yield [*words, *read, *(w for o in others for w in (o, "x")), *action.option_strings[:1]], (action.endings or (".toml",))[0]


LINES = list(lines())


def test_the_files_a_command_writes_are_declared_in_one_way():
    """Options that name a file to write are known by their words."""
    for words, parser in parsers():
        for action in parser._actions:
            said = (action.help or "").split(";")[0]
            writes = action.metavar == "FILE" and any(w in said.split() for w in ("draw", "write", "written"))
            assert not writes or isinstance(action, _Target), (words, action.option_strings)
    assert len(LINES) >= 30


@pytest.mark.parametrize(("words", "ending"), LINES, ids=[" ".join(words) for words, _ in LINES])
def test_a_file_that_stands_is_kept_without_overwrite(tmp_path, monkeypatch, capsys, words, ending):
    monkeypatch.chdir(tmp_path)
    (tmp_path / f"old{ending}").write_text("kept")
    assert main([*words, f"old{ending}"]) == 2
    said = capsys.readouterr().err
    assert f"old{ending}: stands already. Choose another name, or add --overwrite." in said, said
    assert main([*words, f"none/new{ending}"]) == 2
    assert "the folder none does not exist" in capsys.readouterr().err
    (tmp_path / f"dir{ending}").mkdir()
    assert main([*words, f"dir{ending}", "--overwrite"]) == 2
    assert "this is a folder" in capsys.readouterr().err
    assert (tmp_path / f"old{ending}").read_text() == "kept"
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([f"old{ending}", f"dir{ending}"])


SPEED = ["speed", "--power", "30mW", "--beam-radius", "0.125mm", "--penetration-depth", "0.15mm", "--critical-exposure", "8mJ/cm2"]


def test_overwrite_replaces(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.svg").write_text("old")
    words = [*SPEED, "--layer-thickness", "0.1mm", "--overcure", "0.05mm", "--figure", "a.svg"]
    assert main(words) == 2
    assert (tmp_path / "a.svg").read_text() == "old"
    assert main([*words, "--overwrite"]) == 0
    assert "<svg" in (tmp_path / "a.svg").read_text()
    assert "wrote a.svg" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ["map", "p.npz", "--save", "./p.npz"],
        ["fit", "r.toml", "--save", "r.toml"],
        ["fit", "a.csv", "--prior", "r.toml", "--save", "r.toml"],
        ["compare", "a.csv", "b.png", "--figure", "b.png"],
        ["recipe", "--figure", "b.png", "--along", "b.png"],
        ["recipe", "--figure", "new.png", "--along", "new.png"],
        ["retune", "r.json", "--power", "1mW", "--save", "r.json"],
    ],
)
def test_what_is_read_is_never_written(tmp_path, monkeypatch, capsys, words):
    monkeypatch.chdir(tmp_path)
    for name in ("p.npz", "r.toml", "a.csv", "b.png", "r.json"):
        (tmp_path / name).write_text("data")
    assert main([*words, "--overwrite"]) == 2
    assert "names this file in another place" in capsys.readouterr().err
    assert all(p.read_text() == "data" for p in tmp_path.iterdir())


def test_the_demo_keeps_what_stands(tmp_path, monkeypatch, capsys):
    """Run again it takes the next free folder; a folder named and in use is refused."""
    from curecalc.cli import demo

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "whole_job", lambda folder: f"in {folder} ({(folder / 'mine').write_text('mine')})")
    assert (main(["demo"]), main(["demo"]), main(["demo"])) == (0, 0, 0)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["curecalc-demo", "curecalc-demo-2", "curecalc-demo-3"]
    assert main(["demo", "--folder", "curecalc-demo"]) == 2
    assert "files stand there already. Name another folder, or add --overwrite." in capsys.readouterr().err
    assert main(["demo", "--folder", "curecalc-demo", "--overwrite"]) == 0
