"""Figures: every word on them, what their curves stand at by hand, and that nothing drawn lies off the paper."""

import math
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text

from curecalc.calibration.coupons import read_coupons
from curecalc.calibration.curve import fit_coupons, fit_working_curve
from curecalc.figures.ripple import ripple_figure
from curecalc.figures.section import section_figure
from curecalc.figures.setting_curve import setting_curve_figure
from curecalc.figures.stack import stack_figure
from curecalc.figures.working_curve import working_curve_figure
from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import evaluate
from curecalc.setting.layers import evaluate_stack
from curecalc.units import Quantity as Q
from curecalc.validation import reference_folder

DEMO = reference_folder().parent / "demo"
BEAM = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
RESIN = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
E = 100 * math.sqrt(2 / math.pi) * 30 / (0.125 * 1000)  # of the line, mJ/cm^2
DEEP = 0.15 * math.log(E / 8)
WIDE = 0.125 * math.sqrt(2 * math.log(E / 8))
SETTING = "30 mW, W0 0.125 mm, 1000 mm/s"
CURE = "Dp 0.15 mm, Ec 8 mJ/cm²"


def of(layer=0.1, speed=1.0, **scan):
    pattern = Scan(scan_speed=Q(speed, "m/s"), **scan)
    return evaluate(beam=BEAM, resin=RESIN, scan=pattern, layer_thickness=Q(layer, "mm") if layer else None)


def words(ax):
    """Every text on the axes but the numbers along them."""
    ax.figure.canvas.draw()
    texts = {t.get_text() for t in ax.findobj(Text)}
    return sorted(t for t in texts if t and not re.fullmatch(r"−?[\d.]+", t))


def numbers_on(axis):
    axis.axes.figure.canvas.draw()
    low, high = sorted(axis.get_view_interval())
    return [t.get_text() for t, at in zip(axis.get_ticklabels(), axis.get_ticklocs(), strict=True) if low <= at <= high]


def line(ax, number):
    return tuple(np.asarray(v, float) for v in ax.lines[number].get_data())


def on_the_paper(ax, room=0.5):
    """All curves lie inside the axes, and the axes do not waste more than `room` of their height beyond them."""
    (x0, x1), (y0, y1) = sorted(ax.get_xlim()), sorted(ax.get_ylim())
    tops = []
    for drawn in ax.lines:
        if drawn.get_transform() != ax.transData:
            continue
        x, y = (np.asarray(v, float) for v in drawn.get_data())
        assert x.min() >= x0 - 1e-9 * abs(x1 - x0)
        assert x.max() <= x1 + 1e-9 * abs(x1 - x0)
        assert y.min() >= y0 - 1e-9 * (y1 - y0)
        assert y.max() <= y1 + 1e-9 * (y1 - y0)
        tops += [y.min(), y.max()]
    assert max(tops) - min(tops) >= (1 - room) * (y1 - y0)


# ---------------------------------------------------------------- one setting


def test_section_of_a_line():
    ax = section_figure(of()).axes[0]
    assert words(ax) == sorted(
        [
            f"Cured section: line {DEEP:.3f} mm deep, {WIDE:.3f} mm wide",
            f"{SETTING}, {CURE}",
            "layer 0.1 mm",
            f"overcure {DEEP - 0.1:.4f} mm",
            "across the line (mm)",
            "depth below the surface (mm)",
        ]
    )
    y, depth = line(ax, 0)
    # the cured section is a parabola: Cd - 2 y^2 Dp/W^2/... = Dp (ln(E/Ec) - 2 y^2/W0^2), nothing beyond it
    assert depth == pytest.approx(np.maximum(0.15 * (math.log(E / 8) - 2 * y**2 / 0.125**2), 0.0), abs=1e-12)
    assert y[-1] == pytest.approx(1.2 * 0.125)
    assert y[0] == -y[-1]
    assert ax.get_ylim() == pytest.approx((1.2 * 0.16, -0.12 * 0.16)), "depth points down, to a fifth below the next step, 0.16 mm"
    places = {t.get_text().split()[0]: t.xy for t in ax.texts}
    assert places["layer"] == pytest.approx((y[-1], 0.1))
    assert places["overcure"] == pytest.approx((0.0, (0.1 + DEEP) / 2)), "led to from the middle of the arrow"
    assert places["30"] == (0.0, 1.0), "the settings begin at the upper left corner"
    on_the_paper(ax)


