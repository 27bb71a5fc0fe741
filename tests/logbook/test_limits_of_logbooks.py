"""What the status, the charts and the doubts of a logbook say at each of their limits and just beyond; promises judged in closed form."""

import math
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import FileError, QuantityError
from curecalc.logbook import doubts, drifting, entries, judge, salvage, series, status, today, verifying, words
from curecalc.logbook.depth import SettingsInForce, depth_over_time, power_for_depth
from curecalc.logbook.drifting import DriftReport
from curecalc.logbook.series import Series, when
from curecalc.logbook.status import Item, MachineState, ShopState
from curecalc.physics import laws
from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import INFINITE, Bounds
from curecalc.statistics.charts import Baseline, ewma_chart, individuals_chart
from curecalc.statistics.trend import Crossing, trend
from curecalc.units import Measured
from curecalc.units import Quantity as Q

TODAY = 20090.0  # days since 1970: a day of 2025


def stored(day):
    return entries.moment(datetime.fromtimestamp(day * 86400.0, UTC))


def readings(values, *, name="power", times=None, lots=None, parts=(), u=0.0, unit="mW"):
    n = len(values)
    return Series(
        name,
        "power at the resin surface",
        unit,
        tuple(range(1, n + 1)),
        np.arange(float(n)) if times is None else np.array(times, dtype=float),
        np.array(values, dtype=float),
        np.full(n, u),
        ("A",) * n,
        tuple(lots or (None,) * n),
        "A",
        parts,
    )


# ---------------------------------------------------------------- status


def look(about=(), expiry=None, latest=None):
    found = status._Look.__new__(status._Look)
    book = SimpleNamespace(path="shop.db", expiry=expiry or {}, latest=lambda kind, **_: (latest or {}).get(kind))
    found.book, found.machine, found.name, found.today, found.until = book, "A", "A", TODAY, stored(TODAY)
    found.about, found.items = list(about), []
    return found


def beam(day, radius=0.1):
    return SimpleNamespace(time=stored(day), lot="L", quantity=lambda _: Measured(Q(radius, "mm"), Q(0.0, "mm")), payload={})


def powered(day):
    return SimpleNamespace(readings=readings([1.0], times=[day]))


@pytest.mark.parametrize(
    ("days", "said"), [(-1, ("stop", "expired on")), (0, ("due", "in 0 days")), (14, ("due", "in 14 days")), (15, None)]
)
def test_a_lot_near_its_expiry(days, said):
    on = (datetime.fromisoformat(when(TODAY)) + timedelta(days=days)).strftime("%Y-%m-%d")
    found = look(expiry={"L": on})
    found._lot("L")
    assert bool(found.items) is bool(said)
    assert not said or (found.items[0].level == said[0] and said[1] in found.items[0].text)


def every(power, calibration, beam, unit="s"):
    """A machine entry that says how often, in days."""
    row = {"time": stored(1.0), "out_of_use": None, "new_baseline": None}
    for name, days in (("power_reading_every", power), ("calibration_every", calibration), ("beam_reading_every", beam)):
        row |= {f"{name}.value": days and 86400.0 * days, f"{name}.unit": days and unit}
    return row


@pytest.mark.parametrize(("age", "due"), [(0.0, False), (1.0, True)])
@pytest.mark.parametrize(
    ("about", "scale"),
    [([], 1.0), ([every(1.0, 1.0, 1.0), every(3.5, 45.0, 91.5), every(None, None, None)], 0.5), ([every(1.0, 1.0, 1.0, "d")], 1.0)],
)
def test_what_is_due_after_a_week_a_quarter_and_half_a_year(about, scale, age, due):
    found = look(about)
    assert found._calibration("L", beam(TODAY - 90.0 * scale - age)) == 90.0 * scale + age
    assert found._ages(powered(TODAY - 7.0 * scale - age), beam(TODAY - 183.0 * scale - age)) == 0.1
    texts = [item.text for item in found.items]
    assert [t.split(", due every")[0] for t in texts] == (
        [
            f"calibration of lot L is {90 * scale + age:.0f} days old",
            f"power reading is {7 * scale + age:.0f} days old",
            f"the spot was measured {183 * scale + age:.0f} days ago",
        ]
        if due
        else []
    )


def power_said(monkeypatch, *, p_value=0.01, slope=-0.001, reached=None, **watching):
    watched = {"side": "", "lone": False, "newest": math.log(0.9), "level": math.log(0.95), "centre": 0.0} | watching
    monkeypatch.setattr(status, "_fade_line", lambda *_a, **_k: SimpleNamespace(p_value=p_value, slope=slope))
    monkeypatch.setattr(status, "power_limits", lambda *_: [("bond", 50.0)])
    monkeypatch.setattr(status, "crossing", lambda *_a, **_k: reached or Crossing(0.0, math.inf, -math.inf, math.inf, 0.95))
    found = look()
    power = SimpleNamespace(watch=SimpleNamespace(**watched), readings=None)
    return (*found._power(power, SimpleNamespace(kept=True, kinds=()), False), [i.text for i in found.items])


