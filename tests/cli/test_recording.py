"""What other commands write into the logbook, and that it computes again from what was kept."""

import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from curecalc.cli import main
from curecalc.errors import QuantityError
from curecalc.logbook.book import Logbook
from curecalc.logbook.recording import current
from curecalc.logbook.verifying import verify

LOG = ("--log", "shop.db")


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name, ec, seed in (("a", 8.0, 8), ("b", 9.0, 9)):
        rng = np.random.default_rng(seed)
        rows = [
            "# power = 300 mW, beam_radius = 125 um, hatch_spacing = 0.1 mm",
            f"# lot = {name}, wavelength = 355 nm, machine = north, temperature = 24 degC",
            "coupon;scan speed [mm/s];thickness [um]",
        ]
        for i, v in enumerate(np.repeat([3500, 5500, 8500, 13500], 2)):
            depth = 0.15 * np.log(30000 / (v * 0.1) / ec) + rng.normal(0, 0.003)
            rows += [f"{i + 1};{v};{1000 * (depth + rng.normal(0, 0.002)):.0f}" for _ in range(3)]
        (tmp_path / f"{name}.csv").write_text("\n".join(rows) + "\n")

    def call(*argv: object) -> tuple[int, str, str]:
        status = main([str(a) for a in argv])
        out, err = capsys.readouterr()
        return status, out, err

    return call


def fit(run, file: str, *more: str) -> dict:
    status, out, err = run("fit", file, *more, *LOG, "--json")
    assert status == 0, err
    return json.loads(out)


def test_fits_are_recorded_with_their_data_and_compute_again(run) -> None:
    first = fit(run, "a.csv", "--operator", "ab")
    assert first["log_entry"] == 1
    fit(
        run,
        "a.csv",
        "--at-depth",
        "0.15 mm",
        "--at-depth",
        "200um",
        "--confidence",
        "90 %",
        "--exclude",
        "3",
        "--lot",
        "A2",
        "--power-scale-uncertainty",
        "3 %",
        "--thickness-bias-uncertainty",
        "2 um",
        "--elsewhere",
        "--save",
        "a.toml",
    )
    fit(run, "b.csv", "--prior", "a.toml", "--lot-spread-exposure", "10 %")
    Path("a.csv").write_text("gone")
    with Logbook("shop.db") as book:
        one = book.entry(1)
        assert (one.kind, one.lot, one.machine, one.operator) == ("calibration", "a", "north", "ab")
        assert one.payload["penetration_depth"]["value"] == first["penetration_depth"]["value"]
        assert one.payload["correlation"] == first["correlation"]
        assert [a.role for a in one.attached] == ["coupons", "resin"]
        result = verify(book, again=True)
        assert result.problems == ()
        assert (result.recomputed, result.unrepeatable) == (3, ())
    status, out, _ = run("log", "verify", *LOG, "--recompute")
    assert status == 0
    assert "3 results computed again: the same" in out


def test_a_comparison_is_recorded_and_computes_again(run) -> None:
    status, out, err = run(
        "compare",
        "a.csv",
        "b.csv",
        "--layer-thickness",
        "0.1 mm",
        "--overcure",
        "50 um",
        "--tolerance",
        "10 um",
        "--exclude",
        "b.csv:2",
        *LOG,
        "--lot",
        "b-lot",
        "--old-lot",
        "a-lot",
        "--json",
    )
    assert status == 0, err
    assert json.loads(out)["log_entry"] == 1
    with Logbook("shop.db") as book:
        entry = book.entry(1)
        assert (entry.kind, entry.lot, entry.payload["old_lot"]) == ("comparison", "b-lot", "a-lot")
        assert entry.payload["verdict"]
        result = verify(book, again=True)
        assert (result.problems, result.recomputed) == ((), 1)
    # without options: the names that the tables state
    status, _, err = run("compare", "a.csv", "b.csv", "--cure-depth", "0.15 mm", "--tolerance", "10 um", "--log", "other.db")
    assert status == 0, err
    with Logbook("other.db") as book:
        entry = book.entry(1)
        assert (entry.machine, entry.lot, entry.payload["old_lot"]) == ("north", "b", "a")
        assert verify(book, again=True).recomputed == 1


def test_a_result_that_does_not_come_out_again_is_named(run) -> None:
    fit(run, "a.csv")
    raw = sqlite3.connect("shop.db")
    payload = json.loads(raw.execute("SELECT payload FROM entry").fetchone()[0])
    raw.close()
    payload["result"]["penetration_depth"]["value"] *= 1.0001
    with Logbook("other.db", create=True) as book, Logbook("shop.db") as shop:
        from curecalc.logbook.book import Source

        sources = [Source(one.role, one.name, shop.source(one.sha256)) for one in shop.entry(1).attached]
        book.add("calibration", payload, lot="a", sources=sources)
        problems = verify(book, again=True).problems
    assert len(problems) == 1
    assert "entry 1 (calibration): result.penetration_depth.value was 0.1" in problems[0]


