"""The invented year holds what is said of it: when things were read, what was true, how much readings scatter."""

import contextlib
import math
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from curecalc.logbook import demoshop
from curecalc.units import Measured

END = datetime(2026, 3, 1, 18, 30, 15, tzinfo=UTC)
FIRST = datetime(2025, 3, 1, 7, tzinfo=UTC)
DAYS, LOTS = 365.0, [f"R{n:02d}" for n in range(7, 19)]


class Noted:
    """In place of a logbook: keeps what is added."""

    def __init__(self, *_: object, **__: object) -> None:
        self.added: list[tuple] = []

    def together(self):
        return contextlib.nullcontext()

    def add(self, kind, payload, *, time, operator, **names) -> None:
        assert operator == "ex"
        self.added.append((kind, (time - FIRST) / timedelta(days=1), payload, names))


@pytest.fixture
def of(monkeypatch):
    """Entries of a kind: day of the year, payload, names."""
    monkeypatch.setattr(demoshop, "Logbook", Noted)
    added = demoshop.write_demo_shop("", end=END).added
    days = [day for _, day, _, _ in added]
    assert days == sorted(days)
    assert len(added) == 2 + 2 + 2 * 122 + 2 * 14 + 183 + 12 * (1 + 4 + 2) - 1 + 1
    return lambda kind: [rest for name, *rest in added if name == kind]


def value(payload, name, unit):
    measured = payload[name]
    return float(measured.value.m_as(unit) if isinstance(measured, Measured) else measured.m_as(unit))


def spread(payload, name, unit):
    return float(payload[name].standard_uncertainty.m_as(unit))


def test_two_machines_and_what_they_were_set_to(of) -> None:
    limits = {"wavelength": (355.0, "nm"), "rated_power": (300.0, "mW")}
    limits |= {"slowest_scan_speed": (500.0, "mm/s"), "fastest_scan_speed": (8000.0, "mm/s")}
    assert [(day, names["machine"]) for day, _, names in of("machine")] == [(0.0, "bay 1"), (0.0, "bay 2")]
    for _, payload, _ in of("machine"):
        assert {name: value(payload, name, unit) for name, (_, unit) in limits.items()} == {name: v for name, (v, _) in limits.items()}
    # a raster's shallowest place, by summing the lines to either side, cures layer and overcure at the power and on the resin stated
    valley = sum(math.exp(-2.0 * ((k + 0.5) * 0.1 / 0.11) ** 2) for k in range(-9, 9)) * math.sqrt(2 / math.pi) / 0.11
    chosen = {"layer_thickness": 0.1, "overcure": 0.08, "hatch_spacing": 0.1, "beam_radius": 0.11}
    for day, payload, names in of("recipe"):
        assert (day, names["lot"], value(payload, "power", "mW")) == (0.5, "R07", 240.0)
        assert {name: value(payload, name, "mm") for name in chosen} == chosen
        speed = value(payload, "scan_speed", "mm/s")
        assert speed == round(speed) == pytest.approx(240.0 * valley / (0.094 * math.exp(0.18 / 0.142)), abs=0.51)


def test_power_every_third_day_and_a_laser_that_fades_from_the_middle_of_the_year(of) -> None:
    for machine, fade in (("bay 1", 0.0), ("bay 2", 0.0012)):
        read = [(day, payload) for day, payload, names in of("power") if names["machine"] == machine]
        days = np.array([day for day, _ in read])
        assert days == pytest.approx(np.arange(0.0, DAYS, 3.0) + 0.1)
        power = np.array([value(payload, "power", "mW") for _, payload in read])
        scatter = power / (240.0 * np.exp(-fade * np.maximum(0.0, np.floor(days) - 150.0))) - 1.0
        assert abs(scatter.mean()) < 4 * 0.008 / math.sqrt(122)
        assert scatter.std() == pytest.approx(0.008, rel=4 / math.sqrt(2 * 122))
        assert [spread(payload, "power", "mW") for _, payload in read] == pytest.approx(0.02 * power, abs=0.051)
        assert 10 * power == pytest.approx(np.round(10 * power), abs=1e-9)


def test_a_spot_every_fourth_week(of) -> None:
    for machine in ("bay 1", "bay 2"):
        read = [(day, payload) for day, payload, names in of("beam") if names == {"machine": machine, "beam": "fine"}]
        assert [day for day, _ in read] == pytest.approx(np.arange(0.0, DAYS, 28.0) + 0.2)
        radius = np.array([value(payload, "beam_radius", "mm") for _, payload in read])
        assert np.abs(radius / 0.11 - 1.0).max() < 4 * 0.006
        assert radius.std() == pytest.approx(0.00066, rel=0.6)
        assert {spread(payload, "beam_radius", "mm") for _, payload in read} == {0.002}
        assert 1e4 * radius == pytest.approx(np.round(1e4 * radius), abs=1e-9)