def test_a_fade_counts_where_it_is_clear_and_a_limit_where_it_is_near(monkeypatch):
    # a thirtieth of ln 0.98 a day are 2 % in 30 days
    assert power_said(monkeypatch, p_value=0.05, slope=math.log(0.98) / 30.0)[:2] == ("in control", pytest.approx(-0.02))
    assert power_said(monkeypatch, p_value=0.051)[1] is None
    at = lambda low: Crossing(50.0, TODAY + 70.0, TODAY + low, TODAY + 90.0, 0.95)  # noqa: E731
    for low, said in ((0.0, False), (0.1, True), (59.9, True), (60.0, False)):
        assert bool(power_said(monkeypatch, reached=at(low))[2]) is said
    assert power_said(monkeypatch, reached=at(1.0), slope=0.001)[2] == []  # rising
    assert power_said(monkeypatch, reached=at(1.0))[2] == [f"power reaches 50 mW about {when(TODAY + 70.0)} (bond): plan for it."]
    said = "power is below its limits (-5.0 % of its baseline): retune, and look at the laser."
    assert power_said(monkeypatch, side="below")[2] == [said]
    assert "stands alone below its limits (-10.0 % of its baseline): read again" in power_said(monkeypatch, side="below", lone=True)[2][0]


def test_a_trend_needs_eight_readings(monkeypatch):
    steady = [1.0, 1.01, 1.0, 0.99, 1.0, 1.01, 1.0, 0.99]
    assert status._fade_line(readings(steady[:7]), bent=False) is None
    assert status._fade_line(readings(steady), bent=False).points == 8
    assert status._fade_line(readings(steady, times=[3.0] * 8), bent=False) is None
    assert status._fade_line(readings(steady, times=np.arange(8) / 10.0), bent=False).points == 8  # all of one day
    fading = steady + [math.exp(-0.02 * k) for k in range(1, 10)]
    # from where they bent off their level, where eight are left
    for begun, points in ((8.0, 9), (9.0, 8), (10.0, 17)):
        monkeypatch.setattr(status, "bend", lambda *_, begun=begun: begun)
        assert status._fade_line(readings(fading), bent=True).points == points
    monkeypatch.setattr(status, "bend", lambda *_: 0.0)
    assert status._fade_line(readings(steady), bent=True).points == 8
    assert status._fade_line(readings(fading), bent=False).points == 17


def machine(**values):
    blank = dict.fromkeys(MachineState.__dataclass_fields__)
    return MachineState(**(blank | {"machine": "A", "chart": "in control", "kinds": (), "items": ()} | values))


def test_the_worst_item_is_the_state_and_the_exit_status():
    for level, grave, due, known, well, code in (
        ("stop", True, True, True, False, 1),
        ("due", False, True, True, False, 1),
        ("unknown", False, False, False, False, 3),
        ("near", False, False, True, False, 0),
    ):
        one = Item(level, "said")
        assert one.to_dict()["grave"] is grave
        shop = ShopState((machine(), machine(items=(Item("near", ""), one))), 1, "")
        assert (shop.machines[1].state, shop.due, shop.known, shop.well, shop.exit_status) == (level, due, known, well, code)
    assert ShopState((machine(),), 0, "").well
    assert not ShopState((), 0, "").well
    assert ShopState((machine(),), 0, "", (Item("due", ""),)).exit_status == 1
    record = machine(power=2.0, power_uncertainty=0.1, spot=0.1, items=(Item("near", ""), Item("due", "x"))).to_dict()
    assert record["power"] == {"value": 2.0, "unit": "mW", "standard_uncertainty": 0.1}
    assert record["beam_radius"] == {"value": 0.1, "unit": "mm"}
    assert [item["text"] for item in record["due"]] == ["x"]


# ---------------------------------------------------------------- settings in force, in closed form

DP, EC, DEPTH, P, W = 0.15, 0.08, 0.13, 30.0, 0.1
LINE = Curve(DP, math.log(EC), math.log(EC), 0.0, 0.0, 0.0, INFINITE)
OPEN = (0.0, INFINITE) * 3


def judged(
    share, level=None, *, sd=0.01, level_sd=None, errors=None, bounds=None, aim=DEPTH, assured=True, settings=None, radius=1.0, **fresh
):
    """A line that cures DEPTH just so at full power, judged at a share of it: E0 = sqrt(2/pi) P/(W v) = Ec exp(DEPTH/Dp)."""
    errors = errors or Errors()
    speed = math.sqrt(2.0 / math.pi) * P / (W * EC * math.exp(aim / DP))
    own = SettingsInForce(speed, layer_thickness=0.1, overcure=0.03) if settings is None else settings
    task = judge.hand_task(
        settings=own, curve=LINE, errors=errors, assurance=0.975 if assured else 0.5, bounds=bounds or Bounds(*OPEN), kind="hatch"
    )
    chosen = {"power": P, "beam_radius": W, "hatch_spacing": None, "scan_speed": speed}
    power = judge.Power(share, share if level is None else level, sd, sd if level_sd is None else level_sd)
    options = {"fresh_lot": False, "fresh_spot": False} | fresh
    return judge.judge(task, chosen, curve=LINE, power=power, radius=radius, **options)


def standing(found, name):
    return next(p.standing for p in found.promises if p.name == name)


def test_a_bond_is_lost_beyond_3_7_standard_deviations_of_the_readings():
    # its margin falls by Dp a unit of ln power, and the power scatters by 1 %
    assert standing(judged(1.0), "bond") == "kept"
    loose = {"errors": Errors(power=0.02), "assured": False}  # so that three standard uncertainties are more
    for fall, said in ((0.0369, "near"), (0.0371, "lost")):
        assert standing(judged(math.exp(-fall), 1.0, **loose), "bond") == said
        assert standing(judged(1.0, math.exp(-fall), **loose), "bond") == ("lost" if said == "lost" else "kept")
        assert standing(judged(math.exp(-fall), 1.0, sd=0.02, **loose), "bond") == "near"
        assert standing(judged(1.0, math.exp(-fall), level_sd=0.02, **loose), "bond") == "kept"
    found = judged(0.5)
    assert found.depth == pytest.approx(DEPTH - DP * math.log(2.0))
    assert found.speed == pytest.approx(0.5 * math.sqrt(2.0 / math.pi) * P / (W * EC * math.exp(DEPTH / DP)))
    assert found.standing == "lost"
    assert judged(0.01).depth == 0.0


