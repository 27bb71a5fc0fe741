"""The files `curecalc new` writes are a working set, and `recipe` draws only when asked."""

import os
import subprocess
import sys

import pytest

from curecalc.cli import main


@pytest.fixture
def files(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for kind in ("machine", "resin", "needs"):
        assert main(["new", kind, f"{kind}.toml"]) == 0
    return [part for kind in ("machine", "resin", "needs") for part in (f"--{kind}", f"{kind}.toml")]


def test_the_starting_files_give_a_recipe(files, capsys):
    assert main(["recipe", *files]) == 0
    assert "UNVERIFIED" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "drawn"),
    [((), False), *(pytest.param(more, True, marks=pytest.mark.slow) for more in (("--figure", "w.png"), ("--sheet", "s.html")))],
)
def test_plotting_is_loaded_only_for_a_figure_or_a_sheet(files, tmp_path, more, drawn):
    code = (
        "import sys\nfrom curecalc.cli import main\n"
        f"status = main({['recipe', *files, *more]!r})\n"
        "print('matplotlib' in sys.modules, status, file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": ":".join(sys.path)},
    )
    assert done.stderr.split()[-2:] == [str(drawn), "0"]
