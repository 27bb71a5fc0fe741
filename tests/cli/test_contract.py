"""The command contract: keys, units, exit status, one line of error, and nothing else on stdout with --json."""

import json
import math
import subprocess
import sys
from types import SimpleNamespace

import pytest
from sampling import few

from curecalc.cli import COMMANDS, main

RESIN = ["--penetration-depth", "0.150 mm", "--critical-exposure", "8 mJ/cm^2"]
BEAM = ["--power", "30 mW", "--beam-radius", "125um"]
LAYER = ["--layer-thickness", "0.1 mm", "--overcure", "0.05 mm"]


def run(capsys, *argv):
    status = main([str(a) for a in argv])
    out, err = capsys.readouterr()
    return status, out, err


def record(capsys, *argv):
    status, out, err = run(capsys, *argv, "--json")
    assert status == 0, err
    return json.loads(out)


def test_depth_of_a_line_has_its_keys_and_the_published_numbers(capsys):
    got = record(capsys, "depth", *BEAM, *RESIN, "--scan-speed", "1000 mm/s", "--layer-thickness", "0.1 mm")
    # row 13 of the derived values, numerical integration agrees to 1e-14
    assert got["exposure_peak"] == {"value": pytest.approx(19.1492, abs=5e-5), "unit": "mJ/cm^2"}
    assert got["cure_depth"] == {"value": pytest.approx(0.130923, abs=5e-7), "unit": "mm"}
    assert got["line_width"]["value"] == pytest.approx(0.165153, abs=5e-7)
    assert got["overcure"]["value"] == pytest.approx(0.030923, abs=5e-7)
    assert got["warnings"] == []


def test_depth_of_a_raster_has_its_keys(capsys):
    got = record(capsys, "depth", *BEAM, *RESIN, "--scan-speed", "1000 mm/s", "--hatch-spacing", "0.15 mm", "--layer-thickness", "0.05 mm")
    for name in ("exposure", "cure_depth"):
        assert got[f"{name}_min"]["value"] < got[f"{name}_mean"]["value"] < got[f"{name}_max"]["value"]
    # raster table, h/W0 = 1.2
    assert got["exposure_min"]["value"] / got["exposure_mean"]["value"] == pytest.approx(0.97657 / 1.04443, abs=1e-5)
    assert got["overcure"]["value"] == pytest.approx(got["cure_depth_min"]["value"] - 0.05, abs=1e-12)


def test_speed_carries_the_keys_of_depth(capsys):
    got = record(capsys, "speed", *BEAM, *RESIN, *LAYER)
    assert got["scan_speed"] == {"value": pytest.approx(880.576, abs=5e-4), "unit": "mm/s"}
    assert {"exposure_peak", "cure_depth", "line_width", "overcure", "sensitivity"} <= set(got)


@pytest.mark.parametrize("unknown", ["power", "hatch_spacing", "beam_radius", "passes", "layer_thickness", "overcure", "scan-speed"])
def test_solve_gives_the_unknown_and_the_keys_of_depth(capsys, unknown):
    options = {"power": ["--power", "30 mW"], "scan-speed": ["--scan-speed", "700 mm/s"], "beam_radius": ["--beam-radius", "125um"]}
    wanted = {"layer_thickness": ["--overcure", "0.01 mm"], "overcure": ["--layer-thickness", "0.1 mm"]}
    argv = [text for name, option in options.items() if name != unknown for text in option]
    got = record(capsys, "solve", "--for", unknown, *argv, *RESIN, *wanted.get(unknown, LAYER))
    assert unknown.replace("-", "_") in got
    assert "warnings" in got


def test_two_radii_come_as_a_list(capsys):
    got = record(capsys, "solve", "--for", "beam_radius", "--power", "30 mW", "--scan-speed", "1 m/s", *RESIN, "--line-width", "0.165 mm")
    assert len(got["beam_radius"]) == len(got["answers"]) == 2


def test_stack_keys(capsys):
    got = record(capsys, "stack", "--exposure", "21.7463 mJ/cm^2", *RESIN, "--layer-thickness", "0.1 mm")
    # accumulation at t = 0.100 mm: 0.108052 mm beyond Cd - t
    assert got["print_through"]["value"] == pytest.approx(0.05 + 0.108052, abs=1e-6)
    assert got["compensation_layers"] == 2
    assert got["interface_exposure"]["unit"] == "mJ/cm^2"