def test_without_scatter_known_a_bond_is_lost_beyond_three_of_all_that_is_uncertain():
    # 2 % of power: u = 0.02 Dp; and a search ends within 0.2 % of a limit: 3 x 0.02 + 0.002 x DEPTH/Dp = 0.061733
    for fall, said in ((0.0616, "near"), (0.0619, "lost")):
        assert standing(judged(math.exp(-fall), sd=INFINITE, errors=Errors(power=0.02)), "bond") == said
    # a depth assured at 97.5 % stands 1.95996 u deeper than one held on the average (normal table)
    for deeper, said in ((1.9601, "kept"), (1.9599, "near")):
        assert standing(judged(1.0, sd=INFINITE, errors=Errors(power=0.02), aim=DEPTH + deeper * 0.02 * DP), "bond") == said


def test_settings_may_cure_deeper_by_half_the_bond_or_a_quarter_layer():
    # layer 0.1 and bond 0.03: the quarter layer is more, 0.025; with a bond of 0.08 its half is, 0.04
    speed = math.sqrt(2.0 / math.pi) * P / (W * EC * math.exp(DEPTH / DP))
    for bond, room in ((0.03, 0.025), (0.08, 0.04)):
        aim = 0.1 + bond
        task = judge.hand_task(
            settings=SettingsInForce(speed, layer_thickness=0.1, overcure=bond),
            curve=LINE,
            errors=Errors(),
            assurance=0.9,
            bounds=Bounds(*OPEN),
            kind="x",
        )
        found = {
            "depth": 0.2,
            "depth_max": 0.21,
            "beam_radius": W,
            "hatch_spacing": None,
            "line_width_max": 0.2,
            "line_width": 0.1,
            "line_width_expanded": 0.01,
            "scan_speed": speed,
            "print_through": 0.05,
        }
        promised = judge._promises(task, found, aim)
        assert {n: float(m.limit) for n, m in promised.items()} == {"bond": pytest.approx(aim), "depth": pytest.approx(aim + room)}
        assert float(promised["bond"].room) == pytest.approx(0.2 - aim)
    stated = Bounds(*OPEN, overcure=0.05, print_through=0.06, line_width_high=0.25, line_width_low=0.08, width_accuracy=0.02)
    clear = {"overcure_beyond": 0.01, "print_through_beyond": 0.02, "width_beyond": 0.03, "width_short": 0.04}
    promised = judge._promises(judge.replace(task, bounds=stated), found | clear, aim)
    assert {n: one.clear for n, one in promised.items()} == {
        "bond": 0.0,
        "depth": 0.01,
        "print-through": 0.02,
        "largest line width": 0.03,
        "width accuracy": 0.0,
        "smallest line width": 0.04,
    }
    assert {n: (round(float(m.limit), 9), round(float(m.room), 9)) for n, m in promised.items()} == {
        "bond": (0.18, 0.02),
        "depth": (0.15, -0.06),
        "print-through": (0.06, 0.01),
        "largest line width": (0.25, 0.05),
        "width accuracy": (0.02, 0.01),
        "smallest line width": (0.08, 0.02),
    }


def test_a_moved_curve_is_higher_at_its_centre_and_steeper():
    curve = Curve(DP, math.log(EC), 1.0, 0.0, 0.0, 0.0, INFINITE, law=laws.Plain(DP, EC))
    moved = judge._moved(curve, 0.01, 0.03)
    at = DP * (1.0 - math.log(EC)) + 0.01
    assert moved.cure.height(math.exp(1.0)) == pytest.approx(at)
    assert moved.cure.height(math.exp(2.0)) == pytest.approx(at + 0.18)
    assert judge._moved(judge.replace(curve, law=None), 0.01, 0.03).cure.height(math.exp(2.0)) == pytest.approx(at + 0.18)


def test_level_of_the_newest_five_and_its_scatter():
    found = today.PowerState(readings([1, 9, 2, 3, 7, 5, 4]), None, 0.01, None)
    assert found.level(None) == (4.0, 5)  # of 2 3 7 5 4
    assert found.level(5.0) == (4.5, 2)
    assert found.level(99.0) == (4.0, 1)
    # readings that resemble their neighbours by 0.3: (1 + r)/2 of two; a median has pi/2 times the variance of a mean
    r = today.CORRELATION
    assert today._level_variance(2) == pytest.approx((1.0 + r) / 2.0)
    assert today._level_variance(3) == pytest.approx(math.pi / 2.0 * (3.0 + 4.0 * r + 2.0 * r * r) / 9.0)


def test_a_spot_measured_later_is_the_one_of_the_settings_within_a_quarter():
    entry = SimpleNamespace(quantity=lambda _: Measured(Q(0.1, "mm"), Q(0.0, "mm")), payload={}, time=stored(1.0))
    for radius, share, fresh in ((0.1249, 1.249, True), (0.0751, 0.751, True), (0.1251, 1.0, False), (0.0749, 1.0, False)):
        unknown = []
        assert today._spot_share(entry, beam(2.0), radius, unknown) == (pytest.approx(share), fresh)
        assert bool(unknown) is not fresh
    assert unknown[0].startswith("the beam of 75 um was measured after the settings were chosen for 100 um")
    entry.payload["beam_share"] = 2.0
    assert today._spot_share(entry, beam(2.0), 0.1, []) == (2.0, True)
    assert today._spot_share(entry, beam(1.0), 0.1, []) == (2.0, False)


