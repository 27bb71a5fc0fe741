"""Values Python users may pass that must not be taken, and what they are told; and those that must be taken exactly."""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import pint
import pytest

from curecalc.units import (
    DEG,
    HZ,
    MJ_MM2,
    MM,
    MW,
    ONE,
    Measured,
    Quantity,
    QuantityError,
    count,
    finite,
    from_json,
    measured,
    measured_field,
    nonnegative,
    positive,
    ratio,
    to_json,
)

Q = Quantity

OTHER = pint.UnitRegistry(None)  # a registry of its own, with no more units than are asked of it
for definition in ("milli- = 1e-3 = m-", "watt = [power] = W"):
    OTHER.define(definition)


class Watched(np.ndarray):
    """A subclass of an array."""


class Real(float):
    """A subclass of a float."""


def clear(message):
    assert message.startswith(("power", "passes", "share", "value", "standard_uncertainty", "angle", "rate"))
    assert message.isprintable()
    assert message.endswith(".")
    assert len(message) < 240
    return message


BAD = [
    (None, "missing"),
    (300, "no unit: got 300"),
    (300.0, "Q(300.0, 'mW')"),
    (np.float64(300), "no unit"),
    (np.int64(3), "no unit"),
    (Decimal(3), "no unit"),
    (Fraction(3), "no unit"),
    (3j, "no unit"),
    ("300 mW", "is text"),
    ("x" * 500, "is text"),
    (True, "must be a quantity"),
    (b"300 mW", "must be a quantity"),
    ([300], "bare list"),
    ((300,), "bare tuple"),
    (np.array([300.0]), "bare ndarray"),
    ({300}, "must be a quantity"),
    ({}, "must be a quantity"),
    (object(), "must be a quantity"),
    (Q, "must be a quantity"),
    (MW, "must be a quantity, got Unit"),
    (Measured(Q(3.0, "mW"), Q(0.0, "mW")), "carries an uncertainty"),
    (Q(3.0, "mJ"), "must convert to mW"),
    (Q(3.0, ""), "must convert to mW"),
    (Q(3.0, "mW/mm^2"), "must convert to mW"),
    (Q(25.0, "degC"), "must convert to mW"),
    (Q(25.0, "delta_degC"), "must convert to mW"),
    (Q(3.0, "mW*rad"), "angle"),
    (Q(3.0, "dB"), "must convert"),
    (Q(np.nan, "mW"), "finite and above zero, got nan mW"),
    (Q(np.inf, "mW"), "got inf mW"),
    (Q(-np.inf, "W"), "got -inf mW"),
    (Q(0.0, "mW"), "above zero, got 0 mW"),
    (Q(-0.0, "mW"), "above zero"),
    (Q(-2.0, "W"), "got -2000 mW"),
    (Q(0, "mW"), "above zero"),
    (Q(1e31, "mW"), "beyond any use"),
    (Q(1e-31, "mW"), "beyond any use"),
    (Q(1e300, "W"), "beyond any use"),
    (Q(5e-324, "mW"), "beyond any use"),
    (Q(10**400, "mW"), "too large"),
    (Q(10**400, "W"), "too large"),
    (Q(3 + 0j, "mW"), "real numbers"),
    (Q(3 + 0j, "W"), "real numbers"),
    (Q(np.array([1.0, -2.0]), "mW"), "got -2 mW at index 1"),
    (Q(np.array([1.0, np.nan]), "W"), "at index 1"),
    (Q(np.array([[1.0, 2.0], [3.0, 0.0]]), "mW"), "at index (1, 1)"),
    (Q(np.array([]), "mW"), "is empty"),
    (Q(np.zeros((0, 3)), "mW"), "is empty"),
    (Q(np.array([1.0, 1e40]), "mW"), "beyond any use"),
    (Q(np.array([True]), "mW"), "real numbers"),
    (Q(np.array([1j]), "mW"), "real numbers"),
    (Q(np.array(["3"]), "mW"), "real numbers"),
    (Q(np.array([1, None]), "mW"), "real numbers"),
    (Q(np.array([Decimal(1)]), "mW"), "real numbers"),
    (Q(np.ma.array([1.0, 2.0], mask=[0, 1]), "mW"), "MaskedArray"),
    (Q(np.ma.array([1.0, 2.0], mask=[0, 0]), "W"), "MaskedArray"),
    (Q(np.zeros(2, dtype=[("a", float)]), "mW"), "real numbers"),
    (Q(np.array(["2026-01-01"], "datetime64[D]"), "mW"), "real numbers"),
    (OTHER.Quantity(3.0, "mW"), "another unit registry"),
    (OTHER.Quantity(3.0, "W"), "another unit registry"),
]


