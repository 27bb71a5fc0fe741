"""Whichever way a beam is measured, a confidence stands from a half to below one."""

import inspect

import numpy as np
import pytest

from curecalc.spot.focus import caustic_beam
from curecalc.spot.indirect import cured_line_beam
from curecalc.spot.light import beam_power
from curecalc.spot.mapping import field_beam
from curecalc.spot.measure import measure_file
from curecalc.spot.measurement import Estimate
from curecalc.spot.openings import pinhole_beam, slit_beam
from curecalc.spot.pictures import image_beam
from curecalc.spot.scans import knife_edge_beam
from curecalc.units import Quantity as Q
from curecalc.units import QuantityError

X = Q(np.linspace(-0.3, 0.3, 31), "mm")
Y, GRID = np.exp(-2 * (X.m / 0.1) ** 2), np.hypot(*np.mgrid[-40:40, -40:40])
Z = Q(np.array([-9.0, -8, -7, -1, -0.5, 0, 0.5, 1, 7, 8, 9]), "mm")
WIDTHS = Q(np.hypot(0.02, 0.006 * Z.m) + 1e-4 * np.cos(7.0 * Z.m), "mm")
WAYS = {
    "knife edge": lambda **more: knife_edge_beam(position=X, reading=np.cumsum(Y), **more),
    "slit": lambda **more: slit_beam(position=X, reading=Y, slit_width=Q(0.01, "mm"), **more),
    "picture": lambda **more: image_beam(image=np.round(4000 * np.exp(-2 * (GRID / 15) ** 2)) + 9, pixel_size=Q(5.0, "um"), **more),
    "caustic": lambda **more: caustic_beam(position=Z, radius_x=WIDTHS, wavelength=Q(355.0, "nm"), **more),
    "cured lines": lambda **more: cured_line_beam(
        scan_speed=Q([500.0, 1000, 2000, 4000], "mm/s"), line_width=Q([0.25, 0.22, 0.18, 0.13], "mm"), **more
    ),
    "power": lambda **more: beam_power(reading=Q([240.0, 241.0, 239.5, 240.2], "mW"), **more),
}


@pytest.mark.parametrize(
    "call",
    [knife_edge_beam, slit_beam, pinhole_beam, image_beam, caustic_beam, field_beam, cured_line_beam, beam_power, measure_file, Estimate],
)
def test_intervals_hold_with_ninety_five_per_cent_where_nothing_else_is_asked(call):
    assert inspect.signature(call).parameters["confidence"].default == 0.95


@pytest.mark.parametrize("way", WAYS)
def test_confidence(way):
    for confidence in (0.49, 1.0, 1.2):
        with pytest.raises(QuantityError, match="confidence must be"):
            WAYS[way](confidence=confidence)
    low, high = (WAYS[way](confidence=confidence) for confidence in (0.5, 0.999))
    ends = [one.power.interval if way == "power" else one.radius_x.interval for one in (low, high)]
    wide = [float((b - a).m) for a, b in ends]
    assert 0 < wide[0] < wide[1]
