"""What a report of drift takes by default, from where its trend runs, and which readings it charts; readings a day apart, by hand."""

import math
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.logbook import drifting
from curecalc.logbook.series import CHARTED, Series, when
from curecalc.statistics.change import change
from curecalc.statistics.charts import Baseline, ewma_chart, individuals_chart

DAY = 20_000.0
NOISE = np.tile([0.5, -0.5, 0.3, -0.3, 0.0], 20)


def readings(name, values, lots=None):
    n = len(values)
    days, lots = DAY + np.arange(n), tuple(lots or (None,) * n)
    return Series(
        name, CHARTED[name][3], "mm", tuple(range(n)), days, np.array(values, dtype=float), np.full(n, 0.01), ("A",) * n, lots, "A"
    )


@pytest.fixture
def report(monkeypatch):
    def asked(found, **more):
        monkeypatch.setattr(drifting, "_series", lambda *_: found)
        monkeypatch.setattr(drifting, "fresh_since", lambda *_: None)
        monkeypatch.setattr(drifting, "_with_covariates", lambda *_: None)
        return drifting.drift_report(None, found.name, now=more.pop("now", DAY + len(found)), **more)

    return asked


def test_limits_of_three_sd_and_a_weight_of_a_fifth_unless_asked_otherwise(report) -> None:
    found = readings("temperature", 20.0 + NOISE)
    base = Baseline(20.0, 0.6)
    got = report(found, centre=20.0, sd=0.6)
    assert got.individuals.to_dict() == individuals_chart(found.values, baseline=base, rules=("limit",), width=3.0).to_dict()
    assert got.ewma.to_dict() == ewma_chart(found.values, baseline=base, weight=0.2, width=3.0).to_dict()
    assert replace(got, turning=None).to_dict()["turning"] is None
    step = SimpleNamespace(kind="step", size=2.0, time=DAY, low=DAY - 2.0, high=DAY + 1.0)
    said = {
        "kind": "step",
        "size": 2.0,
        "unit": "mm",
        "date": when(DAY),
        "interval": [when(DAY - 2.0), when(DAY + 1.0)],
        "confidence": 0.95,
    }
    assert replace(got, turning=step).to_dict()["turning"] == said
    none = replace(got, turning=SimpleNamespace(kind="none", size=0.0)).to_dict()["turning"]
    assert none == {"kind": "none", "size": 0.0, "unit": "mm", "date": None}
    moved = change(before=21.0, after=20.0, before_uncertainty=0.6, after_uncertainty=0.6)
    assert replace(got, since_settings=(DAY, moved)).to_dict()["since_settings"] == {"date": when(DAY), **moved.to_dict()}
    other = report(found, centre=20.0, sd=0.6, rules=["limit", "eight-in-a-row"], weight=0.4)
    assert other.ewma.weight == 0.4
    assert other.individuals.to_dict() != got.individuals.to_dict()
    assert got.baseline_text == "stated: 20 and standard deviation 0.6 mm"


@pytest.mark.parametrize(("name", "level", "relative"), [("spot", 0.1, True), ("temperature", 20.0, False), ("power", 240.0, True)])
def test_a_trend_is_a_share_a_month_where_errors_multiply(report, name, level, relative) -> None:
    falling = level * np.exp(-0.001 * np.arange(30.0)) * (1.0 + 1e-5 * NOISE[:30])
    got = report(readings(name, falling), centre=level, sd=level)  # in control: over all readings
    assert got.relative is relative
    assert got.per_month == pytest.approx(-0.03 if relative else -0.03 * falling.mean(), rel=2e-3)
    assert got.per_month_uncertainty == pytest.approx(30.0 * got.trend.slope_uncertainty)
    assert got.trend_since == DAY
    record = got.to_dict()
    assert (record["trend"]["change_in_30_days"], record["trend"]["relative"]) == (got.per_month, relative)
    assert record["trend"]["since"] == when(DAY)
    assert (record["since_settings"], record["between_lots"], record["covariates"]) == (None, None, None)


def test_a_trend_runs_from_where_readings_bent_off_while_the_chart_is_out(report) -> None:
    # a level for thirty days, then one unit a day from the last of them on; fewer than eight are too few
    for after, points in ((12, 13), (7, 8), (6, 36)):
        values = np.concatenate([20.0 + 0.01 * NOISE[:30], 20.0 + np.arange(1.0, after + 1.0)])
        got = report(readings("temperature", values), centre=20.0, sd=0.5)
        assert got.trend.points == points
    values = np.concatenate([20.0 + 0.01 * NOISE[:30], 20.0 + np.arange(1.0, 13.0), 20.0 + 0.01 * NOISE[:30]])
    assert report(readings("temperature", values), centre=20.0, sd=0.5).trend.points == 72  # it is in again
    # too few to look for a bend in
    assert report(readings("temperature", [20.0, 20.0, 20.0, 29.0]), centre=20.0, sd=0.5).trend.points == 4
    assert report(readings("temperature", [20.0, 29.0]), centre=20.0, sd=0.5).trend is None


