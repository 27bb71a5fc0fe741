"""What is asked of the judge: readings of today against those of the settings, fresh lots and spots, how a baseline begins."""

import math
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.logbook import entries, judge, series, today
from curecalc.logbook.depth import SettingsInForce
from curecalc.logbook.series import Series
from curecalc.physics import laws
from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.bounds import INFINITE, Bounds
from curecalc.units import Measured
from curecalc.units import Quantity as Q

DP, EC, DEPTH, P, W = 0.15, 0.08, 0.13, 30.0, 0.1
OPEN = (0.0, INFINITE) * 3


def stored(day):
    return entries.moment(datetime.fromtimestamp(day * 86400.0, UTC))


def powers(values, days=None, u=0.01):
    n, values = len(values), np.array(values, dtype=float)
    days = np.arange(n) if days is None else days
    return Series("power", "", "mW", tuple(range(n)), np.array(days, dtype=float), values, u * values, ("A",) * n, (None,) * n)


def line(height=0.0, slope=0.0):
    return Curve(DP, math.log(EC), math.log(EC), height**2, slope**2, 0.0, INFINITE, law=laws.Plain(DP, EC))


def bond(newest, level=1.0, *, curve=None, errors=None, sd=1e-9, bounds=None, assurance=0.5, aim=DEPTH, spacing=None, clear=False, **fresh):
    """How a line stands that just cured `aim` at full power: its depth falls by Dp a unit of ln power or ln radius."""
    curve = curve or line()
    dose = math.sqrt(2.0 / math.pi) * P / W if spacing is None else P / spacing
    speed = dose / (EC * math.exp(aim / DP))
    settings = SettingsInForce(speed, spacing, layer_thickness=0.1, overcure=0.03)
    bounds, errors = bounds or Bounds(*OPEN), errors or Errors()
    task = judge.hand_task(settings=settings, curve=curve, errors=errors, assurance=assurance, bounds=bounds, kind="line")
    task = judge.replace(task, assured_limits=clear)
    chosen = {"power": P, "beam_radius": W, "hatch_spacing": spacing, "scan_speed": speed}
    asked = {"fresh_lot": False, "fresh_spot": False} | fresh
    return judge.judge(task, chosen, curve=curve, power=judge.Power(newest, level, sd, sd), **asked)


def test_a_raster_of_narrow_lines_gives_the_mean_dose_and_a_line_what_the_newest_reading_says():
    for spacing in (0.02, None):
        found = bond(0.8, 0.9, spacing=spacing, bounds=Bounds(*OPEN, ripple=0.001))
        assert found.depth == pytest.approx(DEPTH + DP * math.log(0.8))
        (only,) = [one for one in found.promises if one.name == "bond"]
        assert (only.value, only.limit) == (pytest.approx(found.depth), pytest.approx(DEPTH))
        assert [one.value for one in found.promises if one.name == "ripple"] == ([pytest.approx(0.0, abs=1e-9)] if spacing else [])


def test_a_bond_that_was_assured_is_lost_where_it_is_proven_not_to_be():
    # 2 % of power: 97.5 % are assured by 1.95996 u more than is held on the average (normal table), u = 0.02 Dp
    given = {"errors": Errors(power=0.02), "assurance": 0.975, "sd": 0.001}
    for deeper, fall, standing in ((1.9601, 0.0035, "near"), (1.9601, 0.0039, "lost"), (1.9598, 0.0039, "near")):
        found = bond(math.exp(-fall), aim=DEPTH + deeper * 0.02 * DP, **given)
        assert found.promises[0].standing == standing


