"""Drift and status from a logbook: the invented year where the charts must find a fading laser and a bad lot."""

import json
import math
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.logbook.book import Logbook
from curecalc.logbook.demoshop import TRUTH, write_demo_shop
from curecalc.logbook.depth import SettingsInForce, depth_over_time, power_for_depth
from curecalc.logbook.drifting import drift_report, power_limits
from curecalc.logbook.series import days, depth_series, series, settings_in_force, when
from curecalc.logbook.status import shop_status
from curecalc.logbook.verifying import verify
from curecalc.physics import laws, raster
from curecalc.statistics.turning import bend
from curecalc.units import Measured, Quantity

END = datetime(2026, 6, 1, 7, tzinfo=UTC)
FIRST = END - timedelta(days=TRUTH.days)
NOW = END.timestamp() / 86400.0


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    with write_demo_shop(tmp_path_factory.mktemp("shop") / "shop.db", end=END) as book:
        yield book


def day(number: float) -> float:
    """A day of the invented year as days since 1970."""
    return FIRST.timestamp() / 86400.0 + number


# ---------------------------------------------------------------- the invented year


def test_the_invented_year_is_whole_and_says_it_is_invented(shop) -> None:
    assert verify(shop).passed
    assert len(shop) > 400
    assert "Invented data" in shop.entries(kind="note")[0].payload["text"]


@pytest.mark.slow
def test_the_same_seed_writes_the_same_year(shop, tmp_path) -> None:
    with write_demo_shop(tmp_path / "again.db", end=END) as again:
        assert [e.payload for e in again.entries()] == [e.payload for e in shop.entries()]


def test_the_charts_find_the_fading_laser_and_leave_the_other_alone(shop) -> None:
    fading = drift_report(shop, "power", machine=TRUTH.fading_machine, now=NOW)
    steady = drift_report(shop, "power", machine=TRUTH.steady_machine, now=NOW)
    assert steady.individuals.in_control
    assert steady.ewma.in_control
    begun = day(TRUTH.fade_begins)
    for chart in (fading.individuals, fading.ewma):
        first = fading.series.times[chart.signals[0].index]
        assert begun <= first < begun + 45
    # the weighted mean is the quicker of the two for a slow fade
    assert fading.ewma.signals[0].index <= fading.individuals.signals[0].index
    assert fading.trend is not None
    assert abs(fading.trend.first - begun) < 12
    assert fading.trend.slope == pytest.approx(-TRUTH.fade_a_day, abs=4 * fading.trend.slope_uncertainty)
    assert fading.trend.slope_uncertainty < 0.05 * TRUTH.fade_a_day
    assert steady.trend.p_value > 0.01


def test_the_forecast_holds_the_true_day(shop) -> None:
    report = drift_report(shop, "power", machine=TRUTH.fading_machine, now=NOW, confidence=0.99)
    limits = power_limits(shop, TRUTH.fading_machine)
    assert [one.limit for one in report.forecasts] == [value for _, value in limits]
    bond = report.forecasts[0]
    true_day = day(TRUTH.fade_begins) + math.log(TRUTH.power / bond.limit) / TRUTH.fade_a_day
    assert bond.crossing.low < true_day < bond.crossing.high
    assert "layer" in bond.meaning
    assert when(bond.crossing.time) in bond.text
    own = drift_report(shop, "power", machine=TRUTH.fading_machine, now=NOW, limit=150.0).forecasts[-1]
    true_day = day(TRUTH.fade_begins) + math.log(TRUTH.power / 150.0) / TRUTH.fade_a_day
    assert abs(own.crossing.time - true_day) < 30
    passed = drift_report(shop, "power", machine=TRUTH.fading_machine, now=NOW, limit=300.0).forecasts[-1]
    assert "already passed" in passed.text


def test_a_steady_laser_gets_no_date(shop) -> None:
    report = drift_report(shop, "power", machine=TRUTH.steady_machine, now=NOW)
    assert all("not within 10 years" in one.text or "no trend" in one.text for one in report.forecasts)
    assert len(report.forecasts) == 2


def test_the_chart_of_lots_finds_the_bad_lot_alone(shop) -> None:
    report = drift_report(shop, "critical_exposure", now=NOW)
    assert len(report.series) == len(TRUTH.lots)
    assert [report.series.lots[signal.index] for signal in report.individuals.signals] == [TRUTH.bad_lot]
    depth = drift_report(shop, "penetration_depth", now=NOW)
    assert depth.individuals.in_control
    assert report.components.between > 3 * report.components.within
    assert report.trend is None


