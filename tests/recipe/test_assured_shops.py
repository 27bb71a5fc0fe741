"""Assurance is honest: over simulated shops the stated share of layers reaches the bond depth, cancelling or not."""

import csv
from pathlib import Path

import pytest

from curecalc.recipe import assurance

from .shops import SEED, layers_that_bond

RECORD = Path(__file__).resolve().parents[2] / "reference" / "data" / "assured_layers.csv"
BOUNDS = {0.95: (0.940, 0.965), 0.99: (0.985, 0.996)}
SHOPS = 10_000


def cases():
    for rasters in (False, True):
        for cancels in (True, False):
            for single in (True, False):
                for assured in BOUNDS:
                    for coupons in (4, 6, 8, 12):
                        yield coupons, assured, single, cancels, rasters


def recorded():
    with RECORD.open(encoding="utf-8") as file:
        lines = [line for line in file if not line.startswith("#")]
    return {
        (int(r["coupons"]), float(r["assurance"]), r["for"] == "single layer", r["cancels"] == "yes", r["pattern"] == "raster"): (
            float(r["share"]),
            int(r["shops"]),
            int(r["seed"]),
        )
        for r in csv.DictReader(lines)
    }


@pytest.mark.parametrize("case", list(cases()), ids=lambda c: "-".join(str(p) for p in c))
def test_the_stated_share_of_layers_bonds(case):
    coupons, assured, single, cancels, rasters = case
    share = layers_that_bond(coupons=coupons, assurance=assured, single=single, cancels=cancels, rasters=rasters, shops=SHOPS)
    low, high = BOUNDS[assured]
    assert low <= share <= high
    kept, shops, seed = recorded()[case]
    assert (shops, seed) == (SHOPS, SEED)
    assert share == pytest.approx(kept, abs=5e-4)  # a library may round a borderline layer the other way


def test_the_record_holds_every_case_inside_its_bounds():
    record = recorded()
    assert set(record) == set(cases())
    for case, (share, shops, _) in record.items():
        low, high = BOUNDS[case[1]]
        assert shops >= 10_000
        assert low <= share <= high, case


def test_a_quick_sample_of_shops_agrees():
    for cancels in (True, False):
        share = layers_that_bond(coupons=6, assurance=0.95, single=True, cancels=cancels)
        assert 0.94 <= share <= 0.965


def test_leaving_the_build_out_of_the_budget_is_seen(monkeypatch):
    """A planted fault: type B variances dropped. The share must fall out of its bounds."""
    real = assurance._type_b
    monkeypatch.setattr(assurance, "_type_b", lambda *given: 0.0 * real(*given))
    assert layers_that_bond(coupons=8, assurance=0.95, single=False, cancels=False) < 0.9


def test_cancelling_wrongly_assumed_is_seen():
    """Building on another machine while taking the errors for common gives fewer bonds than stated."""
    share = layers_that_bond(coupons=8, assurance=0.95, single=True, cancels=False, believed=True)
    assert share < 0.92
