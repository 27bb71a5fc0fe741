"""How often clean lots print a Check and how often faults are named: the kept table keeps the promises, and the program gives the table."""

import math
import tomllib

import alarms
import pytest

KEPT = tomllib.loads(alarms.KEPT.read_text(encoding="utf-8"))
LOTS = 120


def near(share, kept, lots):
    """Whether a share of `lots` agrees with the kept one within four standard deviations of both."""
    middle = min(max(kept, 0.02), 0.98)
    return abs(share - kept) <= 4 * math.sqrt(middle * (1 - middle) * (1 / lots + 1 / KEPT["lots"]))


def test_clean_lots_print_few_checks():
    for table, most in (("clean_plain", 0.07), ("clean_recorded", 0.10)):
        assert list(KEPT[table]) == ["4", "5", "6", "8", "10", "12", "16", "20"]
        assert max(rates["check"] for rates in KEPT[table].values()) <= most


def test_clean_lots_read_unequally_print_as_few():
    """The lots kept tell one share to two standard deviations of 1.1 %; all shops together tell their mean to 0.2 %."""
    assert list(KEPT["clean_unequal"]) == list(alarms.UNEQUAL)
    shares = [rates["check"] for rates in KEPT["clean_unequal"].values()]
    assert max(shares) <= 0.07 + 2 * math.sqrt(0.07 * 0.93 / KEPT["lots"])
    assert sum(shares) / len(shares) <= 0.06


def test_notes_do_not_print_on_most_clean_lots():
    """Except that two coupons carry the slope of six, where only those two were read more than once: that is so, and to be said."""
    for table in ("clean_plain", "clean_recorded", "clean_unequal"):
        for name, rates in KEPT[table].items():
            assert rates["note"] <= (0.6 if name.startswith("middle read once") and name.endswith(", 6") else 0.10), name


def test_pairs_that_hide_each_other_are_found():
    assert KEPT["found"]["8"]["two coupons, 8 sigma"] >= 0.40
    assert KEPT["found"]["12"]["two coupons, 8 sigma"] >= 0.85


def test_the_table_is_of_enough_lots_and_every_fault():
    assert KEPT["lots"] >= 2000
    assert {n: list(found) for n, found in KEPT["found"].items()} == {n: list(alarms.FAULTS) for n in ("8", "12", "16")}


@pytest.mark.slow
@pytest.mark.parametrize(("table", "n"), [("clean_plain", 4), ("clean_plain", 10), ("clean_recorded", 20)])
def test_the_program_prints_as_few(table, n):
    checks, notes = alarms.alarm_rate(n, table == "clean_recorded", LOTS, seed=71)
    kept = KEPT[table][str(n)]
    assert near(checks, kept["check"], LOTS)
    assert near(notes, kept["note"], LOTS)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["middle read once, ratio 5, 6", "ends read once, ratio 1, 12", "unequal readings, ratio 0.2, 8"])
def test_the_program_prints_as_few_on_lots_read_unequally(name):
    shop = alarms.UNEQUAL[name]
    for share, kept in zip(alarms.alarm_rate(shop.coupons, False, LOTS, 73, shop), KEPT["clean_unequal"][name].values()):
        assert near(share, kept, LOTS)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "name"), [*((8, name) for name in alarms.FAULTS), (12, "two coupons, 8 sigma"), (16, "one coupon, 6 sigma")])
def test_the_program_finds_as_many(n, name):
    fault, size, more = alarms.FAULTS[name]
    assert near(alarms.found_rate(n, fault, size, LOTS, seed=72, **more), KEPT["found"][str(n)][name], LOTS)