def test_covariates_are_read_within_lots_and_cover_the_truth(shop) -> None:
    report = drift_report(shop, "critical_exposure", now=NOW)
    assert report.covariates is not None
    b, u, _ = report.covariates.coefficient("temperature")
    assert abs(b - TRUTH.per_degree) < 3 * u
    b, u, _ = report.covariates.coefficient("age_days")
    assert abs(b - TRUTH.per_month_of_age / 30.0) < 3 * u


def test_the_depth_shows_both_and_the_machine_spared_shows_neither(shop) -> None:
    hit = drift_report(shop, "depth", machine=TRUTH.fading_machine, now=NOW)
    spared = drift_report(shop, "depth", machine=TRUTH.steady_machine, now=NOW)
    assert spared.individuals.in_control
    lots = [hit.series.lots[signal.index] for signal in hit.individuals.signals]
    assert lots.count(TRUTH.bad_lot) == hit.series.lots.count(TRUTH.bad_lot) > 5
    others = [d for d, lot in zip(hit.series.values, hit.series.lots) if lot != TRUTH.bad_lot]
    bad = [d for d, lot in zip(hit.series.values, hit.series.lots) if lot == TRUTH.bad_lot]
    step = TRUTH.penetration_depth * math.log(TRUTH.bad_lot_exposure)
    assert max(bad) < min(others)
    assert np.mean(others[-5:]) < 0.15
    assert step == pytest.approx(0.0426, abs=1e-4)


def test_status_in_one_look(shop) -> None:
    state = shop_status(shop, now=NOW)
    assert [one.machine for one in state.machines] == [TRUTH.fading_machine, TRUTH.steady_machine]
    bad, good = state.machines
    # settings that give just layer and overcure have no margin: near the limit, neither well nor an alarm
    assert (bad.state, good.state) == ("due", "near")
    assert re.search(r"settings cures 0.1\d+ mm where layer and bond ask 0.18 mm at 95 %: .* lost: retune", bad.due[0].text)
    assert good.due == ()
    assert not state.well
    assert json.loads(json.dumps(state.to_dict()))["machines"][0]["chart"] == "below"
    late = shop_status(shop, now=NOW + 100)
    texts = " ".join(item.text for one in late.machines for item in one.due)
    assert "power reading is 1" in texts
    assert "calibration of lot R18 is" in texts
    gone = shop_status(shop, now=NOW + 300)
    assert {one.state for one in gone.machines} == {"stop"}
    assert any("lot R18 expired on" in item.text for item in gone.machines[0].due)


# ---------------------------------------------------------------- small logbooks


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "shop.db", create=True) as book:
        yield book


def stamp(offset: float) -> str:
    return (END - timedelta(days=offset)).isoformat()


def furnish(book, power: float = 240.0) -> None:
    book.add("machine", {"slowest_scan_speed": Quantity(500.0, "mm/s")}, machine="north", time=stamp(30))
    book.add("lot", {"resin": "clear"}, lot="L1", machine="north", time=stamp(30))
    book.add("power", {"power": Measured(Quantity(power, "mW"), Quantity(power / 48.0, "mW"))}, machine="north", time=stamp(2))
    book.add("beam", {"beam_radius": Quantity(0.11, "mm")}, machine="north", time=stamp(20))
    curve = {"penetration_depth": Quantity(142.0, "um"), "critical_exposure": Quantity(9.4, "mJ/cm^2")}
    book.add("calibration", curve, lot="L1", time=stamp(20))
    settings = {
        "scan_speed": Quantity(2.0, "m/s"),
        "hatch_spacing": Quantity(0.1, "mm"),
        "layer_thickness": Quantity(0.1, "mm"),
        "overcure": Quantity(0.08, "mm"),
        "passes": 2,
    }
    book.add("recipe", settings, machine="north", time=stamp(10))


def test_an_empty_machine_is_told_what_it_lacks(book) -> None:
    assert shop_status(book).machines == ()
    book.add("machine", {}, machine="north")
    (one,) = shop_status(book).machines
    assert (one.state, one.due) == ("unknown", ())
    assert {item.text.split(":")[0] for item in one.items} == {
        "no lot recorded in its vat.",
        "no power reading yet",
        "no beam recorded",
        "no settings in the logbook",
    }
    for name, words in (("power", "at least 8 readings, and the logbook holds 0"), ("depth", "has no recipe with a scan speed")):
        with pytest.raises(QuantityError, match=words):
            drift_report(book, name, machine="north")
    book.add("machine", {"out_of_use": True}, machine="north")
    assert shop_status(book).machines == ()


