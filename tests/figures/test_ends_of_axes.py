"""Where axes of a setting, a section, its dose and a stack end, and where their words stand, by hand."""

import math

import numpy as np
import pytest
from drawn import data
from test_figures import BEAM, DEEP, LAYER, RESIN, E, of

from curecalc.figures.ripple import ripple_figure
from curecalc.figures.section import section_figure, settings_text
from curecalc.figures.setting_curve import draw_beside, setting_curve_figure
from curecalc.figures.stack import stack_figure
from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import evaluate
from curecalc.setting.layers import evaluate_stack
from curecalc.units import Measured
from curecalc.units import Quantity as Q


def places(ax):
    """Where each text points to, by its first words."""
    return {" ".join(t.get_text().split()[:2]): t.xy for t in ax.texts if hasattr(t, "xy")}


def same(*values):
    return pytest.approx(values, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("layer", "speed", "low", "high", "top"),
    [
        (0.1, 1.0, 0.6 * 8, 50.0, 0.32),  # half as much again as four times Ec, 48; 1.1 x 0.15 ln(50/8) = 0.302
        (0.5, 1.0, 0.6 * 8, 400.0, 0.8),  # as the layer's need of 8 exp(0.5/0.15) = 224; 1.1 x 0.587 = 0.645
        (2.0, 1.0, 0.6 * 8, 8e6, 2.5),  # a need of 4.9e6
        (2.2, 1.0, 0.6 * 8, 1.25e7, 2.5),  # of a need beyond a million times Ec half as much again as that, 1.2e7
        (None, 1.0, 0.6 * 8, 50.0, 0.32),
        (0.1, 0.1, 0.6 * 8, 320.0, 0.64),  # as the dose, 191.5
        (0.1, 5.0, 0.6 * E / 5.0, 50.0, 0.32),  # below Ec
        (0.1, 40.0, 0.6 * E / 40.0, 50.0, 0.32),  # a sixteenth of Ec: more room to its left
        (0.1, 900.0, 0.6 * 0.08, 50.0, 0.32),  # far below: at the edge
    ],
)
def test_a_working_curve_holds_the_setting_the_threshold_and_what_the_layer_needs(layer, speed, low, high, top):
    (ax,) = setting_curve_figure(of(layer=layer, speed=speed)).axes
    assert ax.get_xlim() == same(low, high)
    assert ax.get_ylim() == same(0.0, top)
    curve, ground, mark, *_ = ax.lines
    e, depth = data(curve)
    assert (e[0], e[-1]) == same(8.0, high)
    assert depth == pytest.approx(0.15 * np.log(e / 8.0), abs=1e-9)
    assert data(ground) == (same(low, 8.0), same(0.0, 0.0))
    assert data(mark) == (same(8.0), same(0.0))
    told = places(ax)
    assert told["gels at"] == same(8.0, 0.0)
    (words,) = (t for t in ax.texts if t.get_text().startswith("gels"))
    assert words.get_ha() == ("left" if low * high > 64.0 else "right")  # where there is more room
    if layer:
        assert told["layer thickness"] == same(low, layer)
    drop = next(line for line in ax.lines if line.get_linestyle() == "-.")
    assert data(drop) == (same(E / speed, E / speed), same(0.0, max(0.15 * math.log(E / speed / 8.0), 0.0)))


def test_a_band_of_two_standard_uncertainties_lies_around_a_working_curve():
    """u^2 = (ln(E/Ec) u(Dp))^2 + (Dp u(Ec)/Ec)^2, of an uncorrelated Dp and Ec; no depth lies below zero."""
    resin = Resin(
        penetration_depth=Measured(Q(0.15, "mm"), Q(0.003, "mm")), critical_exposure=Measured(Q(8.0, "mJ/cm^2"), Q(0.4, "mJ/cm^2"))
    )
    scan = Scan(scan_speed=Q(1.0, "m/s"))
    third = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.126, "mJ/cm^2"))
    (ax,) = setting_curve_figure(evaluate(beam=BEAM, resin=third, scan=scan, layer_thickness=Q(0.1, "mm"))).axes
    assert [t.get_text() for t in ax.texts if "gels" in t.get_text()] == ["gels at 8.13 mJ/cm²"]
    (ax,) = setting_curve_figure(evaluate(beam=BEAM, resin=resin, scan=scan, layer_thickness=Q(0.1, "mm"))).axes
    (band,) = ax.collections
    e, depth = band.get_paths()[0].vertices.T
    middle, u = 0.15 * np.log(e / 8.0), np.hypot(np.log(e / 8.0) * 0.003, 0.15 * 0.05)
    below = np.abs(depth - np.maximum(middle - 2.0 * u, 0.0))
    assert np.minimum(below, np.abs(depth - middle - 2.0 * u)) == pytest.approx(0.0, abs=1e-9)
    assert (e.min(), e.max()) == pytest.approx((8.0, 50.0), rel=0.02)
    assert not setting_curve_figure(of()).axes[0].collections, "nothing is stated"
    # speeds may be 1e-30 mm/s and more: v = sqrt(2/pi) P/(W0 E), so 1e-30 mW of 0.1 mm would reach Ec at 1e-28 mm/s, of 100 mm at 1e-31
    for radius, bands in ((0.1, 1), (100.0, 0)):
        weak = Beam(power=Q(1e-30, "mW"), radius_x=Q(radius, "mm"))
        (ax,) = setting_curve_figure(evaluate(beam=weak, resin=resin, scan=scan)).axes
        assert len(ax.collections) == bands