@pytest.mark.parametrize(
    "argv",
    few(
        [
            ["depth", *BEAM, *RESIN, "--scan-speed", "1 m/s", "--hatch-spacing", "0.1 mm", "--passes", "2", "--cross-hatch"],
            ["depth", *BEAM, *RESIN, "--scan-speed", "1 m/s", "--pulse-rate", "20 kHz", "--layer-thickness", "0.1 mm"],
            ["depth", *BEAM, *RESIN, "--scan-speed", "1 m/s", "--bleaching-exposure", "20 mJ/cm2", "--radius-ratio", "1.3"],
            ["depth", *BEAM, *RESIN, "--scan-speed", "0.5 m/s", "--power-exponent", "0.9", "--reference-irradiance", "500 mW/mm^2"],
            ["depth", *BEAM, *RESIN, "--scan-speed", "1 m/s", "--incidence-angle", "15 deg", "--incidence-direction", "-30deg"],
            ["depth", *BEAM, *RESIN, "--scan-speed", "9 m/s", "--layer-thickness", "0.1 mm"],
            ["speed", *BEAM, *RESIN, *LAYER, "--hatch-spacing", "0.1 mm"],
            ["solve", "--for", "power", "--beam-fwhm", "147 um", "--scan-speed", "1 m/s", *RESIN, *LAYER],
            ["stack", *BEAM, *RESIN, "--scan-speed", "700 mm/s", "--layer-thickness", "0.1 mm", "--layers", "7"],
        ],
        4,
    ),
    ids=lambda argv: " ".join(argv[:1] + argv[9:13]),
)
def test_text_explain_json_and_figures_of_every_kind(capsys, tmp_path, argv):
    status, text, err = run(capsys, *argv, "--explain")
    assert (status, err) == (0, "")
    assert "1. " in text
    assert "nan" not in text.lower()
    got = record(capsys, *argv, "--explain")
    assert all(step["formula"] and step["result"] and step["why"] for step in got["derivation"])
    for ending, start in ((".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF")):
        target = tmp_path / f"figure{ending}"
        status, _, err = run(capsys, *argv, "--figure", target)
        assert status == 0
        assert err == f"wrote {target}\n"
        first = target.read_bytes()
        assert first.startswith(start)
        run(capsys, *argv, "--figure", target)
        assert target.read_bytes() == first


def test_uncertainty_monte_carlo_and_seed(capsys):
    argv = ["speed", "--power", "30 mW +- 2 %", "--beam-diameter", "250 um +- 5 um", *RESIN, *LAYER, "--monte-carlo", "20000"]
    one, two, three = record(capsys, *argv), record(capsys, *argv), record(capsys, *argv, "--seed", "2")
    assert one == two != three
    first = one["scan_speed"]["standard_uncertainty"] / one["scan_speed"]["value"]
    assert first == pytest.approx(math.hypot(0.02, 0.02), rel=1e-5)
    assert one["scan_speed"]["monte_carlo"]["confidence"] == 0.95


def test_status_three_names_the_limit_and_the_way_out(capsys):
    status, out, err = run(capsys, "speed", *BEAM, *RESIN, *LAYER, "--scan-speed-max", "500 mm/s")
    assert (status, out) == (3, "")
    assert len(err.splitlines()) == 1
    assert "above the limit of 500 mm/s" in err
    assert "lower the power to" in err.lower()


def test_negative_values_need_no_equals_sign(capsys):
    got = record(capsys, "speed", *BEAM, *RESIN, "--layer-thickness", "0.1mm", "--overcure", "-0.02mm")
    assert got["cure_depth"]["value"] == pytest.approx(0.08)


def test_temperature_is_recorded_not_modelled(capsys):
    argv = ["depth", *BEAM, *RESIN, "--scan-speed", "1 m/s"]
    cold, warm = record(capsys, *argv), record(capsys, *argv, "--temperature", "31 degC")
    assert warm["inputs"].pop("temperature") == {"value": 31.0, "unit": "degC"}
    assert cold == warm


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(capsys, name):
    status, out, _ = run(capsys, name, "--help")
    assert status == 0
    assert out.startswith(f"usage: curecalc {name}")


def test_overview_version_and_unknown_command(capsys):
    assert run(capsys)[0] == 0
    assert run(capsys, "--version")[1].startswith("curecalc ")
    status, out, err = run(capsys, "depht")
    assert (status, out) == (2, "")
    assert "Did you mean depth?" in err