def test_settings_by_hand_state_their_range_and_their_inputs():
    for wrong in ({"scan_speed": 0.0}, {"scan_speed": math.inf}, {"scan_speed": 1.0, "hatch_spacing": 0.0}):
        with pytest.raises(QuantityError):
            SettingsInForce(**wrong)
    given = SettingsInForce(1000.0, 0.05, passes=3, power_share=0.5, beam_share=2.0).inputs(30.0, 0.1, {"penetration_depth": 0.15})
    assert given == {
        "power": 15.0,
        "beam_radius": 0.2,
        "scan_speed": 1000.0,
        "hatch_spacing": 0.05,
        "passes": 3.0,
        "penetration_depth": 0.15,
    }
    # the line of `judged`, forwards and back
    settings = SettingsInForce(math.sqrt(2.0 / math.pi) * P / (W * EC * math.exp(DEPTH / DP)))
    depth, u = depth_over_time(
        settings=settings, power=P, beam_radius=W, penetration_depth=DP, critical_exposure=EC, beam_radius_uncertainty=0.02 * W
    )
    assert (float(depth), float(u)) == (pytest.approx(DEPTH), pytest.approx(0.02 * DP))
    assert power_for_depth(settings=settings, depth=DEPTH, beam_radius=W, penetration_depth=DP, critical_exposure=EC) == pytest.approx(P)
    # Dp and Ec go their own ways unless it is said how they go together
    known = {"penetration_depth_uncertainty": 0.003, "critical_exposure_uncertainty": 0.02 * EC}
    _, u = depth_over_time(settings=settings, power=P, beam_radius=W, penetration_depth=DP, critical_exposure=EC, **known)
    assert float(u) == pytest.approx(math.hypot(0.003 * DEPTH / DP, 0.02 * DP))
    for row in (0.0, math.nan):
        with pytest.raises(QuantityError, match="beam_radius must be finite and above zero in every row"):
            depth_over_time(settings=settings, power=P, beam_radius=[W, row], penetration_depth=DP, critical_exposure=EC)


# ---------------------------------------------------------------- charts


def test_what_a_chart_needs_and_takes_as_its_baseline():
    def base(n, points=None, title="power", **more):
        found = series.replace(readings(np.arange(1.0, n + 1.0)), title=title)
        return drifting._baseline(None, found, None, points, more.get("centre"), more.get("sd"))

    with pytest.raises(QuantityError, match="a chart needs at least 8 readings, and the logbook holds 7 of power for A"):
        base(7)
    with pytest.raises(QuantityError, match="a chart needs at least 5 readings, and the logbook holds 4"):
        base(4, title="Ec, mean of each lot")
    with pytest.raises(QuantityError, match="the baseline needs at least 2 readings, got 1"):
        base(8, points=1)
    with pytest.raises(QuantityError, match="centre and sd belong together"):
        base(8, centre=1.0)
    for n, title, count in ((8, "", 8), (21, "", 20), (5, "Ec, mean of each lot", 5), (9, "Ec, mean of each lot", 8)):
        found, text = base(n, title=title)
        assert text.startswith(f"the first {count} readings, {when(0.0)} to {when(count - 1.0)}")
        assert found.centre == pytest.approx((count + 1) / 2.0)
    assert base(8, points=2)[0].centre == 1.5
    assert base(1, centre=5.0, sd=0.5) == (Baseline(5.0, 0.5), "stated: 5 and standard deviation 0.5 mW")


def report(values, **more):
    found = readings(values)
    base = Baseline(0.0, 1.0)
    empty = dict.fromkeys(("trend", "per_month", "per_month_uncertainty", "components", "covariates"))
    return DriftReport(
        series=found,
        individuals=individuals_chart(found.values, baseline=base),
        ewma=ewma_chart(found.values, baseline=base),
        baseline_text="",
        relative=more.pop("relative", False),
        forecasts=(),
        notes=(),
        **empty,
    )


def test_a_chart_is_out_where_one_of_the_three_newest_signals():
    for after, state in ((2, "out"), (3, "signalled")):
        found = report([0.0] * 5 + [3.5] + [-0.4] * after)
        assert (found.state, found.signalling) == (state, True)
    assert report([0.0] * 9).state == "in control"
    # the sum up grows by 2 - 1/2 a reading: 6 after four readings is its first beyond 5
    assert report([2.0] * 5).passed == {"above": 3.0}
    assert report([-2.0] * 5).passed == {"below": 3.0}
    assert report([2.0] * 3).passed == {}
    assert report([3.0] * 3).passed == {"above": 2.0}  # 5 after two readings is not beyond it
    assert drifting.SUM_LIMIT == 5.0


def test_a_fade_that_would_be_found():
    found = report([10.0, 10.0, 10.0], relative=True)
    object.__setattr__(found, "individuals", individuals_chart(np.full(3, 10.0), baseline=Baseline(10.0, 0.2)))
    # readings a day apart, scatter 2 %: so many days until 1 % and 5 % in 30 days
    assert found.found_after == {rate: drifting.delay(rate / 30.0, sd=0.02) for rate in (0.01, 0.05)}
    assert report([1.0, 1.0], relative=True).found_after == {}
    assert report([1.0] * 5).found_after == {}


