"""Figures of lots, logbooks and windows: what is drawn stands where the records say, by hand or by a second way."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from drawn import bars, data
from matplotlib.dates import date2num
from matplotlib.text import Text

from curecalc.calibration.comparing import compare_lots, lot_from_fit
from curecalc.calibration.coupons import read_coupons
from curecalc.calibration.curve import fit_coupons
from curecalc.figures.comparison import comparison_figure
from curecalc.figures.drift import drift_figure
from curecalc.figures.style import TONES
from curecalc.figures.window import window_figure
from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.logbook.book import Logbook
from curecalc.logbook.drifting import drift_report
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.window import process_window
from curecalc.units import Measured
from curecalc.units import Quantity as Q

DEMO = Path(__file__).parents[2] / "demo"


def levels(ax, style):
    """Heights of the level lines of a style."""
    return sorted(float(line.get_ydata()[0]) for line in ax.lines if line.get_linestyle() == style and len(set(line.get_ydata())) == 1)


# ---------------------------------------------------------------- the logbook

POWERS = [240.0, 241.5, 239.0, 240.5, 238.5, 241.0, 240.0, 239.5, 240.5, 239.5, 240.0, 252.0]
START = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def powers(tmp_path_factory):
    """A reading each day, the last far out: a year's report of a machine."""
    with Logbook(tmp_path_factory.mktemp("log") / "shop.db", create=True) as book:
        book.add("machine", {"scan_speed_min": Q(500.0, "mm/s")}, machine="north", time=START - timedelta(days=1))
        for day, power in enumerate(POWERS):
            when = START + timedelta(days=day)
            book.add("power", {"power": Measured(Q(power, "mW"), Q(1.5, "mW"))}, machine="north", time=when)
        return drift_report(book, "power", machine="north", baseline_points=11)


def test_readings_their_bars_and_their_limits(powers, monkeypatch):
    figure = drift_figure(powers)
    upper, _ = figure.axes
    days = date2num(START) + np.arange(12)
    first, centre = np.array(POWERS[:11]), np.mean(POWERS[:11])
    sd = np.abs(np.diff(first)).mean() / 1.128  # of the moving range of two: d2, ISO 7870-2, from memory
    assert levels(upper, "-") == pytest.approx([centre], rel=1e-9)
    assert levels(upper, "--") == pytest.approx([centre - 3 * sd, centre + 3 * sd], rel=2e-4)
    dots, diamonds = (line for line in upper.lines if line.get_linestyle() == "None")
    assert data(dots) == (pytest.approx(days[:11]), pytest.approx(first))
    assert data(diamonds) == (pytest.approx(days[11:]), pytest.approx([252.0]))
    for (low, high, _), day, power in zip(bars(upper), days, POWERS, strict=True):
        assert (low[0], low[1], high[0], high[1]) == pytest.approx((day, power - 1.5, day, power + 1.5))
    (band,) = upper.patches
    assert band.get_extents().transformed(upper.transData.inverted()).x0 == pytest.approx(days[0])
    assert band.get_extents().transformed(upper.transData.inverted()).x1 == pytest.approx(days[10])
    assert upper.get_xlim() == pytest.approx((days[0] - 0.22, days[-1] + 0.22))  # a fiftieth of eleven days
    beside = {t.get_text() for t in upper.texts}
    assert {"baseline", f"centre {centre:.4g}", f"upper {centre + 3 * sd:.4g}", f"lower {centre - 3 * sd:.4g}"} <= beside
    assert upper.get_ylabel() == "power [mW]"
    corners = {t.get_text(): (t.xy, t.get_ha()) for t in upper.texts if t.xycoords == "axes fraction" and t.get_va() == "bottom"}
    (loud,) = (t for t in upper.texts if t.get_text() == "OUT NOW")
    assert loud.get_color() == TONES["limit"]
    monkeypatch.setattr(type(powers), "state", "fine")
    calm, _ = drift_figure(powers).axes
    assert next(t.get_color() for t in calm.texts if t.get_text() == "in control") == TONES["solid"]
    assert corners == {"Power at the resin surface, north": ((0.0, 1.0), "left"), "OUT NOW": ((0.0, 1.0), "left")}


