"""The commands plan, fit and compare as a technician types them."""

import json
from pathlib import Path

import numpy as np
import pytest

from curecalc.cli import main


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(8)
    for name, ec, seed in (("a", 8.0, 8), ("b", 9.0, 9)):
        rng = np.random.default_rng(seed)
        rows = [
            "# power = 300 mW, beam_radius = 125 um, hatch_spacing = 0.1 mm",
            f"# lot = {name}, wavelength = 355 nm, machine = north",
            "coupon;scan speed [mm/s];thickness [um]",
        ]
        for i, v in enumerate(np.repeat([3500, 5500, 8500, 13500], 2)):
            depth = 0.15 * np.log(30000 / (v * 0.1) / ec) + rng.normal(0, 0.003)
            rows += [f"{i + 1};{v};{1000 * (depth + rng.normal(0, 0.002)):.0f}" for _ in range(3)]
        (tmp_path / f"{name}.csv").write_text("\n".join(rows) + "\n")
    return tmp_path


def run(capsys, *argv):
    status = main([str(a) for a in argv])
    out, err = capsys.readouterr()
    return status, out, err


def record(capsys, *argv):
    status, out, err = run(capsys, *argv, "--json")
    assert status == 0, err
    return json.loads(out)


def test_fit_prints_json_alone_and_saves(folder, capsys):
    got = record(
        capsys,
        "fit",
        "a.csv",
        "--at-depth",
        "0.15 mm",
        "--at-depth",
        "200um",
        "--save",
        "resin.toml",
        "--figure",
        "f.png",
        "--power-scale-uncertainty",
        "3 %",
        "--explain",
    )
    assert [round(w["depth"]["value"], 3) for w in got["exposure_for_depth"]] == [0.15, 0.2]
    assert (got["coupons"], got["readings"]) == (8, 24)
    assert got["lot"] == "a"
    assert got["wavelength"] == {"value": 355.0, "unit": "nm"}
    assert len(got["data"]["sha256"]) == 64
    assert got["derivation"][0]["why"]
    assert (folder / "f.png").read_bytes()[:4] == b"\x89PNG"
    assert 'machine = "north"' in (folder / "resin.toml").read_text()
    again = record(capsys, "fit", "b.csv", "--prior", "resin.toml")
    assert again["prior"]["lots"] == ["resin.toml"]


def test_fit_text_and_derivation(folder, capsys):
    status, out, _ = run(capsys, "fit", "a.csv", "--explain", "--at-depth", "0.2 mm")
    assert status == 0
    assert "penetration depth Dp" in out
    assert "Dp = Sxy/Sxx" in out


def test_the_same_data_and_options_print_the_same(folder, capsys):
    assert run(capsys, "fit", "a.csv", "--json") == run(capsys, "fit", "a.csv", "--json")


def test_fit_options_go_together(folder, capsys):
    assert run(capsys, "fit", "a.csv", "--save", "r.toml")[0] == 0
    got = record(
        capsys,
        "fit",
        "b.csv",
        "--prior",
        "r.toml,r.toml",
        "--lot-spread-depth",
        "4 %",
        "--lot-spread-exposure",
        "0.1",
        "--exclude",
        "3",
        "--confidence",
        "99 %",
        "--power-scale-uncertainty",
        "0.03",
        "--beam-radius-scale-uncertainty",
        "5 %",
        "--thickness-bias-uncertainty",
        "2 um",
        "--elsewhere",
        "--other-gauge",
        "--at-depth",
        "0.2 mm",
        "--skip-blank",
        "--save",
        "s.toml",
        "--resin-name",
        "amber",
        "--temperature",
        "24 degC",
        "--density",
        "1.1 g/cm^3",
        "--figure",
        "f.svg",
    )
    assert got["excluded"] == ["3"]
    assert got["penetration_depth"]["confidence"] == 0.99
    text = (folder / "s.toml").read_text()
    assert 'name = "amber"' in text
    assert "density" in text
    assert record(capsys, "fit", "a.csv", "--save", "s.toml", "--overwrite")["coupons"] == 8