def test_section_of_a_wide_line_shows_all_of_it():
    ax = section_figure(of(layer=None, speed=0.05)).axes[0]
    wide = 0.125 * math.sqrt(2 * math.log(20 * E / 8))
    y, depth = line(ax, 0)
    assert y[-1] == pytest.approx(0.8 * wide)
    assert depth[[0, -1]] == pytest.approx([0.0, 0.0])
    assert words(ax)[0].startswith("30 mW")
    assert not [w for w in words(ax) if "overcure" in w or w.startswith("layer")]


def test_section_of_a_raster():
    ax = section_figure(of(layer=0.4, hatch_spacing=Q(0.1, "mm"), passes=2, cross_hatch=True)).axes[0]
    # two rasters crossed, two passes each: 4 P/(v h), the valley lower by 2q, q = exp(-pi^2 W^2/(2 h^2))
    q = math.exp(-((math.pi * 0.125 / 0.1) ** 2) / 2)
    deep = 0.15 * math.log(4 * 30 / (1000 * 0.1) * 100 / 8 * (1 - 2 * q))
    said = words(ax)
    assert sorted(w for w in said if not w.startswith(("overcure", "Cured"))) == sorted(
        [
            f"{SETTING}, spacing 0.1 mm, 2 passes, crossed, {CURE}",
            "layer 0.4 mm",
            "scanned lines (triangles)",
            "across the scan lines (mm)",
            "depth below the surface (mm)",
        ]
    )
    assert f"Cured section: weakest place {deep:.3f} mm deep" in said
    assert float(next(w for w in said if w.startswith("overcure")).split()[1]) == pytest.approx(deep - 0.4, abs=5e-6)
    y, _ = line(ax, 0)
    assert (y[0], y[-1]) == (-0.2, 0.2)
    marks = [drawn for drawn in ax.lines if drawn.get_marker() == "v"]
    assert np.asarray(marks[0].get_xdata()) == pytest.approx([-0.2, -0.1, 0.0, 0.1, 0.2])
    assert np.asarray(marks[0].get_ydata()) == pytest.approx(np.zeros(5))
    on_the_paper(ax)


def test_section_that_falls_short_or_does_not_cure():
    short = section_figure(of(layer=0.2)).axes[0]
    assert f"short by {0.2 - DEEP:.4f} mm" in words(short)
    none = section_figure(of(speed=5.0)).axes[0]
    assert "Nothing cures at the line" in words(none)
    assert not [w for w in words(none) if "short" in w or "overcure" in w]
    raster = section_figure(of(speed=9.0, hatch_spacing=Q(0.1, "mm"))).axes[0]
    assert "Nothing cures at the weakest place" in words(raster)


def test_section_of_an_ellipse_says_both_radii():
    turned = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"), radius_y=Q(0.15, "mm"))
    ax = section_figure(evaluate(beam=turned, resin=RESIN, scan=Scan(scan_speed=Q(1.0, "m/s")))).axes[0]
    assert "30 mW, W0 0.125 mm x 0.15 mm, 1000 mm/s, Dp 0.15 mm, Ec 8 mJ/cm²" in words(ax)
    assert ax.get_xlim() == pytest.approx((-1.2 * 0.15, 1.2 * 0.15)), "of the radius across the line"


def test_exposure_across_a_line():
    ax = ripple_figure(of()).axes[0]
    assert words(ax) == sorted(
        [
            "Exposure across the line",
            "gels at 8 mJ/cm²",
            f"bottom of the layer gels at {8 * math.exp(0.1 / 0.15):.1f} mJ/cm²",
            "across the line (mm)",
            "exposure (mJ/cm²)",
        ]
    )
    y, dose = line(ax, 0)
    assert dose == pytest.approx(E * np.exp(-2 * y**2 / 0.125**2), rel=1e-12)
    assert [float(drawn.get_ydata()[0]) for drawn in ax.lines[1:]] == pytest.approx([8.0, 8 * math.exp(0.1 / 0.15)])
    on_the_paper(ax)


