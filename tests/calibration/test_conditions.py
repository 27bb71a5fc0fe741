"""Earlier lots from another wavelength, machine, meter, gauge or temperature, and lots that do not say."""

import dataclasses
from pathlib import Path

import pytest

from curecalc.calibration.conditions import Conditions, unlike
from curecalc.calibration.coupons import read_coupons
from curecalc.calibration.curve import fit_coupons
from curecalc.jobs.fitted import prior_from_resins, save_fit
from curecalc.jobs.lot import read_resin

DEMO = Path(__file__).parents[2] / "demo"
NEW = Conditions("7", 355.0, "north", "meter 1", "micrometer 4", 24.0)


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"wavelength": 405.0}, "prior_wavelength", "Earlier lot 6 was exposed at 405 nm, this one at 355 nm. "),
        ({"machine": "south"}, "prior_machine", "Earlier lot 6 was exposed on south, this one on north. "),
        ({"power_meter": "meter 2"}, "prior_power_meter", "Earlier lot 6 was exposed with power read by meter 2, this one by meter 1. "),
        ({"gauge": "dial"}, "prior_gauge", "Earlier lot 6 was read with dial, this one with micrometer 4. "),
        ({"temperature": 28.0}, "prior_temperature", "Earlier lot 6 was exposed at 28 degC, this one at 24 degC. "),
    ],
)
def test_each_difference_is_one_finding(change, code, words):
    same, other = (dataclasses.replace(NEW, name="6", **c) for c in ({}, change))
    assert unlike(NEW, [same]) == []
    (finding,) = unlike(NEW, [same, other, other])
    assert finding.code == code
    assert finding.sentence.startswith(words)
    # numbers of another wavelength must not be used, the others are for a look
    assert finding.level == ("warning" if code == "prior_wavelength" else "note")


def test_small_differences_of_wavelength_and_temperature_are_none():
    assert unlike(NEW, [dataclasses.replace(NEW, wavelength=355.4, temperature=25.9)]) == []
    assert len(unlike(NEW, [dataclasses.replace(NEW, wavelength=355.6, temperature=26.1)])) == 2


def test_what_is_not_stated_is_named_once():
    (finding,) = unlike(dataclasses.replace(NEW, gauge=""), [NEW, dataclasses.replace(NEW, temperature=None, wavelength=None)])
    assert finding.sentence == (
        "Not stated both for this lot and for the earlier ones, so taken to be the same: wavelength, temperature and gauge."
    )


def test_a_fit_tells_them(tmp_path):
    save_fit(tmp_path / "six.toml", fit_coupons(read_coupons(DEMO / "coupons_lot_6.csv")))
    resin = read_resin(tmp_path / "six.toml")
    new = read_coupons(DEMO / "coupons_lot_7_read_again.csv")

    def codes(*earlier):
        return {f.code for f in fit_coupons(new, prior=prior_from_resins(earlier), prior_names=["six"]).findings if "prior_" in f.code}

    assert codes(resin) == {"prior_weight"}
    assert codes(dataclasses.replace(resin, machine="south", gauge="")) == {"prior_weight", "prior_machine", "prior_unstated"}
