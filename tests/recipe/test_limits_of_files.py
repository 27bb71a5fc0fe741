"""Where files of machine, lot and needs are said to disagree: each limit on both sides; what cancels between coupons and build."""

import datetime
import math
from types import SimpleNamespace as Record

import pytest

from curecalc.errors import FileError, NoSolution
from curecalc.recipe.inputs import _agree, _cancelling, _depth_covered, _given, _layer_in_range, errors_of
from curecalc.units import MM_S, Measured
from curecalc.units import Quantity as Q

DAY = datetime.date(2026, 6, 1)


def disagreements(
    *, nm=355.0, vat=None, coupons=24.0, low=None, high=None, u=1.0, age=0, same="here", meter="m", lot_u=0.02, verified=True
):
    def degrees(value):
        return None if value is None else Q(value, "degC")

    machine = Record(
        path="machine.toml",
        name="here",
        wavelength=Q(355.0, "nm"),
        power=Measured(Q(100.0, "mW"), Q(u, "mW")),
        reading_age_days=lambda _: age,
        power_reading_date=DAY,
        power_reading_valid_for=Q(30.0, "day"),
        power_meter="m",
        temperature_min=degrees(low),
        temperature_max=degrees(high),
    )
    lot = Record(
        path="lot.toml",
        resin=Record(wavelength=Q(nm, "nm"), temperature=degrees(coupons)),
        verified=verified,
        machine=same,
        power_meter=meter,
        power_scale_uncertainty=lot_u,
    )
    return _agree(machine, lot, Record(path="needs.toml", temperature=degrees(vat)), DAY)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, []),
        ({"nm": 358.0}, []),
        ({"nm": 352.0}, []),
        ({"vat": 25.0}, []),
        ({"vat": 23.0}, []),
        ({"vat": 25.1}, ["The vat is at 25.1 degC, the coupons were at 24 degC"]),
        ({"vat": 22.9}, ["The vat is at 22.9 degC"]),
        ({"vat": 34.0}, ["The vat is at 34 degC"]),
        ({"vat": 24.0, "low": 24.0, "high": 24.0}, []),
        ({"vat": 23.9, "low": 24.0, "high": 30.0}, ["The vat at 23.9 degC is below the machine's limit of 24 degC."]),
        ({"vat": 24.1, "low": 20.0, "high": 24.0}, ["The vat at 24.1 degC is above the machine's limit of 24 degC."]),
        ({"u": 0.0}, ["The power states no standard uncertainty"]),
        ({"age": 30}, []),
        ({"age": 31}, ["The power was read 31 days ago (2026-06-01), longer than the 30 days it counts for."]),
        ({"same": "there"}, ["The resin file was made on there, this is here"]),
        ({"same": " HERE "}, []),
        ({"same": ""}, ["The resin file was made on an unnamed machine, this is here"]),
        ({"meter": "n"}, ["The coupons' power was read with n, now with m"]),
        ({"meter": "n", "lot_u": 0.0}, ["The coupons' power was read with n, now with m", "This recipe cannot promise its assurance"]),
        ({"lot_u": 0.0}, []),
        ({"same": "there", "verified": False}, []),
    ],
)
def test_what_files_disagree_in(given, said):
    found = disagreements(**given)
    assert len(found) == len(said)
    assert all(one.startswith(words) for one, words in zip(found, said))


@pytest.mark.parametrize(
    ("given", "said"), [({"nm": 358.1}, "358.1 nm"), ({"nm": 351.9}, "351.9 nm"), ({"vat": 34.1}, "10.1 K"), ({"vat": 13.9}, "10.1 K")]
)
def test_what_does_not_carry_over_is_refused(given, said):
    with pytest.raises(FileError, match=said):
        disagreements(**given)