@pytest.mark.parametrize(
    ("fresh", "height", "slope", "errors", "sd_of_depth"),
    [
        # the powers of both days of coupons, each 2 %
        ({"fresh_lot": True}, 0.0, 0.0, {"power": 0.02}, math.sqrt(2.0) * 0.02 * DP),
        # both curves' height to 1 um
        ({"fresh_lot": True}, 0.001, 0.0, {}, math.sqrt(2.0) * 0.001),
        # both curves' Dp to 2 um, of which a depth d takes d/Dp: s = sqrt(2) 2 um (DEPTH - 3.7 s)/Dp
        ({"fresh_lot": True}, 0.0, 0.002, {}, DEPTH / (DP / (math.sqrt(2.0) * 0.002) + 3.7)),
        ({"fresh_spot": True}, 0.0, 0.0, {"beam_radius": 0.03}, 0.03 * DP),
        ({"fresh_spot": True, "fresh_lot": True}, 0.001, 0.0, {"beam_radius": 0.03}, math.hypot(0.03 * DP, math.sqrt(2.0) * 0.001)),
    ],
)
def test_what_was_measured_anew_must_be_beyond_its_own_scatter_too(fresh, height, slope, errors, sd_of_depth):
    for share, standing in ((0.99, "near"), (1.01, "lost")):
        newest = math.exp(-3.7 * sd_of_depth / DP * share)
        found = bond(newest, curve=line(height, slope), errors=Errors(**errors), **fresh)
        assert found.promises[0].standing == standing
        # what was not measured anew scatters no more than the readings
        assert bond(newest, curve=line(height, slope), errors=Errors(**errors)).promises[0].standing == "lost"


def test_a_depth_beyond_its_most_is_lost_by_the_scatter_of_readings_too():
    # 0.14 mm are the most: 0.13 was kept clear of it; the power that cures 0.14 is held, beyond it by 3.7 x 1 % of Dp is lost
    for over, standing in ((-0.001, "kept"), (0.036, "near"), (0.04, "lost")):
        share = math.exp((0.01 + over * DP) / DP)
        found = bond(share, 1.0, sd=0.01, bounds=Bounds(*OPEN, overcure=0.04))
        deep = next(one for one in found.promises if one.name == "depth")
        assert (deep.standing, deep.limit) == (standing, pytest.approx(0.14))
        assert deep.value == pytest.approx(0.14 + over * DP)
    # where it was beyond the limit when it was chosen, no reading proves anything: three of all that is uncertain must
    for most, standing in ((0.0299, "kept"), (0.0295, "lost")):
        found = bond(1.0, 1.0, sd=0.01, bounds=Bounds(*OPEN, overcure=most))
        assert next(one for one in found.promises if one.name == "depth").standing == standing  # within 0.2 % of the limit it is met


@pytest.mark.parametrize(
    ("room", "deeper", "standing"), [(0.01, 0.0057, "near"), (0.01, 0.0061, "lost"), (0.004, 0.0046, "near"), (0.004, 0.005, "lost")]
)
def test_what_a_recipe_kept_clear_of_a_limit_is_part_of_the_promise(room, deeper, standing):
    # 2 % of power at 95 %: 1.64485 x 0.02 Dp = 4.93 um are kept clear of the most, where there is room; and 0.2 % of it are a search's end
    bounds, errors = Bounds(*OPEN, overcure=DEPTH - 0.1 + room), Errors(power=0.02)
    found = bond(math.exp(deeper / DP), errors=errors, assurance=0.95, sd=0.001, bounds=bounds, clear=True)
    (deep,) = [one for one in found.promises if one.name == "depth"]
    # lost beyond 3.7 x 0.1 % of Dp: from 0.01 - 4.93 um + 0.28 um on, or where less was kept from the limit itself
    assert deep.standing == standing


# ---------------------------------------------------------------- the settings in force


class Book:
    """In place of a logbook: the newest entry of each kind."""

    def __init__(self, **newest):
        self.newest = newest

    def latest(self, kind, **_):
        return self.newest.get(kind)


def entry(day, **more):
    held = {"beam_radius": 0.1, "penetration_depth": DP} | more.pop("lengths", {})
    quantities = {name: Measured(Q(v, "mm"), Q(0.02 * v, "mm")) for name, v in held.items()}
    quantities["critical_exposure"] = Measured(Q(EC, "mJ/mm^2"), Q(0.002, "mJ/mm^2"))
    known = {"number": 1, "time": stored(day), "attached": (), "payload": {}, "lot": "L", "quantity": quantities.get}
    return SimpleNamespace(**(known | more))


@pytest.fixture
def asked(monkeypatch):
    """What the judge is asked, call by call."""
    calls = []
    monkeypatch.setattr(today, "judge", lambda task, chosen, **more: calls.append((task, chosen, more)) or len(calls))
    return calls


def state(values, scatter=0.01):
    return today.PowerState(powers(values), None, scatter, None)