def test_the_depth_of_a_row_is_the_physics(book) -> None:
    furnish(book)
    found = depth_series(book, "north")
    assert len(found) == 1
    mean = 240.0 / (2000.0 * 0.1)
    exposure = 2 * mean * float(raster.valley(0.1 / 0.11))
    assert found.values[0] == pytest.approx(laws.Plain(0.142, 0.094).depth(exposure), rel=1e-12)
    assert found.uncertainties[0] == pytest.approx(0.142 * 5.0 / 240.0, rel=1e-9)
    (one,) = shop_status(book, now=NOW).machines
    assert one.depth == pytest.approx(found.values[0])
    assert one.state == "due"  # twice as deep as layer and overcure ask
    assert "is the most" in one.due[0].text


def test_shallow_settings_stop_the_machine(book) -> None:
    furnish(book, power=15.0)
    (one,) = shop_status(book, now=NOW).machines
    assert one.state == "stop"
    assert "layers do not bond" in one.due[0].text


@pytest.mark.parametrize(
    ("kind", "payload", "words", "state"),
    [
        ("comparison", {"verdict": "reject", "old_lot": "L0"}, "was rejected against L0", "stop"),
        ("lot", {"expiry": "2026-05-01"}, "expired on 2026-05-01", "stop"),
        ("lot", {"expiry": "2026-06-10"}, "expires on 2026-06-10, in", "due"),
    ],
)
def test_what_is_due_about_a_lot(book, kind: str, payload: dict, words: str, state: str) -> None:
    furnish(book)
    book.add(kind, payload, lot="L1", time=stamp(1))
    (one,) = shop_status(book, now=NOW).machines
    assert one.state == state
    assert any(words in item.text for item in one.due)


def test_a_lot_without_calibration_stops(book) -> None:
    furnish(book)
    book.add("lot", {}, lot="B77", machine="north", time=stamp(0.5))
    (one,) = shop_status(book, now=NOW).machines
    assert (one.lot, one.state) == ("B77", "stop")
    assert "lot B77 is not calibrated" in one.due[0].text


def test_intervals_of_the_machine_entry_set_what_is_due(book) -> None:
    furnish(book)
    book.add(
        "machine", {"power_reading_every": Quantity(1.0, "d"), "calibration_every": Quantity(10.0, "d")}, machine="north", time=stamp(9)
    )
    (one,) = shop_status(book, now=NOW).machines
    texts = [item.text for item in one.due]
    assert any("due every 1" in text for text in texts)
    assert any("due every 10" in text for text in texts)


def test_a_new_baseline_begins_the_chart_anew(book) -> None:
    book.add("machine", {}, machine="north", time=stamp(100))
    rng = np.random.default_rng(4)
    for i in range(60):
        level = 240.0 if i < 30 else 300.0
        reading = Quantity(level * (1 + 0.005 * rng.standard_normal()), "mW")
        book.add("power", {"power": reading}, machine="north", time=stamp(100 - i))
    assert shop_status(book, now=NOW).machines[0].chart == "above"
    book.add("machine", {"new_baseline": True, "note": "laser serviced"}, machine="north", time=stamp(70.5))
    assert shop_status(book, now=NOW).machines[0].chart == "in control"
    report = drift_report(book, "power", machine="north")
    assert len(report.series) == 30
    assert report.individuals.in_control


def test_units_written_by_others_are_read(book) -> None:
    book.add("machine", {}, machine="north")
    for i in range(9):
        watts = {"value": 0.24 + 0.001 * (i % 3), "unit": "W", "standard_uncertainty": 0.005}
        book.add("power", {"power": watts}, machine="north", time=stamp(10 - i))
    found = series(book, "power", machine="north")
    assert found.unit == "mW"
    assert found.values[:3] == pytest.approx([240.0, 241.0, 242.0])
    assert found.uncertainties[0] == pytest.approx(5.0)


def test_corrected_readings_leave_the_chart(book) -> None:
    furnish(book)
    before = series(book, "power", machine="north")
    book.add("correction", {"reason": "meter off"}, corrects=before.numbers[0])
    assert len(series(book, "power", machine="north")) == 0


def test_a_retune_changes_the_settings_in_force_and_keeps_the_rest(book) -> None:
    furnish(book)
    book.add("retune", {"scan_speed": Quantity(1800.0, "mm/s")}, machine="north", time=stamp(1))
    settings, entry = settings_in_force(book, "north")
    assert entry.kind == "retune"
    assert settings == SettingsInForce(1800.0, 0.1, 2, 0.1, 0.08)


