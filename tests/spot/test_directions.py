"""An elliptical spot: the answer reports what the direction of the tracks does."""

import json
import math

import pytest

from curecalc.cli import main
from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import evaluate
from curecalc.units import Quantity as Q

RESIN = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))


def beam(ratio, angle=0.0):
    return Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"), radius_y=Q(0.125 * ratio, "mm"), angle=Q(angle, "degree"))


@pytest.mark.parametrize("angle", [0.0, 17.0, 133.0])
@pytest.mark.parametrize("ratio", [0.7, 1.3])
def test_line_depth_varies_by_dp_times_the_log_of_the_ratio(ratio, angle):
    got = evaluate(beam=beam(ratio, angle), resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s")))
    low, high, at_low, at_high = got.over_directions["cure_depth"]
    assert high.m_as("mm") - low.m_as("mm") == pytest.approx(0.15 * abs(math.log(ratio)), rel=1e-9)
    # along the long axis the track is narrow and deep
    deep = at_high.m_as("degree") - angle - (0.0 if ratio < 1 else 90.0)
    assert deep % 180.0 == pytest.approx(0.0, abs=1e-6) or deep % 180.0 == pytest.approx(180.0, abs=1e-6)
    assert abs(at_high.m_as("degree") - at_low.m_as("degree")) == pytest.approx(90.0)
    for psi in (0.0, 33.0, 90.0):
        one = evaluate(beam=beam(ratio, angle), resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s"), track_angle=Q(psi, "degree")))
        assert low.m_as("mm") - 1e-12 <= one.cure_depth.m_as("mm") <= high.m_as("mm") + 1e-12


def test_mean_exposure_of_a_raster_does_not_depend_on_direction():
    scan = Scan(scan_speed=Q(1000.0, "mm/s"), hatch_spacing=Q(0.1, "mm"))
    low, high, *_ = evaluate(beam=beam(0.6), resin=RESIN, scan=scan).over_directions["exposure_mean"]
    assert low.m_as("mJ/cm^2") == pytest.approx(high.m_as("mJ/cm^2"), rel=1e-12)


def test_round_spot_has_no_range_and_the_command_shows_it_otherwise(capsys):
    assert (
        evaluate(
            beam=Beam(power=Q(30.0, "mW"), radius_x=Q(0.1, "mm")), resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s"))
        ).over_directions
        == {}
    )
    words = [
        "depth",
        "--power",
        "30mW",
        "--beam-radius",
        "125um",
        "--radius-ratio",
        "0.8",
        "--scan-speed",
        "1000mm/s",
        "--penetration-depth",
        "0.15mm",
        "--critical-exposure",
        "8mJ/cm^2",
    ]
    assert main(words) == 0
    assert "over all track directions" in capsys.readouterr().out
    assert main([*words, "--json"]) == 0
    record = json.loads(capsys.readouterr().out)["over_directions"]["cure_depth"]
    assert record["greatest"]["value"] - record["least"]["value"] == pytest.approx(0.15 * math.log(1.25))