def test_a_kept_recipe_is_judged_by_shares_of_the_power_it_was_made_for(monkeypatch, asked):
    own = line()
    tasks = [(SimpleNamespace(curve=own, kind="hatch"), {"a": 1}), (SimpleNamespace(curve=own, kind="contour"), {"b": 2})]
    monkeypatch.setattr(today, "promises", lambda record: tasks)
    # made for 200 mW, five sixths of a machine of 240 mW, with a beam half of what is measured
    payload = {"promised": {}, "power": {"value": 200.0}, "power_share": 5.0 / 6.0, "beam_share": 0.5}
    recipe = entry(10.0, payload=payload, number=3, lengths={"beam_radius": 0.05}, attached=(SimpleNamespace(role="recipe"),))
    power = state([240.0, 239.0, 230.0, 228.0, 226.0])
    book = Book(recipe=recipe, retune=entry(10.0, number=2))
    found = today.standing(book, "A", power, entry(9.0, lengths={"beam_radius": 0.11}), entry(9.0), "")
    assert (found.entry.number, found.kept, found.unknown, found.kinds) == (3, True, (), (1, 2))
    r = today.CORRELATION
    for (task, chosen), (got, at, more) in zip(tasks, asked):
        assert (got, at, more["curve"], more["fresh_lot"], more["fresh_spot"]) == (task, chosen, own, False, False)
        assert more["radius"] == pytest.approx(0.5 * 0.11 / 0.05)
        light = more["power"]
        # no reading since the settings: the newest alone is the level
        assert (light.newest, light.level) == (pytest.approx(226.0 / 240.0), pytest.approx(226.0 / 240.0))
        assert (light.newest_sd, light.level_sd) == (pytest.approx(0.01 * math.sqrt(2.0)), pytest.approx(0.01 * math.sqrt(2.0)))
    asked.clear()
    found = today.standing(Book(recipe=entry(1.0, payload=payload, number=3)), "A", power, entry(2.0), entry(9.0), "")
    light = asked[0][2]["power"]
    assert (light.level, found.kept) == (pytest.approx(229.0 / 240.0), False)  # the median of four
    # of four neighbours that resemble each other: (4 + 6 r + 4 r^2 + 2 r^3)/16, and a median has pi/2 times the variance of a mean
    variance = math.pi / 2.0 * (4.0 + 6.0 * r + 4.0 * r * r + 2.0 * r**3) / 16.0
    assert light.level_sd == pytest.approx(0.01 * math.sqrt(1.0 + variance))


@pytest.mark.parametrize(("day", "lot", "fresh"), [(9.0, "L", False), (10.0, "L", False), (11.0, "L", True), (9.0, "M", True)])
def test_a_lot_is_fresh_where_it_is_another_or_calibrated_since(monkeypatch, asked, day, lot, fresh):
    own = line(height=1.0)
    monkeypatch.setattr(today, "promises", lambda record: [(SimpleNamespace(curve=own), {})])
    recipe = entry(10.0, payload={"promised": {}, "power": {"value": 200.0}, "power_share": 1.0})
    today.standing(Book(recipe=recipe), "A", state([200.0, 200.0]), entry(10.0), entry(day, lot=lot), "")
    ((_, _, more),) = asked
    assert (more["fresh_lot"], more["fresh_spot"]) == (fresh, True)  # no share of a beam is kept: this one may be it
    assert (more["curve"] is own) is not fresh


def test_a_law_that_is_not_known_here_leaves_its_settings_unjudged():
    curve = {"penetration_depth": 0.15, "log_threshold": 0.0, "centre": 0.0, "centre_variance": 0.0, "slope_variance": 0.0}
    recipe = entry(1.0, payload={"promised": {"kinds": [], "errors": {}, "curve": curve | {"law": "Flatter", "constants": {}}}})
    found = today.standing(Book(recipe=recipe), "A", state([200.0, 200.0]), entry(2.0), entry(3.0), "")
    assert found.unknown == ("the cure law Flatter is not known here: whether layers bond cannot be judged",)
    assert (found.entry, found.kinds) == (recipe, ())


