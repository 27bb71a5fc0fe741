"""Ticks of speeds, names of levels beside a chart and the limits it shows, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.figures import drift as drift_figure
from curecalc.figures import spot as spot_figure
from curecalc.figures.style import axes, new_figure


def test_speeds_are_named_at_1_2_5_or_where_they_span_more_than_twelve_to_one_at_1_3():
    for high, ticks in ((12.0, [1.0, 2.0, 5.0, 10.0]), (12.1, [1.0, 3.0, 10.0])):
        ax = axes(new_figure())
        spot_figure._speed_axis(ax, 1.0, high)
        assert [t for t in ax.get_xticks() if 0.9 < t < 13.0] == pytest.approx(ticks)
        assert ax.get_xlim() == pytest.approx((0.85, 1.15 * high))


def test_levels_named_beside_a_chart_stand_apart_and_beside_it():
    for levels, top in (([0.0, 0.5, 1.0], 0.99), ([0.5, 0.501, 0.502], None), ([0.98, 0.99, 1.0], 0.99)):
        ax = axes(new_figure(170.0, 115.0))
        ax.set_ylim(0.0, 1.0)
        drift_figure._beside(ax, [(level, "limit", "black") for level in levels])
        places = [t.xy[1] for t in ax.texts]
        # type of 9.5 points and three tenths between: 12.35 points of an axis 0.74 x 115 mm high
        apart = 12.35 / 72.0 / (0.74 * 115.0 / 25.4)
        assert min(np.diff(places)) >= apart * (1.0 - 1e-9)
        assert max(places) == pytest.approx(0.501 + apart if top is None else top)  # about their middle, the highest still beside the axes
        assert [t.get_text() for t in ax.texts] == [f"limit {level:.4g}" for level in levels]


def chart_report(values, *, limits=(8.0, 10.0, 12.0), out=(), forecasts=(), name="power"):
    n = len(values)
    series = SimpleNamespace(
        name=name, unit="mW", times=np.arange(float(n)), values=np.array(values, float), uncertainties=np.full(n, 0.1), lots=("a",) * n
    )
    series = type("S", (), {"__len__": lambda _: n, **vars(series)})()
    low, centre, high = limits
    chart = SimpleNamespace(
        signals=[SimpleNamespace(index=k) for k in out],
        lower=np.full(n, low),
        upper=np.full(n, high),
        centre=centre,
        baseline=SimpleNamespace(points=2),
    )
    return SimpleNamespace(
        series=series, individuals=chart, forecasts=[SimpleNamespace(limit=v, meaning="x") for v in forecasts], trend=None, relative=False
    )


def test_single_readings_with_limits_and_what_a_trend_may_reach():
    ax = axes(new_figure())
    # readings of 9 to 11 inside limits of 8 to 12: a limit nearer than 0.6 of those 4 below is drawn, 2.4 and more is not
    drift_figure.draw_readings(ax, chart_report([9.0, 11.0, 10.0, 9.0], out=(1,), forecasts=(5.61, 5.59)))
    level = [float(line.get_ydata()[0]) for line in ax.lines if len(line.get_xdata()) == 2 and list(line.get_xdata()) == [0, 1]]
    assert level == [12.0, 10.0, 8.0, 5.61]
    plain, marked = (line for line in ax.lines if line.get_marker() in ("o", "D"))
    assert (plain.get_ydata().tolist(), marked.get_xdata().tolist()) == ([9.0, 10.0, 9.0], [1.0])
    bars = ax.collections[0].get_segments()
    assert bars[0][:, 1].tolist() == pytest.approx([8.9, 9.1])
    assert ax.get_xlim() == pytest.approx((-0.06, 3.06))
    band = ax.patches[0].get_path().get_extents(ax.patches[0].get_patch_transform())
    assert (band.x0, band.x1) == pytest.approx((0.0, 1.0))
    assert not [t for t in ax.texts if t.get_text() == "a"]
    ax = axes(new_figure())
    drift_figure.draw_readings(ax, chart_report([9.0, 11.0, 10.0, 9.0], name="depth"))
    assert [t.get_text() for t in ax.texts if t.get_text() == "a"] == ["a"]