@pytest.mark.parametrize(("value", "words"), BAD, ids=[f"{i}-{w[:20]}" for i, (_, w) in enumerate(BAD)])
def test_positive_refuses(value, words):
    with pytest.raises(QuantityError) as caught:
        positive("power", value, MW)
    assert words in clear(str(caught.value))


@pytest.mark.parametrize("check", [nonnegative, finite])
@pytest.mark.parametrize(("value", "words"), BAD, ids=[f"{i}-{w[:20]}" for i, (_, w) in enumerate(BAD)])
def test_the_other_checks_refuse_as_well(check, value, words):
    if "zero" in words or "e-" in repr(value) or (check is finite and ("-2" in words or "1, 1" in words)) or "(1, 1)" in words:
        return
    with pytest.raises(QuantityError) as caught:
        check("power", value, MW)
    clear(str(caught.value))


def test_zero_and_less_where_they_may_be():
    assert nonnegative("power", Q(0.0, "W"), MW) == 0.0
    assert finite("power", Q(-2.0, "W"), MW) == -2000.0
    assert finite("power", Q(1e-300, "mW"), MW) == 1e-300
    with pytest.raises(QuantityError, match="finite and not below zero, got -1 mW"):
        nonnegative("power", Q(-1.0, "mW"), MW)
    with pytest.raises(QuantityError, match="not below zero, got -3 mW at index 2"):
        nonnegative("power", Q(np.array([0.0, 1.0, -3.0]), "mW"), MW)


GOOD = [
    (Q(300, "mW"), 300.0),
    (Q(0.3, "W"), 300.0),
    (Q(Decimal("300"), "mW"), 300.0),
    (Q(Decimal("0.3"), "W"), 300.0),
    (Q(Fraction(3, 10), "W"), 300.0),
    (Q(np.float32(0.5), "W"), 500.0),
    (Q(np.int8(100), "W"), 1e5),
    (Q(np.uint8(255), "W"), 255e3),
    (Q(np.longdouble(300), "mW"), 300.0),
    (Q(Real(300), "mW"), 300.0),
    (Q(np.array(300.0), "mW"), 300.0),
    (Q(300.0, "mJ/s"), 300.0),
    (Q(300.0, "percent*mW"), 3.0),
    (Q(10**20, "mW"), 1e20),
]


@pytest.mark.parametrize(("value", "want"), GOOD, ids=[repr(v)[:40] for v, _ in GOOD])
def test_scalars_of_every_make_become_float64(value, want):
    got = positive("power", value, MW)
    assert type(got) is float
    assert got == pytest.approx(want, rel=1e-15)


@pytest.mark.parametrize("make", [np.float64, np.float32, np.float16, np.int8, np.uint8, np.int64, np.longdouble])
@pytest.mark.parametrize("unit", ["mW", "W"])
def test_arrays_of_every_make_become_plain_float64(make, unit):
    got = positive("power", Q(np.array([1, 100], make), unit), MW)
    assert type(got) is np.ndarray
    assert got.dtype == np.float64
    assert got.tolist() == ([1.0, 100.0] if unit == "mW" else [1e3, 1e5])


def test_float32_in_another_unit_keeps_its_digits():
    third = np.array([1.0 / 3.0], np.float32)
    assert positive("power", Q(third, "W"), MW)[0] == 1e3 * float(third[0])


def test_subclasses_lists_and_views_become_plain_arrays():
    for magnitude in (np.array([1.0, 2.0]).view(Watched), [1.0, 2.0], (1.0, 2.0), np.arange(1.0, 5.0)[::2] / np.array([1, 1.5])):
        got = positive("power", Q(magnitude, "mW"), MW)
        assert type(got) is np.ndarray
        assert got.tolist() == [1.0, 2.0]


