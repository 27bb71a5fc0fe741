"""A map of the field as a measurement: its band, its parts, where it is widest and narrowest. Student factors of printed tables."""

import math

import numpy as np
import pytest

from curecalc.spot.field import Place
from curecalc.spot.mapping import field_beam, place_of
from curecalc.spot.measurement import BeamMeasurement, Estimate, Part
from curecalc.units import DEG, MM
from curecalc.units import Quantity as Q

SQUARE = [(x, y) for x in (-10.0, 0.0, 10.0) for y in (-10.0, 0.0, 10.0)]


def test_the_band_is_that_of_the_confidence_asked_for():
    places = [Place(x=x, y=y, radius_x=0.1) for x, y in SQUARE]
    for confidence, t in ((0.95, 2.4469), (0.99, 3.7074)):  # six degrees of freedom
        fine, wide = (field_beam(places, common=share / t, confidence=confidence) for share in (0.0999, 0.1001))
        assert fine.details["widest_band"] == pytest.approx(0.0999, rel=1e-4)
        assert fine.warnings == ()
        assert wide.warnings[0].startswith(f"the map's {100 * confidence:.0f} % band reaches 10 % of the radius")
        assert wide.radius_x.confidence == confidence


def test_a_map_is_looked_at_in_eighths_of_its_sides():
    places = [
        Place(x=x, y=y, radius_x=0.1 * math.exp(1e-3 * ((x - 25.0) ** 2 + (y + 50.0) ** 2) / 100.0))
        for x in np.linspace(-100, 100, 5)
        for y in np.linspace(-100, 100, 5)
    ]
    told = field_beam(places).details
    assert told["smallest_spot"].endswith("at 25, -50 mm")
    assert told["largest_spot"].endswith("at -100, 100 mm")


def test_what_all_places_share_stands_apart_in_the_budget():
    rng = np.random.default_rng(3)
    places = [Place(x=x, y=y, radius_x=0.1 * (1.0 + 0.01 * rng.standard_normal()), radius_y=0.2) for x, y in SQUARE]
    got = field_beam(places, common=0.004)
    field = got.fits[0][1]
    for axis, radius in enumerate((got.radius_x, got.radius_y)):
        shares = {p.name: p.relative for p in radius.parts}
        assert shares["common: length scale (Type B)"] == pytest.approx(0.004)
        assert math.hypot(*shares.values()) == pytest.approx(math.sqrt(field.at(0.0, 0.0).covariance[axis, axis]))


def test_one_measurement_is_a_place_with_its_own_uncertainty():
    parts = (Part("fit (Type A)", 0.03, 9.0), Part("common: length scale of the stage (Type B)", 0.5), Part("more", 0.04))
    beam = BeamMeasurement(kind="slit", radius_x=Estimate(Q(0.1, MM), parts), radius_y=Estimate(Q(0.3, MM), parts), angle=Q(90.0, DEG))
    place = place_of(beam, (Q(1.0, "cm"), Q(-2.0, "mm")))
    assert (place.x, place.y, place.radius_x, place.radius_y) == (10.0, -2.0, 0.1, 0.3)
    assert (place.relative, place.angle) == (pytest.approx(0.05), pytest.approx(math.pi / 2.0))
