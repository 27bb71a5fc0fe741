"""The scanner in motion against direct integration in time, and its limits."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from curecalc.physics.motion import speed_up_distance, stop_factor, stop_profile, vector_time


def by_time(s, v, a, w0):
    """Exposure over the steady line's, integrating the moving Gaussian over both arms."""
    full = v / a

    def place(t):
        return 0.5 * a * t * t if t < full else 0.5 * v * v / a + v * (t - full)

    total = 0.0
    for side in (-1.0, 1.0):
        end = full + (abs(s) + 8.0 * w0) / v
        reach = 0.5 * v * v / a
        marks = [full]  # where the motion changes, and when the spot passes the point or comes near it
        for near in (abs(s) - 4.0 * w0, abs(s), abs(s) + 4.0 * w0):
            if near > 0.0:
                marks.append(math.sqrt(2.0 * near / a) if near < reach else full + (near - reach) / v)
        points = sorted({p for p in marks if 0.0 < p < end})
        total += quad(
            lambda t, side=side: math.exp(-2.0 * ((place(t) - side * s) / w0) ** 2),
            0.0,
            end,
            points=points,
            epsabs=0.0,
            epsrel=1e-11,
            limit=800,
        )[0]
    return total * v / (math.sqrt(0.5 * math.pi) * w0)


@settings(deadline=None, max_examples=60)
@given(v=st.floats(50.0, 1e4), a=st.floats(1e5, 1e7), w0=st.floats(0.03, 0.3), share=st.floats(0.0, 1.5))
def test_exposure_beside_a_stop_agrees_with_integration_in_time(v, a, w0, share):
    s = share * (speed_up_distance(v, a) + w0)
    assert stop_profile(s, v, a, w0) == pytest.approx(by_time(s, v, a, w0), rel=1e-7)


def test_far_from_the_stop_the_line_is_steady_and_an_instant_stop_does_nothing():
    assert stop_profile(50.0, 2000.0, 1e6, 0.1) == pytest.approx(1.0, abs=1e-12)
    assert stop_factor(1000.0, 1e15, 0.1) == pytest.approx(1.0, abs=1e-4)


@given(v=st.floats(100.0, 1e4), a=st.floats(1e5, 1e7), w0=st.floats(0.03, 0.3))
def test_a_stop_only_adds_and_less_so_with_more_acceleration(v, a, w0):
    here = stop_factor(v, a, w0)
    assert here >= 1.0 - 1e-9
    assert stop_factor(v, 2.0 * a, w0) <= here * (1.0 + 1e-9)


@given(length=st.floats(0.1, 100.0), v=st.floats(10.0, 1e4), a=st.floats(1e4, 1e7))
def test_a_vector_takes_longer_than_at_full_speed_and_longer_lengths_take_longer(length, v, a):
    here = vector_time(length, v, a)
    assert here >= length / v
    assert vector_time(1.01 * length, v, a) > here
    assert vector_time(length, 1.5 * v, a) <= here * (1.0 + 1e-12)
