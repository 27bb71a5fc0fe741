"""Bad machine, resin and needs files: one line each with file, line and key; nothing written."""

import re

import pytest

from curecalc.cli import main

KINDS = ("machine", "resin", "needs")


def text_of(kind, capsys):
    assert main(["new", kind]) == 0
    return capsys.readouterr().out


def active(kind):
    """(line number, key, value) of the lines in use of a starting file."""
    import contextlib
    import io

    with contextlib.redirect_stdout(out := io.StringIO()):
        main(["new", kind])
    lines = out.getvalue().splitlines()
    return [(i, *line.split(" = ", 1)) for i, line in enumerate(lines, 1) if re.match(r"[a-z_]+ = ", line)]


QUANTITY = re.compile(r'"[-+0-9.e]+ [^"]+"')
CASES = []
for _kind in KINDS:
    for _line, _key, _value in active(_kind):
        # a key with its last letter doubled
        CASES.append((_kind, _line, _key, f"{_key}{_key[-1]} = {_value}", f"nearest known key is {_key}."))
        if QUANTITY.fullmatch(_value):
            number = _value.strip('"').split()[0]
            # a share is a plain number too: without its % it is far too large
            CASES.append(
                (_kind, _line, _key, f'{_key} = "{number}"', "must be at most" if re.fullmatch(r'"[0-9.]+ %"', _value) else "has no unit")
            )
            CASES.append((_kind, _line, _key, f'{_key} = "{number} furlong"', "furlong"))
            CASES.append((_kind, _line, _key, f'{_key} = "nan mm"', None))
CASES = [one for one in CASES if one[2] != "schema"]


def test_there_are_a_hundred_at_least():
    assert len(CASES) >= 100


@pytest.mark.parametrize(("kind", "line", "key", "new", "said"), CASES, ids=[f"{c[0]}-{c[1]}-{c[3][:40]}" for c in CASES])
def test_a_bad_file_is_refused_in_one_line(tmp_path, monkeypatch, capsys, kind, line, key, new, said):
    monkeypatch.chdir(tmp_path)
    for one in KINDS:
        lines = text_of(one, capsys).splitlines()
        if one == kind:
            lines[line - 1] = new
        (tmp_path / f"{one}.toml").write_text("\n".join(lines) + "\n")
    files = [part for one in KINDS for part in (f"--{one}", f"{one}.toml")]
    assert main(["recipe", *files, "--save", "out.json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith(f"{kind}.toml:")
    assert key in err
    assert said is None or said in err
    assert not (tmp_path / "out.json").exists()