def test_what_is_current_by_name(run) -> None:
    Path("machine.toml").write_text("schema = 1\n")
    for words in (
        ["machine", "--machine-name", "north", "--source", "machine=machine.toml"],
        ["lot", "--lot", "a", "--machine-name", "north"],
        ["power", "--machine-name", "north", "--power", "240 mW +- 2 %"],
        ["beam", "--machine-name", "north", "--beam-radius", "0.11 mm"],
    ):
        assert run("log", "add", *words, *LOG)[0] == 0
    got = fit(run, "a.csv")
    now = current("shop.db", machine="north")
    assert (now.machine, now.lot) == ("north", "a")
    assert now.quantity("power", "power").standard_uncertainty.m_as("mW") == pytest.approx(4.8)
    assert now.quantity("beam", "beam_radius").value.m_as("mm") == 0.11
    kept = now.quantity("calibration", "penetration_depth").value.m_as("mm")
    assert kept == pytest.approx(got["penetration_depth"]["value"], rel=1e-12)
    assert now.document("machine").data == b"schema = 1\n"
    assert b"penetration_depth" in now.document("resin").data
    for call, words in (
        (lambda: now.document("beam"), "keeps no beam file of north. Record one: curecalc spot"),
        (lambda: current("shop.db", machine="south"), "machine: 'south' is not in the logbook shop.db. It knows north."),
        (lambda: current("shop.db", lot="b"), "It knows a."),
    ):
        with pytest.raises(QuantityError) as raised:
            call()
        assert words in str(raised.value)


def test_a_logbook_that_cannot_be_written_stops_the_command_before_it_begins(run) -> None:
    Path("text.db").write_text("no logbook at all")
    for log, words in (("text.db", "is not a logbook"), ("none/shop.db", "does not stand. Make it first")):
        status, out, err = run("fit", "a.csv", "--log", log, "--save", "a.toml")
        assert (status, out) == (2, "")
        assert words in err
        assert not Path("a.toml").exists()


def test_a_fit_without_a_lot_asks_for_one(run) -> None:
    text = Path("a.csv").read_text().replace("lot = a, ", "")
    Path("a.csv").write_text(text)
    status, _, err = run("fit", "a.csv", *LOG)
    assert status == 2
    assert "--lot is missing" in err
    assert run("fit", "a.csv", *LOG, "--lot", "a")[0] == 0


DEMO = Path(__file__).parents[2] / "demo"
FILES = ("--machine", str(DEMO / "machine.toml"), "--resin", str(DEMO / "resin.toml"), "--needs", str(DEMO / "needs.toml"))


def recomputed(count: int) -> None:
    with Logbook("shop.db") as book:
        result = verify(book, again=True)
    assert result.problems == ()
    assert (result.recomputed, result.unrepeatable) == (count, ())


@pytest.mark.slow
def test_recipes_and_retunes_are_recorded_and_compute_again(run) -> None:
    status, out, err = run("recipe", *FILES, *LOG, "--lot", "L7", "--operator", "ab", "--save", "r.json", "--json")
    assert status == 0, err
    made = json.loads(out)
    assert made["log_entry"] == 1
    status, out, err = run("retune", "r.json", "--power", "225 mW +- 1 %", *LOG, "--lot", "L7", "--save", "r2.json", "--json")
    assert status == 0, err
    status, out, err = run("retune", "r2.json", "--beam-radius", "0.1 mm", "--instead-of", "0.098 mm", *LOG, "--lot", "L7")
    assert status == 0, err
    with Logbook("shop.db") as book:
        one, reading, two, _ = book.entries()
        # the reading that the retune rests on is one of the charts' readings too
        assert (reading.kind, reading.machine, reading.payload["power"]["value"]) == ("power", "invented machine, bay 2", 225.0)
        assert reading.quantity("power").relative == pytest.approx(0.01)
        hatch = next(v for v in made["vectors"] if v["kind"] == "hatch")
        assert (one.kind, one.machine, one.lot, one.operator) == ("recipe", "invented machine, bay 2", "L7", "ab")
        assert one.payload["scan_speed"] == hatch["scan_speed"]
        assert one.payload["power_share"] == pytest.approx(hatch["power"]["value"] / 240.0)
        assert one.payload["overcure"] == hatch["overcure"]
        assert {a.role for a in one.attached} == {"recipe", "machine", "resin", "needs"}
        assert two.kind == "retune"
        assert "hatch: " in two.payload["reason"]
        assert two.payload["power_share"] == pytest.approx(two.payload["power"]["value"] / 225.0)
    recomputed(3)


