"""Times, rates and shares of a layer, from the printed settings by hand."""

import json
import math
from pathlib import Path

import pytest

from curecalc.cli import main

DEMO = Path(__file__).resolve().parents[2] / "demo"
FILES = [part for kind in ("machine", "resin", "needs") for part in (f"--{kind}", str(DEMO / f"{kind}.toml"))]


@pytest.fixture(scope="module")
def record():
    import contextlib
    import io

    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main(["recipe", *FILES, "--json"]) == 0
    return json.loads(out.getvalue())


def test_volume_and_mass_of_a_layer(record):
    """5200 mm^2 of hatch, 0.1 mm thick, in the layer's time; 1.12 g/cm^3 as the resin file says; 3.6 s/h per mL/mm^3."""
    seconds = record["layer_time"]["value"]
    rate = 5200 * 0.1 / seconds
    assert record["volume_rate"] == {"value": pytest.approx(rate), "unit": "mm^3/s"}
    rates = record["rates"]
    assert rates["volume_per_hour"] == {"value": pytest.approx(3.6 * rate), "unit": "mL/h"}
    assert rates["mass_per_hour"] == {"value": pytest.approx(3.6 * rate * 1.12), "unit": "g/h"}
    assert seconds == pytest.approx(rates["scan_time"]["value"] + 14.0)


def test_part_of_the_stated_height(record):
    """42 mm in layers of 0.1 mm: 420 layers."""
    assert record["rates"]["part_layers"] == 420
    assert record["rates"]["part_time"]["value"] == pytest.approx(420 * record["layer_time"]["value"])


def test_light_limit(record):
    """The least time: needed mean exposure times area, or exposure times length and width of the mean, over all the power."""
    assert 0.0 < record["light_limit_fraction"] < 1.0
    shares = record["rates"]["shares"]
    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares["recoater"] == pytest.approx(14.0 / record["layer_time"]["value"])
    assert record["rates"]["bottleneck"] == max(shares, key=shares.get)
    assert shares["light"] == pytest.approx(record["light_limit_fraction"])
    assert math.isclose(shares["scanner"], 1 - shares["light"] - shares["recoater"], abs_tol=1e-12)