def test_depths_that_share_calibrations_and_lots():
    assert drifting._shared(readings([1.0] * 4, parts=((0, 0), (0, 0), (1, 0), (1, 0)))) == 0.5  # two rows a beam
    assert drifting._shared(readings([1.0] * 4, parts=((0, 0), (1, 0), (1, 1), (2, 1)))) == 0.0
    assert drifting._shared(readings([1.0], parts=((0, 0),))) == 0.0
    assert drifting._shared(readings([1.0] * 2, parts=((0, 0), (0, 0)))) == 0.5
    assert drifting._shared(readings([1.0] * 4)) == 0.0
    assert drifting._lot_in_vat(readings([])) == 0
    for lots, place in ((["a", "a", "b", "b"], 2), (["b", "b"], 0), (["a", "b"], 1)):
        assert drifting._lot_in_vat(readings([1.0] * len(lots), lots=lots)) == place
    means = drifting._lot_means(readings([1.0, 3.0, 5.0], lots=["a", "a", "b"], u=0.2))
    assert means.values.tolist() == [2.0, 5.0]
    assert means.uncertainties.tolist() == pytest.approx([0.2 / math.sqrt(2.0), 0.2])
    assert drifting._line(readings([1.0, 2.0]), False, 0) is None
    assert drifting._line(readings([1.0, 2.0, 4.0], times=[5.0] * 3), False, 0) is None
    assert drifting._line(readings([1.0, 2.0, 4.0]), True, 0).slope == pytest.approx(math.log(2.0))
    assert drifting._between(readings([1.0, 2.0], lots=["a", "b"])) is None
    assert drifting._between(readings([1.0, 2.0, 3.0], lots=["a", "a", "a"])) is None
    assert drifting._between(readings([1.0, 2.0, 3.0], lots=["a", "a", "b"])).groups == 2


@pytest.mark.parametrize(
    ("reached", "text"),
    [
        ((30.0, 10.0, 60.0), "about {30} (95 %: {10} to {60})."),
        ((30.0, 10.0, 3651.0), "about {30} (95 %: {10} to 10 years or more)."),
        ((3660.0, 3649.0, 3700.0), "about 10 years or more (95 %: {3649} to 10 years or more)."),
        ((3700.0, 3651.0, 3800.0), "not within 10 years (95 %)."),
        ((30.0, 10.0, math.inf), "not before {10} (95 %); the trend is not yet clear enough to say when."),
        ((30.0, -10.0, math.inf), "the readings show no trend clear enough to say when."),
        ((30.0, 3651.0, math.inf), "not within 10 years (95 %)."),
        ((-30.0, -60.0, -1.0), "the trend does not run towards it."),
    ],
)
def test_a_forecast_in_words(monkeypatch, reached, text):
    line = trend(np.arange(5.0) + TODAY, np.array([5.0, 4.9, 4.8, 4.7, 4.6]))
    at, low, high = (TODAY + day for day in reached)
    monkeypatch.setattr(drifting, "crossing", lambda *_a, **_k: Crossing(1.0, at, low, high, 0.95))
    for day in (10, 30, 60, 3649):
        text = text.replace(f"{{{day}}}", when(TODAY + day))
    said = drifting._forecast("bond", 1.0, readings([5.0]), line, False, 0.95, TODAY)
    assert said.text == f"1 mW (bond): {text}"
    passed = drifting._forecast("bond", 5.1, readings([5.0]), line, False, 0.95, TODAY)
    assert passed.text == "5.1 mW (bond): already passed."


def test_days_that_are_dates():
    for day, is_date in ((0.0, False), (1e-6, True), (79_999.0, True), (80_000.0, False), (math.inf, False), (math.nan, False)):
        assert drifting._is_date(day) is is_date
    assert when(79_999.0).startswith("2189")
    assert series._all_days(["1970-01-02T12:00:00.000000Z"]).tolist() == [1.5]


# ---------------------------------------------------------------- doubts, words, checks


@pytest.mark.parametrize(
    ("name", "unit", "low", "high"),
    [
        ("beam_radius", "um", 5.0, 2000.0),
        ("beam_radius_x", "um", 5.0, 2000.0),
        ("beam_radius_y", "um", 5.0, 2000.0),
        ("penetration_depth", "um", 10.0, 2000.0),
        ("critical_exposure", "mJ/cm^2", 0.1, 500.0),
        ("power", "mW", 0.01, 20_000.0),
        ("rated_power", "mW", 0.1, 50_000.0),
        ("layer_thickness", "um", 5.0, 1000.0),
        ("overcure", "um", 0.0, 1000.0),
        ("scan_speed", "mm/s", 0.1, 100_000.0),
        ("hatch_spacing", "um", 2.0, 5000.0),
        ("temperature", "degC", 5.0, 60.0),
    ],
)
def test_what_is_usual(name, unit, low, high):
    for value, usual in ((low, True), (low * 0.999, low == 0.0), (0.1 * high, True), (high, True), (high * 1.001, False)):
        said = doubts.implausible({name: Measured(Q(value, unit), Q(0.0, "delta_degC" if unit == "degC" else unit))})
        assert bool(said) is not usual
    assert doubts.implausible({name: Q(0.0, unit)}) == ""  # what must be above zero is refused, not doubted
    said = doubts.implausible({name: Q(high * 2.0, unit)})
    assert said.startswith(f"{name} of ")
    assert "unusual (usual: " in said


def test_a_power_far_from_the_last_or_above_the_rating():
    def said(now, last=None, rated=None):
        held = {
            "machine": SimpleNamespace(payload={"rated_power": rated and {"value": rated, "unit": "mW"}}),
            "power": last and SimpleNamespace(payload={"power": {"value": last, "unit": "mW"}}),
        }
        return doubts.power_doubts(SimpleNamespace(latest=lambda kind, **_: held[kind]), "A", Measured(Q(now, "mW"), Q(0.0, "mW")))

    assert said(200.0, last=100.0) == said(50.0, last=100.0) == said(120.0, rated=100.0) == said(10.0, rated=100.0) == []
    assert "2.01 times the last reading of 100" in said(201.0, last=100.0)[0]
    assert "0.49 times the last reading" in said(49.0, last=100.0)[0]
    assert "1.21 times the machine's rated power" in said(121.0, rated=100.0)[0]