def test_runs_as_a_module():
    done = subprocess.run([sys.executable, "-m", "curecalc", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("curecalc ")


@pytest.mark.slow
def test_validate_records_and_fails_on_a_wrong_constant(capsys, tmp_path, monkeypatch):
    got = record(capsys, "validate", "--save", tmp_path / "record.json")
    assert got["passed"] is True
    assert got["checks"] > 100
    saved = json.loads((tmp_path / "record.json").read_text())
    assert saved["checks"] == got["checks"]
    assert {"source", "published", "obtained", "difference", "tolerance", "agrees"} <= set(saved["outcomes"][0])
    from curecalc.physics import spot

    monkeypatch.setattr(spot, "FWHM_PER_RADIUS", spot.FWHM_PER_RADIUS * 1.001)
    status, out, _ = run(capsys, "validate")
    assert status == 1
    assert "DIFFERS" in out


def test_a_window_may_reach_below_zero(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "p.csv").write_text("x0 [mm],y0 [mm],x1 [mm],y1 [mm]\n0,0,1,0\n0,0.1,1,0.1\n")
    light = ["--power", "100mW", "--scan-speed", "2m/s", "--beam-radius", "0.1mm"]
    words = ["map", "p.csv", *light, "--penetration-depth", "0.15mm", "--critical-exposure", "8mJ/cm2"]
    words += ["--layer-thickness", "0.05mm", "--json", "--window"]
    assert main([*words, "-0.2mm", "-0.2 mm", "1.2mm", "0.3mm"]) == 0
    assert main([*words, "-0.2mm", "-0.2mm", "1.2mm"]) == 2
    assert "expected 4 arguments" in capsys.readouterr().err


def test_a_validation_ends_with_one_where_a_check_differs(capsys, monkeypatch):
    def outcome(name, agrees):
        told = {
            "source": "book",
            "locator": "p. 3",
            "tag": "read",
            "published": "1.5",
            "obtained": (1.25, 2.0),
            "note": "",
            "difference": 0.0123,
        }
        return SimpleNamespace(id=name, agrees=agrees, tolerance=0.005, **told)

    for agree, status in ((True, 0), (False, 1)):
        outcomes = [outcome("good", True), outcome("other", agree)]
        found = SimpleNamespace(outcomes=outcomes, passed=agree, versions={"numpy": "2.0"}, date="2026-01-31", to_dict=lambda: {"a": 1})
        monkeypatch.setattr("curecalc.validation.validate", lambda found=found: found)
        assert run(capsys, "validate", "--json")[:2] == (status, '{\n  "a": 1\n}\n')
        got, out, _ = run(capsys, "validate")
        assert got == status
        lines = out.splitlines()
        row = "DIFFERS  other: source book (p. 3; read) prints 1.5; obtained 1.25, 2; difference 0.012, tolerance 0.005"
        assert lines[:1] == (["2 outside checks, 2 agree, 0 differ"] if agree else [row])
        assert ("2 outside checks, 1 agree, 1 differ" in lines) is not agree
        assert (lines[-1] == "Do not calculate with this installation until the differences are explained.") is not agree
        assert len(run(capsys, "validate", "--all")[1].splitlines()) == (4 if agree else 5)


@pytest.mark.parametrize(
    ("ends", "status", "said"),
    [(0, 0, ""), (1, 1, ""), (KeyboardInterrupt(), 130, "stopped\n"), (SystemExit(2), 2, ""), (SystemExit("words"), 2, "")],
)
def test_how_a_command_ends(capsys, monkeypatch, ends, status, said):
    def run_it(args):
        if isinstance(ends, BaseException):
            raise ends
        return ends

    monkeypatch.setattr("curecalc.cli.validate.run", run_it)
    assert run(capsys, "validate") == (status, "", said)


def test_a_reader_that_goes_away_is_no_fault(monkeypatch):
    import io

    closed = io.StringIO()

    def gone(args):
        raise BrokenPipeError

    monkeypatch.setattr("curecalc.cli.validate.run", gone)
    monkeypatch.setattr("sys.stderr", closed)
    assert main(["validate"]) == 0
    assert closed.closed


def test_the_overview_is_what_is_told_of_nothing_asked(capsys):
    told = run(capsys)
    assert told[0] == 0
    assert told[1].startswith("usage: curecalc COMMAND [options]")
    for words in (["help"], ["--help"], ["-h"]):
        assert run(capsys, *words) == told
    assert run(capsys, "help", "validate") == run(capsys, "validate", "--help")
    for words in (["--version"], ["-V"], ["version"]):
        assert run(capsys, *words)[1].startswith("curecalc ")