def test_exposure_across_a_raster():
    ax = ripple_figure(of(hatch_spacing=Q(0.15, "mm"))).axes[0]
    assert "Exposure across the lines (dotted: mean)" in words(ax)
    assert "across the scan lines (mm)" in words(ax)
    y, dose = line(ax, 0)
    by_hand = sum(E * np.exp(-2 * (y - k * 0.15) ** 2 / 0.125**2) for k in range(-9, 10))
    assert dose == pytest.approx(by_hand, rel=1e-9)
    assert float(ax.lines[1].get_ydata()[0]) == pytest.approx(30 / (1000 * 0.15) * 100)
    marks = np.asarray(ax.lines[2].get_xdata())
    assert marks == pytest.approx([-0.3, -0.15, 0.0, 0.15, 0.3])
    assert ax.get_ylim()[0] == 0.0
    assert 1.0 <= ax.get_ylim()[1] / (1.19 * dose.max()) <= 1.29, "room above, at a step that keeps still"
    on_the_paper(ax, room=0.8)


def test_a_need_far_above_the_light_is_left_out_of_the_picture():
    assert not [w for w in words(ripple_figure(of(layer=0.5)).axes[0]) if "bottom of the layer" in w]


def test_a_setting_on_its_working_curve():
    ax = setting_curve_figure(of()).axes[0]
    assert words(ax) == sorted(
        [
            "Working curve, this setting as a point",
            "gels at 8 mJ/cm²",
            "layer thickness",
            "exposure (mJ/cm²), logarithmic scale",
            "cure depth (mm)",
        ]
    )
    e, depth = line(ax, 0)
    assert depth == pytest.approx(0.15 * np.log(e / 8), abs=1e-12)
    assert (e[0], e[-1]) == pytest.approx((8.0, 50.0)), "the next step beyond one and a half times four times the threshold"
    point = next(drawn for drawn in ax.lines if drawn.get_marker() == "o")
    assert (point.get_xdata()[0], point.get_ydata()[0]) == pytest.approx((E, DEEP))
    low, high = ax.get_xlim()
    assert (low, high) == pytest.approx((4.8, 50.0))
    assert numbers_on(ax.xaxis) == ["5", "10", "20", "50"]
    assert [float(drawn.get_ydata()[0]) for drawn in ax.lines if drawn.get_linestyle() == "--"] == pytest.approx([0.1])
    on_the_paper(ax)


def test_a_setting_below_the_gel_point_is_still_in_the_picture():
    ax = setting_curve_figure(of(speed=5.0)).axes[0]
    point = next(drawn for drawn in ax.lines if drawn.get_marker() == "o")
    assert (point.get_xdata()[0], point.get_ydata()[0]) == pytest.approx((E / 5, 0.0))
    assert ax.get_xlim()[0] == pytest.approx(0.6 * E / 5)
    on_the_paper(ax)


# ---------------------------------------------------------------- a stack

LAYER = math.exp(-0.1 / 0.15)