def test_clocks_may_differ_by_ten_minutes():
    now = datetime.now(UTC)
    book = []  # no entry yet
    for minutes, doubted in ((9.9, False), (10.1, True)):
        assert bool(doubts.clock_doubts(book, (now + timedelta(minutes=minutes)).isoformat())) is doubted

    class Book(list):
        def entry(self, number):
            return self[number - 1]

    (said,) = doubts.clock_doubts(Book([SimpleNamespace(recorded="2999-01-02T03:04:05.000000Z")]), None)
    assert said == "this computer's clock stands before the newest entry (2999-01-02T03:04): one of the clocks is wrong."
    start = datetime(2026, 1, 1, tzinfo=UTC)
    for seconds, later in ((600.0, False), (600.1, True)):
        assert verifying._later(entries.moment(start + timedelta(seconds=seconds)), entries.moment(start)) is later
    assert not verifying._later("no time", entries.moment(start))
    assert entries.check_time(start + timedelta(days=1), now=start) == "2026-01-02T00:00:00.000000Z"
    with pytest.raises(QuantityError, match="is in the future"):
        entries.check_time(start + timedelta(days=1, seconds=1), now=start)
    assert entries.check_time("1970-01-02", now=start).startswith("1970")
    with pytest.raises(QuantityError, match="before 1970"):
        entries.check_time("1969-12-30", now=start)


def test_names_and_values_of_entries_have_their_range():
    assert entries.name_text("lot", "x" * 200) == "x" * 200
    for name in ("x" * 201, "a\x1f", "a\x7f", "a\x9f", "a\ud800", "a\udfff", " a", "a ", " "):
        with pytest.raises(QuantityError):
            entries.name_text("lot", name)
    assert entries.name_text("lot", "a\xa0b c") == "a\xa0b c"

    def accepted(kind, **payload):
        try:
            entries.check_payload(kind, payload)
        except QuantityError:
            return False
        return True

    curve = {"penetration_depth": {"value": 0.1, "unit": "mm"}, "critical_exposure": {"value": 0.1, "unit": "mJ/mm^2"}}
    warm = {"temperature": {"value": 20.0, "unit": "degC"}}
    for kind, base, name, good, bad in (
        ("calibration", curve, "correlation", (-1.0, 0.0, 1.0), (-1.001, 1.001, math.nan, True)),
        ("room", warm, "humidity", (0.0, 1.0), (-0.001, 1.001, "wet")),
        ("recipe", {}, "assurance", (0.5, 0.9999), (0.499, 0.99991)),
        ("recipe", {}, "power_share", (0.001, 1.0), (0.0, 1.001)),
        ("recipe", {}, "beam_share", (0.001, 7.0), (0.0, -1.0)),
        ("recipe", {}, "passes", (1, 2), (0, 1.0, True)),
        ("recipe", {}, "cross_hatch", (True, False), (1, "yes")),
        ("lot", {}, "expiry", ("2026-02-28",), ("2026-02-29", 7)),
        ("note", {}, "text", ("a",), (" ", 7)),
        ("comparison", {"verdict": "accept"}, "speed_change", (-3.0, 0.0), (math.inf, "x")),
        ("beam", {}, "beam_radius", ({"value": 0.1, "unit": "mm"},), ({"value": 0.0, "unit": "mm"}, {"value": 1.0, "unit": "mW"}, 0.1)),
        ("room", {}, "temperature", ({"value": -5.0, "unit": "degC"},), ({"value": 1.0, "unit": "mm"},)),
    ):
        assert [accepted(kind, **base, **{name: value}) for value in good] == [True] * len(good), name
        assert [accepted(kind, **base, **{name: value}) for value in bad] == [False] * len(bad), name


def test_texts_of_entries_are_cut_and_cleaned():
    assert words.clean("x" * 60) == "x" * 60
    assert words.clean("x" * 61) == "x" * 57 + "..."
    assert words.clean("a\n\x1b[31mb\u202e") == "a??[31mb?"
    assert words.value_text([1, 2, 3]) == "(3 values)"
    assert words.value_text({"value": 1.5, "unit": "mm"}) == "1.5 mm"
    entry = SimpleNamespace(
        payload={"note": "n", "scan_speed": {"value": 5.0, "unit": "mm/s"}, "power": 2.5, "verdict": "accept"},
        corrects=None,
        corrected_by=None,
    )
    assert words.summary(entry) == "2.5, accept, at 5 mm/s"  # the first three by which one knows an entry
    entry.corrects, entry.corrected_by = 3, 9
    assert words.summary(entry).startswith("(corrected by 9) (corrects 3) 2.5")
    lost = salvage.Salvaged("a", 7, (3,), (8, 9), 2)
    assert lost.text() == "7 entries of 10 could be read as they were written; lost: 3; not as written: 8 to 9; source data lost: 2"
    assert [salvage.Salvaged("a", 7, *rest).whole for rest in (((), (), 0), ((1,), (), 0), ((), (1,), 0), ((), (), 1))] == [
        True,
        False,
        False,
        False,
    ]
    with pytest.raises(FileError, match="a server keeps its own copies"):
        salvage.salvage("service=shop", "new.db")


