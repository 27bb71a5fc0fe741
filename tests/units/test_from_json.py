"""Numbers of a JSON quantity are numbers: text is refused, whatever a unit library would make of it."""

import pytest

from curecalc.units import QuantityError, from_json


@pytest.mark.parametrize("value", ["x", "3", "9**9", None, True, [1, "2"], {}])
def test_a_value_that_is_no_number_is_refused(value):
    with pytest.raises(QuantityError, match="value must be a number"):
        from_json({"value": value, "unit": "mW"})


def test_a_spread_that_is_no_number_is_refused():
    with pytest.raises(QuantityError, match="standard_uncertainty must be a number"):
        from_json({"value": 1.0, "unit": "mW", "standard_uncertainty": "2"})


def test_numbers_come_back():
    assert from_json({"value": 3, "unit": "mW", "standard_uncertainty": 0.5}).standard_uncertainty.m_as("W") == 5e-4
    assert from_json({"value": 3, "unit": "mW"}).standard_uncertainty.m == 0.0