def test_a_stack_of_many_layers():
    ax = stack_figure(evaluate_stack(resin=RESIN, exposure=Q(21.7463, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"))).axes[0]
    assert words(ax) == sorted(
        [
            "Many layers: leave out 2 at a down-facing face",
            f"21.7 mJ/cm² on each layer of 0.1 mm, {CURE}",
            *(f"layer {k}" for k in range(1, 7)),
            "nominal down-facing face",
            "print-through 0.158 mm",
            "gel threshold 8 mJ/cm²",
            "total exposure (mJ/cm², log scale)",
            "height above the face (mm)",
        ]
    )
    total = 21.7463 / (1 - LAYER)  # many layers on the first
    for k in range(6):
        exposure, height = line(ax, k)
        assert (height[0], height[-1]) == pytest.approx(((k + 1) * 0.1, k * 0.1))
        assert exposure[[0, -1]] == pytest.approx([total, total * LAYER], rel=1e-3)
    exposure, height = line(ax, 6)
    assert exposure == pytest.approx(total * LAYER * np.exp(height / 0.15), rel=1e-6)
    through = 0.15 * math.log(total / 8) - 0.1
    assert height[-1] == pytest.approx(-(through + 0.3 * (through + 0.6)), rel=1e-6)
    assert ax.get_ylim() == pytest.approx((height[-1], 0.6))
    assert [float(v.get_xdata()[0]) for v in ax.lines if v.get_linestyle() == "--"] == pytest.approx([8.0])


def test_a_stack_of_few_layers_and_thin_ones():
    ax = stack_figure(evaluate_stack(resin=RESIN, exposure=Q(21.7463, "mJ/cm^2"), layer_thickness=Q(0.1, "mm"), layers=3)).axes[0]
    said = words(ax)
    assert "3 layers: leave out 1 at a down-facing face" in said
    assert [w for w in said if w.startswith("layer ")] == ["layer 1", "layer 2", "layer 3"]
    # the last layer has nothing above it
    assert line(ax, 2)[0][0] == pytest.approx(21.7463)
    assert line(ax, 0)[0][0] == pytest.approx(21.7463 * (1 + LAYER + LAYER**2))
    thin = stack_figure(evaluate_stack(resin=RESIN, exposure=Q(30.0, "mJ/cm^2"), layer_thickness=Q(0.01, "mm"))).axes[0]
    assert "layers 1 to 6" in words(thin)
    none = stack_figure(evaluate_stack(resin=RESIN, exposure=Q(9.0, "mJ/cm^2"), layer_thickness=Q(0.3, "mm"))).axes[0]
    assert "the layers do not bond" in words(none)  # 0.15 ln(9/8) = 0.018 mm deep
    assert not any("print-through" in w for w in words(none))


# ---------------------------------------------------------------- a lot


@pytest.fixture(scope="module")
def lot():
    return fit_coupons(read_coupons(DEMO / "coupons_lot_7_read_again.csv"), at_depth=Q(0.18, "mm"))


def test_working_curve_of_a_lot(lot):
    upper, lower = working_curve_figure(lot).axes
    dp, ec = lot.penetration_depth.value.m_as("mm"), lot.critical_exposure.value.m_as("mJ/cm^2")
    wanted = ec * math.exp(0.18 / dp)
    said = words(upper)
    assert set(said) >= {"thickness (µm)", "95 % for one coupon", "95 % for the mean", "working curve", "coupons (mean)", "readings"}
    assert f"Ec {ec:.2f}" in said
    assert f"180 µm: {wanted:.1f} mJ/cm²" in said
    assert f"Lot 7: Dp {dp:.4f} ± {lot.penetration_depth.standard_uncertainty.m_as('mm'):.4f} mm, Ec {ec:.2f} ± " in " ".join(said)
    assert words(lower) == ["exposure (mJ/cm²)", "residual (µm)"]
    curve = next(drawn for drawn in upper.lines if drawn.get_label() == "working curve")
    e, y = (np.asarray(v, float) for v in curve.get_data())
    assert y == pytest.approx(1000 * dp * np.log(e / ec), abs=1e-6)
    coupons = next(drawn for drawn in upper.lines if drawn.get_label() == "coupons (mean)")
    assert np.asarray(coupons.get_xdata()) == pytest.approx(100 * lot.coupons.exposure)
    assert np.asarray(coupons.get_ydata()) == pytest.approx(1000 * lot.coupons.thickness)
    left, drawn = (np.asarray(v, float) for v in lower.lines[1].get_data())
    assert left == pytest.approx(100 * lot.coupons.exposure)
    assert drawn == pytest.approx(1000 * lot.coupons.thickness - 1000 * dp * np.log(100 * lot.coupons.exposure / ec), abs=1e-6)
    guide = next(v for v in upper.lines if v.get_linestyle() == "-." and len(v.get_xdata()) == 3)
    assert np.asarray(guide.get_xdata())[1:] == pytest.approx([wanted, wanted])
    assert np.asarray(guide.get_ydata()) == pytest.approx([180.0, 180.0, 0.0])
    assert lower.get_xlim() == upper.get_xlim()
    assert lower.get_ylim()[0] == -lower.get_ylim()[1]
    assert 1.05 * np.abs(drawn).max() < lower.get_ylim()[1]


def test_bands_are_students_t_wide(lot):
    """Mean band at the centre: t s/sqrt n; of one coupon t s sqrt(1 + 1/n); t of 6 degrees of freedom 2.447 (handbook table)."""
    upper, lower = working_curve_figure(lot).axes
    n, s = len(lot.coupons), 1000 * lot.residual_sd.m_as("mm")
    assert lot.degrees_of_freedom == 6
    middle = 100 * math.exp(float(lot.coupons.x.mean())) / 100
    dashed = [v for v in upper.lines if v.get_linestyle() == "--"]
    assert [v.get_label().startswith("_") for v in dashed] == [False, True], "named once"
    high, low = (np.interp(math.log(middle), np.log(np.asarray(v.get_xdata(), float)), np.asarray(v.get_ydata(), float)) for v in dashed)
    assert (high - low) / 2 == pytest.approx(2.447 * s / math.sqrt(n), rel=2e-3)
    band = lower.collections[0].get_paths()[0].vertices
    near = band[np.argsort(np.abs(np.log(band[:, 0] / middle)))[:4]]
    assert np.abs(near[:, 1]).mean() == pytest.approx(2.447 * s * math.sqrt(1 + 1 / n), rel=3e-3)


def test_outliers_are_marked_by_name():
    first = fit_coupons(read_coupons(DEMO / "coupons_lot_7.csv"), at_depth=Q(0.18, "mm"))
    said = words(working_curve_figure(first).axes[0])
    assert {"reading on 3: check", "coupon 5: check"} <= set(said)


def test_single_readings_are_coupons_without_a_mean_and_an_unbounded_threshold_says_so():
    e = np.repeat(np.geomspace(14, 80, 4), 2)
    y = 0.15 * np.log(e / 8) + 0.002 * np.tile([1, -1], 4)
    single = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(y, "mm"), confidence=0.9)
    said = words(working_curve_figure(single).axes[0])
    assert {"coupons", "90 % for one coupon", "90 % for the mean"} <= set(said)
    assert "readings" not in said
    flat = fit_working_curve(exposure=Q(e, "mJ/cm^2"), thickness=Q(0.2 + 0.1 * np.log(e / 40) + 0.09 * np.tile([1, -1, -1, 1], 2), "mm"))
    assert "unbounded" in {f.code for f in flat.findings}
    assert [w for w in words(working_curve_figure(flat).axes[0]) if w.startswith("Ec") and w.endswith(", no bounds")]


def test_an_axis_with_room_ends_at_the_next_of_ten_steps_a_decade():
    from curecalc.figures.style import roomy

    for value in (1e-6, 0.0999, 0.1, 0.11, 1.0, 1.01, 7.9, 8.01, 12345.0):
        end = roomy(value)
        assert value <= end * (1.0 + 1e-12)
        assert end <= 1.29 * value
        assert roomy(end) == pytest.approx(end)


def test_depth_along_a_vector_stands_beside_the_dose_that_cures_so_deep():
    """Working curve: E = Ec exp(Cd/Dp), with the lot's own constants."""
    from curecalc.figures.along import along_figure
    from curecalc.jobs.lot import read_resin
    from curecalc.jobs.machine import read_machine
    from curecalc.jobs.needs import read_needs
    from curecalc.recipe.recipe import make_recipe

    demo = Path(__file__).parents[2] / "demo"
    lot = read_resin(demo / "resin.toml")
    recipe = make_recipe(machine=read_machine(demo / "machine.toml"), resin=lot, needs=read_needs(demo / "needs.toml"))
    figure = along_figure(recipe, ("support", "hatch"))
    figure.canvas.draw()
    assert [ax.get_ylabel() for ax in figure.axes[:2]] == ["depth of the weakest place (mm)", ""]
    (right,) = figure.axes[-1].child_axes
    depths, doses = right.get_yticks(), [float(t.get_text()) for t in right.get_yticklabels()]
    dp, ec = (
        float(getattr(lot.resin, name).value.m_as(unit)) for name, unit in (("penetration_depth", "mm"), ("critical_exposure", "mJ/cm^2"))
    )
    assert len(doses) >= 4
    assert doses == pytest.approx([ec * math.exp(d / dp) for d in depths], rel=1e-6)
    assert right.get_ylabel() == "dose there (mJ/cm²)"
    vector = recipe.vector("hatch")
    best, task = vector.best, vector.best.task
    left, hatch = figure.axes[:2]
    reach = best.beam_radius
    assert hatch.get_xlim() == pytest.approx((-reach, task.vector_length + reach))
    before, now, layer, asked = hatch.lines
    most = [max(np.asarray(ax.lines[0].get_ydata()).max() for ax in (left, hatch))]
    assert left.get_ylim() == hatch.get_ylim() == (0.0, pytest.approx(1.25 * most[0], rel=1e-3))
    assert [line.get_ydata()[0] for line in (layer, asked)] == pytest.approx([task.layer_thickness, task.depth])
    assert {t.get_text(): t.xy for t in hatch.texts} == {
        "layer": pytest.approx((-reach, task.layer_thickness)),
        "asked for": pytest.approx((task.vector_length + reach, task.depth)),
    }
    middle = np.asarray(now.get_ydata())[np.abs(np.asarray(now.get_xdata()) - task.vector_length / 2) < task.vector_length / 4]
    assert task.depth < middle.min() <= middle.max() < 1.2 * task.depth, "assured, and no deeper"
    assert np.asarray(before.get_ydata()).max() > middle.max()