def test_a_room_that_is_warm_once_a_year(of) -> None:
    read = of("room")
    days = np.array([day for day, _, _ in read])
    assert days == pytest.approx(np.arange(0.0, DAYS, 2.0) + 0.02)
    degrees = np.array([value(payload, "temperature", "degC") for _, payload, _ in read])
    turn = 2.0 * math.pi * np.floor(days) / DAYS
    table = np.column_stack([np.ones(days.size), np.sin(turn), np.cos(turn)])
    (mean, *wave), *_ = np.linalg.lstsq(table, degrees, rcond=None)
    assert (mean, math.hypot(*wave)) == (pytest.approx(22.0, abs=0.04), pytest.approx(2.0, abs=0.05))
    assert (degrees - table @ [mean, *wave]).std() == pytest.approx(math.hypot(0.1, 0.1 / math.sqrt(12)), rel=0.2)
    humid = np.array([payload["humidity"] for _, payload, _ in read])
    assert (humid.mean(), humid.std()) == (pytest.approx(0.45, abs=0.02), pytest.approx(0.05, rel=0.2))
    for shown in (10 * degrees, 100 * humid):
        assert shown == pytest.approx(np.round(shown), abs=1e-9)


def test_a_lot_a_month_in_both_machines_but_for_the_bad_one(of) -> None:
    came = {lot: 0.3 + place * DAYS / 12 for place, lot in enumerate(LOTS)}
    alone = [(day, payload, names["lot"]) for day, payload, names in of("lot") if "machine" not in names]
    assert {lot: day for day, _, lot in alone} == pytest.approx(came, abs=1e-6)
    for place, (day, payload, _) in enumerate(alone):
        assert (payload["maker_code"], payload["resin"]) == (f"INV-{70 + place}", "invented clear")
        dates = [(FIRST + timedelta(days=day + age)).date() for age in (0.0, 240.0)]
        assert [payload["opened"], payload["expiry"]] == dates
    loaded = {(names["machine"], names["lot"]): day for day, _, names in of("lot") if "machine" in names}
    wanted = {
        (machine, lot): day + 0.08 for lot, day in came.items() for machine in ("bay 1", "bay 2") if (machine, lot) != ("bay 1", "R16")
    }
    assert loaded == pytest.approx(wanted, abs=1e-6)
    note = {"text": "Invented data: this shop, its machines and its resin do not exist."}
    assert of("note") == [[0.0, note, {}]]


def test_four_calibrations_a_lot(of) -> None:
    read = of("calibration")
    lots = [names["lot"] for _, _, names in read]
    came = {lot: 0.3 + place * DAYS / 12 for place, lot in enumerate(LOTS)}
    ages = np.array([day - came[lot] for (day, _, _), lot in zip(read, lots)])
    assert sorted(ages) == pytest.approx(sorted([0.05, 10.0, 20.0, 29.0] * 12), abs=1e-6)
    dp = np.array([value(payload, "penetration_depth", "mm") for _, payload, _ in read])
    ec = np.array([value(payload, "critical_exposure", "mJ/cm^2") for _, payload, _ in read])
    warm = np.array([value(payload, "temperature", "degC") for _, payload, _ in read])
    assert [spread(payload, "penetration_depth", "mm") for _, payload, _ in read] == pytest.approx(0.008 * dp, abs=5.5e-6)
    assert [spread(payload, "critical_exposure", "mJ/cm^2") for _, payload, _ in read] == pytest.approx(0.03 * ec, abs=5.5e-5)
    assert {(payload["correlation"], value(payload, "wavelength", "nm")) for _, payload, _ in read} == {(0.9, 355.0)}
    assert {spread(payload, "temperature", "K") for _, payload, _ in read} == {0.2}
    for shown in (1e4 * dp, 1e4 * ec, 10 * warm):
        assert shown == pytest.approx(np.round(shown), abs=1e-6)


def test_calibrations_and_lots_scatter_as_stated(monkeypatch) -> None:
    monkeypatch.setattr(demoshop, "Logbook", Noted)
    left, means = [], []
    for seed in range(8):
        read = [rest for name, *rest in demoshop.write_demo_shop("", end=END, seed=seed).added if name == "calibration"]
        rows: dict[str, list[list[float]]] = {}
        for day, payload, names in read:
            age = day - 0.3 - LOTS.index(names["lot"]) * DAYS / 12
            warmer = value(payload, "temperature", "degC") - 22.0
            dp, ec = value(payload, "penetration_depth", "mm"), value(payload, "critical_exposure", "mJ/cm^2")
            rows.setdefault(names["lot"], []).append([math.log(dp), math.log(ec) + 0.006 * warmer - 0.004 * age / 30.0])
        logs = np.array([rows[lot] for lot in LOTS])
        left.append((logs - logs.mean(axis=1, keepdims=True)).reshape(-1, 2))
        means.append(logs.mean(axis=1))
    # within lots the fits' own scatter, and how Dp and Ec go together in it
    within = np.concatenate(left)
    assert np.sqrt((within**2).sum(axis=0) / (8 * 36)).tolist() == [pytest.approx(0.008, rel=0.15), pytest.approx(0.03, rel=0.15)]
    assert np.corrcoef(within.T)[0, 1] == pytest.approx(0.9, abs=0.04)
    # between lots 1 % of Dp, 2 % of Ec, and the scatter of a mean of four; the bad lot needs 35 % more
    normal = np.array(means)[:, [lot != "R16" for lot in LOTS]].reshape(-1, 2)
    wanted = np.hypot([0.01, 0.02], [0.004, 0.015])
    assert normal.std(axis=0).tolist() == pytest.approx(wanted.tolist(), rel=0.25)
    assert np.exp(normal.mean(axis=0)).tolist() == [pytest.approx(0.142, rel=0.004), pytest.approx(9.4, rel=0.01)]
    assert math.exp(np.array(means)[:, LOTS.index("R16"), 1].mean()) / 9.4 == pytest.approx(1.35, rel=0.03)


