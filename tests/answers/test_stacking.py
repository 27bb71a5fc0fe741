"""Stacks against an accumulation layer by layer on a fine grid of depth, for every cure model."""

import math

import numpy as np
import pytest

from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import BleachingResin, PowerThresholdResin, Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.layers import evaluate_stack
from curecalc.units import Measured, NoSolution, QuantityError
from curecalc.units import Quantity as Q

COMMON = {"penetration_depth": Q(0.15, "mm"), "critical_exposure": Q(8.0, "mJ/cm^2")}
PLAIN = Resin(**COMMON)
BLEACHING = BleachingResin(**COMMON, bleaching_exposure=Q(20.0, "mJ/cm^2"))


def bleaching_march(es, eb, ec, dp, t, n):
    """Solid below the first top by marching dI/dz = -a I/Dp, da/dt = -a I/Eb on a grid, layer upon layer."""
    cells = 200
    dz = t / cells
    deep = int(20 * cells)
    # unused initiator and received dose below the first layer's top, extended by fresh layers above
    fresh = np.ones(deep)
    dose_below = np.zeros(deep)
    above: list[np.ndarray] = []
    for _ in range(n):
        column = np.concatenate([*above[::-1], fresh])
        # dose through a column known exactly per cell: bleached cells obey the same closed law, so march in dose steps
        steps = 400
        received = np.zeros(column.size)
        for _ in range(steps):
            light = es / steps
            path = np.exp(-np.concatenate([[0.0], np.cumsum(column)[:-1]]) * dz / dp)
            mid = np.exp(-0.5 * column * dz / dp)
            local = light * path * mid
            received += local
            column = column * np.exp(-local / eb)
        split = column.size - deep
        dose_below += received[split:]
        parts = np.split(column[:split], len(above)) if above else []
        above = parts[::-1]
        fresh = column[split:]
        above.append(np.ones(cells))
    z = (np.arange(deep) + 0.5) * dz
    return float(np.interp(-ec, -dose_below, z)) - t


@pytest.mark.parametrize("n", [1, 2, 7, 40, math.inf])
def test_plain_stack_is_the_geometric_series(n):
    answer = evaluate_stack(resin=PLAIN, exposure=Q(20.0, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"), layers=n)
    terms = sum(math.exp(-k * 0.1 / 0.15) for k in range(int(min(n, 400))))
    want = 0.15 * math.log(20.0 * terms / 8.0) - 0.1
    assert answer.print_through.m_as("mm") == pytest.approx(want, rel=1e-9)
    assert answer.interface_exposure.m_as("mJ/cm^2") == pytest.approx(20 * math.exp(-0.1 / 0.15) * terms, rel=1e-9)


@pytest.mark.parametrize("n", [1, 3])
def test_bleaching_stack_agrees_with_marching_the_rate_equations(n):
    answer = evaluate_stack(resin=BLEACHING, exposure=Q(25.0, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"), layers=n)
    want = bleaching_march(0.25, 0.20, 0.08, 0.15, 0.1, n)
    assert answer.print_through.m_as("mm") == pytest.approx(want, rel=2e-3)


@pytest.mark.slow
def test_light_without_bound_is_said():
    with pytest.raises(NoSolution, match="without bound"):
        evaluate_stack(resin=BLEACHING, exposure=Q(25.0, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"))


def test_compensation_leaves_the_least():
    answer = evaluate_stack(resin=PLAIN, exposure=Q(60.0, "mJ/cm^2"), layer_thickness=Q(0.05, "mm"), layers=30)
    dp, t, n = 0.15, 0.05, 30

    def through(left_out):
        terms = sum(math.exp(-k * t / dp) for k in range(n - left_out))
        return dp * math.log(60.0 * terms / 8.0) - t - left_out * t

    best = min(range(n), key=lambda m: abs(through(m)))
    assert answer.compensation_layers == best
    assert answer.residual.m_as("mm") == pytest.approx(through(best), rel=1e-9)


def test_raster_reports_weakest_and_strongest_and_threshold_law_works():
    beam = Beam(power=Measured(Q(30.0, "mW"), Q(0.3, "mW")), radius_x=Q(0.125, "mm"))
    scan = Scan(scan_speed=Q(600.0, "mm/s"), hatch_spacing=Q(0.17, "mm"))
    for resin in (PLAIN, PowerThresholdResin(**COMMON, exponent=0.9, reference_irradiance=Q(1000.0, "mW/mm^2"))):
        answer = evaluate_stack(resin=resin, beam=beam, scan=scan, layer_thickness=Q(0.1, "mm"), layers=5)
        low, high = answer.print_through_range
        assert low.m < answer.print_through.m < high.m
        assert answer.standard_uncertainty["print_through"].m_as("mm") == pytest.approx(0.15 * 0.01, rel=1e-5)


def test_interfaces_grow_to_their_limit():
    answer = evaluate_stack(resin=PLAIN, exposure=Q(20.0, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"))
    values = [e.m_as("mJ/cm^2") for e in answer.interfaces]
    assert values[0] == pytest.approx(answer.own_exposure.m_as("mJ/cm^2"))
    assert values == sorted(values)
    assert values[-1] == pytest.approx(answer.interface_exposure.m_as("mJ/cm^2"), rel=1e-3)


def test_refusals():
    with pytest.raises(NoSolution, match="single layer does not cure"):
        evaluate_stack(resin=PLAIN, exposure=Q(8.0, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"))
    with pytest.raises(QuantityError, match="layers must be a whole number"):
        evaluate_stack(resin=PLAIN, exposure=Q(20.0, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"), layers=0)
    with pytest.raises(QuantityError, match="needs an exposure"):
        evaluate_stack(resin=PLAIN, layer_thickness=Q(0.1, "mm"))
