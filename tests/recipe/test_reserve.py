"""A recipe that keeps power in reserve: slower by that share, and still assured when the share is lost."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from curecalc.cli import main
from curecalc.jobs.lot import RESIN, read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import NEEDS
from curecalc.logbook.book import Logbook
from curecalc.logbook.status import shop_status
from curecalc.recipe.recipe import make_recipe
from curecalc.units import Measured, Quantity

from .forward import lower_bound

DEMO = Path(__file__).parents[2] / "demo"

NEEDS_TEXT = """schema = 1
name = "invented"
layer_thickness = "0.1 mm"
{}
[[vectors]]
kind = "hatch"
pattern = "raster"
hatch_spacing = "0.1 mm"
beam_radius = "0.11 mm"
overcure = "0.08 mm"
[[vectors]]
kind = "line"
pattern = "line"
beam_radius = "0.12 mm"
overcure = "0.08 mm"
"""


def recipe(reserve: str):
    needs = NEEDS.parse(NEEDS_TEXT.format(reserve).encode(), source="needs.toml")
    machine = dataclasses.replace(read_machine(DEMO / "machine.toml"), scan_speed_max=Quantity(50_000.0, "mm/s"))
    return make_recipe(machine=machine, resin=read_resin(DEMO / "resin.toml"), needs=needs)


def test_the_speed_falls_by_the_share_and_the_depth_is_assured_without_it() -> None:
    plain, kept = recipe(""), recipe('power_reserve = "6 %"')
    for before, after in zip(plain.vectors, kept.vectors):
        # full power in both, dose as power over speed (plain law): by arithmetic
        assert float((after.power / before.power).m_as("")) == pytest.approx(1.0)
        assert float((after.scan_speed / before.scan_speed).m_as("")) == pytest.approx(0.94, rel=1e-6)
        assert after.assurance > before.assurance + 0.005
        # the independent forward calculation, with 6 % of the power gone: the depth asked for, to its own factor's digits
        best = after.best
        low = lower_bound(best.task, 0.94 * best.power, best.beam_radius, best.hatch_spacing, best.scan_speed)
        assert low == pytest.approx(0.18, abs=3e-5)
    assert any("6 % of the power may be lost" in text for text in kept.to_dict()["assumptions"])


def test_explained_by_its_own_step(capsys, tmp_path) -> None:
    (tmp_path / "needs.toml").write_text(NEEDS_TEXT.format('power_reserve = "6 %"'))
    files = ("--machine", DEMO / "machine.toml", "--resin", DEMO / "resin.toml", "--needs", tmp_path / "needs.toml")
    assert main(["recipe", *map(str, files), "--explain"]) == 0
    out = capsys.readouterr().out
    assert "E aimed at = E / (1 - power_reserve)" in out
    assert "stays assured until the power has fallen by 6 %" in out


@pytest.mark.parametrize("share", ["-1 %", "60 %"])
def test_a_reserve_out_of_range_is_refused(tmp_path, capsys, share: str) -> None:
    (tmp_path / "needs.toml").write_text(NEEDS_TEXT.format(f'power_reserve = "{share}"'))
    files = ("--machine", DEMO / "machine.toml", "--resin", DEMO / "resin.toml", "--needs", tmp_path / "needs.toml")
    assert main(["recipe", *map(str, files)]) == 2
    assert "power_reserve" in capsys.readouterr().err


def test_a_machine_with_a_reserve_is_well_where_the_fastest_is_near_its_limit(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    states = {}
    for reserve in ("", 'power_reserve = "6 %"'):
        log = f"{len(reserve)}.db"
        (tmp_path / "needs.toml").write_text(NEEDS_TEXT.format(reserve))
        for words in (
            ["log", "add", "machine", "--machine-name", "bay 2", "--source", f"machine={DEMO / 'machine.toml'}"],
            ["log", "add", "lot", "--lot", "L7", "--machine-name", "bay 2"],
            ["fit", str(DEMO / "coupons_lot_7_read_again.csv"), "--lot", "L7", "--machine-name", "bay 2"],
            ["log", "add", "power", "--machine-name", "bay 2", "--power", "240 mW +- 1 %"],
            ["log", "add", "beam", "--machine-name", "bay 2", "--beam-radius", "0.11 mm +- 1 %"],
            ["recipe", "--machine-name", "bay 2", "--needs", "needs.toml"],
        ):
            assert main([*words, "--log", log]) == 0
        with Logbook(log) as book:
            for value in (238.0, 236.5, 235.5):
                book.add("power", {"power": Measured(Quantity(value, "mW"), Quantity(2.4, "mW"))}, machine="bay 2")
            (one,) = shop_status(book).machines
        states[reserve] = one.state
    assert list(states.values()) == ["near", "well"]


def test_where_reciprocity_fails_the_reserve_goes_with_the_power_of_the_power() -> None:
    """Dose as P^w / v (threshold law): a power less by 6 % asks for a speed less by 1 - 0.94^w, by arithmetic."""
    text = """schema = 1
name = "invented"
wavelength = "355 nm"
source = "data sheet"
penetration_depth = "0.14 mm +- 2 %"
critical_exposure = "9 mJ/cm^2 +- 3 %"
exponent = 0.8
reference_irradiance = "500 mW/mm^2"
"""
    machine = dataclasses.replace(read_machine(DEMO / "machine.toml"), scan_speed_max=Quantity(50_000.0, "mm/s"))
    speeds = []
    for reserve in ("", 'power_reserve = "6 %"'):
        needs = NEEDS.parse(NEEDS_TEXT.format(reserve).encode(), source="needs.toml")
        found = make_recipe(machine=machine, resin=RESIN.parse(text.encode(), source="resin.toml"), needs=needs, gains=False)
        speeds.append([float(one.scan_speed.m_as("mm/s")) for one in found.vectors])
    assert [after / before for before, after in zip(*speeds)] == pytest.approx([0.94**0.8] * 2, rel=1e-6)
