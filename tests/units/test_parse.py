"""Reading text: one number and one unit, strictly."""

import pytest

from curecalc.units import QuantityError, parse, parse_measured


@pytest.mark.parametrize(
    ("text", "kind", "unit", "value"),
    [
        ("300 mW", "power", "mW", 300.0),
        ("0.3W", "power", "mW", 300.0),
        ("10 mJ/cm2", "exposure", "mJ/cm^2", 10.0),
        ("10 mJ/cm²", "exposure", "mJ/cm^2", 10.0),
        ("1e-3 m", "length", "mm", 1.0),
        ("125µm", "length", "um", 125.0),
        ("125 μm", "length", "um", 125.0),
        ("1 mil", "length", "um", 25.4),
    ],
)
def test_reads_a_number_and_a_unit(text, kind, unit, value):
    assert parse("x", text, kind).m_as(unit) == pytest.approx(value, rel=1e-12)


def test_decimal_comma_is_refused_with_the_reading_it_needs():
    with pytest.raises(QuantityError, match=r"with a decimal point, like '11.5 mJ/cm2'"):
        parse("--critical-exposure", "11,5 mJ/cm2", "exposure")


def test_standard_uncertainty_may_follow():
    got = parse_measured("--power", "300 +- 6 mW", "power")
    assert (got.value.m_as("mW"), got.standard_uncertainty.m_as("mW")) == (300.0, 6.0)
