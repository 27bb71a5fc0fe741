"""The commands recipe, window and retune on the invented scenario: contract keys, exit statuses, files, old beside new."""

import csv
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from curecalc.cli import main
from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.steps import vector_steps

DEMO = Path(__file__).resolve().parents[2] / "demo"
FILES = [part for kind in ("machine", "resin", "needs") for part in (f"--{kind}", str(DEMO / f"{kind}.toml"))]


def answer(capsys, *arguments):
    assert main(list(arguments)) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture
def saved(tmp_path, capsys):
    path = tmp_path / "recipe.json"
    assert main(["recipe", *FILES, "--save", str(path)]) == 0
    capsys.readouterr()
    return path


def test_json_has_the_keys_of_the_contract(capsys):
    record = answer(capsys, "recipe", *FILES, "--json")
    for key in ("vectors", "layer_time", "volume_rate", "light_limit_fraction", "warnings", "cautions", "files"):
        assert record[key] is not None
    assert [v["kind"] for v in record["vectors"]] == ["contour", "hatch", "down-facing", "support", "first layers"]
    for vector in record["vectors"]:
        for key in ("scan_speed", "power", "beam_radius", "cure_depth", "overcure", "assurance", "limited_by"):
            assert vector[key] is not None, key
        assert vector["cure_depth_assured"]["value"] == pytest.approx(vector["depth_needed"]["value"], abs=1e-6)
        assert (vector["hatch_spacing"] is None) == (vector["pattern"] == "line")


def test_the_settings_give_their_depth_by_the_command_depth(capsys):
    record = answer(capsys, "recipe", *FILES, "--json")
    resin = record["resin"]
    for v in record["vectors"]:
        more = [] if v["hatch_spacing"] is None else ["--hatch-spacing", f"{v['hatch_spacing']['value']!r} mm"]
        got = answer(
            capsys,
            "depth",
            "--power",
            f"{v['power']['value']!r} mW",
            "--beam-radius",
            f"{v['beam_radius']['value']!r} mm",
            "--scan-speed",
            f"{v['scan_speed']['value']!r} mm/s",
            "--penetration-depth",
            f"{resin['penetration_depth']['value']!r} mm",
            "--critical-exposure",
            f"{resin['critical_exposure']['value']!r} mJ/cm^2",
            "--json",
            *more,
        )
        depth = got["cure_depth" if v["hatch_spacing"] is None else "cure_depth_min"]["value"]
        # the recipe's weakest place lies a beam radius inside the end of a vector: 97.7 % of the line's dose, 1/2 [1 + erf(sqrt 2)]
        assert v["dose_along_min"] == pytest.approx(0.9772498680518208, rel=1e-9)
        loss = resin["penetration_depth"]["value"] * math.log(v["dose_along_min"])
        assert depth + loss == pytest.approx(v["cure_depth"]["value"], rel=1e-6)


def test_draws_agree_with_the_stated_assurance(capsys):
    record = answer(capsys, "recipe", *FILES, "--json", "--monte-carlo", "200000", "--seed", "3")
    for drawn, vector in zip(record["monte_carlo"]["kinds"], record["vectors"]):
        assert drawn["share_that_bonds"] == pytest.approx(vector["assurance"], abs=0.006)