def test_another_setting_is_drawn_beside():
    for speed, low, high, top in ((0.05, 4.8, 120.0 * E / 5.0, 1.15 * 0.15 * math.log(20.0 * E / 8.0)), (5.0, 0.8 * E / 5.0, 50.0, 0.32)):
        (ax,) = setting_curve_figure(of()).axes
        draw_beside(ax, of(speed=speed))
        assert ax.get_xlim() == same(low, high)
        assert ax.get_ylim() == same(0.0, top)
        curve, point = ax.lines[-2:]
        e, depth = data(curve)
        assert (e[0], e[-1]) == same(8.0, high)
        assert depth == pytest.approx(0.15 * np.log(e / 8.0), abs=1e-9)
        assert data(point) == (same(E / speed), same(max(0.15 * math.log(E / speed / 8.0), 0.0)))


@pytest.mark.parametrize(
    ("exposure", "t", "bonds"),
    [(21.7463, 0.1, True), (30.0, 0.01, True), (30.0, 0.03, True), (30.0, 0.05, True), (9.0, 0.3, False), (21.7463, 0.001, True)],
)
def test_a_stack_reaches_below_its_print_through_or_the_face(exposure, t, bonds):
    """The light of many layers is Es/(1 - e^(-t/Dp)) on each; below the face it falls on by e^(-z/Dp)."""
    dose = Q(exposure, "mJ/cm^2")
    (ax,) = stack_figure(evaluate_stack(resin=RESIN, exposure=dose, layer_thickness=Q(t, "mm"))).axes
    total = exposure / -math.expm1(-t / 0.15)
    through = 0.15 * math.log(total / 8.0) - t if bonds else 0.0
    below = through + 0.3 * (through + 6.0 * t)  # less than a quarter of the height, for two lines of words
    assert ax.get_ylim() == pytest.approx((-below, 6.0 * t))
    low, high = ax.get_xlim()
    least = min(total * math.exp(-(t + below) / 0.15), 4.0)
    assert 1.0 <= least / low < 1.3, "the next step below the least dose or half of Ec"
    assert 1.0 <= high / (1.9 * total) < 1.3
    tail = next(line for line in ax.lines if line.get_linestyle() == ":")
    dose, height = data(tail)
    assert dose == pytest.approx(total * np.exp((height - t) / 0.15))
    assert (height[0], height[-1]) == pytest.approx((0.0, -below))
    for k, line in enumerate(ax.lines[:6], 1):
        assert data(line)[1][[0, -1]] == pytest.approx([k * t, (k - 1) * t], abs=1e-12)
        assert data(line)[0][[0, -1]] == pytest.approx([total, total * math.exp(-t / 0.15)], rel=1e-6)
    levels = [data(line)[1][0] for line in ax.lines if data(line)[0].tolist() == [0.0, 1.0]]
    assert levels == pytest.approx([*(t * np.arange(7)), 0.0], abs=1e-12)
    gels = next(line for line in ax.lines if line.get_linestyle() == "--")
    assert data(gels)[0] == pytest.approx([8.0, 8.0])
    told = places(ax)
    assert told["gel threshold"] == pytest.approx((8.0, -below))
    assert told["nominal down-facing"] == (pytest.approx(high), 0.0)
    assert told["print-through " + f"{through:.3g}" if bonds else "the layers"] == pytest.approx((8.0 if bonds else low, -through))
    if t < 0.05 * (below + 6.0 * t):
        assert told["layers 1"] == pytest.approx((high, 3.0 * t))
    else:
        assert len([name for name in told if name.startswith("layer ")]) == 6
        assert [told[f"layer {k}"] for k in range(1, 7)] == [pytest.approx((high, (k - 0.5) * t)) for k in range(1, 7)]
    heads = [line for line in ax.lines if line.get_marker() in (6, 7)]  # carets up and down
    assert [data(line) for line in heads] == ([(same(8.0), same(0.0)), (same(8.0), pytest.approx([-through]))] if bonds else [])
    assert len(ax.collections) == bonds
    if bonds:
        edge = ax.collections[0].get_paths()[0].vertices[:, 0]
        assert (edge.min(), edge.max()) == pytest.approx((8.0, total * math.exp(-t / 0.15)), rel=1e-6)


