"""Machines and needs at the limits of what is plausible, and settings at the ends of a machine's range."""

import datetime
from dataclasses import replace
from types import SimpleNamespace

import pytest

from curecalc.jobs.beyond import beyond_machine, machine_ranges
from curecalc.jobs.machine import MACHINE, machine_beam, starting_machine, with_spot_readings
from curecalc.jobs.needs import NEEDS, starting_needs
from curecalc.units import Measured
from curecalc.units import Quantity as Q

MACHINE_FILE = MACHINE.parse(starting_machine(datetime.date(2026, 3, 1)), source="machine.toml")
NEEDS_FILE = NEEDS.parse(starting_needs(), source="needs.toml")


def problems(record, **changes):
    return dict(replace(record, **changes).problems())


@pytest.mark.parametrize(
    ("name", "least", "below", "most", "above"),
    [
        ("power", "0.1 mW", "0.099 mW", "20 W", "20.1 W"),
        ("scan_speed_max", "10 mm/s", None, "100 m/s", "100.1 m/s"),
        ("acceleration", "100 mm/s^2", "99 mm/s^2", "1e9 mm/s^2", "1.01e9 mm/s^2"),
        ("layer_thickness_min", "1 um", "0.99 um", None, None),
        ("layer_thickness_max", None, None, "2 mm", "2.01 mm"),
        ("recoat_time", "0 s", None, "1 h", "3601 s"),
    ],
)
def test_what_no_machine_has_is_asked_about(name, least, below, most, above):
    def quantity(text):
        number, unit = text.split(" ")
        value = Q(float(number), unit)
        return Measured(value, 0.0 * value) if name == "power" else value

    about = {"power_min": None}
    for text in (least, most):
        assert text is None or name not in problems(MACHINE_FILE, **about, **{name: quantity(text)})
    for text in (below, above):
        assert text is None or "Check the unit and the decimal point" in problems(MACHINE_FILE, **about, **{name: quantity(text)})[name]


def test_ends_of_ranges_and_dates_of_a_machine():
    for low, high, wrong in (("scan_speed_min", "scan_speed_max", True), ("layer_thickness_min", "layer_thickness_max", True)):
        end = getattr(MACHINE_FILE, high)
        assert high not in problems(MACHINE_FILE, **{low: end})
        assert (high in problems(MACHINE_FILE, **{low: 1.001 * end})) is wrong
    assert "humidity_max" not in problems(MACHINE_FILE, humidity_min=0.4, humidity_max=0.4)
    assert "humidity_max" in problems(MACHINE_FILE, humidity_min=0.41, humidity_max=0.4)
    today = datetime.date.today()
    for days, wrong in ((1, False), (2, True)):
        assert ("power_reading_date" in problems(MACHINE_FILE, power_reading_date=today + datetime.timedelta(days))) is wrong
    for radius, wrong in ((0.001, False), (0.0009, True)):
        assert (("beam",) in problems(MACHINE_FILE, beam_radius_min=Q(radius, "mm"))) is wrong
    for radius, wrong in ((5.0, False), (5.01, True)):
        assert (("beam",) in problems(MACHINE_FILE, beam_radius_max=Q(radius, "mm"))) is wrong
    assert "field_width" in problems(MACHINE_FILE, field_width=Q(300.0, "mm"), field_length=Q(300.0, "mm"), beam_height=None)
    assert "field_width" not in problems(MACHINE_FILE, field_width=None, field_length=None, beam_height=None)
    read = replace(MACHINE_FILE, power_reading_date=datetime.date(2026, 3, 1), power_reading_valid_for=Q(7.0, "day"))
    assert (read.reading_valid_until, read.reading_age_days(datetime.date(2026, 3, 9))) == (datetime.date(2026, 3, 8), 8)