def test_plan_then_fit_then_compare(folder, capsys):
    got = record(
        capsys,
        "plan",
        "--penetration-depth",
        "0.15 mm",
        "--critical-exposure",
        "8 mJ/cm^2",
        "--at-depth",
        "0.15 mm",
        "--to",
        "3 %",
        "--power",
        "300 mW",
        "--hatch-spacing",
        "0.1 mm",
        "--scan-speed-max",
        "14 m/s",
        "--run-sheet",
        "run.html",
        "--table",
        "plan.csv",
    )
    assert all(c["scan_speed"]["value"] <= 14000 * 1.0001 for c in got["coupons"])
    assert (folder / "run.html").read_text().startswith("<!DOCTYPE html>")
    assert "thickness [um]" in (folder / "plan.csv").read_text()
    status, _, err = run(capsys, "fit", "plan.csv")
    assert status == 2
    assert "thickness is blank" in err
    run(capsys, "fit", "a.csv", "--save", "a.toml")
    assert record(capsys, "plan", "--resin", "a.toml")["coupons"]
    assert record(capsys, "plan", "--measured", "a.csv", "--coupons", "2")["already_measured"] == 8
    for old in ("a.csv", "a.toml"):
        verdict = record(capsys, "compare", old, "b.csv", "--layer-thickness", "0.1 mm", "--overcure", "0.1 mm", "--tolerance", "8um")
        assert set(verdict) >= {"slopes", "intercepts", "equivalent", "speed_change"}
        assert verdict["cure_depth"]["value"] == pytest.approx(0.2)
        low, high = verdict["speed_change"]["interval"]
        assert low < 8 / 9 - 1 < high
    status, out, _ = run(capsys, "compare", "a.csv", "b.csv", "--cure-depth", "0.15 mm", "--tolerance", "10 um", "--figure", "c.png")
    assert status == 0
    assert "equal slopes" in out
    assert len(record(capsys, "compare", "a.csv", "b.csv", "a.toml", "--cure-depth", "0.15 mm", "--tolerance", "10 um")["lots"]) == 3


BAD = [
    (["fit"], "FILE"),
    (["fit", "none.csv"], "none.csv: there is no such file"),
    (["fit", "."], "folder"),
    (["fit", "a.csv", "--at-depth", "15"], "--at-depth has no unit"),
    (["fit", "a.csv", "--at-depth", "-15um"], "--at-depth must be"),
    (["fit", "a.csv", "--at-depth", "0,15 mm"], "--at-depth: cannot read '0,15 mm'"),
    (["fit", "a.csv", "--at-depth", "1 m"], "penetration depths"),
    (["fit", "a.csv", "--at-dept", "15um"], "Did you mean --at-depth"),
    (["fit", "a.csv", "--exclude", "77"], "there is no coupon '77'"),
    (["fit", "a.csv", "--confidence", "95"], "confidence must be at least 0.5"),
    (["fit", "a.csv", "--confidence", "high"], "--confidence: cannot read 'high'"),
    (["fit", "a.csv", "--prior", "none.toml"], "none.toml"),
    (["fit", "a.csv", "--prior", "a.csv"], "a.csv"),
    (["fit", "a.csv", "--lot-spread-depth", "5 %"], "goes with --prior only"),
    (["fit", "a.csv", "--power-scale-uncertainty", "3 mW"], "--power-scale-uncertainty"),
    (["fit", "a.csv", "--power-scale-uncertainty", "300 %"], "power-scale-uncertainty must be"),
    (["fit", "a.csv", "--thickness-bias-uncertainty", "-2 um"], "--thickness-bias-uncertainty must be"),
    (["fit", "a.csv", "--save", "no/where.toml"], "--save"),
    (["fit", "a.csv", "--save", "a.csv"], "the name ends in .toml"),
    (["fit", "a.csv", "--figure", "f.bmp"], "--figure"),
    (["fit", "a.csv", "--table-sheet", "one"], "only .xlsx files have sheets"),
    (["fit", "a.csv", "--wavelength", "355 mm", "--save", "r.toml"], "--wavelength"),
    (["fit", "a.csv", "b.csv"], "b.csv"),
    (["plan"], "--penetration-depth is missing"),
    (["plan", "--penetration-depth", "0.15 mm"], "--critical-exposure is missing"),
    (["plan", "--resin", "none.toml"], "none.toml"),
    (["plan", "--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2", "--to", "3 %"], "--at-depth is missing"),
    (["plan", "--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2", "--coupons", "eight"], "--coupons"),
    (["plan", "--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2", "--coupons", "8.5"], "--coupons must be a whole"),
    (["plan", "--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2", "--power", "3 mW"], "--hatch-spacing"),
    (
        [
            "plan",
            "--penetration-depth",
            "0.15 mm",
            "--critical-exposure",
            "8 mJ/cm^2",
            "--beam-radius",
            "1 mm",
            "--beam-fwhm",
            "1 mm",
            "--power",
            "3 mW",
        ],
        "given twice",
    ),
    (["plan", "--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2", "--table", "x.xls"], "--table"),
    (["plan", "--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2", "--table", "a.csv"], "stands already"),
    (["plan", "--penetration-depth", "0.15 mm", "--critical-exposure", "8 mJ/cm^2", "--run-sheet", "no/x.html"], "--run-sheet"),
    (["plan", "--measured", "none.csv"], "none.csv"),
    (["compare", "a.csv"], "NEW"),
    (["compare", "a.csv", "none.csv", "--cure-depth", "0.15 mm", "--tolerance", "10 um"], "none.csv"),
    (["compare", "a.csv", "b.csv"], "--cure-depth, is missing"),
    (["compare", "a.csv", "b.csv", "--cure-depth", "0.15 mm"], "--tolerance is missing"),
    (["compare", "a.csv", "b.csv", "--cure-depth", "0.1 mm", "--layer-thickness", "0.1 mm"], "--cure-depth says it all"),
    (["compare", "a.csv", "b.csv", "--overcure", "0.1 mm"], "--layer-thickness is missing"),
    (["compare", "a.csv", "b.csv", "--tolerance", "0 um"], "--tolerance must be"),
    (["compare", "a.csv", "b.csv", "--exclude", "7", "--cure-depth", "0.15 mm", "--tolerance", "10 um"], "Write it as FILE:LABEL"),
    (["compare", "a.csv", "b.csv", "--exclude", "b.csv:99", "--cure-depth", "0.15 mm", "--tolerance", "10 um"], "no coupon '99'"),
    (["compare", "a.csv", "b.csv", "--layer-thickness", "0.1 mm", "--overcure", "-0.2 mm", "--tolerance", "1 um"], "must be"),
]


