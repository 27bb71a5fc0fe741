"""A part's time and resin from its paths, against sums by hand over the vectors."""

import json
from pathlib import Path

import pytest

from curecalc.cli import main

DEMO = Path(__file__).resolve().parents[2] / "demo"
FILES = ["--machine", str(DEMO / "machine.toml"), "--resin", str(DEMO / "resin.toml"), "--needs", str(DEMO / "needs.toml")]


def test_the_time_of_a_part_is_the_sum_over_its_vectors(tmp_path, capsys):
    rows = ["layer,x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind"]
    for layer in (1, 2, 3):
        corners = [(0, 0), (20, 0), (20, 10), (0, 10), (0, 0)]
        for kind in ("outline", "contour"):
            rows += [f"{layer},{a[0]},{a[1]},{b[0]},{b[1]},{kind}" for a, b in zip(corners, corners[1:])]
        rows += [f"{layer},0,{0.1 * k},20,{0.1 * k},hatch" for k in range(1, 100)]
    file = tmp_path / "part.csv"
    file.write_text("\n".join(rows) + "\n")
    assert main(["recipe", *FILES, "--paths", str(file), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    part = record["part"]
    assert part["layers"] == 3
    assert part["volume"]["value"] == pytest.approx(3 * 200.0 * _value(record, "layer_thickness"), rel=1e-12)
    # the run-up lies outside the vector, beam off, v/a at each end; then the mirrors settle; the machine file states all three
    from curecalc.jobs.machine import read_machine

    machine = read_machine(DEMO / "machine.toml")
    assert machine.run_up_beam == "off"
    a, settle = machine.acceleration.m_as("mm/s^2"), machine.settling_time.m_as("s")
    expected = 0.0
    for kind, length, count in (("contour", 60.0, 4), ("hatch", 20.0 * 99, 99)):
        vector = next(v for v in record["vectors"] if v["kind"] == kind)
        v = vector["scan_speed"]["value"]
        one = length / v + count * (2.0 * v / a + settle)
        expected += 3 * one * vector["passes"] * (2 if vector["cross_hatch"] else 1)
    assert part["scan_time"]["value"] == pytest.approx(expected, rel=0.01)


def _value(record, name):
    return record[name]["value"] if name in record else record["needs"][name]["value"]


def test_vectors_the_recipe_does_not_know_are_said(tmp_path, capsys):
    needs = (DEMO / "needs.toml").read_text()
    only = needs.split("[[vectors]]")
    (tmp_path / "needs.toml").write_text("[[vectors]]".join([only[0], next(p for p in only[1:] if 'kind = "hatch"' in p)]))
    (tmp_path / "part.csv").write_text("x0 [mm],y0 [mm],x1 [mm],y1 [mm],kind\n0,0,1,0,skin\n")
    files = [*FILES[:4], "--needs", str(tmp_path / "needs.toml")]
    assert main(["recipe", *files, "--paths", str(tmp_path / "part.csv")]) == 2
    assert "no kind for vectors of kind 'skin'" in capsys.readouterr().err
