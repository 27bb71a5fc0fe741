"""A measured beam or power in rows of text: every figure from a record made by hand."""

from types import SimpleNamespace

import pytest

from curecalc.cli import common, main, spot
from curecalc.errors import QuantityError
from curecalc.spot import words
from curecalc.spot.measurement import Estimate, Part
from curecalc.units import Measured
from curecalc.units import Quantity as Q

TEN = (Part("calibration", 0.03), Part("window", 0.04))  # sqrt(0.03^2 + 0.04^2) is 5 %


def test_power_in_rows():
    power = Estimate(Q(200.0, "mW"), TEN)
    reading = SimpleNamespace(readings=9, left_out=2, sd=2.0, mean=250.0, drift=-0.0123, transmission=0.8)
    found = SimpleNamespace(power=power, at_meter=Q(0.25, "W"), reading=reading)
    # 1.96 times 10 mW either way
    assert words._power_rows(found) == [
        ("power at the resin surface", "200 +- 10 mW, 95 % in 180 to 220 mW"),
        ("power at the meter", "250 mW"),
        ("readings used", "9 (left out as warm-up: 2)"),
        ("scatter of the readings", "0.8 %"),
        ("drift across the readings", "-1.2 %"),
        ("transmission to the resin", "80 %"),
        ("effective degrees of freedom", "infinite"),
        ("   calibration", "3 %"),
        ("   window", "4 %"),
    ]
    reading.transmission = 1.0
    found.power = Estimate(Q(200.0, "mW"), (Part("readings", 0.05, 8.0),))
    rows = dict(words._power_rows(found))
    assert "transmission to the resin" not in rows
    assert rows["effective degrees of freedom"] == "8"


def test_a_round_and_an_elliptical_beam_in_rows():
    radius = Estimate(Q(0.1, "mm"), TEN)
    found = SimpleNamespace(
        kind="knife-edge",
        radius_x=radius,
        radius_y=None,
        centre=(Q(1.23456, "mm"), None),
        beam_quality=(Estimate(Q(1.25, "")),),
        details={},
    )
    told = "0.1000 +- 0.0050 mm, 95 % in 0.0902 to 0.1098 mm"
    assert words._beam_rows(found) == [
        ("measured by", "knife edge"),
        ("beam radius (1/e^2)", told),
        ("centre", "x 1.2346 mm"),
        ("M^2", "1.25"),
    ]
    found.centre, found.details = (None, None), {"radius_is": "at the waist"}
    found.radius_y, found.beam_radius, found.ellipticity = Estimate(Q(0.2, "mm")), Estimate(Q(0.15, "mm")), 2.0
    found.beam_quality = (Estimate(Q(1.25, "")), Estimate(Q(1.5, "")))
    found.angle, found.u_angle = Q(30.0, "deg"), Q(2.0, "deg")
    rows = [
        ("measured by", "knife edge"),
        ("beam radius x (1/e^2) at the waist", told),
        ("beam radius y (1/e^2) at the waist", "0.2 mm"),
        ("mean radius", "0.15 mm"),
        ("ellipticity", "2.000"),
        ("angle of the x radius", "30.0 +- 2.0 deg"),
        ("M^2 x", "1.25"),
        ("M^2 y", "1.5"),
    ]
    assert words._beam_rows(found) == rows
    found.u_angle = Q(0.0, "deg")
    assert ("angle of the x radius", "30 deg") in words._beam_rows(found)
    found.angle = Q(0.0, "deg")
    assert words._beam_rows(found) == [*rows[:5], *rows[6:]]