def test_settings_by_hand_are_judged_by_the_depth_they_state(monkeypatch, asked):
    recipe = entry(1.0, payload={"assurance": 0.8, "kind_of_vector": "hatch"})
    settings = SettingsInForce(900.0, 0.05, 1, 0.1, 0.03, power_share=0.5, beam_share=2.0)
    monkeypatch.setattr(today, "settings_in_force", lambda *_, **__: (settings, recipe))
    power = state([240.0, 200.0, 220.0])
    found = today.standing(Book(retune=recipe), "A", power, entry(2.0), entry(3.0), "")
    ((task, chosen, more),) = asked
    assert chosen == {"power": 110.0, "beam_radius": 0.2, "hatch_spacing": 0.05, "scan_speed": 900.0}
    assert (task.assurance, task.kind, task.depth, more["aim"]) == (0.8, "hatch", pytest.approx(0.13), pytest.approx(0.13))
    assert (task.errors.power, task.errors.beam_radius) == (pytest.approx(0.01), pytest.approx(0.02))
    assert more["power"] == judge.Power(1.0, pytest.approx(210.0 / 220.0), INFINITE, INFINITE)
    assert (more["fresh_lot"], more["fresh_spot"], found.kept, found.kinds) == (False, False, False, (1,))
    recipe.payload.clear()
    today.standing(Book(retune=recipe), "A", power, entry(2.0), entry(3.0), "")
    assert (asked[1][0].assurance, asked[1][0].kind) == (0.95, "settings")
    for force in (None, (SettingsInForce(900.0), recipe)):
        monkeypatch.setattr(today, "settings_in_force", lambda *_, force=force, **__: force)
        found = today.standing(Book(retune=recipe), "A", power, entry(2.0), entry(3.0), "")
        assert found.unknown == ("the settings state no scan_speed and layer_thickness: whether layers bond cannot be judged",)
    missing = today.standing(Book(retune=recipe), "A", None, None, entry(3.0), "")
    assert missing.unknown == ("no power reading and no beam in the logbook: whether layers bond cannot be judged",)


# ---------------------------------------------------------------- where a baseline begins


def watched(monkeypatch, read, **newest):
    """The state of readings a day apart, and what the chart was given."""
    given = []
    monkeypatch.setattr(today, "watch", lambda values, **more: given.append((values, more)) or SimpleNamespace(sd=0.5))

    def series(_book, _name, *, machine, since=None, until=None, first=None, last=None):
        found = read
        if since is not None:
            found = found.part(np.flatnonzero(found.times >= found_day(since)))
        if until is not None:
            found = found.part(np.flatnonzero(found.times <= found_day(until)))
        count = len(found)
        return found.part(np.arange(count)[: first or count][-(last or count) :]) if count else found

    monkeypatch.setattr(today, "series", series)
    found = today.power_state(Book(**newest), "A", stored(1e4), newest.pop("start", None))
    return found, given


def found_day(time):
    return datetime.fromisoformat(time).timestamp() / 86400.0


@pytest.mark.parametrize(
    ("count", "charted", "points"),
    [(99, range(99), None), (100, range(100), 20), (110, range(110), 20), (120, range(120), 20), (150, [*range(20), *range(50, 150)], 20)],
)
def test_a_chart_has_the_first_twenty_and_the_newest_hundred_readings(monkeypatch, count, charted, points):
    found, ((logs, more),) = watched(monkeypatch, powers(np.arange(count) + 200.0))
    assert np.exp(logs) == pytest.approx(np.array(charted) + 200.0)
    assert (more["points"], more["earlier"].size, more["stated"]) == (points, 0, pytest.approx(0.01))
    assert (len(found.readings), found.newest, found.scatter) == (min(count, 100), count + 199.0, 0.5)


def test_a_baseline_begins_with_the_machine_s_entry_or_the_reading_of_a_retune(monkeypatch):
    read = powers(np.arange(50) + 200.0)
    retune = SimpleNamespace(time=stored(45.5))
    last = SimpleNamespace(time=stored(45.0))

    for start, newest, begins, first in (
        (None, {}, None, 0),
        (40.0, {}, 40.0, 40),
        (None, {"retune": retune, "power": last}, 45.0, 45),
        (44.0, {"retune": retune, "power": last}, 45.0, 45),
        (45.0, {"retune": retune, "power": last}, 45.0, 45),  # read in the minute of the service
        (46.0, {"retune": retune, "power": last}, 46.0, 46),  # the machine was serviced after
        (45.2, {"retune": retune, "power": last}, 45.5, 46),  # the retune's reading is from before the service
        (None, {"retune": retune}, 45.5, 46),
    ):
        found, ((_, more),) = watched(monkeypatch, read, start=None if start is None else stored(start), **newest)
        assert found.baseline == (None if begins is None else stored(begins))
        assert found.readings.values[0] == 200.0 + first
        # the thirty before it tell the scatter; the reading that begins it is not among them
        earlier = np.exp(more["earlier"])
        if begins is None:
            assert earlier.size == 0
        elif begins == int(begins):
            assert earlier == pytest.approx(200.0 + np.arange(first - 29, first))