@pytest.mark.slow
def test_sheet_table_and_figure_are_written(tmp_path, capsys):
    names = {"--sheet": "sheet.pdf", "--table": "settings.csv", "--figure": "window.svg"}
    options = [part for option, name in names.items() for part in (option, str(tmp_path / name))]
    record = answer(capsys, "recipe", *FILES, "--json", *options)
    pdf = (tmp_path / "sheet.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert pdf.count(b"/Type /Page\n") == 1
    with (tmp_path / "settings.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row, vector in zip(rows, record["vectors"], strict=True):
        assert float(row["scan speed [mm/s]"]) == vector["scan_speed"]["value"]
        assert row["kind"] == vector["kind"]


def test_the_html_sheet_shows_the_numbers_of_the_json_and_the_cautions(tmp_path, capsys):
    from curecalc.cautions import CAUTIONS
    from curecalc.sheets import recipe_view

    path = tmp_path / "sheet.html"
    record = answer(capsys, "recipe", *FILES, "--json", "--sheet", str(path))
    text = path.read_text(encoding="utf-8")
    for row in recipe_view(record)["settings"]:
        for cell in row:
            assert f">{cell}<" in text
    for caution in CAUTIONS:
        assert caution.split(":")[0].replace("'", "&#39;") in text
    assert record["files"]["machine"]["sha256"][:16] in text


def test_nothing_that_fits_is_status_3_and_writes_nothing(tmp_path, capsys):
    needs = tmp_path / "needs.toml"
    needs.write_text((DEMO / "needs.toml").read_text().replace('print_through_max = "0.22 mm"', 'print_through_max = "0.1 mm"'))
    files = [*FILES[:-1], str(needs)]
    assert main(["recipe", *files, "--save", str(tmp_path / "out.json"), "--json"]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "print-through" in err
    assert not (tmp_path / "out.json").exists()


def test_window_marks_the_chosen_point_and_its_border(tmp_path, capsys):
    record = answer(capsys, "window", *FILES, "--points", "21", "--json", "--figure", str(tmp_path / "w.png"))
    assert (tmp_path / "w.png").stat().st_size > 10_000
    assert record["across"]["setting"] == "scan_speed"
    speed = record["chosen"]["scan_speed"]["value"]
    for row, depths in zip(record["inside"], record["cure_depth"]["value"]):
        assert depths == sorted(depths, reverse=True)  # faster is shallower
        held = [v for v, inside in zip(record["across"]["value"], row) if inside]
        assert held == [] or record["across"]["value"][: len(held)] == held
    assert min(record["across"]["value"]) < speed < max(record["across"]["value"])


def test_retune_scales_speeds_that_the_laser_limits(saved, tmp_path, capsys):
    again = tmp_path / "again.json"
    record = answer(capsys, "retune", str(saved), "--power", "216 mW", "--json", "--save", str(again))
    hatch = next(one for one in record["changes"] if one["kind"] == "hatch")
    assert hatch["speed_change"] == pytest.approx(-0.1, abs=1e-4)
    contour = next(one for one in record["changes"] if one["kind"] == "contour")
    assert contour["speed_change"] == pytest.approx(0.0, abs=1e-9)
    # read back, the new reading counts
    more = answer(capsys, "retune", str(again), "--power", "216 mW", "--json")
    assert all(abs(one["speed_change"]) < 1e-4 for one in more["changes"])


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (["--power", "222 W"], "power of 222000 mW is 925 times the earlier 240 mW"),
        (["--power", "2.22 mW"], "power of 2.22 mW is 0.00925 times"),
        (["--beam-radius", "0.8 mm", "--instead-of", "0.055 mm"], "beam-radius of 0.8 mm is 14.5 times the earlier 0.055 mm"),
    ],
)
def test_a_slip_of_a_unit_is_not_taken_for_a_drift(saved, tmp_path, capsys, reading, said):
    assert main(["retune", str(saved), *reading, "--save", str(tmp_path / "again.json")]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1
    assert not (tmp_path / "again.json").exists()


def test_retune_calls_for_coupons_when_the_light_changed_much(saved, capsys):
    record = answer(capsys, "retune", str(saved), "--power", "120 mW", "--json")
    assert any("irradiance" in reason for reason in record["recalibrate"])
    record = answer(capsys, "retune", str(saved), "--beam-radius", "0.08 mm", "--instead-of", "0.055 mm", "--json")
    assert any("beam radius changed" in reason for reason in record["recalibrate"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda t: t[: len(t) // 2], "cannot be read as JSON"),
        (lambda t: t.replace("240 mW", "250 mW"), "does not match its sha256"),
        (lambda t: t.replace('"vectors"', '"vektors"'), "vectors"),
        (lambda t: "[]", "is not a recipe"),
    ],
)
def test_a_damaged_recipe_is_refused(saved, capsys, change, said):
    saved.write_text(change(saved.read_text(encoding="utf-8")), encoding="utf-8")
    assert main(["retune", str(saved), "--power", "216 mW"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert said in err


def test_a_wrong_earlier_reading_scales_the_resin_instead_of_the_speeds(saved, capsys):
    """Coupons and build were read with the same meter: with all readings 7.5 % too high, speeds stay and milliwatts are 7.5 % less."""
    new = answer(capsys, "retune", str(saved), "--power", "222 mW", "--earlier-reading-wrong", "--json")
    for change in new["changes"]:
        assert change["speed_change"] == pytest.approx(0.0, abs=1e-3)
        assert change["new"]["power"]["value"] == pytest.approx(change["old"]["power"]["value"] * 222.0 / 240.0, rel=1e-3)
        assert change["new"]["power_share"] == pytest.approx(change["old"]["power_share"], rel=1e-3)
    resin = new["recipe"]["resin"]["critical_exposure"]["value"]
    was = json.loads(saved.read_text())["resin"]["critical_exposure"]["value"]
    assert resin == pytest.approx(was * 222.0 / 240.0, rel=1e-12)
    assert "corrected alike" in " ".join(new["notes"])


def test_a_drifted_laser_is_asked_about_and_shares_are_shown(saved, capsys, tmp_path):
    new = answer(capsys, "retune", str(saved), "--power", "222 mW", "--json")
    assert any("If the earlier reading was wrong instead, say so" in note for note in new["notes"])
    contour = next(c for c in new["changes"] if c["kind"] == "contour")
    # milliwatts are held: the same power is a larger share of less
    assert contour["new"]["power"]["value"] == pytest.approx(contour["old"]["power"]["value"], rel=1e-9)
    assert contour["new"]["power_share"] / contour["old"]["power_share"] == pytest.approx(240.0 / 222.0, rel=1e-9)
    machine = tmp_path / "machine.toml"
    machine.write_text((DEMO / "machine.toml").read_text().replace('power_min = "15 mW"', 'power_min = "15 mW"\npower_held = false'))
    files = ["--machine", str(machine), "--resin", str(DEMO / "resin.toml"), "--needs", str(DEMO / "needs.toml")]
    assert main(["recipe", *files, "--save", str(tmp_path / "shares.json")]) == 0
    capsys.readouterr()
    assert main(["retune", str(tmp_path / "shares.json"), "--power", "222 mW"]) == 0
    assert "the machine takes shares of full power: set 28.9 % instead of 26.7 %" in capsys.readouterr().out


def test_a_smaller_spot_moves_the_spacings_that_cannot_stay(saved, capsys):
    new = answer(capsys, "retune", str(saved), "--beam-radius", "0.13 mm", "--instead-of", "0.14 mm", "--json")
    hatch = next(c for c in new["changes"] if c["kind"] == "hatch")
    # the ripple stands at its limit, a function of spacing over radius: both shrink alike
    assert hatch["hatch_spacing"]["value"] / hatch["old_hatch_spacing"]["value"] == pytest.approx(13.0 / 14.0, rel=2e-3)
    assert "chosen anew" in " ".join(new["notes"])


@pytest.mark.slow
def test_a_machine_may_name_its_beam_record(tmp_path, capsys):
    """The same recipe, retune and map as with --beam, from any folder; missing files and two shapes are refused in a line."""
    beam = 'schema = 1\nradius_x = "0.1 mm"\nradius_y = "0.12 mm"\nangle = "30 deg"\nwarnings = ["a doubt"]\n'
    (tmp_path / "beam.toml").write_text(beam)
    text = Path(FILES[1]).read_text(encoding="utf-8")
    (tmp_path / "machine.toml").write_text(text.replace("[beam]", '[beam]\nbeam_record = "beam.toml"'))
    files = ["--machine", str(tmp_path / "machine.toml"), *FILES[2:]]
    named = answer(capsys, "recipe", *files, "--save", str(tmp_path / "r.json"), "--json")
    given = answer(capsys, "recipe", *FILES, "--beam", str(tmp_path / "beam.toml"), "--save", str(tmp_path / "g.json"), "--json")
    assert named["vectors"] == given["vectors"]
    assert named["warnings"] == given["warnings"]
    assert any("a doubt" in w for w in named["warnings"])
    assert named["machine"]["spot_measurement"] == "beam.toml"
    (tmp_path / "beam.toml").unlink()  # a saved recipe knows what it was made with
    changes = [answer(capsys, "retune", str(tmp_path / one), "--power", "230 mW", "--json")["changes"] for one in ("r.json", "g.json")]
    assert changes[0] == changes[1]
    assert main(["recipe", *files]) == 2
    said = capsys.readouterr().err  # both files: the one that is gone, and the one that asks for it
    assert said.startswith(f"{tmp_path / 'machine.toml'}: beam_record: {tmp_path / 'beam.toml'}: there is no such file. Check the name")
    (tmp_path / "machine.toml").write_text(text.replace("[beam]", '[beam]\nradius_ratio = 1.2\nbeam_record = "beam.toml"'))
    assert main(["recipe", *files]) == 2
    assert "gives the shape of the spot, and so do radius_ratio and spot_angle. Keep the file, or the two." in capsys.readouterr().err


@pytest.mark.slow
def test_an_elliptical_spot_holds_in_all_directions(tmp_path, capsys):
    """A spot 20 % wider one way: a line across it gets 1/1.2 of the light, so the narrow way is deeper."""
    beam = tmp_path / "beam.toml"
    beam.write_text('schema = 1\nradius_x = "0.1 mm"\nradius_y = "0.12 mm"\nangle = "30 deg"\n')
    record = answer(capsys, "recipe", *FILES, "--beam", str(beam), "--save", str(tmp_path / "r.json"), "--json")
    round_spot = answer(capsys, "recipe", *FILES, "--json")
    contour, plain = record["vectors"][0], round_spot["vectors"][0]
    assert contour["cure_depth"]["value"] == pytest.approx(plain["cure_depth"]["value"], rel=2e-3)
    # along the wide axis the line is 1.2 times as strong at the same power, speed and x radius
    strongest = contour["exposure_max"]["value"] / contour["exposure_min"]["value"] * contour["dose_along_min"]
    assert strongest == pytest.approx(1.2, rel=1e-9)
    again = answer(capsys, "retune", str(tmp_path / "r.json"), "--power", "240 mW +- 1 %", "--json")
    kept = again["recipe"]["vectors"][0]
    assert kept["power"]["value"] == pytest.approx(contour["power"]["value"], rel=1e-6)


def test_a_recipe_that_no_limit_holds_says_so():
    """The step of its derivation, where none of the limits moved by a tenth gains anything."""
    machine, lot, needs = read_machine(DEMO / "machine.toml"), read_resin(DEMO / "resin.toml"), read_needs(DEMO / "needs.toml")
    recipe = make_recipe(machine=machine, resin=lot, needs=needs, gains=False)
    vector = recipe.vectors[0]
    steps = vector_steps(recipe, replace(vector, limits=(), limited_by=("scan speed",)))
    (step,) = (s for s in steps if s.formula == "limit at which the settings stand")
    assert (step.result, step.why) == ("scan speed", "Moving no limit by a tenth gains anything.")
    many = replace(vector.best.task, single=False)
    steps = vector_steps(recipe, replace(vector, best=replace(vector.best, task=many)))
    assert any(s.why.startswith("What is not known about the depth of the mean of many layers. ") for s in steps)