def test_lots_are_charted_where_there_are_several(report) -> None:
    one = report(readings("penetration_depth", 0.14 + 0.001 * NOISE[:10], ["a"] * 5 + [None] * 5), centre=0.14, sd=0.001)
    assert (len(one.series), one.components, one.trend is not None, one.turning is not None) == (10, None, True, True)
    two = report(readings("penetration_depth", 0.14 + 0.001 * NOISE[:10], ["a"] * 5 + ["b"] * 5), centre=0.14, sd=0.001)
    assert (len(two.series), two.components.groups, two.trend, two.turning, two.forecasts) == (2, 2, None, None, ())
    power = report(readings("power", 240.0 + NOISE[:10], ["a"] * 5 + ["b"] * 5))
    assert (len(power.series), power.components) == (10, None)


def test_depths_have_a_trend_of_eight_readings_of_the_lot_in_the_vat(report, monkeypatch) -> None:
    monkeypatch.setattr(drifting, "settings_in_force", lambda *_, **__: (SimpleNamespace(layer_thickness=None, overcure=None), None))
    for last, points in ((7, None), (8, 8), (9, 9)):
        got = report(readings("depth", 0.18 + 0.001 * NOISE[: 12 + last], ["a"] * 12 + ["b"] * last), machine="A")
        assert got.trend is None if points is None else got.trend.points == points
        assert (got.turning, got.relative) == (None, False)


def test_the_depth_is_charted_against_layer_and_overcure_and_forecast_to_the_layer(report, monkeypatch) -> None:
    def asked(layer, overcure, u=0.01):
        force = SimpleNamespace(layer_thickness=layer, overcure=overcure)
        monkeypatch.setattr(drifting, "settings_in_force", lambda *_, **__: (force, None))
        found = readings("depth", 0.18 - 0.001 * np.arange(20.0) + 1e-4 * NOISE[:20], ["a"] * 20)
        found.uncertainties[:] = u
        return report(found, machine="A")

    got = asked(0.1, 0.08)
    assert (got.individuals.baseline.centre, got.individuals.baseline.sd) == (pytest.approx(0.18), 0.01)
    assert got.baseline_text == "layer and overcure of the recipe, and the stated uncertainty of one depth"
    (only,) = got.forecasts
    assert (only.meaning, only.limit) == ("the depth is no more than the layer", 0.1)
    assert only.crossing.time == pytest.approx(DAY + 80.0, abs=1.0)
    for layer, overcure, u in ((0.1, None, 0.01), (0.1, 0.08, 0.0), (None, 0.08, 0.01)):
        got = asked(layer, overcure, u)
        assert got.baseline_text.startswith("the first 20 readings")
        assert len(got.forecasts) == (layer is not None)


def test_a_limit_of_one_s_own(report) -> None:
    falling = 240.0 * np.exp(-0.01 * np.arange(20.0)) * (1.0 + 1e-4 * NOISE[:20])
    (own,) = report(readings("power", falling), limit=100.0, confidence=0.9).forecasts
    assert (own.limit, own.crossing.confidence) == (100.0, 0.9)
    assert [one.crossing.confidence for one in report(readings("power", falling), limit=100.0).forecasts] == [0.95]
    assert own.crossing.time == pytest.approx(DAY + 100.0 * math.log(2.4), abs=0.5)
    assert own.to_dict("mW")["interval"] == [when(own.crossing.low), when(own.crossing.high)]
    assert own.to_dict("mW")["date"] == when(own.crossing.time)
    for wrong in (0.0, -1.0):
        with pytest.raises(QuantityError, match="limit must be above zero"):
            report(readings("power", falling), limit=wrong)
    assert report(readings("temperature", 20.0 + NOISE[:20]), limit=-5.0).forecasts[0].limit == -5.0
    assert report(readings("power", falling)).forecasts == ()
    assert report(readings("power", falling), limit=1e-3).forecasts[0].limit == 1e-3


def test_today_is_that_of_the_clock(report, monkeypatch) -> None:
    monkeypatch.setattr(time, "time", lambda: (DAY + 25.0) * 86400.0)
    falling = 240.0 * np.exp(-0.01 * np.arange(20.0)) * (1.0 + 1e-4 * NOISE[:20])
    # ln(240/185) = 0.26: reached on the 26th day
    for limit, passed in ((185.0, False), (190.0, True)):
        assert report(readings("power", falling), now=None, limit=limit).forecasts[0].text.endswith("already passed.") is passed


