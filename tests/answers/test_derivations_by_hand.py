"""Derivations of settings, solutions and stacks: every number put in and every result, to six digits, by hand."""

import math

import pytest

from curecalc.formulas.beam import Beam, TopHatBeam
from curecalc.formulas.resin import BleachingResin, Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import evaluate
from curecalc.setting.derivation import depth_steps, solution_steps, stack_steps
from curecalc.setting.explain import Step, as_text
from curecalc.setting.layers import evaluate_stack
from curecalc.setting.solving import solve
from curecalc.units import Quantity as Q

DP, EC = 0.15, 0.08
RESIN = Resin(penetration_depth=Q(DP, "mm"), critical_exposure=Q(100.0 * EC, "mJ/cm^2"))
BEAM = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
ROOT = math.sqrt(2.0 / math.pi)
T = Q(0.1, "mm")


def told(answer):
    return {step.formula: step for step in depth_steps(answer)}


def test_a_line_is_told_with_its_numbers():
    for passes, said in ((1, ""), (2, " x 2 passes")):
        steps = told(evaluate(beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s"), passes=passes), layer_thickness=T))
        e = passes * ROOT * 30.0 / (0.125 * 1000.0)
        depth = DP * math.log(e / EC)
        line = steps["E = sqrt(2/pi) P/(W0 v)"]
        assert line.numbers == f"0.797885 x 30 mW/(0.125 mm x 1000 mm/s){said}"
        assert line.result == f"{e:.6g} mJ/mm^2 = {100 * e:.6g} mJ/cm^2"
        cure = steps["Cd = Dp ln(E/Ec)"]
        assert cure.numbers == f"0.15 mm x ln({100 * e:.6g} mJ/cm^2/8 mJ/cm^2)"
        assert cure.result == f"{depth:.6g} mm"
        width = steps["Lw = W0 sqrt(2 Cd/Dp)"]
        assert width.numbers == f"0.125 mm x sqrt(2 x {depth:.6g} mm/0.15 mm)"
        assert width.result == f"{0.125 * math.sqrt(2 * depth / DP):.6g} mm"
        assert steps["overcure = Cd - t"].result == f"{depth - 0.1:.6g} mm"
    dark = told(evaluate(beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(9000.0, "mm/s"))))
    assert "Lw = W0 sqrt(2 Cd/Dp)" not in dark
    assert dark["Cd = Dp ln(E/Ec)"].why.startswith("The exposure does not exceed the critical exposure")


def test_a_raster_is_told_with_its_valley():
    def valley(ratio):
        q = math.exp(-(math.pi**2) / (2.0 * ratio**2))
        return q, 1.0 - 2.0 * q + 2.0 * q**4

    for cross, said in ((False, ""), (True, " x 2 directions")):
        steps = told(
            evaluate(beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(900.0, "mm/s"), hatch_spacing=Q(0.11, "mm"), cross_hatch=cross))
        )
        mean = 30.0 / (900.0 * 0.11) * (2 if cross else 1)
        step = steps["E_mean = P/(v h)"]
        assert (step.numbers, step.result) == (f"30 mW/(900 mm/s x 0.11 mm){said}", f"{mean:.6g} mJ/mm^2 = {100 * mean:.6g} mJ/cm^2")
        q, share = valley(0.88)
        step = steps["E_valley = E_mean (1 - 2 q + 2 q^4 - ...), q = exp(-pi^2 W0^2/(2 h^2))"]
        assert step.numbers == f"{100 * mean:.6g} mJ/cm^2 x {share:.6g}, h/W0 = 0.88, q = {q:.6g}"
    oval = Beam(power=Q(30.0, "mW"), radius_x=Q(0.1, "mm"), radius_y=Q(0.125, "mm"))
    steps = told(evaluate(beam=oval, resin=RESIN, scan=Scan(scan_speed=Q(900.0, "mm/s"), hatch_spacing=Q(0.11, "mm"), cross_hatch=True)))
    (step,) = (s for name, s in steps.items() if name.startswith("E_valley = E_mean [F(h/W1) + F(h/W2)]/2"))
    share = 0.5 * (valley(0.88)[1] + valley(1.1)[1])
    assert step.numbers == f"h/W1 = 0.88 and h/W2 = 1.1: {200 * 30.0 / 99.0:.6g} mJ/cm^2 x {share:.6g}"
    (turned,) = (s for name, s in steps.items() if name.startswith("W_perp^2"))
    assert (turned.numbers, turned.result) == ("Wx = 0.1 mm, Wy = 0.125 mm, psi = 0 deg, theta = 0 deg", "0.125 mm")