def test_power_for_depth_is_the_inverse(book) -> None:
    settings = SettingsInForce(1500.0, 0.1, 2)
    for depth in (0.05, 0.18, 0.4):
        p = power_for_depth(settings=settings, depth=depth, beam_radius=0.11, penetration_depth=0.142, critical_exposure=0.094)
        got, _ = depth_over_time(settings=settings, power=p, beam_radius=0.11, penetration_depth=0.142, critical_exposure=0.094)
        assert got == pytest.approx(depth, rel=1e-12)


def test_depth_uncertainty_agrees_with_a_monte_carlo() -> None:
    """JCGM 101 draws against the first-order law, with Dp and ln Ec correlated."""
    rng = np.random.default_rng(8)
    n, r = 200_000, 0.9
    settings = SettingsInForce(2000.0, 0.12)
    a, b = rng.standard_normal((2, n))
    dp = 0.142 * (1 + 0.01 * a)
    ec = 0.094 * np.exp(0.03 * (r * a + math.sqrt(1 - r * r) * b))
    power = 240.0 * (1 + 0.02 * rng.standard_normal(n))
    radius = 0.11 * (1 + 0.02 * rng.standard_normal(n))
    drawn, _ = depth_over_time(settings=settings, power=power, beam_radius=radius, penetration_depth=dp, critical_exposure=ec)
    _, u = depth_over_time(
        settings=settings,
        power=240.0,
        power_uncertainty=4.8,
        beam_radius=0.11,
        beam_radius_uncertainty=0.0022,
        penetration_depth=0.142,
        penetration_depth_uncertainty=0.00142,
        critical_exposure=0.094,
        critical_exposure_uncertainty=0.00282,
        correlation=r,
    )
    assert drawn.std() == pytest.approx(float(u), rel=0.02)


def test_the_bend_of_a_series_is_found() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(100.0)
    y = 5.0 - 0.1 * np.maximum(0.0, t - 60.0) + 0.05 * rng.standard_normal(100)
    assert abs(bend(t, y) - 60.0) <= 2.0


BAD = [
    (lambda b: drift_report(b, "powr", machine="north"), "nothing called 'powr' can be charted. Choose from power"),
    (lambda b: drift_report(b, "depth"), "machine is missing: the depth"),
    (lambda b: drift_report(b, "power", machine="north", centre=240.0), "centre and sd belong together"),
    (lambda b: drift_report(b, "power", machine="north"), "at least 8 readings, and the logbook holds 1 of power for north"),
    (lambda b: drift_report(b, "spot", lot="none", centre=1.0, sd=1.0), "there is no reading of spot"),
    (lambda b: drift_report(b, "power", machine="north", centre=240.0, sd=0.0), "no scatter"),
    (lambda b: drift_report(b, "power", machine="north", centre=240.0, sd=5.0, rules=["seven"]), "no run rule is called 'seven'"),
    (lambda b: series(b, "depth"), "nothing called 'depth'"),
    (lambda b: SettingsInForce(0.0), "scan_speed must be finite and above zero"),
]


@pytest.mark.parametrize(("call", "words"), BAD, ids=range(len(BAD)))
def test_what_cannot_be_charted_says_why(book, call, words: str) -> None:
    furnish(book)
    with pytest.raises(QuantityError) as raised:
        call(book)
    assert words in str(raised.value)
    assert "\n" not in str(raised.value)


def test_two_machines_are_not_charted_as_one(book) -> None:
    furnish(book)
    book.add("machine", {}, machine="south")
    book.add("power", {"power": Quantity(100.0, "mW")}, machine="south")
    with pytest.raises(QuantityError, match=r"power was recorded for north, south\. Choose one"):
        drift_report(book, "power")


def test_a_slip_in_a_name_is_refused_but_a_new_name_may_be_introduced(book) -> None:
    furnish(book)
    with pytest.raises(QuantityError, match="'Nroth' is not in the logbook, but 'north' is"):
        book.add("power", {"power": Quantity(100.0, "mW")}, machine="Nroth")
    book.add("machine", {}, machine="north2")
    book.add("power", {"power": Quantity(100.0, "mW")}, machine="north2")
    # where machines are introduced, an unknown one is asked for
    with pytest.raises(QuantityError, match=r"'cellar' is not in the logbook, but .* is"):
        book.add("power", {"power": Quantity(100.0, "mW")}, machine="cellar")


def test_days_and_dates() -> None:
    assert days("2026-06-01T07:00:00.000000Z") == pytest.approx(NOW)