def test_what_stands_over_a_stack_is_told_in_three_digits():
    resin = Resin(penetration_depth=Q(0.151234, "mm"), critical_exposure=Q(8.12345, "mJ/cm^2"))
    (ax,) = stack_figure(evaluate_stack(resin=resin, exposure=Q(21.7463, "mJ/cm^2"), layer_thickness=Q(0.101234, "mm"))).axes
    assert "21.7 mJ/cm² on each layer of 0.101 mm, Dp 0.151 mm, Ec 8.12 mJ/cm²" in [t.get_text() for t in ax.texts]


def test_a_stack_of_a_few_layers_has_them_alone():
    (ax,) = stack_figure(evaluate_stack(resin=RESIN, exposure=Q(21.7463, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"), layers=3)).axes
    tops = [data(line)[0][0] for line in ax.lines[:3]]
    assert tops == pytest.approx([21.7463 * sum(LAYER**k for k in range(n)) for n in (3, 2, 1)])


@pytest.mark.parametrize(
    ("speed", "layer", "deepest"), [(1.0, 0.1, 0.16), (1.0, 0.4, 0.4), (5.0, None, 0.16), (5.0, 0.2, 0.2), (5.0, 0.05, 0.05)]
)
def test_a_section_ends_a_fifth_below_the_layer_or_the_tip(speed, layer, deepest):
    (ax,) = section_figure(of(layer=layer, speed=speed)).axes
    assert ax.get_ylim() == same(1.2 * deepest, -0.12 * deepest)
    ground = next(line for line in ax.lines if data(line)[0].tolist() == [0.0, 1.0])
    assert data(ground)[1] == same(0.0, 0.0)
    told = places(ax)
    if layer:
        assert told[f"layer {layer:g}"] == same(ax.get_xlim()[1], layer)
    if layer and speed == 1.0:
        heads = [data(line) for line in ax.lines if line.get_marker() in (6, 7)]
        assert heads == [(same(0.0), same(end)) for end in sorted((layer, DEEP))]


def test_a_raster_s_scanned_lines_are_marked_and_its_weakest_place_lies_between():
    (ax,) = section_figure(of(layer=0.05, hatch_spacing=Q(0.15, "mm"))).axes
    told = places(ax)
    assert told["scanned lines"] == (0.0, 0.0)
    (word,) = (name for name in told if name.startswith(("overcure", "short")))
    heads = [data(line)[0][0] for line in ax.lines if line.get_marker() in (6, 7)]
    assert [*heads, told[word][0]] == pytest.approx([0.075] * 3)
    (ax,) = ripple_figure(of(layer=0.05, hatch_spacing=Q(0.15, "mm"))).axes
    marks = next(line for line in ax.lines if line.get_marker() == "v")
    assert data(marks) == (pytest.approx([-0.3, -0.15, 0.0, 0.15, 0.3]), pytest.approx([ax.get_ylim()[1]] * 5))


def test_dose_across_a_line_ends_at_a_step_above_and_names_what_gels():
    (ax,) = ripple_figure(of()).axes
    assert ax.get_ylim() == same(0.0, 25.0)  # 1.19 x 19.1 = 22.8
    assert ax.get_xlim() == same(-0.15, 0.15)
    assert places(ax) == {"gels at": same(-0.15, 8.0), "bottom of": same(-0.15, 8.0 / LAYER)}
    for layer, seen in ((0.15 * math.log(24.9 / 8.0), 1), (0.15 * math.log(25.1 / 8.0), 0)):  # beyond the axis nothing is named
        assert sum("bottom of" in name for name in places(ripple_figure(of(layer=layer)).axes[0])) == seen
    (dark,) = ripple_figure(of(speed=1e9)).axes
    assert dark.get_ylim()[1] > 0.0


def test_settings_are_told_in_three_digits_and_speeds_in_four():
    beam = type(BEAM)(power=Q(30.1234, "mW"), radius_x=Q(0.123456, "mm"), radius_y=Q(0.234567, "mm"))
    resin = Resin(penetration_depth=Q(0.151234, "mm"), critical_exposure=Q(8.12345, "mJ/cm^2"))
    for passes, crossed, said in ((1, False, ""), (2, False, ", 2 passes"), (1, True, ", 1 passes, crossed")):
        scan = Scan(scan_speed=Q(1234.4, "mm/s"), hatch_spacing=Q(0.0998765, "mm"), passes=passes, cross_hatch=crossed)
        text = settings_text(evaluate(beam=beam, resin=resin, scan=scan))
        assert text == f"30.1 mW, W0 0.123 mm x 0.235 mm, 1234 mm/s, spacing 0.0999 mm{said}, Dp 0.151 mm, Ec 8.12 mJ/cm^2"