def test_the_weighted_mean_inside_its_limits(powers):
    """z = w x + (1 - w) z from the centre, limits 3 s sqrt(w/(2 - w) (1 - (1 - w)^2i)): NIST/SEMATECH e-Handbook 6.3.2.4."""
    _, lower = drift_figure(powers).axes
    first = np.array(POWERS[:11])
    centre, sd = first.mean(), np.abs(np.diff(first)).mean() / 1.128
    weight = powers.ewma.weight
    assert lower.get_title(loc="left").startswith(f"weighted mean, the newest counts {weight:g};")
    z, wanted = centre, []
    for power in POWERS:
        z = weight * power + (1 - weight) * z
        wanted.append(z)
    (mean,) = (line for line in lower.lines if line.get_linestyle() == "-" and len(set(line.get_ydata())) > 1)
    assert data(mean)[1] == pytest.approx(wanted, rel=1e-9)
    steps = np.arange(1, 13)
    wide = powers.ewma.steady_limits[1] - centre
    assert wide == pytest.approx((powers.ewma.upper[-1] - centre) / math.sqrt(1 - (1 - weight) ** 24), rel=1e-6)
    edges = [data(line)[1] for line in lower.lines if line.get_linestyle() == "--"]
    growing = wide * np.sqrt(1 - (1 - weight) ** (2 * steps))
    assert edges == [pytest.approx(centre - growing, rel=1e-9), pytest.approx(centre + growing, rel=1e-9)]
    assert lower.get_xlim() == pytest.approx(drift_figure(powers).axes[0].get_xlim())
    assert sd > 0


# ---------------------------------------------------------------- lots


@pytest.fixture(scope="module")
def lots():
    return [fit_coupons(read_coupons(DEMO / f"coupons_lot_{n}.csv")) for n in (6, 7)]


def test_two_lots_and_the_change_between_them(lots):
    c = compare_lots(lots=[lot_from_fit(name, fit) for name, fit in zip("67", lots)], cure_depth=Q(0.18, "mm"), tolerance=Q(10.0, "um"))
    curves, change = comparison_figure(c).axes
    lines = [line for line in curves.lines if line.get_label() in ("6", "7")]
    for fit, line in zip(lots, lines, strict=True):
        dp, ec = fit.penetration_depth.value.m_as("um"), fit.critical_exposure.value.m_as("mJ/cm^2")
        exposure, depth = data(line)
        assert depth == pytest.approx(dp * np.log(exposure / ec), rel=1e-9, abs=1e-6)
    # what was not measured anew, like a data sheet, has its line alone
    bare, _ = comparison_figure(replace(c, lots=(c.lots[0], replace(c.lots[1], points=())))).axes
    assert len(bare.lines) == len(curves.lines) - 1
    used = [np.concatenate([data(line)[0] for line in curves.lines if line.get_linestyle() == "None"])]
    low, high = used[0].min(), used[0].max()
    assert curves.get_xlim() == pytest.approx((low * math.exp(-0.15), high * math.exp(0.15)), rel=1e-9)
    assert curves.get_ylim()[0] == 0.0
    assert levels(curves, ":") == pytest.approx([180.0])
    (band,) = change.patches
    assert band.get_extents().transformed(change.transData.inverted()).intervalx == pytest.approx([-10.0, 10.0])
    assert change.get_title(loc="left") == "against 6; band: ±10 µm"
    assert data(change.lines[0])[0] == pytest.approx([0.0, 0.0])
    assert (change.get_ylim(), change.texts[0].xy) == ((1.0, -1.0), (0.0, 0))
    assert curves.texts[0].xy == pytest.approx((low * math.exp(-0.15), 180.0))
    d = c.depth_difference
    bar, middle = (data(line) for line in change.lines[1:])
    assert bar[0] == pytest.approx([1e3 * d.low, 1e3 * d.high])
    assert middle == (pytest.approx([1e3 * d.value]), pytest.approx([0.0]))
    # the depth that the new lot reaches where the old one reaches 0.18 mm
    old, new = ((f.penetration_depth.value.m_as("mm"), f.critical_exposure.value.m_as("mJ/cm^2")) for f in lots)
    dose = old[1] * math.exp(0.18 / old[0])
    assert middle[0] == pytest.approx([1e3 * (new[0] * math.log(dose / new[1]) - 0.18)], abs=1e-6)
    size = max(10.0, abs(1e3 * d.low), abs(1e3 * d.high))
    assert change.get_xlim() == pytest.approx((-1.5 * size, 1.5 * size))
    assert [t.get_text() for t in change.texts] == [
        f"{c.lots[1].name}\n{1e3 * d.value:+.1f} ({1e3 * d.low:+.1f} to {1e3 * d.high:+.1f}) µm"
    ]


# ---------------------------------------------------------------- the window


@pytest.fixture(scope="module")
def window():
    parts = {"machine": read_machine(DEMO / "machine.toml"), "resin": read_resin(DEMO / "resin.toml")}
    recipe = make_recipe(**parts, needs=read_needs(DEMO / "needs.toml"), gains=False)
    vector = next(v for v in recipe.vectors if v.kind == "hatch")
    return process_window(vector, "scan_speed", "power", points=31)


