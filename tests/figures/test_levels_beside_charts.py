"""Ticks of speeds, names of levels beside a chart and the limits it shows, by hand."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from drawn import bars

from curecalc.figures import drift as drift_figure
from curecalc.figures.style import axes, new_figure, panels


def test_levels_named_beside_a_chart_stand_apart_and_beside_it():
    for levels, top in (([0.0, 0.5, 1.0], 0.99), ([0.5, 0.501, 0.502], None), ([0.98, 0.99, 1.0], 0.99)):
        ax = axes(new_figure(170.0, 115.0), (0.13, 0.15, 0.83, 0.74))
        ax.set_ylim(0.0, 1.0)
        drift_figure._beside(ax, [(level, "limit", "black") for level in levels])
        places = [t.xy[1] for t in ax.texts]
        assert {t.xy[0] for t in ax.texts} == {1.0}
        # type of 9.5 points and three tenths between: 12.35 points of an axis 0.74 x 115 mm high
        apart = 12.35 / 72.0 / (0.74 * 115.0 / 25.4)
        assert min(np.diff(places)) >= apart * (1.0 - 1e-9)
        assert max(places) == pytest.approx(0.501 + apart if top is None else top)  # about their middle, the highest still beside the axes
        assert [t.get_text() for t in ax.texts] == [f"limit {level:.4g}" for level in levels]


def chart_report(
    values, *, limits=(8.0, 10.0, 12.0), out=(), forecasts=(), meaning="x", name="power", lots=None, points=2, trend=None, relative=False
):
    n = len(values)
    kept = {"values": np.array(values, float), "uncertainties": np.full(n, 0.1), "lots": lots or ("a",) * n}
    series = SimpleNamespace(name=name, unit="mW", times=np.arange(float(n)), **kept)
    series = type("S", (), {"__len__": lambda _: n, **vars(series)})()
    low, centre, high = limits
    chart = SimpleNamespace(
        signals=[SimpleNamespace(index=k) for k in out],
        lower=np.full(n, low),
        upper=np.full(n, high),
        centre=centre,
        baseline=SimpleNamespace(points=points),
    )
    limits = [SimpleNamespace(limit=v, meaning=meaning) for v in forecasts]
    return SimpleNamespace(series=series, individuals=chart, forecasts=limits, trend=trend, relative=relative)


def test_single_readings_with_limits_and_what_a_trend_may_reach():
    (ax,) = panels(new_figure())
    # readings of 9 to 11 inside limits of 8 to 12: a limit nearer than 0.6 of those 4 below is drawn, 2.4 and more is not
    drift_figure.draw_readings(ax, chart_report([9.0, 11.0, 10.0, 9.0], out=(1,), forecasts=(5.61, 5.59)))
    level = [float(line.get_ydata()[0]) for line in ax.lines if len(line.get_xdata()) == 2 and list(line.get_xdata()) == [0, 1]]
    assert level == [12.0, 10.0, 8.0, 5.61]
    plain, marked = (line for line in ax.lines if line.get_marker() in ("o", "D"))
    assert (plain.get_ydata().tolist(), marked.get_xdata().tolist()) == ([9.0, 10.0, 9.0], [1.0])
    assert (marked.get_markerfacecolor(), marked.get_markeredgewidth()) == ("white", 1.5)
    assert bars(ax)[0, :2].tolist() == [[0.0, pytest.approx(8.9)], [0.0, pytest.approx(9.1)]]
    assert ax.get_xlim() == pytest.approx((-0.06, 3.06))
    band = ax.patches[0].get_path().get_extents(ax.patches[0].get_patch_transform())
    assert (band.x0, band.x1) == pytest.approx((0.0, 1.0))
    assert not [t for t in ax.texts if t.get_text() == "a"]
    (ax,) = panels(new_figure())
    drift_figure.draw_readings(ax, chart_report([9.0, 11.0, 10.0, 9.0], name="depth"))
    assert [t.get_text() for t in ax.texts if t.get_text() == "a"] == ["a"]


def drawn(*given, **named):
    (ax,) = panels(new_figure())
    drift_figure.draw_readings(ax, chart_report(*given, **named))
    return ax


@pytest.mark.parametrize(
    ("name", "meaning", "said"), [("power", "x", "limit"), ("power", "coupons cure no more", "bond lost"), ("depth", "cure no", "layer")]
)
def test_what_a_trend_may_reach_is_named(name, meaning, said):
    ax = drawn([9.0, 11.0, 10.0, 9.0], forecasts=(7.0,), meaning=meaning, name=name)
    assert [t.get_text() for t in ax.texts if t.get_text().endswith(" 7")] == [f"{said} 7"]
    dotted = [line.get_ydata()[0] for line in ax.lines if line.get_linestyle() == ":"]
    assert dotted == [7.0]


def test_very_many_readings_are_drawn_in_part():
    for count, step in ((2999, 1), (3000, 2), (4499, 2), (4500, 3)):
        assert drift_figure._some(np.arange(count)).tolist() == list(range(0, count, step))
    ax = drawn(np.tile([9.0, 11.0], 1500), out=(1, 2, 2999))
    plain, marked = (line for line in ax.lines if line.get_marker() in ("o", "D"))
    assert len(plain.get_xdata()) == 1499
    assert marked.get_xdata().tolist() == [1.0, 2.0, 2999.0], "those that signal are all drawn"
    assert len(bars(ax)) == 1500
    assert ax.get_title(loc="left").startswith("one single reading in 2, bars")
    assert drawn([9.0, 10.0]).get_title(loc="left").startswith("single readings, bars")


def test_a_trend_is_drawn_where_chance_would_not_make_it_in_one_of_twenty():
    for p_value, relative, level in ((0.049, False, 2.0), (0.049, True, math.exp(2.0)), (0.05, False, None)):
        trend = SimpleNamespace(p_value=p_value, first=0.0, last=3.0, at=lambda t: np.full_like(t, 2.0))
        ax = drawn([9.0, 11.0, 10.0, 9.0], trend=trend, relative=relative)
        lines = [line for line in ax.lines if line.get_linestyle() == "-."]
        assert [line.get_ydata()[0] for line in lines] == ([] if level is None else [pytest.approx(level)])
        assert all((line.get_xdata()[0], line.get_xdata()[-1]) == (0.0, 3.0) for line in lines)
        assert ax.get_title(loc="left").endswith("; dash-dot: trend") == (level is not None)


def test_a_baseline_of_two_readings_or_more_is_shaded_and_a_single_day_has_room():
    ax = drawn([9.0, 11.0, 10.0], points=2)
    assert [t.xy for t in ax.texts if t.get_text() == "baseline"] == [(0.0, 0.0)]
    assert not [t for t in drawn([9.0, 11.0, 10.0], points=1).texts if t.get_text() == "baseline"]
    assert drawn([9.0], points=1).get_xlim() == pytest.approx((-0.02, 0.02))


def test_lots_are_named_where_they_begin_up_to_sixteen_of_them():
    def named(lots, name="depth"):
        (ax,) = panels(new_figure())
        ax.set_ylim(0.0, 1.0)
        report = chart_report([9.0] * len(lots), name=name, lots=lots)
        drift_figure._lot_names(ax, report, np.arange(float(len(lots))))
        return ax

    ax = named(("", "a", "a", "b", "$c"))
    assert [(t.get_text(), t.xy) for t in ax.texts] == [("a", (1.0, 1.0)), ("b", (3.0, 1.0)), (r"\$c", (4.0, 1.0))]
    assert ax.get_ylim() == pytest.approx((-0.02, 1.13))
    assert [line.get_xdata()[0] for line in ax.lines] == [1.0, 3.0, 4.0]
    assert not named(("a", "a")).lines, "one lot needs no border"
    assert not named(("a", "b"), name="critical_exposure").lines
    assert [t.get_text() for t in named(("a", "b")).texts] == ["a", "b"]
    for count, seen in ((16, 16), (17, 0)):
        assert len(named(tuple(f"lot {k}" for k in range(count))).texts) == seen