def test_angles_numbers_and_rates_are_kept_apart():
    assert finite("angle", Q(180.0, "deg"), DEG) == 180.0
    for value, unit, words in ((Q(20.0, ""), DEG, "no unit"), (Q(2.0, "rad/s"), HZ, "angle"), (Q(2.0, "1/s"), DEG, "must convert")):
        with pytest.raises(QuantityError) as caught:
            finite("angle" if unit == DEG else "rate", value, unit)
        assert words in clear(str(caught.value))
    with pytest.raises(QuantityError, match=r"plain number.*angle"):
        ratio("share", Q(0.3, "rad"))


WHOLE = [
    (0, "at least 1, got 0"),
    (-1, "got -1"),
    (2.5, "got 2.5"),
    (np.nan, "got nan"),
    (np.inf, "got inf"),
    (1e20, "got 1e+20"),
    (2**60, "whole number"),
    (10**400, "whole number"),
    (True, "'True'"),
    (None, "'None'"),
    ("3", "'3'"),
    (b"3", "whole number"),
    (3j, "'3j'"),
    (Decimal(3), "'3'"),
    (Fraction(3), "'3'"),
    ([], "is empty"),
    ([1, 0], "got 0 at index 1"),
    ([1, 2.5], "got 2.5 at index 1"),
    ([[1, 2], [3, 0]], "index (1, 1)"),
    ({1}, "whole number"),
    (object(), "whole number"),
    (np.array([True]), "whole number"),
    (np.array(["1"]), "whole number"),
    (Q(3, ""), "plain whole number"),
    (Q(3, "mm"), "got 3 mm"),
    (np.ma.array([1, 2], mask=[0, 1]), "whole number"),
    ([1, np.nan], "got nan at index 1"),
]


@pytest.mark.parametrize(("value", "words"), WHOLE, ids=[f"{i}-{w[:20]}" for i, (_, w) in enumerate(WHOLE)])
def test_counts_that_are_refused(value, words):
    with pytest.raises(QuantityError) as caught:
        count("passes", value)
    assert words in clear(str(caught.value))


def test_counts_that_are_taken():
    for value in (3, 3.0, np.int8(3), np.float32(3), np.array(3)):
        got = count("passes", value)
        assert type(got) is int
        assert got == 3
    assert count("passes", [1, 2.0]).dtype == np.int64
    assert count("passes", 0, minimum=0) == 0
    with pytest.raises(QuantityError, match="at least 2, got 1"):
        count("passes", 1, minimum=2)


RATIOS = [
    (0.0, "above 0"),
    (-0.5, "above 0"),
    (np.nan, "got nan"),
    (np.inf, "got inf"),
    (1.0, "below 1"),
    (True, "'True'"),
    (None, "'None'"),
    ("0.5", "'0.5'"),
    (0.5j, "real numbers"),
    ([0.5, 2.0], "got 2 at index 1"),
    ([], "is empty"),
    (Q(0.5, "mm"), "plain number"),
    (object(), "real numbers"),
    (np.array(["0.5"]), "real numbers"),
    (1e-40, "beyond any use"),
    (b"1", "real numbers"),
    (np.ma.array([0.5], mask=[1]), "MaskedArray"),
    (10**400, "too large"),
    (Measured(Q(0.5, ""), Q(0.1, "")), "share"),
]


@pytest.mark.parametrize(("value", "words"), RATIOS, ids=[f"{i}-{w[:20]}" for i, (_, w) in enumerate(RATIOS)])
def test_ratios_that_are_refused(value, words):
    with pytest.raises(QuantityError) as caught:
        ratio("share", value, high=1.0)
    assert words in clear(str(caught.value))


def test_ratios_that_are_taken():
    for value in (0.5, Q(0.5, ""), Q(50.0, "percent"), Decimal("0.5"), Fraction(1, 2), np.float32(0.5)):
        assert ratio("share", value, high=1.0) == 0.5
    assert ratio("share", 1.0, high=1.0, high_open=False) == 1.0
    assert ratio("share", 0.0, low_open=False) == 0.0
    assert ratio("share", [0.25, 0.5]).tolist() == [0.25, 0.5]


