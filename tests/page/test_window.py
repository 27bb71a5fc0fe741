"""The process window on the page: the tool's numbers, its axes, words for what cannot be."""

import html
import json
import shlex
from pathlib import Path
from urllib.parse import urlencode

import pytest
from sampling import few

from curecalc.cli import main
from curecalc.page import PageOptions, create_app

DEMO = Path(__file__).resolve().parents[2] / "demo"
FILES = tuple(str(DEMO / f"{name}.toml") for name in ("machine", "resin", "needs"))


@pytest.fixture(scope="module")
def window_client(parts):
    return create_app(PageOptions(parts=parts, burst=1e9, per_second=1e9)).test_client()


@pytest.mark.parametrize(
    "query", few([{}, {"across": "power", "up": "scan_speed"}, {"kind": "contour"}, {"kind": "contour", "up": "hatch_spacing"}], 4)
)
def test_window_numbers_and_command_agree_with_the_tool(window_client, capsys, query):
    address = urlencode(query)
    text = html.unescape(window_client.get(f"/window?{address}").text)
    assert "<svg" in text
    assert 'role="alert"' not in text
    numbers = window_client.get(f"/window/numbers.json?{address}").json
    command = shlex.split(window_client.get(f"/window/command.txt?{address}").text)
    assert main([*command[1:], "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == numbers
    assert window_client.get(f"/window/window.png?{address}").data.startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"kind": "<b>"}, "Kind of vector must be one of"),
        ({"across": "temperature"}, "Axis must be one of"),
        ({"across": "scan_speed", "up": "scan_speed"}, "two"),
    ],
)
def test_what_cannot_be_is_said(window_client, query, words):
    page = window_client.get(f"/window?{urlencode(query)}")
    assert page.status_code == 200
    assert 'role="alert"' in page.text
    assert words in html.unescape(page.text)
    assert "<b>" not in page.text
    assert window_client.get(f"/window/numbers.json?{urlencode(query)}").status_code == 400


def test_without_a_recipe_the_window_says_what_is_missing(client):
    assert "machine, lot and needs are not all here" in client.get("/window").text


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["--person", "x"], "--person belongs to --host"),
        (["--certificate-key", "key.pem"], "--certificate-key belongs to --certificate"),
        (["--certificate", "a.pem", "--proxy", "127.0.0.1"], "--certificate and --proxy"),
        (["--certificate", "a.pem"], "--certificate"),
        (["--needs", "no.toml", "--machine", FILES[0], "--resin", FILES[1]], "no.toml"),
        (["--machine", FILES[0], "--power", "100 mW"], "--power and --machine: recipe and map are made of the files"),
        (["--resin", FILES[1], "--critical-exposure", "20 mJ/cm^2"], "Change it in the resin file"),
        (["--write"], "--write belongs to --log"),
        (["--host-name", "x"], "--host-name belongs to --host"),
        (["--port", "99999"], "--port must be"),
        (["--port", "x"], "--port"),
        (["--host", "no such host"], "--host"),
        (["--log", "missing.db"], "missing.db"),
    ],
)
def test_options_of_the_command_are_refused_in_one_line(argv, words, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["page", *argv]) == 2
    err = capsys.readouterr().err.splitlines()
    assert words in err[-1]
    assert not [line for line in err[:-1] if not line.startswith("Access code")]
    assert not list(tmp_path.iterdir())