@pytest.mark.parametrize(
    ("name", "value", "rows"),
    [
        ("residual", 0.0123, [("scatter about the fit", "1.23 %")]),
        ("residual_x", 0.5, [("scatter about the fit x", "50 %")]),
        ("clip_level", 0.1, [("clip level of the two-level estimate", "10 %")]),
        ("measured_radius_y", Q(0.1234, "mm"), [("radius before the correction y", "0.1234 mm")]),
        ("measured_radius", Measured(Q(0.1, "mm"), Q(0.01, "mm")), [("radius before the correction", "0.100 +- 0.010 mm")]),
        ("clip_estimate", Estimate(Q(0.1, "mm")), [("estimate from two levels", "0.1 mm")]),
        (
            "moment_radius",
            {"x": Q(0.1, "mm"), "y": Q(0.2, "mm")},
            [("radius by second moments x", "0.1 mm"), ("radius by second moments y", "0.2 mm")],
        ),
        ("positions", 12, [("positions", "12")]),
        ("agreement_p", 0.12345, [("widths and depths agree, p", "0.123")]),
        ("method", "fit", [("method", "fit")]),
        ("converged", True, [("converged", "True")]),
        ("opening", 0.02, []),
        ("surface", "flat", [("shape the readings ask for", "flat")]),
        ("surface_weight_quadratic", 0.25, [("evidence for a quadratic", "25 %")]),
        ("surface_weight_thin_plate", 0.75, [("evidence for a thin plate", "75 %")]),
        ("widest_band", 0.031, [("half-width of the map's band, widest", "3.1 %")]),
        ("sheet_of_x", None, []),
        ("divergence", {"x": Measured(Q(0.0123, "rad"), Q(0.0, "rad"))}, [("divergence, full angle, x", "12.3 mrad")]),
        ("divergence", {"y": Measured(Q(0.0123, "rad"), Q(4e-4, "rad"))}, [("divergence, full angle, y", "12.30 +- 0.40 mrad")]),
        (
            "coverage",
            {"x": {"positions": 12, "within_one_rayleigh_length": 6, "beyond_two_rayleigh_lengths": 5}},
            [("positions x", "12, of them 6 within one Rayleigh length and 5 beyond two")],
        ),
        (
            "defocus",
            {
                "wanted_radius": Q(0.1234, "mm"),
                "y": {"distance": Q(9.0, "mm"), "range": (Q(8.0, "mm"), Q(10.0, "mm")), "positions": (Q(1.0, "mm"), Q(19.0, "mm"))},
            },
            [("defocus for 0.1234 mm, y", "9 mm from the waist; within 5 % from 8 to 10 mm"), ("   at position", "1 mm or 19 mm")],
        ),
        (
            "line_exposure",
            {
                "image_over_gaussian": (0.95, 1.0234),
                "perpendicular_radius": (Q(0.1, "mm"), Q(0.12, "mm")),
                "depth_difference_low": {"in_penetration_depths": -0.0513},
                "depth_difference_high": {"in_penetration_depths": 0.023, "depth": Q(0.00351, "mm")},
                "depth_range_over_directions": {"in_penetration_depths": 0.07},
            },
            [
                ("line exposure, image over Gaussian", "0.950 to 1.023 over all directions"),
                ("   cure depth differs by", "-0.051 Dp to 0.0035 mm"),
                ("radius across the track", "0.10 to 0.12 mm over all directions"),
                ("   cure depth of a line varies by", "+0.070 Dp"),
            ],
        ),
    ],
)
def test_a_detail_in_rows(name, value, rows):
    assert words._detail_rows(name, value) == rows


def test_shares_and_places_of_options():
    for text, share in (("window = 0 %", 0.0), ("window = 99.9 %", 0.999), ("window = 100 %", None), ("window = -1 %", None)):
        if share is None:
            with pytest.raises(QuantityError, match="--loss must be at least 0 and below 100 %"):
                spot._loss(text, 1)
        else:
            assert spot._loss(text, 1).share == pytest.approx(share)
    assert [q.m_as("mm") for q in spot.pair("--at", "10 mm, -0.5 cm")] == [10.0, -5.0]
    for text in ("10 mm", "1 mm, 2 mm, 3 mm"):
        with pytest.raises(QuantityError, match="--at: cannot read"):
            spot.pair("--at", text)


def test_options_of_a_measurement():
    parser = common.CommandParser(prog="spot")
    spot.add_arguments(parser)
    words = [
        "a.csv",
        "--loss",
        "4 %",
        "--loss",
        "window = 5 %",
        "--mirrored",
        "--full-scale",
        "4095",
        "--clip-level",
        "10 %",
        "--moved",
        "1 mm, 2 mm",
    ]
    found = spot._options(parser.parse_args(words))
    assert [(one.name, one.share) for one in found.pop("losses")] == [("1", pytest.approx(0.04)), ("window", pytest.approx(0.05))]
    assert [q.m_as("mm") for q in found.pop("moved")] == [1.0, 2.0]
    assert found == {"mirrored": True, "full_scale": 4095.0, "clip_level": pytest.approx(0.1)}
    assert spot._options(parser.parse_args(["a.csv"])) == {}


def test_the_confidence_of_a_measured_beam_is_from_a_half_to_below_one(monkeypatch, capsys):
    asked = []
    monkeypatch.setattr("curecalc.spot.measure.measure_file", lambda file, kind, confidence: asked.append(confidence))
    monkeypatch.setattr(spot, "result_text", lambda found: "")
    assert [main(["spot", "a.csv", "--confidence", text]) for text in ("0.5", "99 %", "49.9 %", "1")] == [0, 0, 2, 2]
    assert asked == [0.5, 0.99]