@pytest.mark.parametrize(("argv", "words"), BAD, ids=[" ".join(a)[:60] for a, _ in BAD])
def test_a_mistake_gets_one_line_and_status_two(folder, capsys, argv, words):
    before = sorted(p.name for p in folder.iterdir())
    status, out, err = run(capsys, *argv)
    assert status == 2
    assert out == ""
    assert words in err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert sorted(p.name for p in folder.iterdir()) == before


def test_a_plan_without_an_answer_gets_status_three(folder, capsys):
    status, out, err = run(
        capsys,
        "plan",
        "--penetration-depth",
        "0.15 mm",
        "--critical-exposure",
        "8 mJ/cm^2",
        "--power",
        "300 mW",
        "--hatch-spacing",
        "0.1 mm",
        "--scan-speed-max",
        "3 m/s",
        "--table",
        "t.csv",
    )
    assert (status, out) == (3, "")
    assert "too narrow" in err
    assert "scan-speed-max" in err
    assert not (folder / "t.csv").exists()


def test_excluding_a_coupon_of_one_file(folder, capsys):
    got = record(capsys, "compare", "a.csv", "b.csv", "--exclude", "b.csv:2", "--cure-depth", "0.15 mm", "--tolerance", "10 um")
    assert [row["coupons"] for row in got["lots"]] == [8, 7]


def test_a_plan_takes_power_and_speeds_from_the_machine_file(folder, capsys):
    machine = str(Path(__file__).parents[2] / "demo" / "machine.toml")  # 240 mW at most, 20 to 6000 mm/s
    asked = ("plan", "--penetration-depth", "0.14mm", "--critical-exposure", "9 mJ/cm^2", "--at-depth", "0.18mm")
    one = record(capsys, *asked, "--machine", machine, "--hatch-spacing", "0.1mm")
    by_hand = record(
        capsys, *asked, "--power", "240mW", "--hatch-spacing", "0.1mm", "--scan-speed-min", "20mm/s", "--scan-speed-max", "6000mm/s"
    )
    assert one == by_hand
    slower = record(capsys, *asked, "--machine", machine, "--hatch-spacing", "0.1mm", "--power", "120mW", "--scan-speed-max", "3 m/s")
    # P/(v h): half the power at half the speed is the same exposure
    assert max(c["scan_speed"]["value"] for c in slower["coupons"]) <= 3000 * (1 + 1e-9)
    status, out, err = run(capsys, *asked, "--machine", machine, "--hatch-spacing", "0.1mm", "--power", "0.3 W")
    assert (status, out) == (2, "")
    assert err == f"--power is 0.3 W, but {machine} gives 240 mW at most. Give less, or correct the file.\n"


def test_an_option_states_what_a_table_does_not_and_earlier_lots_are_held_against_it(folder, capsys):
    assert run(capsys, "fit", "a.csv", "--save", "a.toml", "--gauge", "dial", "--power-meter", "meter 1")[0] == 0
    alike = record(capsys, "fit", "b.csv", "--prior", "a.toml", "--gauge", "dial", "--power-meter", "meter 1")
    other = record(capsys, "fit", "b.csv", "--prior", "a.toml", "--gauge", "dial", "--power-meter", "meter 2")
    said = "Earlier lot a was exposed with power read by meter 1, this one by meter 2."
    assert not any(said in note for note in alike["notes"])
    assert any(said in note for note in other["notes"])