def test_a_top_hat_is_told_with_its_own_factor_and_chords():
    """A line's peak is the chord 2 R over the speed times P/(pi R^2); half a radius from it sqrt(1 - 1/4) of that."""
    beam = TopHatBeam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
    steps = told(evaluate(beam=beam, resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s"))))
    line = steps["E = (2/pi) P/(R v)"]
    assert line.numbers == "0.63662 x 30 mW/(0.125 mm x 1000 mm/s)"
    assert line.result == f"{2 / math.pi * 0.24:.6g} mJ/mm^2 = {200 / math.pi * 0.24:.6g} mJ/cm^2"
    steps = told(evaluate(beam=beam, resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s"), hatch_spacing=Q(0.1875, "mm"))))
    (edge,) = (s for name, s in steps.items() if name.startswith("E_valley = E_mean 2 h/(pi R) x the least sum of sqrt(1 - y^2/R^2)"))
    share = 3.0 / math.pi * math.sqrt(0.75)
    assert edge.numbers == f"16 mJ/cm^2 x {share:.6g}, h/R = 1.5"
    assert edge.result == f"{16 * share:.6g} mJ/cm^2"
    assert edge.why.startswith("Where an outline ends is the weakest place")
    oval = TopHatBeam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"), radius_y=Q(0.1, "mm"))
    (turned,) = (s for s in depth_steps(evaluate(beam=oval, resin=RESIN, scan=Scan(scan_speed=Q(1.0, "m/s")))) if "W_perp" in s.formula)
    assert turned.why.endswith("it stands for R below.")
    speed = solution_steps(solve("scan_speed", beam=beam, resin=RESIN, cure_depth=Q(0.17, "mm")))[1]
    e = EC * math.exp(0.17 / DP)
    assert (speed.formula, speed.numbers) == ("v = (2/pi) P/(R E)", "0.63662 x 30 mW/(0.125 mm x E)")
    assert speed.result == f"{2 / math.pi * 30.0 / (0.125 * e):.6g} mm/s"


def test_pulses_and_a_leaning_beam_are_told():
    pulsed = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"), pulse_rate=Q(10.0, "kHz"))
    steps = told(evaluate(beam=pulsed, resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s"))))
    (step,) = (s for name, s in steps.items() if name.startswith("d = v/f"))
    assert step.numbers == "d = 1000 mm/s/10000 Hz = 0.1 mm, d/W0 = 0.8"
    theta = math.radians(20.0)
    for share, light in ((0.5, "unpolarised"), (0.25, "25 % s-polarised")):
        scan = Scan(scan_speed=Q(1000.0, "mm/s"), incidence_angle=Q(20.0, "deg"), s_polarised_share=share)
        (step,) = (s for name, s in told(evaluate(beam=BEAM, resin=RESIN, scan=scan)).items() if name.startswith("sin theta'"))
        inside = math.asin(math.sin(theta) / 1.5)
        c, d = math.cos(theta), math.cos(inside)
        s, p = ((c - 1.5 * d) / (c + 1.5 * d)) ** 2, ((1.5 * c - d) / (1.5 * c + d)) ** 2
        ratio = (1.0 - share * s - (1.0 - share) * p) / 0.96
        assert step.numbers == (
            f"theta = 20 deg, n = 1.5, theta' = {math.degrees(inside):.6g} deg, T(theta)/T(0) = {ratio:.6g} ({light} light)"
        )
        assert step.result == f"{DP * d:.6g} mm and {100 * EC * d / ratio:.6g} mJ/cm^2"


def test_solutions_are_told_backwards():
    for passes, more in ((1, ""), (3, " x passes")):
        found = solve("scan_speed", beam=BEAM, resin=RESIN, scan=Scan(passes=passes), cure_depth=Q(0.17, "mm"))
        needed, speed, *_ = solution_steps(found)
        e = EC * math.exp(0.17 / DP)
        assert (needed.numbers, needed.result) == ("Cd = 0.17 mm, Dp = 0.15 mm, Ec = 8 mJ/cm^2", f"{100 * e:.6g} mJ/cm^2")
        assert speed.formula == "v = sqrt(2/pi) P/(W0 E)" + more
        assert (speed.numbers, speed.result) == ("0.797885 x 30 mW/(0.125 mm x E)", f"{passes * ROOT * 30.0 / (0.125 * e):.6g} mm/s")
    power = solution_steps(solve("power", beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(1000.0, "mm/s")), cure_depth=Q(0.17, "mm")))[1]
    assert (power.formula, power.numbers) == ("P such that E at the weakest place is what is needed", "")
    raster = Scan(scan_speed=Q(1000.0, "mm/s"), hatch_spacing=Q(0.1, "mm"))
    assert solution_steps(solve("scan_speed", beam=BEAM, resin=RESIN, scan=raster, cure_depth=Q(0.17, "mm")))[1].formula.startswith(
        "v such that"
    )


@pytest.mark.parametrize(("layers", "many"), [(5, "5"), (math.inf, "infinity")])
def test_stacks_are_told_as_a_series(layers, many):
    answer = evaluate_stack(resin=RESIN, exposure=Q(21.7, "mJ/cm^2"), layer_thickness=T, layers=layers)
    steps = {step.formula: step for step in stack_steps(answer)}
    q = math.exp(-0.1 / DP)
    factor = sum(q**k for k in range(int(min(layers, 200))))
    series = steps["A = (1 - e^(-n t/Dp))/(1 - e^(-t/Dp))"]
    assert (series.numbers, series.result) == (f"n = {many}, t/Dp = 0.666667", f"{factor:.6g}")
    through = steps["print-through = (Cd - t) + Dp ln A"]
    single = DP * math.log(21.7 / 8.0)
    assert through.numbers == f"({single:.6g} mm - 0.1 mm) + {DP * math.log(factor):.6g} mm"
    assert through.result == f"{single - 0.1 + DP * math.log(factor):.6g} mm"
    own = steps["E_bottom = Es e^(-t/Dp)"]
    assert (own.numbers, own.result) == ("t = 0.1 mm, Dp = 0.15 mm, Ec = 8 mJ/cm^2", f"{21.7 * q:.6g} mJ/cm^2")
    slanted = Scan(scan_speed=Q(1000.0, "mm/s"), incidence_angle=Q(20.0, "deg"))
    bleaching = BleachingResin(penetration_depth=Q(DP, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), bleaching_exposure=Q(400.0, "mJ/cm^2"))
    summed = stack_steps(evaluate_stack(resin=bleaching, exposure=Q(21.7, "mJ/cm^2"), layer_thickness=T, layers=5))
    assert [step.numbers for step in summed if step.formula.startswith("T(1) = Es")] == ["n = 5"]
    names = list(told(evaluate(beam=BEAM, resin=bleaching, scan=slanted)))
    assert "Lw = W0 sqrt(2 Cd/Dp)" not in names  # no parabola where the resin bleaches
    assert any(name.endswith("(T(0)/T(theta)), Eb' = Eb cos theta' (T(0)/T(theta))") for name in names)
    assert not any("Eb'" in name for name in told(evaluate(beam=BEAM, resin=RESIN, scan=slanted)))


def test_lists_of_symbols_read_with_and_formulas_equal():
    """A line that begins by naming a symbol says with what; one of numbers what it comes to."""
    for numbers, sign in (("Wx = 0.1 mm, Wy = 0.2 mm", "with"), ("2 x 3 mm", "="), ("3 mm = 3 mm", "="), ("t, n = 3", "=")):
        assert as_text([Step("f", numbers, "6 mm", "Why.")]).splitlines()[2] == f"     {sign} {numbers}"
    assert as_text([Step("f", "", "6 mm", "Why."), Step("g", "", "7", "So.")]) == "1. Why.\n   f\n     = 6 mm\n2. So.\n   g\n     = 7"
