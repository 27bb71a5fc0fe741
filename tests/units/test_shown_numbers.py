"""How many digits are shown, which sizes are taken, how long a text may be: each rule on both sides of its limit."""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from curecalc.units import (
    MM,
    MW,
    Measured,
    Quantity,
    QuantityError,
    Shown,
    count,
    figure,
    finite,
    nonnegative,
    parse,
    parse_measured,
    positive,
    ratio,
    show,
    show_kernel,
    show_span,
    span,
)
from curecalc.units.kinds import clip

Q = Quantity


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (1234.5678, None, "1235"),
        (0.00012346, None, "0.0001235"),
        (0.000012346, None, "1.235e-05"),
        (9876543.0, None, "9876543"),
        (98765432.0, None, "9.877e+07"),
        (-0.5, None, "-0.5"),
        (100.0, None, "100"),
        (0.0, None, "0"),
        (math.inf, 0.1, "inf"),
        # two digits of the uncertainty, after its own rounding
        (0.1, 0.0099, "0.1000"),
        (0.1, 0.00996, "0.100"),
        (0.123456, 0.05, "0.123"),
        (1567.0, 123.0, "1570"),
        (1567.0, 12.3, "1567"),
        (1567.0, 1.23, "1567.0"),
        (123456789.0, 2e6, "123500000"),
        (123456789.0, 2e7, "1.235e+08"),
        (0.5, 1e-8, "0.500000000"),
        (0.5, 1e-9, "0.5"),
        (0.5, 0.0, "0.5"),
        (0.5, math.nan, "0.5"),
        (0.0, 0.1, "0.00"),
    ],
)
def test_digits_of_a_number(value, u, text):
    assert figure(value, u) == text


@pytest.mark.parametrize(
    ("low", "high", "more", "text"),
    [
        (1.2345, 100.57, {}, "1.2 to 100.6"),
        (1.0, 100.57, {}, "1 to 100.6"),  # over a hundred times: each for itself
        (1.25, 125.0, {}, "1.25 to 125"),
        (1.0, 2.0, {}, "1 to 2"),
        (10.0, 20.0, {}, "10 to 20"),
        (1.5, 2.0, {}, "1.5 to 2.0"),
        (0.05, 0.15, {}, "0.05 to 0.15"),
        (-2.0, 1.25, {}, "-2.00 to 1.25"),
        (0.0, 1.25, {}, "0 to 1.25"),
        (1234.6, 5678.4, {}, "1235 to 5678"),
        (123456.0, 234567.0, {}, "123456 to 234567"),
        (0.0563, 0.352, {"digits": 3}, "0.056 to 0.352"),
        (407.04, 408.5, {"u": 0.62}, "407.04 to 408.50"),
        (2.0, 2.0, {}, "2 to 2"),
        (9.2e6, 9.91e6, {}, "9200000 to 9910000"),
        (1.1e7, 1.25e7, {}, "1.1e+07 to 1.25e+07"),
    ],
)
def test_digits_of_a_range(low, high, more, text):
    assert span(low, high, **more) == text


def test_quantities_as_people_read_them():
    assert show(Q(0.151234, "mm"), Q(4.2, "um")) == "0.1512 +- 0.0042 mm"
    assert show(Q(0.15123, "mm"), Q(0.0, "mm")) == "0.1512 mm"
    assert show(Q(0.15123456, "mm"), digits=6) == "0.151235 mm"
    assert show(Measured(Q(25.0, "degC"), Q(0.5, "kelvin"))) == "25.00 +- 0.50 degC"
    assert show_span(Q(24.0, "degC"), Q(25.5, "degC"), u=Q(0.5, "kelvin")) == "24.00 to 25.50 degC"
    assert show(Q(np.array([2.0, 1.0, 4.0]), "W")) == "1000 to 4000 mW (3 values)"
    assert show_kernel(0.115, "exposure", 0.0023) == "11.50 +- 0.23 mJ/cm^2"
    assert show_kernel(math.radians(30.0), "angle") == "30 deg"
    assert show(Q(1.5, "1")) == "1.5"
    assert show(Q(355.0, "nm")) == "355 nm"

    @dataclass(frozen=True)
    class Record(Shown):
        size: Quantity
        ends: tuple[Quantity, Quantity]
        share: float
        kept: bool = True
        lost: bool = False
        three: tuple[int, int, int] = (1, 2, 3)

    shown = Record(Q(0.1, "mm"), (Q(1.0, "s"), Q(2.0, "s")), 1 / 3)
    assert shown.rows() == [("size", "0.1 mm"), ("ends", "1 to 2 s"), ("share", "0.333333"), ("kept", "yes")]
    assert str(shown) == "Record\n  size   0.1 mm\n  ends   1 to 2 s\n  share  0.333333\n  kept   yes"


def accepts(call, *args, **more):
    try:
        call(*args, **more)
    except QuantityError:
        return False
    return True