def test_borders_of_a_window_stand_where_the_dose_is_kept(window):
    """With spacing and spot held, the dose goes as power over speed: every border of depth is a straight line through zero."""
    figure = window_figure(window)
    (ax,) = figure.axes
    assert ax.get_xlim() == pytest.approx((window.x[0], window.x[-1]))
    assert ax.get_ylim() == pytest.approx((window.y[0], window.y[-1]))
    assert ax.get_position().y0 * 145.0 == pytest.approx(36.0), "millimetres of room for the legend"
    (bond,) = (c for c in ax.collections if c.get_linewidth()[0] == 2.4)
    places = np.vstack([path.vertices for path in bond.get_paths() if len(path.vertices)])
    ratio = places[:, 1] / places[:, 0]
    assert np.ptp(ratio) / ratio.mean() < 5e-3
    rings = [line for line in ax.lines if line.get_marker() in ("o", "+")]
    assert [data(line) for line in rings] == [tuple(pytest.approx([v]) for v in window.chosen)] * 2
    chosen = window.chosen[1] / window.chosen[0]
    assert chosen >= ratio.mean() * (1 - 1e-6)  # on the bonded side of its border


def test_depths_on_a_window_are_plain_steps_and_stand_on_their_depth(window):
    """At most a dozen lines of equal depth, at whole multiples of 1, 2, 2.5 or 5; each place on one has its depth in the table."""
    (ax,) = window_figure(window).axes
    (lines,) = (c for c in ax.collections if getattr(c, "levels", None) is not None and len(c.levels) > 2 and not c.filled)
    step = lines.levels[1] - lines.levels[0]
    assert np.diff(lines.levels) == pytest.approx(step)
    assert 3 <= len(lines.levels) <= 12
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - k) for k in (1.0, 2.0, 2.5, 5.0)) < 1e-6
    assert lines.levels / step == pytest.approx(np.round(lines.levels / step), abs=1e-6)
    assert window.cure_depth.min() < lines.levels[0] <= window.cure_depth.min() + step
    words = {t.get_text() for t in ax.figure.findobj(Text)}
    asked = window.vector.assurance_asked
    assert {f"below {50:g} %", f"bond, {100 * asked:g} % assured", "cure depth (mm)", "chosen", "99 % and more"} <= words
    assert "scan speed (mm/s)" in words
    assert "power (mW)" in words


def test_lots_are_named_along_the_upper_edge(tmp_path):
    """Where a lot's readings begin; names in two heights in turn; room for them above the readings."""
    with Logbook(tmp_path / "lots.db", create=True) as book:
        for k in range(9):
            book.add("lot", {}, lot=f"L{k} with a long name", time=START + timedelta(days=7 * k))
            payload = {"penetration_depth": Q(0.140 + 0.001 * (k % 3), "mm"), "critical_exposure": Q(9.0 + 0.1 * (k % 4), "mJ/cm^2")}
            book.add("calibration", payload, lot=f"L{k} with a long name", time=START + timedelta(days=7 * k, hours=1))
        report = drift_report(book, "critical_exposure")
    upper, _ = drift_figure(report).axes
    days = date2num(START) + 7 * np.arange(9) + 1 / 24
    named = [t for t in upper.texts if t.get_text().startswith("L")]
    assert [t.get_text() for t in named] == [f"L{k} with a lo" for k in range(9)]  # twelve letters
    assert [t.xy[0] for t in named] == pytest.approx(days)
    assert [t.xyann for t in named] == [(2, -3 if k % 2 == 0 else -13) for k in range(9)]
    low, high = upper.get_ylim()
    highest = max(float(report.individuals.upper[0]), float(report.series.values.max()))
    assert high - highest > 0.1 * (high - low)
    assert upper.get_ylabel() == "Ec [mJ/cm²]"


def test_axes_of_charts_are_named_by_what_was_recorded(tmp_path):
    with Logbook(tmp_path / "names.db", create=True) as book:
        for k in range(9):
            when = START + timedelta(days=7 * k)
            book.add("beam", {"beam_radius": Q(0.125 + 0.001 * (k % 3), "mm")}, machine="north", time=when)
            book.add("room", {"temperature": Q(22.0 + 0.1 * (k % 4), "degC"), "humidity": 0.4 + 0.01 * (k % 3)}, time=when)
            payload = {"penetration_depth": Q(0.140 + 0.001 * (k % 3), "mm"), "critical_exposure": Q(9.0, "mJ/cm^2")}
            book.add("calibration", payload, lot="L1", time=when)
        names = {"spot": "beam radius [mm]", "temperature": "temperature [°C]", "humidity": "humidity", "penetration_depth": "Dp [mm]"}
        for name, label in names.items():
            assert drift_figure(drift_report(book, name)).axes[0].get_ylabel().startswith(label), name
