"""The status of a small shop whose state is plain: what is newest, what is ahead of the clock, what is out of use, who comes first."""

import math
from datetime import UTC, datetime, timedelta

import pytest

from curecalc.logbook import judge, status, today
from curecalc.logbook.book import Logbook
from curecalc.logbook.status import AHEAD, shop_status
from curecalc.units import Measured, Quantity

NOW = datetime(2026, 6, 1, 7, tzinfo=UTC)
DAY = NOW.timestamp() / 86400.0


def ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def power(value: float, u: float) -> dict:
    return {"power": Measured(Quantity(value, "mW"), Quantity(u, "mW"))}


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "s.db", create=True) as book, book.together():
        yield book


def of(book, machine: str = "north"):
    (one,) = (one for one in shop_status(book, now=DAY).machines if one.machine == machine)
    return one


def test_the_newest_of_everything_is_shown_with_its_age(book) -> None:
    book.add("machine", {}, machine="north", time=ago(100))
    for days, lot in ((90, "old"), (80, "new")):
        book.add("lot", {}, lot=lot, machine="north", time=ago(days))
    for days, radius in ((50, 0.1), (40, 0.11)):
        book.add("beam", {"beam_radius": Quantity(radius, "mm")}, machine="north", time=ago(days))
    curve = {"penetration_depth": Quantity(0.14, "mm"), "critical_exposure": Quantity(9.0, "mJ/cm^2")}
    for days, lot in ((30, "new"), (20, "new"), (10, "old")):
        book.add("calibration", curve, lot=lot, time=ago(days))
    for days, value, u in ((9.0, 240.0, 3.0), (5.0, 239.0, 2.5), (2.5, 241.0, 2.0)):
        book.add("power", power(value, u), machine="north", time=ago(days))
    one = of(book)
    assert (one.lot, one.power, one.power_uncertainty, one.spot) == ("new", 241.0, 2.0, 0.11)
    assert (one.power_age, one.calibration_age) == (pytest.approx(2.5), pytest.approx(20.0))
    assert (one.depth, one.layer, one.kinds, one.chart, one.fade) == (None, None, (), "in control", None)
    assert [item.text for item in one.items] == ["no settings in the logbook: whether layers bond cannot be judged."]
    assert one.items[0].command == f"curecalc recipe --machine-name north --needs needs.toml --log {book.path}"


def test_a_machine_with_nothing_says_what_is_missing_and_one_reading_is_the_first(book) -> None:
    book.add("machine", {}, machine="north", time=ago(9))
    assert [item.text.partition(":")[0] for item in of(book).items] == [
        "no lot recorded in its vat.",
        "no power reading yet",
        "no beam recorded",
        "no settings in the logbook",
    ]
    assert (of(book).power, of(book).power_uncertainty, of(book).power_age, of(book).chart) == (None, None, None, "no reading")
    book.add("power", power(240.0, 3.0), machine="north", time=ago(1))
    assert (of(book).power, of(book).chart, of(book).fade) == (240.0, "first reading", None)
    book.add("lot", {}, lot="L", machine="north", time=ago(1))
    assert of(book).items[0].text == "lot L is not calibrated: expose coupons and fit them before parts."
    for verdict, rejected in (("accept", False), ("Rejected", True)):
        book.add("comparison", {"verdict": verdict, "old_lot": "K"}, lot="L", time=ago(0.5))
        assert any("lot L was rejected against K" in item.text for item in of(book).items) is rejected


def test_a_machine_out_of_use_is_left_out_until_it_is_in_use_again(book) -> None:
    for days, given, shown in ((9, {}, True), (8, {"out_of_use": True}, False), (7, {"note": "cleaned"}, True)):
        book.add("machine", given, machine="north", time=ago(days))
        assert [one.machine for one in shop_status(book, now=DAY).machines] == (["north"] if shown else [])


def test_a_machine_that_was_never_introduced_is_in_use(book) -> None:
    book.add("power", power(1.0, 0.1), machine="south", time=ago(6))
    assert [one.machine for one in shop_status(book, now=DAY).machines] == ["south"]