@pytest.mark.parametrize("sd", [0.0, 1.0])
def test_readings_that_lie_so_many_standard_deviations_off_are_those_of_the_formulas_stated(monkeypatch, sd) -> None:
    """Power by 0.12 % a day from the 150th on, Ec by -0.6 % a degree and 0.4 % a month; a fit's Dp and Ec go together by 0.9."""
    drawn = SimpleNamespace(standard_normal=lambda count=None: sd if count is None else [sd] * count, uniform=lambda low, high: low)
    monkeypatch.setattr(demoshop, "Logbook", Noted)
    monkeypatch.setattr(demoshop.np.random, "default_rng", lambda seed: drawn)
    added = demoshop.write_demo_shop("", end=END).added
    first = FIRST + timedelta(days=min(day for _, day, _, _ in added))
    assert (first, max(day for kind, day, _, _ in added if kind == "power")) == (FIRST, pytest.approx(363.1))
    for kind, day, payload, names in added:
        if kind == "power":
            faded = max(0.0, math.floor(day) - 150.0) if names["machine"] == "bay 2" else 0.0
            wanted = 240.0 * math.exp(-0.0012 * faded) * (1.0 + 0.008 * sd)
            assert value(payload, "power", "mW") == pytest.approx(wanted, abs=0.051)
        elif kind == "beam":
            assert value(payload, "beam_radius", "mm") == pytest.approx(0.11 * (1.0 + 0.006 * sd), abs=5.1e-5)
        elif kind == "room":
            degrees = 22.0 + 2.0 * math.sin(2.0 * math.pi * math.floor(day) / DAYS) + 0.1 * sd
            assert value(payload, "temperature", "degC") == pytest.approx(degrees, abs=0.051)
            assert payload["humidity"] == pytest.approx(0.45 + 0.05 * sd)
        elif kind == "calibration":
            warmer = 2.0 * math.sin(2.0 * math.pi * day / DAYS)
            place = LOTS.index(names["lot"])
            months = (day - 0.3 - place * DAYS / 12) / 30.0
            dp = 0.142 * math.exp((0.01 + 0.008) * sd)
            ec = 9.4 * (1.35 if place == 9 else 1.0) * math.exp(0.02 * sd + 0.03 * (0.9 + math.sqrt(0.19)) * sd)
            assert value(payload, "penetration_depth", "mm") == pytest.approx(dp, abs=5.1e-5)
            ec *= math.exp(-0.006 * warmer + 0.004 * months)
            assert value(payload, "critical_exposure", "mJ/cm^2") == pytest.approx(ec, abs=5.1e-5)
            assert value(payload, "temperature", "degC") == pytest.approx(22.0 + warmer, abs=0.051)


def test_the_invented_year_is_that_of_a_seed_that_is_named(of, monkeypatch) -> None:
    monkeypatch.setattr(demoshop, "Logbook", Noted)
    added = demoshop.write_demo_shop("", end=END, seed=20260101).added
    assert [value(payload, "power", "mW") for kind, _, payload, _ in added if kind == "power"] == [
        value(payload, "power", "mW") for _, payload, _ in of("power")
    ]


@pytest.mark.parametrize(
    ("now", "last"),
    [("2026-05-02T06:59:59.900", "2026-05-01"), ("2026-05-02T07:00:00", "2026-05-02"), ("2026-05-02T23:00:00", "2026-05-02")],
)
def test_nothing_is_dated_ahead_of_the_clock(monkeypatch, now, last) -> None:
    class Clock(datetime):
        @classmethod
        def now(cls, zone):
            return datetime.fromisoformat(now).replace(tzinfo=zone)

    monkeypatch.setattr(demoshop, "datetime", Clock)
    monkeypatch.setattr(demoshop, "Logbook", Noted)
    added = demoshop.write_demo_shop("").added
    first = FIRST + timedelta(days=min(day for _, day, _, _ in added))
    assert first + timedelta(days=365) == datetime.fromisoformat(last).replace(hour=7, tzinfo=UTC)