def test_one_reading_alone_has_no_chart_but_a_scatter(monkeypatch):
    monkeypatch.setattr(today, "display_step", lambda values: 2.4)
    for stated, scatter in ((0.02, 0.02), (0.0, 0.01), (1e-3, 1e-3)):
        found, given = watched(monkeypatch, powers([240.0], u=stated))
        assert (found.watch, given, found.scatter) == (None, [], pytest.approx(scatter))
    # a display of 2.4 mW in 240 steps by 1 %, and scatters by no more than is stated
    found, ((_, more),) = watched(monkeypatch, powers([240.0, 240.0], u=0.02))
    assert more["step"] == pytest.approx(0.01)
    found, ((_, more),) = watched(monkeypatch, powers([240.0, 240.0], u=1e-3))
    assert more["step"] == pytest.approx(math.sqrt(12.0) * 1e-3)
    # nothing since the baseline began: the newest before it
    found, given = watched(monkeypatch, powers([200.0, 240.0]), start=stored(9.0))
    assert (found.readings.values.tolist(), found.baseline, given) == ([240.0], stored(9.0), [])
    assert watched(monkeypatch, powers([]))[0] is None


def test_a_new_baseline_begins_with_the_newest_machine_entry_that_says_so():
    rows = [(n, stored(float(n)), "A", None, None, begins) for n, begins in enumerate((None, True, False, True, None))]
    book = SimpleNamespace(values=lambda kind, fields, *, machine: rows if (kind, machine) == ("machine", "A") else [])
    assert today.fresh_since(book, "A") == stored(3.0)
    assert today.fresh_since(book, "B") is None
    assert today.fresh_since(book, None) is None


def test_settings_in_force_are_the_newest_and_what_they_leave_out_is_that_of_the_other():
    def settings(day, number, payload=None, **given):
        units = {"scan_speed": "mm/s"}
        held = {name: Measured(Q(v, units.get(name, "mm")), Q(0.0, units.get(name, "mm"))) for name, v in given.items()}
        return SimpleNamespace(number=number, time=stored(day), payload=payload or {}, quantity=held.get)

    recipe = settings(1.0, 5, {"passes": 2, "cross_hatch": True}, scan_speed=900.0, hatch_spacing=0.1, layer_thickness=0.05, overcure=0.03)
    plain = SettingsInForce(900.0, 0.1, 2, 0.05, 0.03, cross_hatch=True)
    assert series.settings_in_force(Book(recipe=recipe), "A") == (plain, recipe)
    shares = {"power_share": 0.5, "beam_share": 2.0, "passes": 3, "cross_hatch": False}
    for day, number in ((2.0, 3), (1.0, 6)):  # later, or of the same time and written later
        retune = settings(day, number, shares, scan_speed=800.0, overcure=0.04)
        got, entry = series.settings_in_force(Book(recipe=recipe, retune=retune), "A")
        assert entry is retune
        assert got == SettingsInForce(800.0, 0.1, 3, 0.05, 0.04, 0.5, 2.0, False)
    got, entry = series.settings_in_force(Book(recipe=recipe, retune=settings(0.5, 4, shares, scan_speed=800.0)), "A")
    assert (entry, got.scan_speed, got.passes, got.power_share) == (recipe, 900.0, 2, 0.5)
    slow = settings(3.0, 9, overcure=0.09)  # without a speed it holds nothing
    assert series.settings_in_force(Book(recipe=recipe, retune=slow), "A") == (plain, recipe)
    assert series.settings_in_force(Book(retune=slow), "A") is None
    assert series.settings_in_force(Book(), "A") is None
    bare = settings(1.0, 1, scan_speed=900.0)
    assert series.settings_in_force(Book(recipe=bare), "A") == (SettingsInForce(900.0), bare)


