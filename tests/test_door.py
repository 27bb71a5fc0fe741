"""What is public stands in one list: the packages offer it, `help` and the handbook tell it, records show themselves alike."""

import importlib
import inspect
import re

import pytest

import curecalc
from curecalc.units import Shown

OFFERED = {name: f"curecalc.{room}" for room, modules in curecalc.PUBLIC.items() for names in modules.values() for name in names.split()}
RECORDS = [
    "Answer",
    "Beam",
    "BeamMeasurement",
    "BeamRecord",
    "BleachingResin",
    "DriftReport",
    "FieldAnswer",
    "Fit",
    "LotComparison",
    "LotFits",
    "Lot",
    "Machine",
    "Needs",
    "Plan",
    "PowerMeasurement",
    "PowerThresholdResin",
    "Recipe",
    "Resin",
    "Retuned",
    "Scan",
    "ShopState",
    "Solution",
    "StackAnswer",
    "TopHatBeam",
    "VectorNeeds",
    "VectorRecipe",
    "Window",
]


@pytest.mark.parametrize("name", OFFERED)
def test_a_public_name_is_the_same_thing_at_the_package_and_at_the_door(name):
    assert getattr(importlib.import_module(OFFERED[name]), name) is getattr(curecalc, name)
    assert not inspect.ismodule(getattr(curecalc, name))


def test_the_lists_say_the_same():
    assert set(curecalc.__all__) == {"__version__", *OFFERED}
    assert sorted(dir(curecalc)) == sorted(OFFERED)
    for room in curecalc.PUBLIC:
        package = importlib.import_module(f"curecalc.{room}")
        if room not in ("units", "validation"):
            assert set(package.__all__) == {name for name, where in OFFERED.items() if where == package.__name__}
            with pytest.raises(AttributeError, match="no_such_name"):
                package.no_such_name  # noqa: B018


JOBS = ("CALCULATE", "KNOW THE BEAM", "CALIBRATE A LOT", "MAKE A RECIPE", "MAP REAL PATHS", "KEEP A LOGBOOK", "TEACH")


def test_help_tells_every_name_by_its_job():
    """The handbook prints the same text."""
    text = curecalc.__doc__
    for job in JOBS:
        assert job.lower() in text.lower(), job
    words = set(re.findall(r"[A-Za-z_]\w+", text))
    formulas = {name for name, room in OFFERED.items() if room in ("curecalc.formulas", "curecalc.figures", "curecalc.units")}
    missing = [n for n in set(OFFERED) - words - formulas if not n.startswith("solve_")]
    assert missing == [], f"help does not tell {missing}"
    assert all(hasattr(curecalc, w) or w in dir(importlib.import_module("curecalc.units")) for w in words & set(OFFERED))


@pytest.mark.parametrize("name", RECORDS)
def test_records_show_themselves_and_turn_into_json(name):
    record = getattr(curecalc, name)
    assert issubclass(record, Shown)
    assert record.__doc__
    assert callable(record.to_dict)
