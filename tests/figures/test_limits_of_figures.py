"""Where figures begin and end, by hand; steps of their tones and contours."""

import ast
import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.figures import style, window, working_curve
from curecalc.figures.style import axes, new_figure
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


def test_contours_of_a_window_step_by_plain_numbers():
    for step, nice in ((0.012, 0.01), (0.017, 0.02), (0.024, 0.025), (0.04, 0.05), (0.8, 1.0), (3.0, 2.5), (70.0, 50.0), (80.0, 100.0)):
        assert window._nice(step) == pytest.approx(nice)
    assert [window._band([0.5, 0.95], i) for i in range(3)] == ["below 50 %", "assurance 50 to 95 %", "95 % and more"]
    ax = axes(new_figure(100.0, 50.8), (0.1, 0.25, 0.8, 0.5))  # one inch high
    assert window._below(ax, 12.7) == pytest.approx(-0.5)


def test_depth_contours_are_a_sixth_of_the_range_and_never_at_or_below_zero():
    drawn = []
    ax = SimpleNamespace(contour=lambda *_, levels, **__: drawn.append(levels), clabel=lambda *_, **__: [])
    x = y = np.zeros((2, 2))
    for depth, levels in (([[0.1, 0.2], [0.3, 0.7]], [0.1, 0.2, 0.3, 0.4, 0.5, 0.6]), ([[-0.3, 0.2], [0.0, 0.3]], [0.1, 0.2])):
        window._depth_lines(ax, x, y, SimpleNamespace(cure_depth=np.array(depth)))
        assert drawn.pop() == pytest.approx(levels)
    for depth in ([[0.1, 0.1], [0.1, 0.1]], [[-1.0, -0.5], [-0.1, 0.0]]):
        window._depth_lines(ax, x, y, SimpleNamespace(cure_depth=np.array(depth)))
        assert drawn == []


def boxes_of(tree):
    """Every box of axes that is written out as four shares of the paper."""
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Tuple)
            and len(node.elts) == 4
            and all(isinstance(e, ast.Constant) and isinstance(e.value, float) for e in node.elts)
        ):
            left, bottom, width, height = (e.value for e in node.elts)
            if all(0.0 < e.value < 1.0 for e in node.elts):
                yield left, bottom, width, height


def test_axes_stand_on_the_paper():
    folder = Path(style.__file__).parent
    found = {file.name: list(boxes_of(ast.parse(file.read_text(encoding="utf-8")))) for file in sorted(folder.glob("*.py"))}
    assert sum(map(len, found.values())) >= 15
    for name, boxes in found.items():
        for left, bottom, width, height in boxes:
            assert left + width <= 1.0, name
            assert bottom + height <= 1.0, name