def test_what_was_known_together_on_each_day():
    curves = series._Curves.__new__(series._Curves)
    curves.days, curves._of_lot = np.array([2.0, 6.0]), {"a": [0, 1]}
    rows = series._known_together(np.array([1.0, 5.0]), np.array([1.0]), [(0.0, "a"), (7.0, "b")], curves)
    # a curve holds from before its first day; a lot without one is left out
    assert rows.day.tolist() == [1.0, 5.0, 6.0]
    assert (rows.power.tolist(), rows.curve.tolist()) == ([0, 1, 1], [0, 0, 1])
    assert series._kernel((80.0, "um", 4.0), "length") == (pytest.approx(0.08), pytest.approx(0.004))
    assert series._kernel((10.0, "mJ/cm^2", 1.0), "exposure") == (pytest.approx(0.1), pytest.approx(0.01))
    # the same curve, spot, lot and reading as before make no row of their own; each of them anew does
    curves.days, curves._of_lot = np.array([2.0, 3.0, 4.0]), {"a": [0, 2], "b": [1]}
    for power, spot, days_of in (([1.0], [1.0], [1.0, 4.0]), ([1.0], [1.0, 3.0], [1.0, 3.0, 4.0]), ([1.0, 3.0], [1.0], [1.0, 3.0, 4.0])):
        assert series._known_together(np.array(power), np.array(spot), [(0.0, "a")], curves).day.tolist() == days_of


def test_curves_of_a_logbook_are_read_with_their_correlation():
    row = (1, "1970-01-03T00:00:00.000000Z", "A", "lot", None, 150.0, "um", 3.0, 8.0, "mJ/cm^2", 0.4, 0.5)
    curves = series._Curves(SimpleNamespace(values=lambda kind, fields: [row, (*row[:1], row[1].replace("03", "05"), *row[2:11], None)]))
    assert curves.values.tolist() == [pytest.approx([0.15, 0.003, 0.08, 0.004, 0.5]), pytest.approx([0.15, 0.003, 0.08, 0.004, 0.0])]
    assert curves.days.tolist() == [2.0, 4.0]
    # before its first calibration the first one holds
    assert curves.at("lot", np.array([0.0, 2.0, 3.9, 4.0, 9.0])).tolist() == [0, 0, 0, 1, 1]
    assert curves.at("other", np.array([0.0, 9.0])).tolist() == [-1, -1]


def test_what_is_uncertain_about_a_promise_by_hand():
    # depth of a line moves by Dp a unit of ln power, speed and radius: 1, 2, 3, 4 and 5 % in squares are 7.4162 %
    parts = Errors(power=0.01, exposure_scale=0.02, beam_radius=0.03, beam_radius_scale=0.04, scan_speed=0.05)
    deepest = Bounds(*OPEN, overcure=0.05)
    found = next(p for p in judged(1.0, errors=parts, bounds=deepest, assured=False).promises if p.name == "depth")
    assert found.standard_uncertainty == pytest.approx(0.074162 * DP, rel=1e-4)
    assert (found.value, found.limit) == (pytest.approx(DEPTH), pytest.approx(0.15))
    # a curve whose height at ln Ec is known to 1 um and whose Dp to 2 um: 1 and 2 x 0.13/0.15 um at that depth
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(globals(), "LINE", judge.replace(LINE, centre_variance=1e-6, slope_variance=4e-6))
        found = next(p for p in judged(1.0, bounds=deepest, assured=False).promises if p.name == "depth")
    assert found.standard_uncertainty == pytest.approx(math.hypot(0.001, 0.002 * DEPTH / DP), rel=1e-4)


def test_settings_written_by_hand_become_a_task():
    settings = SettingsInForce(900.0, 0.05, 3, 0.1, 0.03, cross_hatch=True)
    bent = judge.replace(LINE, law=laws.Threshold(DP, EC, 0.7, 50.0))
    task = judge.hand_task(settings=settings, curve=bent, errors=Errors(), assurance=0.9, bounds=Bounds(*OPEN), kind="x")
    pattern = task.pattern
    assert (pattern.raster, pattern.passes, pattern.crossed, pattern.pulse_rate) == (True, 3, True, None)
    assert (pattern.exponent, pattern.reference) == (0.7, 50.0)
    assert (task.depth, task.layer_thickness, task.assurance, task.kind, task.single) == (pytest.approx(0.13), 0.1, 0.9, "x", False)
    plain = judge.hand_task(
        settings=SettingsInForce(900.0, layer_thickness=0.1), curve=LINE, errors=Errors(), assurance=0.9, bounds=Bounds(*OPEN), kind="x"
    )
    assert (plain.pattern.raster, plain.depth) == (False, 0.1)
    assert [float(v) for v in plain.pattern.spot.matrix()] == [1.0, 0.0, 1.0]


def test_powers_below_which_settings_fail(monkeypatch):
    speed = math.sqrt(2.0 / math.pi) * P / (W * EC * math.exp(DEPTH / DP))
    measured = {"beam_radius": Q(W, "mm"), "penetration_depth": Q(DP, "mm"), "critical_exposure": Q(EC, "mJ/mm^2")}
    measured |= {"slowest_scan_speed": Q(0.4 * speed, "mm/s"), "power": Q(20.0, "mW")}

    def quantity(name):
        return Measured(measured[name], 0.0 * measured[name]) if name in measured else None

    entry = SimpleNamespace(quantity=quantity, lot="L", time=stored(1.0))
    book = SimpleNamespace(latest=lambda *_, **__: entry, entries=lambda **_: [entry])

    def limits(**settings):
        monkeypatch.setattr(drifting, "settings_in_force", lambda *_, **__: (SettingsInForce(speed, **settings), entry))
        return [power for _, power in drifting.power_limits(book, "A")]

    layer = P * math.exp((0.1 - DEPTH) / DP)
    assert limits(layer_thickness=0.1, overcure=0.03) == pytest.approx([layer, 0.4 * P])
    assert limits(layer_thickness=0.1) == pytest.approx([layer, 0.4 * 20.0])  # no depth stated: the recipe's power
    assert limits() == pytest.approx([0.4 * 20.0])
    del measured["power"]
    assert limits() == []
    del measured["slowest_scan_speed"]
    assert limits(layer_thickness=0.1, overcure=0.03) == pytest.approx([layer])