@pytest.mark.parametrize("many", [1, 4])
def test_sizes_that_can_be_worked_with(many):
    """From 1e-30 to 1e30, one number or very many, whatever place the odd one has."""
    for check, number, taken in (
        (positive, 1e-30, True),
        (positive, 0.9e-30, False),
        (positive, 1e30, True),
        (positive, 1.1e30, False),
        (positive, 0.0, False),
        (nonnegative, 0.0, True),
        (nonnegative, -1e-30, False),
        (nonnegative, 1e30, True),
        (nonnegative, 1.1e30, False),
        (finite, -1e30, True),
        (finite, -1.1e30, False),
        (finite, 1e30, True),
        (finite, 1.1e30, False),
        (finite, math.nan, False),
    ):
        if many == 1:
            assert accepts(check, "power", Q(number, "mW"), MW) == taken, (check, number)
        for place in {0, many // 2, many - 1}:
            values = np.ones(many)
            values[place] = number
            assert accepts(check, "power", Q(values, "mW"), MW) == taken, (check, number, place)
    with pytest.raises(QuantityError, match=r"power is 2e[+]30 mW at index 1: beyond any use"):
        nonnegative("power", Q([0.0, 2e30], "mW"), MW)
    with pytest.raises(QuantityError, match=r"power is 2e[+]30 mW at index 2: beyond any use"):  # the ends themselves can be worked with
        nonnegative("power", Q([1e-30, 1e30, 2e30], "mW"), MW)
    with pytest.raises(QuantityError, match=r"power is 1e-31 mW: beyond any use.*1e-30 to 1e[+]30 mW can be worked with"):
        positive("power", Q(1e-31, "mW"), MW)
    with pytest.raises(QuantityError, match="above zero, got -1 mW at index 2"):
        positive("power", Q([1.0, 2.0, -1.0, -2.0], "mW"), MW)
    with pytest.raises(QuantityError, match=r"got -1 mW at index \(1, 0\)"):
        positive("power", Q([[1.0, 2.0], [-1.0, -2.0]], "mW"), MW)


def test_ends_of_ratios_and_counts():
    for number, more, taken in (
        (0.0, {}, False),
        (1e-30, {}, True),
        (0.9e-30, {}, False),
        (1e30, {}, True),
        (1.1e30, {}, False),
        (0.0, {"low_open": False}, True),
        (1.0, {"high": 1.0}, False),
        (0.999, {"high": 1.0}, True),
        (1.0, {"high": 1.0, "high_open": False}, True),
        (1.001, {"high": 1.0, "high_open": False}, False),
        (2.0, {"low": 2.0}, False),
        (2.0, {"low": 2.0, "low_open": False}, True),
        (1.9, {"low": 2.0, "low_open": False}, False),
    ):
        for value in (number, np.array([number]), [5e-1 * more.get("high", 10.0), number] if more.get("low", 0.0) == 0.0 else number):
            assert accepts(ratio, "share", value, **more) == taken, (value, more)
    with pytest.raises(QuantityError, match="share must be finite, at least 2 and at most 3, got 1"):
        ratio("share", 1.0, low=2.0, high=3.0, low_open=False, high_open=False)
    with pytest.raises(QuantityError, match="share must be finite, above 0, got 0"):
        ratio("share", 0.0)
    assert count("passes", 2**53 - 1) == 2**53 - 1
    for bad in (2**53, 0, 1.5, -1):
        with pytest.raises(QuantityError, match="passes must be a whole number of at least 1"):
            count("passes", bad)
    assert count("passes", 0, minimum=0) == 0
    with pytest.raises(QuantityError, match="got 0 at index 1"):
        count("passes", [3, 0, -1])


def test_lengths_of_text():
    assert clip("x" * 60) == repr("x" * 60)
    assert clip("x" * 61) == repr("x" * 57 + "...")
    assert parse("size", "1." + "0" * 75 + " mm", "length").m == 1.0
    with pytest.raises(QuantityError, match="it is longer than 80 characters"):
        parse("size", "1." + "0" * 76 + " mm", "length")
    assert parse("temperature", "0 K", "temperature").m == 0.0
    with pytest.raises(QuantityError, match="below absolute zero"):
        parse("temperature", "-274 degC", "temperature")
    with pytest.raises(QuantityError, match="too small to use"):
        parse("size", "1e-400 mm", "length")
    assert parse("size", "0e5 mm", "length").m == 0.0
    with pytest.raises(QuantityError, match="too large to use"):
        parse("size", "1e400 mm", "length")
    assert parse_measured("size", "-2 mm +- 5 %", "length").standard_uncertainty.m_as(MM) == pytest.approx(0.1)
    assert parse_measured("size", "2 mm +- 0 um", "length").standard_uncertainty.m == 0.0
    with pytest.raises(QuantityError, match="must not be below zero"):
        parse_measured("size", "2 mm +- -1 um", "length")
    with pytest.raises(QuantityError, match="one value and one standard uncertainty"):
        parse_measured("size", "2 mm +- 1 um +- 1 um", "length")
    assert Measured(Q(-300.0, "mW"), Q(6.0, "mW")).relative == pytest.approx(0.02)
