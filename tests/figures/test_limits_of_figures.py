"""Where figures begin and end, by hand; steps of their tones and contours."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.calibration.coupons import read_coupons
from curecalc.calibration.curve import fit_coupons, fit_working_curve
from curecalc.figures import style, window, working_curve
from curecalc.figures.inline import plain_part, svg_head
from curecalc.figures.style import new_figure
from curecalc.units import Quantity as Q


@pytest.mark.parametrize(
    ("ec", "interval", "wanted", "low", "high"),
    [
        (5.0, (4.0, 6.0), (), 4.0, 20.0),  # coupons of 10 to 20 mJ/cm^2: Ec and the low end of its interval belong to the picture
        (5.0, (0.34, 6.0), (), 0.34, 20.0),
        (5.0, (0.33, 6.0), (), 5.0, 20.0),  # an end 30 times below the coupons does not
        (5.0, (math.nan, 6.0), (), 5.0, 20.0),
        (0.34, (0.3, 0.4), (), 0.34, 20.0),
        (0.33, (0.3, 0.4), (), 10.0, 20.0),
        (5.0, (5.0, 6.0), (590.0,), 5.0, 590.0),
        (5.0, (5.0, 6.0), (610.0,), 5.0, 20.0),
        (5.0, (5.0, 6.0), (2.0,), 2.0, 20.0),
        (5.0, (5.0, 6.0), (0.16,), 5.0, 20.0),
    ],
)
def test_a_working_curve_holds_its_threshold_and_wanted_depths_unless_far_away(ec, interval, wanted, low, high):
    dose = lambda value: Q(value, "mJ/cm^2")  # noqa: E731
    fit = SimpleNamespace(
        coupons=SimpleNamespace(exposure=np.array([0.1, 0.2])),  # mJ/mm^2
        critical_exposure=SimpleNamespace(value=dose(ec)),
        critical_exposure_interval=[dose(end) for end in interval],
        exposure_for_depth=[SimpleNamespace(exposure=dose(value)) for value in wanted],
    )
    assert working_curve._range(fit) == pytest.approx((low / 1.12, high * 1.12))


def test_plain_steps_and_names_of_assurance():
    for most, step in (
        (0.012, 0.01),
        (0.0199, 0.01),
        (0.02, 0.02),
        (0.049, 0.02),
        (0.05, 0.05),
        (0.8, 0.5),
        (3.0, 2.0),
        (70.0, 50.0),
        (100.0, 100.0),
    ):
        assert style.plain_step(most) == pytest.approx(step)
    assert [window._band([0.5, 0.95], i) for i in range(3)] == ["below 50 %", "assurance 50 to 95 %", "95 % and more"]


def test_depth_contours_part_the_range_by_five_or_more_and_none_stands_at_zero():
    drawn = []
    ax = SimpleNamespace(contour=lambda *_, levels, **__: drawn.append(levels), clabel=lambda *_, **__: [])
    x = y = np.zeros((2, 2))
    for depth, levels in (
        ([[0.14, 0.2], [0.3, 0.66]], [0.2, 0.3, 0.4, 0.5, 0.6]),  # steps of no more than 0.52/5
        ([[0.1, 0.2], [0.3, 0.6]], [0.2, 0.3, 0.4, 0.5]),  # ends are left out
        ([[-0.3, 0.2], [0.0, 0.26]], [0.05, 0.1, 0.15, 0.2, 0.25]),
    ):
        window._depth_lines(ax, x, y, SimpleNamespace(cure_depth=np.array(depth)))
        assert drawn.pop() == pytest.approx(levels)
    for depth in ([[0.1, 0.1], [0.1, 0.1]], [[-1.0, -0.5], [-0.1, 0.0]]):
        window._depth_lines(ax, x, y, SimpleNamespace(cure_depth=np.array(depth)))
        assert drawn == []


def test_figures_and_their_panels_by_the_millimetre():
    """170 x 110 mm or 145 mm, room of 20 mm on the left, 6 right, 17 below, 13 above, 26 and 13 between."""
    assert style.new_figure().get_size_inches() * 25.4 == pytest.approx([170.0, 110.0])
    assert (style.WIDE, style.TALL) == (170.0, 145.0)
    for rows, columns, wanted in (
        (1, 1, [(20, 17, 144, 80)]),
        (1, 2, [(20, 17, 59, 80), (105, 17, 59, 80)]),
        (2, 1, [(20, 17 + 67 / 3 + 13, 144, 2 * 67 / 3), (20, 17, 144, 67 / 3)]),
    ):
        made = style.panels(new_figure(), rows, columns)
        boxes = [np.array(ax.get_position().bounds) * (170, 110, 170, 110) for ax in made]
        assert boxes == [pytest.approx(box) for box in wanted]
    assert len(style.panels(new_figure(), 2, 2)) == 4


def test_limits_that_are_crossed_are_hatched_and_named_and_those_that_are_touched_are_not():
    (ax,) = style.panels(new_figure())
    x, y = np.meshgrid([0.0, 1.0], [0.0, 1.0])
    grid = lambda value: np.array([[-1.0, -1.0], [-1.0, value]])  # noqa: E731
    over = {"ripple": grid(2e-9), "scan_speed": grid(1e-9), "other": grid(5.0)}
    assert window._hard(ax, x, y, SimpleNamespace(over=over)) == [window.LIMIT_NAMES.get("ripple", "ripple"), "other"]
    hatched, edge = ax.collections
    assert [c.levels.tolist() for c in (hatched, edge)] == [[1e-9, np.inf], [1e-9]]
    (ax,) = style.panels(new_figure())
    assert window._hard(ax, x, y, SimpleNamespace(over={"a": np.full((2, 2), 0.5)})) == ["a"]
    assert len(ax.collections) == 1, "beyond it everywhere: there is no edge"
    (ax,) = style.panels(new_figure())
    assert window._hard(ax, x, y, SimpleNamespace(over={"a": np.array([[0.0, 0.5]] * 2)})) == ["a"]
    assert len(ax.collections) == 2, "on it and beyond"
    (ax,) = style.panels(new_figure())
    assert window._hard(ax, x, y, SimpleNamespace(over={"a": grid(0.0)})) == []
    assert window._near(np.array([-5.0, -0.5, 0.5, 5.0])).tolist() == [-1.0, -0.5, 0.5, 1.0]


def test_borders_of_wishes_are_drawn_where_they_run_through_the_window():
    (ax,) = style.panels(new_figure())
    x, y = np.meshgrid([0.0, 1.0], [0.0, 1.0])
    grids = {"ripple": [[-1.0, 1.0]] * 2, "overcure": [[-1.0, 0.0]] * 2, "print_through": [[0.0, 1.0]] * 2}
    handles = window._soft(ax, x, y, SimpleNamespace(over={name: np.array(grid) for name, grid in grids.items()}))
    assert [h.get_label() for h in handles] == ["largest ripple"]
    (line,) = ax.collections
    assert line.get_paths()[0].vertices[:, 0] == pytest.approx(0.5)
    looks = [look[:2] for look in window._SOFT.values()]
    assert len(set(looks)) == len(looks)


FINE = np.geomspace(14.0, 80.0, 8)


def fitted(change=(), **more):
    """Coupons on 0.15 ln(E/8) with a little scatter, some of them moved."""
    y = 0.15 * np.log(FINE / 8.0) + 0.0005 * np.tile([1, -1], 4)
    for k, by in change:
        y[k] += by
    return fit_working_curve(exposure=Q(FINE, "mJ/cm^2"), thickness=Q(y, "mm"), **more)


@pytest.mark.parametrize(
    ("k", "by", "aside", "side"),
    [(3, 0.03, (-12, 6), "right"), (3, -0.03, (12, -6), "left"), (7, -0.03, (10, -62), "right"), (7, 0.03, (-12, 6), "right")],
)
def test_an_outlier_is_named_where_the_line_is_not(k, by, aside, side):
    fit = fitted([(k, by)])
    assert [o.coupon for o in fit.outliers] == [str(k + 1)]
    ax = working_curve.working_curve_figure(fit).axes[0]
    (said,) = (t for t in ax.texts if t.get_text().endswith("check"))
    assert (said.xyann, said.get_ha(), said.xy) == (aside, side, pytest.approx((FINE[k], 1e3 * fit.coupons.thickness[k])))
    assert (said.arrow_patch is not None) == (aside == (10, -62)), "led to where it hangs far below"
    mark = next(line for line in ax.lines if line.get_marker() == "D")
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == pytest.approx(said.xy)


def test_a_wanted_depth_is_told_in_three_digits_and_the_picture_has_room_around_it():
    fit = fitted(at_depth=Q(0.12345, "mm"))
    upper, lower = working_curve.working_curve_figure(fit).axes
    low, _ = upper.get_xlim()
    (wanted,) = fit.exposure_for_depth
    e = wanted.exposure.m_as("mJ/cm^2")
    (said,) = (t for t in upper.texts if "µm: " in t.get_text())
    assert (said.get_text(), said.xy) == (f"123 µm: {e:.1f} mJ/cm²", pytest.approx((low, 123.45)))
    bar = next(line for line in upper.lines if line.get_linewidth() == 3.0)
    assert (bar.get_xdata(), bar.get_ydata()) == (
        pytest.approx([q.m_as("mJ/cm^2") for q in wanted.next_interval]),
        pytest.approx([123.45] * 2),
    )
    curve = next(line for line in upper.lines if line.get_label() == "working curve")
    top = max(1e3 * fit.coupons.thickness.max(), curve.get_ydata().max())
    assert upper.get_ylim() == pytest.approx((-0.13 * top, 1.08 * top))
    ground = [line.get_ydata()[0] for line in upper.lines if list(line.get_xdata()) == [0, 1]]
    assert ground == [line.get_ydata()[0] for line in lower.lines if list(line.get_xdata()) == [0, 1]] == [0.0]
    ec = fit.critical_exposure.value.m_as("mJ/cm^2")
    (at,) = (t.xy for t in upper.texts if t.get_text().startswith("Ec"))
    assert at == pytest.approx((ec, 0.0))
    spread = next(line for line in upper.lines if line.get_linewidth() == 4.0)
    assert spread.get_xdata() == pytest.approx([q.m_as("mJ/cm^2") for q in fit.critical_exposure_interval])
    assert list(spread.get_ydata()) == [0.0, 0.0]
    legend = upper.get_legend().get_window_extent()
    assert legend.y0 >= upper.get_window_extent().y1 - 1.0
    assert legend.y0 <= upper.get_window_extent().y1 + 12.0
    assert legend.x0 >= upper.get_window_extent().x0 - 1.0
    bars = lower.collections[-1].get_segments()
    assert [bar[0, 1] for bar in bars] == [0.0] * 8
    assert [bar[1, 1] for bar in bars] == pytest.approx(lower.lines[-1].get_ydata())


def test_left_out_coupons_are_drawn_and_named_and_readings_stand_at_their_coupons(tmp_path):
    file = tmp_path / "c.csv"
    rows = "".join(f"{k},{e:.6g},{150 * math.log(e / 8) + by:.4f}\n" for k, e in enumerate(FINE, 1) for by in (-1.0, 1.0))
    file.write_text("coupon,exposure [mJ/cm^2],thickness [um]\n" + rows)
    fit = fit_coupons(read_coupons(file), exclude=["2", "5"])
    ax = working_curve.working_curve_figure(fit).axes[0]
    (crosses,) = (line for line in ax.lines if line.get_label() == "left out")
    assert crosses.get_xdata() == pytest.approx(FINE[[1, 4]], rel=1e-5)
    assert crosses.get_ydata() == pytest.approx(150.0 * np.log(FINE[[1, 4]] / 8.0), abs=0.01)
    named = [t for t in ax.texts if t.get_text().startswith(("2: ", "5: "))]
    assert [t.xy[0] for t in named] == pytest.approx(FINE[[1, 4]], rel=1e-5)
    readings = next(line for line in ax.lines if line.get_label() == "readings")
    assert readings.get_xdata() == pytest.approx(np.repeat(np.delete(FINE, [1, 4]), 2), rel=1e-5)
    assert np.diff(readings.get_ydata()[:2]) == pytest.approx(2.0, abs=1e-3)


def test_an_image_opens_with_its_name_and_one_font_for_all_words():
    """The general families of CSS end a list of fonts (CSS Fonts, section 3.1)."""
    opened = svg_head(4.0, 3.5, "a < b", from_top="1")
    assert opened.startswith("<svg from-top='1' ")
    assert 'viewBox="0 0 4 3.5" role="img" aria-label="a &lt; b"' in opened
    assert "font-family=\"'DejaVu Sans', Verdana, sans-serif\"" in opened


def test_the_short_form_of_a_font_as_older_plotting_libraries_write_it():
    """CSS Fonts, `font`: weight before size, families last."""
    for written, read in (
        ("font: 700 12px 'DejaVu Sans', sans-serif; text-anchor: end", ' font-size="12" font-weight="700" text-anchor="end"'),
        ("font: 9.5px Verdana; fill: #1d2327", ' font-size="9.5" fill="#1d2327"'),
        ("fill: none;; stroke : #000", ' fill="none" stroke="#000"'),
    ):
        assert plain_part(f'<text style="{written}">', prefix="a") == f"<text{read}>"