def test_values_of_a_logbook_in_the_units_they_are_charted_in():
    day = "1970-01-02T12:00:00.000000Z"

    def charted(name, *cells):
        rows = [(k, day, "A", "L", "B", *cell) for k, cell in enumerate(cells, 1)]
        return series.series(SimpleNamespace(columns=lambda *_, **__: [list(column) for column in zip(*rows)]), name)

    power = charted("power", (0.24, "W", 0.001), (None, None, None), (230.0, "mW", None))
    assert (power.unit, power.numbers, power.times.tolist()) == ("mW", (1, 3), [1.5, 1.5])
    assert (power.values.tolist(), power.uncertainties.tolist()) == (pytest.approx([240.0, 230.0]), pytest.approx([1.0, 0.0]))
    assert (power.machines, power.lots) == (("A", "A"), ("L", "L"))
    warm = charted("temperature", (296.15, "K", 0.5))
    assert (warm.unit, warm.values.tolist(), warm.uncertainties.tolist()) == ("degC", pytest.approx([23.0]), [0.5])
    damp = charted("humidity", (None, None, None, 0.4), (45.0, "%", None, None))
    assert (damp.unit, damp.values.tolist()) == ("", pytest.approx([0.4, 0.45]))
    with pytest.raises(QuantityError, match="nothing called 'dose' can be charted"):
        charted("dose")


def test_what_an_entry_by_hand_states_becomes_limits_and_a_curve():
    lengths = {"ripple_max": 10.0, "print_through_max": 250.0, "overcure_max": 90.0, "line_width_max": 200.0, "line_width_min": 80.0}
    curve = {
        "penetration_depth": Measured(Q(150.0, "um"), Q(3.0, "um")),
        "critical_exposure": Measured(Q(8.0, "mJ/cm^2"), Q(0.4, "mJ/cm^2")),
    }

    def entry(**held):
        return SimpleNamespace(quantity=held.get, payload={"correlation": 0.5})

    assert today._hand_bounds(entry()) == Bounds(*OPEN)
    found = today._hand_bounds(entry(**{name: Measured(Q(v, "um"), Q(0.0, "um")) for name, v in lengths.items()}))
    limits = (found.ripple, found.print_through, found.overcure, found.line_width_high, found.line_width_low)
    assert limits == pytest.approx((0.01, 0.25, 0.09, 0.2, 0.08))
    got = today._lot_curve(entry(**curve), None)
    assert (got.penetration_depth, got.log_threshold) == (pytest.approx(0.15), pytest.approx(math.log(0.08)))
    assert got.slope_variance == pytest.approx(0.003**2)
    # at the dose of depth d the variance is that of Dp (x - L) with var Dp, var L = 0.05^2 and their correlation of a half
    x = 1.0 + got.log_threshold
    there = got.centre_variance + got.slope_variance * (x - got.centre) ** 2
    assert there == pytest.approx(0.003**2 + (0.15 * 0.05) ** 2 - 2 * 0.5 * 0.003 * 0.15 * 0.05)
    assert got.layer_variance == 0.0
    alone = entry(**curve)
    alone.payload = {}  # no correlation stated: none
    got = today._lot_curve(alone, None)
    assert got.centre_variance + got.slope_variance * (x - got.centre) ** 2 == pytest.approx(0.003**2 + (0.15 * 0.05) ** 2)


def settings_said(*promises, lone=False, kept=True, layer=0.1):
    found = look()
    kind = judge.Judged("hatch", 0.13, 0.01, layer, 0.95, tuple(judge.Promise(n, v, lim, 0.001, s) for n, v, lim, s in promises), 1234.56)
    lost = found._settings(SimpleNamespace(unknown=(), entry=None, kinds=(kind,), kept=kept), lone)
    return lost, [(item.level, item.text, item.command.partition(" --log")[0]) for item in found.items]


def test_what_the_status_says_of_promises():
    assert settings_said(("bond", 0.14, 0.13, "kept")) == (False, [])
    lost, said = settings_said(("bond", 0.12, 0.13, "near"), ("ripple", 0.011, 0.01, "near"))
    assert not lost
    near = "hatch cures 0.1200 mm where layer and bond ask 0.13 mm at 95 %; hatch has a ripple of 0.0110 mm where 0.01 mm is the most"
    assert said[0][:2] == ("near", f"{near}: not assured, not proven lost.")
    lost, said = settings_said(("smallest line width", 0.07, 0.08, "lost"))
    assert lost
    assert said == [
        (
            "due",
            "hatch has a line width of 0.0700 mm where 0.08 mm is the least: the readings prove it lost: retune.",
            "curecalc retune --machine-name A",
        )
    ]
    for depth, level, word in ((0.101, "due", "the readings prove it lost"), (0.1, "stop", "layers do not bond. Stop and retune")):
        lost, said = settings_said(("bond", depth, 0.13, "lost"))
        assert said[0][0] == level
        assert word in said[0][1]
    assert settings_said(("bond", 0.0, 0.13, "lost"))[1][0][1].startswith("hatch cures nothing where")
    alone = settings_said(("bond", 0.12, 0.13, "lost"), lone=True)[1][0]
    assert "read the power again, the newest reading stands alone" in alone[1]
    assert alone[2] == "curecalc log add power --machine-name A --power ask"
    by_hand = settings_said(("bond", 0.12, 0.13, "lost"), kept=False)[1][0]
    assert by_hand[2] == "curecalc log add retune --machine-name A --scan-speed '1235 mm/s'"  # four digits