def test_depths_are_those_of_what_was_known_together(monkeypatch):
    # a line at 30 mW and 0.1 mm cures DEPTH; 1 % less power cures 1 % of Dp less, a lot of twice the Ec as much less as ln 2
    speed = math.sqrt(2.0 / math.pi) * P / (W * EC * math.exp(DEPTH / DP))
    curve = (1000.0 * DP, "um", 3.0, 100.0 * EC, "mJ/cm^2", 0.0, None)
    rows = {
        "power": [(n, stored(day), "A", None, None, power, "mW", 0.3) for n, day, power in ((1, 1.0, P), (2, 4.0, 0.99 * P))],
        "beam": [(3, stored(2.0), "A", None, "fine", 100.0, "um", None)],
        "lot": [(4, stored(0.0), "A", "one", None), (5, stored(6.0), "A", "two", None), (6, stored(8.0), "A", "none", None)],
        "calibration": [
            (7, stored(3.0), None, "one", None, *curve),
            (8, stored(5.0), None, "two", None, *curve[:3], 200.0 * EC, *curve[4:]),
        ],
    }

    def lacking(missing=None):  # a logbook without one kind of entries
        def columns(kind, fields, **_):
            return [list(column) for column in zip(*rows[kind])] if kind != missing else [[] for _ in range(5 + len(fields))]

        return SimpleNamespace(values=lambda kind, fields, **_: rows[kind] if kind != missing else [], columns=columns)

    monkeypatch.setattr(series, "settings_in_force", lambda *_: (SettingsInForce(speed), None))
    found = series.depth_series(lacking(), "A")
    # a row where the beam made all known, with the second power, with the second lot; none for a lot without a curve
    assert found.times.tolist() == [2.0, 4.0, 6.0]
    low = DEPTH + DP * math.log(0.99)
    assert found.values.tolist() == pytest.approx([DEPTH, low, low - DP * math.log(2.0)])
    # u: 0.3 mW of the power in ln power times Dp, 3 um of Dp times depth/Dp
    assert found.uncertainties.tolist() == pytest.approx(
        [math.hypot(DP * 0.3 / p, 0.003 * d / DP) for p, d in ((P, DEPTH), (0.99 * P, low), (0.99 * P, low - DP * math.log(2.0)))]
    )
    assert (found.numbers, found.lots, found.parts) == ((1, 2, 2), ("one", "one", "two"), ((0, 0), (0, 0), (0, 1)))
    assert (found.machines, found.unit, found.about) == (("A",) * 3, "mm", "A")
    assert found.title == "depth that today's settings would have given"
    for kind, words in (("power", "no power reading"), ("beam", "no beam"), ("lot", "no lot in")):
        with pytest.raises(QuantityError, match=f"A has {words}"):
            series.depth_series(lacking(kind), "A")
    with pytest.raises(QuantityError, match="no lot of A has a calibration"):
        series.depth_series(lacking("calibration"), "A")
    monkeypatch.setattr(series, "settings_in_force", lambda *_: None)
    with pytest.raises(QuantityError, match="A has no recipe with a scan speed"):
        series.depth_series(lacking(), "A")


def test_readings_are_asked_for_by_name(monkeypatch):
    asked = []
    book = SimpleNamespace(
        columns=lambda kind, fields, **names: asked.append(((kind, fields), names)) or [[] for _ in range(5 + len(fields))]
    )
    empty = series.series(book, "humidity", machine="A", lot="L", first=3)
    assert (len(empty), empty.times.size, empty.values.dtype, empty.about) == (0, 0, float, "A L")
    series.series(book, "power", last=2)
    value = ["value", "unit", "standard_uncertainty"]
    assert [given for given, _ in asked] == [
        ("room", [*(f"humidity.{part}" for part in value), "humidity"]),
        ("power", [f"power.{part}" for part in value]),
    ]
    assert (asked[0][1]["first"], asked[1][1]["last"], asked[0][1]["lot"]) == (3, 2, "L")
    assert [row.lots for row in (empty.since(0.0), powers([1.0, 2.0, 3.0]).since(1.0))] == [(), (None, None)]
    assert powers([1.0, 2.0, 3.0]).since(1.0).values.tolist() == [2.0, 3.0]