MEASURED = [
    (Q(300.0, "mW"), Q(6.0, "mJ"), "must convert to mW"),
    (Q(300.0, "mW"), 6.0, "no unit"),
    (Q(300.0, "mW"), None, "missing"),
    (Q(300.0, "mW"), Q(-6.0, "mW"), "not below zero"),
    (Q(300.0, "mW"), Q(np.nan, "mW"), "finite"),
    (Q(np.inf, "mW"), Q(1.0, "mW"), "finite"),
    (300.0, Q(6.0, "mW"), "no unit"),
    ("300 mW", "6 mW", "is text"),
    (None, Q(1.0, "mW"), "missing"),
    (Q(25.0, "degC"), Q(1.0, "degC"), "in kelvin"),
    (Q(np.array([1.0, 2.0]), "mW"), Q(np.array([1.0, 2.0, 3.0]), "mW"), "shape (3,)"),
    (Q(25.0, "degC"), 0.5, "no unit"),
]


@pytest.mark.parametrize(("value", "spread", "words"), MEASURED, ids=[f"{i}-{w}" for i, (_, _, w) in enumerate(MEASURED)])
def test_uncertain_values_that_are_refused(value, spread, words):
    with pytest.raises(QuantityError) as caught:
        Measured(value, spread)
    assert words in clear(str(caught.value))


@pytest.mark.parametrize("value", [300, None, "300 mW", [300], object()])
def test_what_is_no_quantity_cannot_be_measured(value):
    with pytest.raises(QuantityError) as caught:
        measured(value)
    clear(str(caught.value))


def test_uncertain_values_that_are_taken():
    assert Measured(Q(25.0, "degC"), Q(0.5, "kelvin")).standard_uncertainty.m == 0.5
    assert Measured(Q(25.0, "degC"), Q(0.5, "delta_degC")).standard_uncertainty.m == 0.5
    assert Measured(Q(0.3, "W"), Q(6.0, "mW")).relative == pytest.approx(0.02)
    assert measured(Q(25.0, "degC")).standard_uncertainty.m == 0.0


@pytest.mark.parametrize(
    ("value", "unit", "number"),
    [
        (Q(0.3, "W"), "mW", 300.0),
        (Q(125.0, "um"), "mm", 0.125),
        (Q(355.0, "nm"), "nm", 355.0),
        (Q(0.08, "mJ/mm^2"), "mJ/cm^2", 8.0),
        (Q(2.0, "m/s"), "mm/s", 2000.0),
        (Q(2.0, "minute"), "s", 120.0),
        (Q(298.15, "kelvin"), "degC", 25.0),
        (Q(1.0, "mL"), "mm^3", 1000.0),
        (Q(1.0, "cm^2/s"), "mm^2/s", 100.0),
        (Q(4.0, "cm^2"), "mm^2", 400.0),
        (Q(1.0, "rad"), "deg", 57.29577951308232),
    ],
)
def test_json_units_are_fixed_and_read_back(value, unit, number):
    record = to_json(value)
    assert record["unit"] == unit
    assert record["value"] == pytest.approx(number, rel=1e-14)
    assert from_json(record).value.m_as(unit) == pytest.approx(number, rel=1e-14)


def test_json_never_holds_nan():
    assert to_json(Q(np.array([1.0, np.inf]), "mm"))["value"] == [1.0, None]
    assert to_json(Q(0.1, "mm"), interval=(Q(-np.inf, "mm"), Q(0.2, "mm")))["interval"] == [None, 0.2]
    assert to_json(Measured(Q(25.0, "degC"), Q(0.5, "kelvin")))["standard_uncertainty"] == 0.5
    assert positive("value", Q(1.0, "mJ/cm^2"), MJ_MM2) == pytest.approx(0.01)
    assert positive("value", Q(1.0, "inch"), MM) == pytest.approx(25.4)


def test_a_field_without_a_unit_takes_a_plain_number_and_no_other_does():
    @dataclass(frozen=True)
    class Record:
        size: Any
        share: Any

        def __post_init__(self):
            measured_field(self, "size", MM)
            measured_field(self, "share", ONE)

    record = Record(Q(1.0, "cm"), 0.5)
    assert (record.size.value.m_as("mm"), record.share.value.m, record.share.relative) == (10.0, 0.5, 0.0)
    with pytest.raises(QuantityError, match=r"size has no unit: got 0\.1\. Give it one"):
        Record(0.1, 0.5)