def test_what_cancels_and_what_is_added_in_squares():
    def budget(*, lot_machine="here", meter="m", verified=True, raster=True, w=1.0):
        machine = Record(
            name="here",
            power_meter="m",
            power=Measured(Q(100.0, "mW"), Q(1.0, "mW")),
            power_scale_uncertainty=0.03,
            beam_radius_repeatability=0.02,
            beam_radius_scale_uncertainty=0.05,
            scan_speed_uncertainty=0.004,
            hatch_spacing_uncertainty=0.006,
            layer_thickness_variation=Q(3.0, "um"),
        )
        lot = Record(
            machine=lot_machine,
            power_meter=meter,
            verified=verified,
            raster=raster,
            resin=Record(constants=lambda: {"exponent": w}),
            power_scale_uncertainty=0.025,
            beam_radius_scale_uncertainty=0.04,
            thickness_bias_uncertainty=Q(2.0, "um"),
        )
        return errors_of(machine, lot, _cancelling(machine, lot))

    here = budget()
    assert (here.power, here.beam_radius, here.beam_radius_scale, here.scan_speed, here.hatch_spacing) == (0.01, 0.02, 0.05, 0.004, 0.006)
    assert (here.layer_thickness, here.depth_bias) == pytest.approx((0.003, 0.002))
    # the coupons' day: their power; for lines their spot as well, exposure going as 1/W0 (rasters: as W0^0)
    assert (here.exposure_scale, here.coupon_radius_power) == pytest.approx((0.01, 0.0))
    lines = budget(raster=False)
    assert (lines.exposure_scale, lines.coupon_radius_power) == pytest.approx((math.hypot(0.01, 0.02), -1.0))
    bent = budget(w=0.8)
    assert (bent.exposure_scale, bent.coupon_radius_power) == pytest.approx((math.hypot(0.01, 0.4 * 0.02), 0.4))
    other = budget(meter="n")
    assert (other.exposure_scale, other.coupon_radius_power) == pytest.approx((math.hypot(0.01, 0.03, 0.025), 0.0))
    there = budget(lot_machine="there", raster=False)
    assert there.exposure_scale == pytest.approx(math.hypot(0.01, 0.02, 0.03, 0.025, 0.04))
    assert there.coupon_radius_power is None
    sheet = budget(verified=False, meter="n")
    assert sheet.exposure_scale == pytest.approx(math.hypot(0.03, 0.025))


def test_layers_depths_and_settings_up_to_their_ends():
    machine = Record(layer_thickness_min=Q(0.05, "mm"), layer_thickness_max=Q(0.15, "mm"))
    for layer, side in ((0.05, ""), (0.15, ""), (0.04999, "below"), (0.15001, "above")):
        needs = Record(layer_thickness=Q(layer, "mm"), lines={}, path="needs.toml")
        if not side:
            _layer_in_range(machine, needs)
            continue
        with pytest.raises(NoSolution, match=rf"is {side} what the machine makes, 0\.05 to 0\.15 mm"):
            _layer_in_range(machine, needs)
    lot = Record(depth_range=(Q(0.1, "mm"), Q(0.3, "mm")))
    for depth, side in ((0.1, None), (0.3, None), (0.0999, "shallower"), (0.3001, "deeper")):
        said = _depth_covered(lot, Record(kind="hatch"), Record(depth=depth))
        assert [side in one for one in said] == ([] if side is None else [True])
    assert _depth_covered(Record(depth_range=None), Record(kind="hatch"), Record(depth=9.0)) == []

    def span(**given):
        one = Record(kind="hatch", place=0, **({"scan_speed": None, "scan_speed_min": None, "scan_speed_max": None} | given))
        machine, needs = Record(path="machine.toml", name="here"), Record(path="needs.toml", lines={})
        return _given(machine, needs, one, "scan_speed", MM_S, 100.0, 5000.0, "scanner speed")

    def v(number):
        return Q(number, "mm/s")

    assert span() == (100.0, 5000.0)
    assert [span(scan_speed=v(n)) for n in (100.0, 5000.0, 300.0)] == [(100.0, 100.0), (5000.0, 5000.0), (300.0, 300.0)]
    assert span(scan_speed_min=v(50.0), scan_speed_max=v(9000.0)) == (100.0, 5000.0)
    assert span(scan_speed_min=v(200.0), scan_speed_max=v(300.0)) == (200.0, 300.0)
    assert span(scan_speed_min=v(5000.0)) == (5000.0, 5000.0)
    assert span(scan_speed_max=v(100.0)) == (100.0, 100.0)
    for bad in ({"scan_speed": v(99.99)}, {"scan_speed": v(5000.1)}, {"scan_speed_min": v(5000.1)}, {"scan_speed_max": v(99.99)}):
        with pytest.raises(NoSolution, match="100 to 5000 mm/s"):
            span(**bad)