@pytest.mark.slow
def test_a_recipe_by_name_uses_what_the_logbook_holds_now(run) -> None:
    day = "2026-11-24 08:00"
    run("log", "add", "machine", *LOG, "--machine-name", "bay 2", "--source", f"machine={DEMO / 'machine.toml'}")
    run("log", "add", "lot", *LOG, "--lot", "L7", "--machine-name", "bay 2")
    status, out, err = run("recipe", *LOG, "--machine-name", "bay 2", "--needs", DEMO / "needs.toml")
    assert status == 2
    assert "keeps no resin file of L7. Record one: curecalc fit FILE --lot NAME" in err
    status, out, err = run("fit", DEMO / "coupons_lot_7_read_again.csv", *LOG, "--lot", "L7", "--machine-name", "bay 2", "--json")
    assert status == 0, err
    status, out, err = run("recipe", *LOG, "--machine-name", "bay 2", "--needs", DEMO / "needs.toml", "--json")
    assert status == 0, err
    before = json.loads(out)
    assert run("log", "add", "power", *LOG, "--machine-name", "bay 2", "--power", "225 mW +- 1 %", "--time", day)[0] == 0
    status, out, err = run("recipe", *LOG, "--machine-name", "bay 2", "--json", "--save", "r.json")
    assert status == 0, err
    after = json.loads(out)
    speeds = [next(v for v in one["vectors"] if v["kind"] == "hatch")["scan_speed"]["value"] for one in (before, after)]
    assert 0.9 < speeds[1] / speeds[0] < 0.96  # 225/240 with the hatch at full power
    assert after["readings"]["power"]["value"] == 225.0
    assert run("retune", "r.json", "--power", "220 mW")[0] == 0
    status, out, err = run("recipe", *LOG, "--machine-name", "bay 9", "--needs", DEMO / "needs.toml")
    assert status == 2
    assert "'bay 9' is not in the logbook" in err
    recomputed(3)
    status, out, _ = run("log", "status", *LOG)
    assert "no beam recorded" in out


SPOTS = {
    "beam_knife_edge.csv": [],
    "beam_slit.csv": [],
    "beam_image.png": ["--pixel-size", "5.5 um"],
    "beam_caustic.csv": [],
    "beam_cured_lines.csv": [],
    "beam_power.csv": ["--loss", "window = 4 % +- 0.5 %"],
}


def test_measured_beams_and_powers_are_recorded_and_compute_again(run) -> None:
    run("log", "add", "machine", *LOG, "--machine-name", "north")
    for file, more in SPOTS.items():
        status, out, err = run("spot", DEMO / file, *more, *LOG, "--machine-name", "north", "--json")
        assert status == 0, (file, err)
        assert json.loads(out)["log_entry"]
    with Logbook("shop.db") as book:
        assert len(book.entries(kind="beam")) == len(SPOTS) - 1
        (power,) = book.entries(kind="power")
        assert power.payload["power"]["standard_uncertainty"] > 0
        assert book.entries(kind="beam")[2].attached[0].name == "beam_image.png"
    recomputed(len(SPOTS))
    status, _, err = run("spot", DEMO / "beam_slit.csv", *LOG)
    assert status == 2
    assert "--machine-name is missing" in err


def test_a_blank_temperature_is_left_out_of_the_mean_everywhere(run) -> None:
    rows = Path("a.csv").read_text().replace(", temperature = 24 degC", "").splitlines()
    rows[2] += ";temperature [degC]"
    given = {"1": "20", "2": "", "3": "27"}
    Path("t.csv").write_text("\n".join(rows[:3] + [f"{row};{given.get(row.split(';')[0], '23')}" for row in rows[3:]]) + "\n")
    got = fit(run, "t.csv", "--save", "t.toml")
    mean = (20 + 27 + 5 * 23) / 7  # of seven of the eight coupons
    assert got["temperature"]["value"] == pytest.approx(mean)
    assert f'temperature = "{mean:.2f} degC"' in Path("t.toml").read_text()
    with Logbook("shop.db") as book:
        assert book.entry(1).payload["temperature"]["value"] == pytest.approx(mean)
    Path("none.csv").write_text("\n".join(rows[:3] + [f"{row};" for row in rows[3:]]) + "\n")
    assert "temperature" not in fit(run, "none.csv", "--lot", "n")


@pytest.mark.slow
def test_a_sheet_carries_the_head_of_the_logbook_that_keeps_its_recipe(run) -> None:
    assert run("recipe", *FILES, *LOG, "--lot", "L7", "--sheet", "r.html", "--save", "r.json")[0] == 0
    with Logbook("shop.db") as book:
        number, head = book.head()
    assert f"logbook head: entry {number}, {head}" in Path("r.html").read_text()
    assert run("retune", "r.json", "--power", "225 mW +- 1 %", *LOG, "--lot", "L7", "--sheet", "t.html")[0] == 0
    with Logbook("shop.db") as book:
        number, head = book.head()
        assert verify(book, head=(number, head)).passed
    assert f"logbook head: entry {number}, {head}" in Path("t.html").read_text()
    assert run("recipe", *FILES, "--sheet", "plain.html")[0] == 0
    assert "logbook" not in Path("plain.html").read_text()
