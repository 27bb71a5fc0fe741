"""A cure law that the package does not know, defined here and nowhere else, works through every part that cures anything.

The toy: depth = Dp [(E/Ec)^k - 1]/k, the plain law where k goes to 0, invented for this test. With k = 1/2 its sums close by hand:
the square root of the dose falls by c = sqrt(Ec) t/(2 Dp) through each layer of thickness t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar

import numpy as np
import pytest

from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import Resin, Told
from curecalc.formulas.scan import Scan
from curecalc.jobs.lot import Lot
from curecalc.logbook.depth import SettingsInForce, depth_over_time, power_for_depth
from curecalc.physics.laws import Law
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.window import process_window
from curecalc.setting.answer import MonteCarloOptions, evaluate
from curecalc.setting.derivation import depth_steps, solution_steps, stack_steps
from curecalc.setting.layers import evaluate_stack
from curecalc.setting.solving import solve
from curecalc.statistics.working_line import WorkingLine
from curecalc.units import MM, ONE, Measured, Unit
from curecalc.units import Quantity as Q

from . import integration as oracle
from .cases import Kind, drawn
from .shop import TODAY, machine_file, needs_file, resin_file

# ---------------------------------------------------------------- all that a new law takes


@dataclass(frozen=True)
class Bent(Law):
    bend: Any

    def height(self, dose):
        return self.penetration_depth * ((dose / self.critical_exposure) ** self.bend - 1.0) / self.bend

    def dose(self, depth):
        return self.critical_exposure * np.maximum(1.0 + self.bend * depth / self.penetration_depth, 0.0) ** (1.0 / self.bend)

    def below(self, dose, z):
        return self.dose(self.height(dose) - z)


@dataclass(frozen=True, kw_only=True)
class BentResin(Resin):
    bend: float | Measured | Q

    law = Bent
    law_units: ClassVar[dict[str, Unit]] = {**Resin.law_units, "bend": ONE}
    symbols: ClassVar[dict[str, str]] = {**Resin.symbols, "bend": "k"}
    told = Told(
        "Cd = Dp [(E/Ec)^k - 1]/k",
        "{penetration_depth} [({dose}/{critical_exposure})^{bend} - 1]/{bend}",
        "E = Ec (1 + k Cd/Dp)^(1/k)",
        "E_bottom = Ec [(E/Ec)^k - k t/Dp]^(1/k)",
        "An invented law.",
    )


# ---------------------------------------------------------------- a setting, by hand

DP, EC, K = 0.15, 0.08, 0.5
P, W, V, H, T = 30.0, 0.125, 1000.0, 0.1, 0.06
LINE = math.sqrt(2 / math.pi) * P / (W * V)  # 0.1915 mJ/mm^2
RESIN = BentResin(penetration_depth=Q(DP, "mm"), critical_exposure=Q(EC, "mJ/mm^2"), bend=K)
BEAM = Beam(power=Q(P, "mW"), radius_x=Q(W, "mm"))
SCAN = Scan(scan_speed=Q(V, "mm/s"))
RASTER = Scan(scan_speed=Q(V, "mm/s"), hatch_spacing=Q(H, "mm"))


def depth(e):
    return DP * (math.sqrt(e / EC) - 1) / K


def dose(d):
    return EC * (1 + K * d / DP) ** 2


def lines(place, h=H):
    """Gaussian lines side by side, added up."""
    return sum(LINE * math.exp(-2 * ((place - i * h) / W) ** 2) for i in range(-60, 61))


def test_a_line():
    answer = evaluate(beam=BEAM, resin=RESIN, scan=SCAN, layer_thickness=Q(T, "mm"))
    assert answer.cure_depth.m_as("mm") == pytest.approx(depth(LINE), rel=1e-12)
    assert answer.overcure.m_as("mm") == pytest.approx(depth(LINE) - T, rel=1e-12)
    assert answer.line_width.m_as("mm") == pytest.approx(W * math.sqrt(2 * math.log(LINE / EC)), rel=1e-12)
    assert answer.line_width_at_layer.m_as("mm") == pytest.approx(W * math.sqrt(2 * math.log(LINE / dose(T))), rel=1e-12)
    # d depth/d ln E = Dp (E/Ec)^k, and 1 % of the power is 1 % of E
    assert answer.sensitivity["power"].m_as("mm") == pytest.approx(0.01 * DP * math.sqrt(LINE / EC), rel=1e-6)
    by_bend = depth(LINE) * -1 + DP * math.sqrt(LINE / EC) * math.log(LINE / EC)  # k d depth/dk
    assert answer.sensitivity["bend"].m_as("mm") == pytest.approx(0.01 * by_bend, rel=1e-6)


def test_a_raster_and_passes():
    answer = evaluate(beam=BEAM, resin=RESIN, scan=replace(RASTER, passes=3))
    for end, e in (("min", 3 * lines(H / 2)), ("max", 3 * lines(0.0)), ("mean", 3 * P / (V * H))):
        assert answer.outputs[f"cure_depth_{end}"].m_as("mm") == pytest.approx(depth(e), rel=1e-11)


def test_a_leaning_beam():
    """Dp takes the cosine of the refracted angle, Ec the gain of light in the resin; the bend stays."""
    tilt = oracle.Tilt(30.0, 0.0, 1.5)
    answer = evaluate(beam=BEAM, resin=RESIN, scan=replace(SCAN, incidence_angle=Q(30.0, "deg")))
    wanted = tilt.inner_cosine * DP * (math.sqrt(LINE * tilt.gain() / EC) - 1) / K
    assert answer.cure_depth.m_as("mm") == pytest.approx(wanted, rel=1e-12)


def test_uncertainties_of_its_own_constant():
    resin = replace(RESIN, bend=Measured(Q(K, ONE), Q(0.05, ONE)))
    by_bend = -depth(LINE) / K + DP * math.sqrt(LINE / EC) * math.log(LINE / EC) / K
    answer = evaluate(beam=BEAM, resin=resin, scan=SCAN, monte_carlo=MonteCarloOptions(draws=200_000))
    assert answer.standard_uncertainty["cure_depth"].m_as("mm") == pytest.approx(0.05 * by_bend, rel=1e-6)
    assert answer.monte_carlo["cure_depth"].standard_uncertainty == pytest.approx(0.05 * by_bend, rel=0.02)


def test_steps_tell_it():
    steps = depth_steps(evaluate(beam=BEAM, resin=RESIN, scan=SCAN, layer_thickness=Q(T, "mm")))
    told = steps[1]
    assert told.formula == "Cd = Dp [(E/Ec)^k - 1]/k"
    assert told.numbers == "0.15 mm [(19.1492 mJ/cm^2/8 mJ/cm^2)^0.5 - 1]/0.5"
    assert told.result == f"{depth(LINE):.6f} mm"
    assert not any("sqrt(2 Cd/Dp)" in step.formula for step in steps)  # the parabola belongs to laws with one reach
    found = solution_steps(solve("scan_speed", beam=BEAM, resin=RESIN, scan=SCAN, cure_depth=Q(0.2, "mm")))
    assert found[0].formula == "E = Ec (1 + k Cd/Dp)^(1/k)"
    assert found[0].numbers == "Cd = 0.2 mm, Dp = 0.15 mm, Ec = 8 mJ/cm^2, k = 0.5"
    assert found[0].result == f"{100 * dose(0.2):.6g} mJ/cm^2"


# ---------------------------------------------------------------- solved for each unknown


@pytest.mark.parametrize(
    ("unknown", "wanted"),
    [
        ("scan_speed", math.sqrt(2 / math.pi) * P / (W * dose(0.2))),
        ("power", dose(0.2) * W * V / math.sqrt(2 / math.pi)),
        ("beam_radius", math.sqrt(2 / math.pi) * P / (V * dose(0.2))),
    ],
)
def test_a_line_is_solved(unknown, wanted):
    found = solve(unknown, beam=BEAM, resin=RESIN, scan=SCAN, cure_depth=Q(0.2, "mm"))
    assert [q.m for q in found.values] == [pytest.approx(wanted, rel=1e-9)]
    assert found.answer.cure_depth.m_as("mm") == pytest.approx(0.2, rel=1e-9)


def test_passes_layer_and_overcure():
    assert solve("passes", beam=BEAM, resin=RESIN, scan=SCAN, cure_depth=Q(0.4, "mm")).value == math.ceil(dose(0.4) / LINE)
    found = solve("layer_thickness", beam=BEAM, resin=RESIN, scan=SCAN, overcure=Q(0.02, "mm"))
    assert found.value.m_as("mm") == pytest.approx(depth(LINE) - 0.02, rel=1e-12)
    found = solve("overcure", beam=BEAM, resin=RESIN, scan=SCAN, layer_thickness=Q(0.05, "mm"))
    assert found.value.m_as("mm") == pytest.approx(depth(LINE) - 0.05, rel=1e-12)


def test_the_widest_spacing():
    h = solve("hatch_spacing", beam=BEAM, resin=RESIN, scan=SCAN, cure_depth=Q(0.2, "mm")).value.m_as("mm")
    assert lines(h / 2, h) == pytest.approx(dose(0.2), rel=1e-9)


# ---------------------------------------------------------------- layers on layers


@pytest.mark.parametrize("n", [1, 2, 5])
def test_a_stack(n):
    c, total = math.sqrt(EC) * K * T / DP, LINE
    for _ in range(n - 1):
        total = LINE + (math.sqrt(total) - c) ** 2
    answer = evaluate_stack(resin=RESIN, layer_thickness=Q(T, "mm"), beam=BEAM, scan=SCAN, layers=n)
    assert answer.print_through.m_as("mm") == pytest.approx(depth(total) - T, rel=1e-12)
    assert answer.interface_exposure.m_as("mJ/mm^2") == pytest.approx((math.sqrt(total) - c) ** 2, rel=1e-12)


def test_endless_layers():
    """Settled: total = E + (sqrt(total) - c)^2, so sqrt(total) = (E + c^2)/(2 c)."""
    c = math.sqrt(EC) * K * T / DP
    total = ((LINE + c * c) / (2 * c)) ** 2
    answer = evaluate_stack(resin=RESIN, layer_thickness=Q(T, "mm"), beam=BEAM, scan=SCAN)
    assert answer.print_through.m_as("mm") == pytest.approx(depth(total) - T, rel=1e-9)
    assert answer.compensation_layers >= 1
    texts = [step.formula for step in stack_steps(answer)]
    assert texts[0] == "E_bottom = Ec [(E/Ec)^k - k t/Dp]^(1/k)"
    assert any("what a layer lets pass" in text for text in texts)


# ---------------------------------------------------------------- drift


def test_depth_over_time():
    settings, given = SettingsInForce(V), {"penetration_depth": DP, "critical_exposure": EC, "law": Bent, "bend": K}
    found, u = depth_over_time(settings=settings, power=np.array([P, 0.8 * P]), beam_radius=W, power_uncertainty=0.3, **given)
    np.testing.assert_allclose(found, [depth(LINE), depth(0.8 * LINE)], rtol=1e-12)
    assert u[0] == pytest.approx(0.01 * DP * math.sqrt(LINE / EC), rel=1e-6)
    assert power_for_depth(settings=settings, depth=depth(LINE), beam_radius=W, **given) == pytest.approx(P, rel=1e-12)


# ---------------------------------------------------------------- recipe and window


class ToyLot(Lot):
    """A lot of the toy: its line is known without doubt."""

    @property
    def resin(self):
        common = {"penetration_depth": Q(DP, MM), "critical_exposure": Q(EC, "mJ/mm^2"), "wavelength": self.wavelength}
        return BentResin(**common, bend=K)

    @property
    def line(self):
        x = math.log(100 * EC)
        return WorkingLine(DP, x, x + 1.0, 0.0, 0.0, 0.0, math.inf, x + 0.1, x + 3.0)


def shop(folder, **vector):
    """An invented machine, a lot of the toy, and the needs of one kind of vector."""
    case = drawn(Kind("round", oracle.Plain, "line", False, False))
    case = replace(
        case, law=oracle.Plain(DP, EC), spot=oracle.Spot(W), scan=replace(case.scan, power=P, speed=V), layer=0.1, tilt=oracle.NORMAL
    )
    lot = resin_file(folder, case)
    needs = needs_file(folder, case, turned=False, overcure='"0.08 mm"', **vector)
    return machine_file(folder, case), ToyLot(**{field.name: getattr(lot, field.name) for field in fields(lot)}), needs


def test_a_recipe(tmp_path):
    """Half of the layers reach the depth at the speed of the plain sum, at full power and the given spot."""
    machine, lot, needs = shop(tmp_path, beam_radius=f'"{W} mm"', assurance='"50 %"')
    vector = make_recipe(machine=machine, resin=lot, needs=needs, today=TODAY, gains=False).vectors[0]
    assert vector.power.m_as("mW") == pytest.approx(2 * P)
    assert vector.scan_speed.m_as("mm/s") == pytest.approx(math.sqrt(2 / math.pi) * 2 * P / (W * dose(0.18)), rel=1e-9)
    assert vector.cure_depth.m_as("mm") == pytest.approx(0.18, rel=1e-9)


def test_an_assured_recipe(tmp_path):
    """Five relative errors of 1 % (power, meter, radius twice, speed) move ln E: depth less 1.6449 u is what was asked.

    u = Dp (E/Ec)^k sqrt(5) 1 %; 1.6449 is the 95 % quantile of the normal distribution, from any table.
    """
    machine, lot, needs = shop(tmp_path, beam_radius=f'"{W} mm"', assurance='"95 %"')
    vector = make_recipe(machine=machine, resin=lot, needs=needs, today=TODAY, gains=False).vectors[0]
    e = math.sqrt(2 / math.pi) * 2 * P / (W * vector.scan_speed.m_as("mm/s"))
    u = DP * math.sqrt(e / EC) * 0.01 * math.sqrt(5)
    assert depth(e) - 1.644854 * u == pytest.approx(0.18, rel=1e-6)
    assert vector.cure_depth_standard_uncertainty.m_as("mm") == pytest.approx(u, rel=1e-6)
    assert vector.assurance == pytest.approx(0.95, abs=1e-6)


def test_the_window(tmp_path):
    machine, lot, needs = shop(tmp_path, beam_radius=f'"{W} mm"', assurance='"50 %"')
    vector = make_recipe(machine=machine, resin=lot, needs=needs, today=TODAY, gains=False).vectors[0]
    window = process_window(vector, "scan_speed", "power", points=5)
    e = math.sqrt(2 / math.pi) * window.y[:, None] / (W * window.x)
    np.testing.assert_allclose(window.cure_depth, np.maximum(DP * (np.sqrt(e / EC) - 1) / K, 0.0), rtol=1e-9)
    reaches = e >= dose(0.18) * (1 - 1e-9)
    np.testing.assert_array_equal(window.excess[0.5] >= -1e-9, reaches)
    np.testing.assert_allclose(window.assurance[reaches] >= 0.5 - 1e-9, True)


def test_a_raster_recipe(tmp_path):
    """The weakest place, added up line by line, reaches the depth; the ripple is what ridge and valley differ by."""
    machine, lot, needs = shop(tmp_path, pattern='"raster"', beam_radius=f'"{W} mm"', hatch_spacing=f'"{H} mm"', assurance='"50 %"')
    vector = make_recipe(machine=machine, resin=lot, needs=needs, today=TODAY, gains=False).vectors[0]
    scale = vector.power.m_as("mW") / P * V / vector.scan_speed.m_as("mm/s")
    low, high = scale * lines(H / 2), scale * lines(0.0)
    assert depth(low) == pytest.approx(0.18, rel=1e-9)
    assert vector.ripple.m_as("mm") == pytest.approx(depth(high) - depth(low), rel=1e-6)
