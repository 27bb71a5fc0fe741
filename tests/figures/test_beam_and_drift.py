"""Figures of beams and of drift: where their curves, bands, marks and names lie, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.figures import drift as drift_figure
from curecalc.figures import spot as spot_figure
from curecalc.figures.style import axes, new_figure
from curecalc.spot.cured import cured_lines
from curecalc.spot.focus import caustic_beam
from curecalc.spot.light import beam_power
from curecalc.units import Quantity as Q


def drawn(ax, number):
    return [np.asarray(v, float) for v in ax.lines[number].get_data()]


def on_the_paper(figure):
    for ax in figure.axes:
        box = ax.get_position(original=True)
        assert 0.0 <= box.x0 < box.x1 <= 1.0
        assert 0.0 <= box.y0 < box.y1 <= 1.0
    for one, other in zip(figure.axes, figure.axes[1:], strict=False):
        a, b = one.get_position(original=True), other.get_position(original=True)
        assert a.x1 <= b.x0 or b.x1 <= a.x0 or a.y1 <= b.y0 or b.y1 <= a.y0, "axes do not lie over one another"


def test_a_caustic():
    z = np.linspace(-6.6, 6.6, 13)
    wide = np.hypot(1.0, z - 0.5)
    got = caustic_beam(position=Q(z, "mm"), radius_x=Q(wide, "mm"), wavelength=Q(1e6, "nm"), surface_position=Q(8.0, "mm"))
    ax = axes(new_figure())
    spot_figure.draw_caustic(ax, got)
    x, y = drawn(ax, 0)
    assert (x[0], x[-1]) == pytest.approx((-6.6, 6.6))
    assert y == pytest.approx(1e3 * np.hypot(1.0, x - 0.5))
    assert drawn(ax, 1)[1] == pytest.approx(1e3 * wide)
    assert [v[0] for v in drawn(ax, 2)] == pytest.approx([0.5, 1000.0])  # the star at the waist
    band = ax.patches[0].get_path().get_extents(ax.patches[0].get_patch_transform())
    assert (band.x0, band.x1) == pytest.approx((-0.5, 1.5))  # one Rayleigh length, 1 mm, on either side
    assert drawn(ax, 3)[0].tolist() == [8.0, 8.0]
    assert ax.get_xlim() == pytest.approx((-6.6 - 0.03 * 14.6, 8.0 + 0.03 * 14.6))
    assert ax.get_ylim() == pytest.approx((0.0, 1.08e3 * wide.max()))


def test_cured_lines():
    speed = np.array([100.0, 200.0, 400.0, 800.0])
    over = np.log(8000.0 / speed)
    width, depth = np.sqrt(2.0 * over), 0.15 * over
    result = SimpleNamespace(fits=[("lines", cured_lines(scan_speed=speed, line_width=width, cure_depth=depth), speed, (width, depth))])
    for panels in (2, 1):
        figure = new_figure()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(spot_figure, "_title", lambda _: "title")
            spot_figure.draw_lines(figure, result)
        on_the_paper(figure)
        assert len(figure.axes) == panels
        for ax, factor, marks in zip(figure.axes, (2.0, 0.15), (width**2, depth), strict=False):
            v, y = drawn(ax, 0)
            assert (v[0], v[-1]) == pytest.approx((100.0, 8000.0))
            assert y == pytest.approx(factor * np.log(8000.0 / v), rel=1e-6, abs=1e-6)
            assert drawn(ax, 1)[1] == pytest.approx(marks)
            assert ax.get_ylim()[0] == 0.0
            assert ax.get_xlim() == pytest.approx((85.0, 9200.0), rel=1e-6)
        result = SimpleNamespace(fits=[("lines", cured_lines(scan_speed=speed, line_width=width), speed, (width, None))])
    for high, ticks in ((12.0, [1.0, 2.0, 5.0, 10.0]), (12.1, [1.0, 3.0, 10.0])):
        ax = axes(new_figure())
        spot_figure._speed_axis(ax, 1.0, high)
        assert [t for t in ax.get_xticks() if 0.9 < t < 13.0] == pytest.approx(ticks)


def test_power_readings():
    got = beam_power(reading=Q(np.tile([99.0, 101.0], 10), "mW"), time=Q(np.arange(20.0)[::-1], "s"), meter_uncertainty=0.01)
    ax = axes(new_figure())
    spot_figure.draw_power(ax, got)
    t, y = drawn(ax, 0)
    assert t.tolist() == list(range(20))
    assert y[:2].tolist() == [101.0, 99.0]
    assert drawn(ax, 1)[1].tolist() == [100.0, 100.0]
    band = ax.patches[0].get_path().get_extents(ax.patches[0].get_patch_transform())
    assert (band.y0, band.y1) == pytest.approx((100.0 - 2.0 * got.reading.type_a, 100.0 + 2.0 * got.reading.type_a))


def test_an_image_with_its_ellipse_and_cuts():
    x = np.arange(-30.0, 31.0) * 0.1
    y = np.arange(-20.0, 21.0) * 0.2
    z = 200.0 * np.exp(-0.5 * (x[None, :] ** 2 / 0.25 + y[:, None] ** 2 / 1.0))  # radii of 1 and 2 mm
    spot = SimpleNamespace(
        profile_x=x,
        profile_y=y,
        profile=z,
        pixel=(0.1, 0.2),
        bell=SimpleNamespace(peak=200.0, variance=(0.25, 0.0, 1.0)),
        axes=SimpleNamespace(angle=0.0, radius_x=1.0, radius_y=2.0),
    )
    figure = new_figure()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(spot_figure, "_title", lambda _: "title")
        spot_figure.draw_image(figure, SimpleNamespace(fits=[("image", spot, [], None)]))
    on_the_paper(figure)
    ax, cut = figure.axes
    assert ax.images[0].get_extent() == pytest.approx((-3.05, 3.05, 4.1, -4.1))
    assert ax.images[0].get_clim() == pytest.approx((-10.0, 210.0))
    ring = np.array(drawn(ax, 0))
    assert ring[0] ** 2 + (ring[1] / 2.0) ** 2 == pytest.approx(np.ones(181))
    assert [v.tolist() for v in drawn(ax, 1)] == [[-1.0, 1.0], [0.0, 0.0]]
    assert [v for t in ax.texts for v in t.xy] == pytest.approx([1.25, 0.0, 0.0, 2.5])
    assert cut.get_ylim() == (-0.2, 2.6)
    for number, sd, lift, at in ((0, 0.5, 0.0, x), (2, 1.0, 1.3, y)):
        q, dots = drawn(cut, number)
        assert dots == pytest.approx(np.exp(-0.5 * (q / sd) ** 2) + lift)
        assert len(q) == len(at)
        assert drawn(cut, number + 1)[1] == pytest.approx(np.exp(-0.5 * (at / sd) ** 2) + lift)
    assert [t.get_position()[1] for t in cut.texts] == pytest.approx([1.02, 2.32])


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