def test_a_change_since_the_settings_is_that_of_two_readings(monkeypatch) -> None:
    found, base = readings("power", [240.0, 230.0, 220.0, 210.0]), Baseline(240.0, 2.0)
    for chosen, before in ((-1.0, 240.0), (0.0, 240.0), (1.0, 230.0), (2.5, 220.0), (3.0, None), (9.0, None)):
        monkeypatch.setattr(drifting, "days", lambda _, chosen=chosen: DAY + chosen)
        monkeypatch.setattr(drifting, "settings_in_force", lambda *_, **__: (None, SimpleNamespace(time="")))
        got = drifting._since_settings(None, found, "A", base)
        if before is None:
            assert got is None
        else:
            assert (got[0], got[1].before, got[1].after) == (DAY + chosen, before, 210.0)
            assert got[1].standard_uncertainty == pytest.approx(2.0 * math.sqrt(2.0))
    assert drifting._since_settings(None, found, None, base) is None
    assert drifting._since_settings(None, readings("temperature", [20.0, 21.0]), "A", base) is None
    assert drifting._since_settings(None, readings("power", []), "A", base) is None


def covariates(temperatures, opened):
    """Of six calibrations of two lots: ln Ec falls by 0.006 a degree and grows by 0.0002 a day of age, each lot at a level of its own."""
    first = 20_000.0
    lots = ["a", "a", "a", "b", "b", "b"]
    ages = np.array([1.0, 11.0, 30.0, 2.0, 15.0, 28.0])
    degrees = np.array([20.0, 24.0, 21.0, 25.0, 22.0, 23.5])
    level = np.array([2.2, 2.2, 2.2, 2.3, 2.3, 2.3])
    values = np.exp(level - 0.006 * degrees + 0.0002 * ages)
    found = Series("critical_exposure", "", "mJ/cm^2", (1, 2, 3, 4, 5, 6), first + ages, values, 0.0 * values, (None,) * 6, tuple(lots), "")
    day = "2024-10-04"  # 20,000 days after 1970
    rows = {
        "lot": [(9, "", None, lot, None, day if lot in opened else None) for lot in ("a", "b")],
        "calibration": [(n, "", None, None, None, degrees[n - 1] if n in temperatures else None) for n in range(1, 7)],
    }
    return drifting._with_covariates(SimpleNamespace(values=lambda kind, fields: rows[kind]), found)


def test_what_goes_with_the_exposure_where_five_readings_say_it() -> None:
    both = covariates(range(1, 7), "ab")
    assert both.names == ("temperature", "age_days")
    assert both.coefficients[1:] == (pytest.approx(-0.006), pytest.approx(0.0002, rel=1e-6))
    assert covariates(range(1, 6), "ab").names == ("temperature", "age_days")
    assert covariates(range(1, 5), "ab").names == ("age_days",)
    assert covariates(range(1, 7), "a").names == ("temperature",)  # three ages are too few
    assert covariates([], "") is None
    assert covariates(range(1, 5), "") is None


def test_a_power_or_a_spot_is_charted_of_one_machine(monkeypatch) -> None:
    several = drifting.replace(readings("power", [1.0, 2.0, 3.0]), machines=("A", None, "B"))
    for name, machine, refused in (("power", None, True), ("spot", None, True), ("power", "A", False), ("temperature", None, False)):
        monkeypatch.setattr(drifting, "series", lambda *_, **__: several)
        if refused:
            with pytest.raises(QuantityError, match=f"machine is missing: {name} was recorded for A, B"):
                drifting._series(None, name, machine, None, None)
        else:
            assert drifting._series(None, name, machine, None, None) is several
    one = drifting.replace(several, machines=("A", None, "A"))
    monkeypatch.setattr(drifting, "series", lambda *_, **__: one)
    assert drifting._series(None, "power", None, None, None) is one
    monkeypatch.setattr(drifting, "depth_series", lambda _, machine: machine)
    assert drifting._series(None, "depth", "A", None, None) == "A"
    with pytest.raises(QuantityError, match="the depth of today's settings belongs to a machine"):
        drifting._series(None, "depth", None, None, None)


def test_readings_since_a_day_or_since_the_newest_baseline(report, monkeypatch) -> None:
    found = readings("temperature", 20.0 + NOISE)
    monkeypatch.setattr(drifting, "days", lambda time: DAY + float(time))
    assert len(report(found, since="30").series) == 70
    report(found)
    monkeypatch.setattr(drifting, "fresh_since", lambda *_: "60")
    assert len(drifting.drift_report(None, "temperature", now=DAY).series) == 40
    assert len(drifting.drift_report(None, "temperature", now=DAY, since="30").series) == 70
