"""A machine and resin in the middle of what the trade runs. All ranges: common practice, no source.

Large vats: 355 nm, about 1 W, beam diameter 0.1 to 0.5 mm, scan speed up to 10 m/s, layers 0.03 to 0.25 mm, 80 to 320 mL of
resin an hour, a room of 22 to 28 degC and 30 to 40 % relative humidity, about 10 minutes of warm-up, compensation of one to a
few layers. The machine here is invented.
"""

import json

import pytest

from curecalc.cli import main

MACHINE = {
    "400 mW +- 1.5 %": "1000 mW +- 1.5 %",
    "0.06 mm": "0.05 mm",
    '"0.15 mm"\n\n# Smallest diam': '"0.25 mm"\n\n# Smallest diam',
    "8000 mm/s": "10 m/s",
    "18 s": "20 s",
    '"300 mm"': '"500 mm"',
}


def recipe(tmp_path, monkeypatch, capsys, *more, layer="0.1 mm"):
    monkeypatch.chdir(tmp_path)
    for kind in ("machine", "resin", "needs"):
        assert main(["new", kind, f"{kind}.toml"]) == 0
    text = (tmp_path / "machine.toml").read_text()
    for old, new in MACHINE.items():
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "machine.toml").write_text(text)
    needs = (tmp_path / "needs.toml").read_text()
    (tmp_path / "needs.toml").write_text(needs.replace('layer_thickness = "0.1 mm"', f'layer_thickness = "{layer}"'))
    capsys.readouterr()
    files = [part for kind in ("machine", "resin", "needs") for part in (f"--{kind}", f"{kind}.toml")]
    assert main(["recipe", *files, *more, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("area", ["8000 mm^2", "12000 mm^2", "20000 mm^2"])
def test_speeds_rates_and_compensation_are_those_of_the_trade(tmp_path, monkeypatch, capsys, area):
    found = recipe(tmp_path, monkeypatch, capsys, "--area", area)
    for one in found["vectors"]:
        speed = one["scan_speed"]["value"]
        assert speed <= 10000.0 * (1.0 + 1e-9)
        limits = [limit["limit"] for limit in one["limits"]]
        assert speed < 9999.0 or "scanner speed" in limits
        assert 0.1 <= 2.0 * one["beam_radius"]["value"] <= 0.5
    assert 80.0 <= found["volume_rate"]["value"] * 3.6 <= 320.0  # mm^3/s to mL/h
    down = next(one for one in found["vectors"] if one["kind"] == "down-facing")
    assert 1 <= down["compensation_layers"] <= 4


def test_the_room_of_the_starting_machine_is_that_of_the_trade(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["new", "machine", "machine.toml"]) == 0
    text = (tmp_path / "machine.toml").read_text()
    for line in (
        'temperature_min = "22 degC"',
        'temperature_max = "28 degC"',
        'humidity_min = "30 %"',
        'humidity_max = "40 %"',
        'warm_up_time = "10 min"',
        'wavelength = "355 nm"',
    ):
        assert f"\n{line}" in text