def test_needs_at_their_limits():
    for thickness, wrong in ((0.001, False), (0.00099, True), (2.0, False), (2.01, True)):
        assert ("layer_thickness" in problems(NEEDS_FILE, layer_thickness=Q(thickness, "mm"))) is wrong
    hatch = next(v for v in NEEDS_FILE.vectors if v.kind == "hatch")

    def misfits(**changes):
        return dict(replace(hatch, **changes).misfits(0.1))

    assert hatch.depth(0.1) == pytest.approx(0.18)
    assert replace(hatch, overcure=None, cure_depth=Q(0.25, "mm")).depth(0.1) == 0.25
    assert misfits() == {}
    for over, wrong in ((-0.099, False), (-0.1, True)):
        assert ("overcure" in misfits(overcure=Q(over, "mm"))) is wrong
    for depth, wrong in ((5.0, False), (5.01, True)):
        assert ("cure_depth" in misfits(overcure=None, cure_depth=Q(depth, "mm"))) is wrong
    for most, wrong in ((0.08, False), (0.0799, True)):
        assert ("overcure_max" in misfits(overcure_max=Q(most, "mm"))) is wrong
    for most, wrong in ((0.1, False), (0.0999, True)):
        assert ("hatch_spacing_max" in misfits(hatch_spacing_min=Q(0.1, "mm"), hatch_spacing_max=Q(most, "mm"))) is wrong
    assert set(misfits(power=Q(1.0, "mW"), power_max=Q(2.0, "mW"))) == {"power_max"}
    assert set(misfits(print_through_max=Q(1.0, "mm"))) == {"print_through_max"}
    assert set(misfits(line_width_max=Q(1.0, "mm"))) == {"line_width_max"}


def test_keys_of_the_other_pattern_are_told_why_they_do_not_suit():
    hatch = next(v for v in NEEDS_FILE.vectors if v.kind == "hatch")
    contour = next(v for v in NEEDS_FILE.vectors if v.kind == "contour")
    for one, key, value, said in (
        (contour, "area", Q(1.0, "mm^2"), 'is for pattern = "raster"; give total_length for single lines.'),
        (hatch, "total_length", Q(1.0, "mm"), 'is for pattern = "line"; give area for a raster.'),
        (hatch, "line_width_min", Q(1.0, "mm"), 'is for pattern = "line"; this kind is a raster. Leave it out, or change the pattern.'),
        (contour, "ripple_max", Q(1.0, "mm"), 'is for pattern = "raster"; a single line has none. Leave it out, or change the pattern.'),
        (contour, "cross_hatch", True, 'is for pattern = "raster"; this kind is single lines. Leave it out, or change the pattern.'),
    ):
        assert dict(replace(one, **{key: value}).misfits(0.1)) == {key: said}


def test_a_setting_at_the_ends_of_a_machine_is_within_it():
    ranges = machine_ranges(MACHINE_FILE)
    middle = [high if low is None else low for _, low, high in ranges]
    for place, (name, low, high) in enumerate(ranges):
        for end, share, word in ((low, 0.999, "below"), (high, 1.001, "above")):
            if end is None:
                continue
            for factor, said in ((1.0, 0), (share, 1)):
                power, speed, radius, spacing, layer = (factor * end if k == place else value for k, value in enumerate(middle))
                found = beyond_machine(
                    MACHINE_FILE,
                    SimpleNamespace(power=power, radius_x=radius),
                    SimpleNamespace(scan_speed=speed, hatch_spacing=spacing),
                    layer,
                )
                assert len(found) == said
                assert not found or (f"The {name} of" in found[0] and f"is {word} what the machine" in found[0])
    least_power = replace(MACHINE_FILE, power_min=None)
    assert machine_ranges(least_power)[0][1] == MACHINE_FILE.power.value  # a laser that cannot be turned down


def test_a_spot_read_back_has_a_ratio_above_zero():
    kept = {"radius_ratio": 0.5, "spot_angle": {"value": 30.0, "unit": "deg"}}
    made = with_spot_readings(MACHINE_FILE, kept)
    assert (made.radius_ratio, made.spot_angle.value.m_as("deg")) == (0.5, pytest.approx(30.0))
    with pytest.raises(ValueError, match="a ratio of radii of 0"):
        with_spot_readings(MACHINE_FILE, kept | {"radius_ratio": 0.0})
    assert with_spot_readings(MACHINE_FILE, {}) is MACHINE_FILE
    beam = machine_beam(replace(MACHINE_FILE, beam_radius_min=Q(0.06, "mm"), beam_radius_max=Q(0.1, "mm")))
    assert beam.radius_x.value.m_as("mm") == pytest.approx(0.08)  # the middle of the range