def test_clocks_of_two_computers_may_differ_by_ten_minutes_and_five_entries_ahead_are_named(book) -> None:
    assert pytest.approx(10.0 / 1440.0) == AHEAD
    book.add("machine", {}, machine="north", time=ago(9))
    book.add("power", power(240.0, 2.0), machine="north", time=NOW + timedelta(minutes=9.9))
    shop = shop_status(book, now=DAY)
    assert (shop.machines[0].power, shop.items, shop.entries, shop.head) == (240.0, (), 2, book.entry(2).sha256)
    for minutes in range(11, 17):
        book.add("power", power(200.0, 2.0), machine="north", time=NOW + timedelta(minutes=minutes))
    shop = shop_status(book, now=DAY)
    assert shop.machines[0].power == 240.0
    assert [item.text.partition(" is dated 2026-06-01, ahead")[0] for item in shop.items] == [f"entry {n} (power)" for n in range(4, 9)]
    assert shop.items[0].text == (
        "entry 4 (power) is dated 2026-06-01, ahead of this computer's clock, and is not used: set the clock, strike the entry out, "
        "and write it again."
    )
    assert shop.items[0].command.startswith("curecalc log add correction --corrects 4 --reason 'dated ahead")
    assert (shop.due, shop.exit_status) == (True, 1)


def test_the_worst_machine_comes_first_and_of_equals_the_first_by_name(book) -> None:
    for machine in ("b", "a", "c"):
        book.add("machine", {}, machine=machine, time=ago(9))
    book.add("lot", {}, lot="L", machine="c", time=ago(1))  # not calibrated: parts are at stake
    assert [(one.machine, one.state) for one in shop_status(book, now=DAY).machines] == [("c", "stop"), ("a", "unknown"), ("b", "unknown")]


def test_a_machine_s_own_interval_counts_in_any_unit_of_time(book) -> None:
    book.add("machine", {"power_reading_every": Quantity(2.0, "day")}, machine="north", time=ago(9))
    for days, due in ((2.1, True), (1.9, False)):
        book.add("power", power(240.0, 2.0), machine="north", time=ago(days))
        assert any("due every 2: measure" in item.text for item in of(book).items) is due


def test_a_fade_is_told_in_thirty_days(book) -> None:
    book.add("machine", {}, machine="north", time=ago(99))
    for week in range(12):
        book.add("power", power(round(240.0 * math.exp(-0.001 * 7 * week), 2), 2.4), machine="north", time=ago(7 * (11 - week)))
    assert of(book).fade == pytest.approx(math.expm1(-0.03), abs=1e-4)
    assert of(book).chart == "below"


def test_the_depth_shown_is_that_of_the_kind_that_stands_worst(book, monkeypatch) -> None:
    def kind(name, depth, u, layer, standing):
        return judge.Judged(name, depth, u, layer, 0.95, (judge.Promise("bond", depth, 0.1, 0.01, standing),), 900.0)

    kinds = (kind("a", 0.2, 0.01, 0.1, "near"), kind("b", 0.15, 0.02, 0.1, "lost"), kind("c", 0.12, 0.03, 0.05, "lost"))
    monkeypatch.setattr(status, "standing", lambda *_: today.Standing(None, kinds, (), False))
    book.add("machine", {}, machine="north", time=ago(9))
    one = of(book)
    assert (one.depth, one.depth_uncertainty, one.layer, one.kinds) == (0.15, 0.02, 0.1, kinds)  # of two lost ones the thinner bond
    assert any("--scan-speed '900 mm/s'" in item.command for item in one.items)
    record = one.to_dict()
    assert (record["cure_depth"], record["layer_thickness"]) == (
        {"value": 0.15, "unit": "mm", "standard_uncertainty": 0.02},
        {"value": 0.1, "unit": "mm"},
    )
    assert [vector["standing"] for vector in record["vectors"]] == ["near", "lost", "lost"]
