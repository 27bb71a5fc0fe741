"""An invented shop's year: two machines, several resin lots, a laser that fades, one bad lot. None of it exists.

The truth behind the readings is stated in `TRUTH`, so that a test (or a learner) can see whether the charts find it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from ..physics import laws, light
from ..units import DEGC, IN_CM2, KELVIN, MJ_MM2, MM, MM_S, MW, NM, Measured, Quantity
from .book import Logbook

__all__ = ["TRUTH", "ShopTruth", "write_demo_shop"]


@dataclass(frozen=True)
class ShopTruth:
    """What is true in the invented shop. Fractions a day, mW, mm, mJ/cm^2; days count from the first of the year."""

    days: int = 365
    fading_machine: str = "bay 2"
    steady_machine: str = "bay 1"
    fade_begins: int = 150
    fade_a_day: float = 0.0012
    power: float = 240.0
    power_scatter: float = 0.008
    beam_radius: float = 0.110
    penetration_depth: float = 0.142
    critical_exposure: float = 9.4
    lot_scatter_depth: float = 0.01
    lot_scatter_exposure: float = 0.02
    fit_scatter_depth: float = 0.008
    fit_scatter_exposure: float = 0.03
    bad_lot: str = "R16"
    bad_lot_exposure: float = 1.35
    lots: tuple[str, ...] = tuple(f"R{number:02d}" for number in range(7, 19))
    per_degree: float = -0.006
    per_month_of_age: float = 0.004

    def power_at(self, machine: str, day: float) -> float:
        """True power in mW."""
        faded = max(0.0, day - self.fade_begins) if machine == self.fading_machine else 0.0
        return self.power * math.exp(-self.fade_a_day * faded)


TRUTH = ShopTruth()


def write_demo_shop(path: str | Path, *, end: datetime | None = None, seed: int = 20260101) -> Logbook:
    """Write the invented year into a new logbook and return it open.

    Parameters
    ----------
    path : str or Path
        Must not stand yet.
    end : datetime, optional
        Last day of the year; today by default, so that ages in `log status` make sense.
    seed : int
        The same seed and end give the same readings.
    """
    now = datetime.now(UTC)
    last = (end or now).replace(hour=7, minute=0, second=0, microsecond=0)
    if end is None and last > now:  # before seven in the morning the last day is yesterday: nothing is read ahead of the clock
        last -= timedelta(days=1)
    first = last - timedelta(days=TRUTH.days)
    rng = np.random.default_rng(seed)
    written: list[tuple[float, str, dict[str, Any], dict[str, Any]]] = []

    def add(day: float, kind: str, payload: dict[str, Any], **names: Any) -> None:
        written.append((day, kind, payload, names))

    room = _room(rng)
    _machines(add)
    _power_and_beam(add, rng)
    _lots(add, rng, room, first)
    for day in range(0, TRUTH.days, 2):
        humid = 0.45 + 0.05 * rng.standard_normal()
        degrees = Quantity(round(room(day) + 0.1 * rng.standard_normal(), 1), DEGC)
        add(day + 0.02, "room", {"temperature": degrees, "humidity": round(humid, 2)})
    add(0.0, "note", {"text": "Invented data: this shop, its machines and its resin do not exist."})
    book = Logbook(path, create=True)
    with book.together():
        for at, kind, payload, names in sorted(written, key=lambda one: one[0]):
            book.add(kind, payload, time=first + timedelta(days=at), operator="ex", **names)
    return book


def _room(rng: np.random.Generator) -> Callable[[float], float]:
    phase = rng.uniform(0.0, 0.5)
    return lambda day: 22.0 + 2.0 * math.sin(2.0 * math.pi * (day / 365.0 + phase))


Adder = Callable[..., None]


def _machines(add: Adder) -> None:
    for machine in (TRUTH.steady_machine, TRUTH.fading_machine):
        limits = {
            "wavelength": Quantity(355.0, NM),
            "rated_power": Quantity(300.0, MW),
            "slowest_scan_speed": Quantity(500.0, MM_S),
            "fastest_scan_speed": Quantity(8000.0, MM_S),
        }
        add(0.0, "machine", limits, machine=machine)
        layer, overcure, spacing = 0.100, 0.080, 0.100
        needed = laws.Plain(TRUTH.penetration_depth, TRUTH.critical_exposure / IN_CM2).dose(layer + overcure)
        speed = light.doses(light.Scan(TRUTH.power, needed, light.Gaussian(TRUTH.beam_radius), spacing))["min"]
        settings = {
            "layer_thickness": Quantity(layer, MM),
            "overcure": Quantity(overcure, MM),
            "hatch_spacing": Quantity(spacing, MM),
            "scan_speed": Quantity(float(round(speed)), MM_S),
            "power": Quantity(TRUTH.power, MW),
            "beam_radius": Quantity(TRUTH.beam_radius, MM),
        }
        add(0.5, "recipe", settings, machine=machine, lot=TRUTH.lots[0])


def _power_and_beam(add: Adder, rng: np.random.Generator) -> None:
    for machine in (TRUTH.steady_machine, TRUTH.fading_machine):
        for day in range(0, TRUTH.days, 3):
            read = TRUTH.power_at(machine, day) * (1.0 + TRUTH.power_scatter * rng.standard_normal())
            value = Measured(Quantity(round(read, 1), MW), Quantity(round(0.02 * read, 1), MW))
            add(day + 0.1, "power", {"power": value}, machine=machine)
        for day in range(0, TRUTH.days, 28):
            radius = TRUTH.beam_radius * (1.0 + 0.006 * rng.standard_normal())
            measured = Measured(Quantity(round(radius, 4), MM), Quantity(0.002, MM))
            add(day + 0.2, "beam", {"beam_radius": measured, "method": "knife edge"}, machine=machine, beam="fine")


def _lots(add: Adder, rng: np.random.Generator, room: Callable[[float], float], first: datetime) -> None:
    """Lots come in turn to both machines; each is calibrated when it comes and again a month later."""
    every = TRUTH.days / len(TRUTH.lots)
    for place, lot in enumerate(TRUTH.lots):
        came = 0.3 + place * every
        opened, expiry = first + timedelta(days=came), first + timedelta(days=came + 240.0)
        dp = TRUTH.penetration_depth * math.exp(TRUTH.lot_scatter_depth * rng.standard_normal())
        ec = TRUTH.critical_exposure * math.exp(TRUTH.lot_scatter_exposure * rng.standard_normal())
        if lot == TRUTH.bad_lot:
            ec *= TRUTH.bad_lot_exposure
        about = {"resin": "invented clear", "maker_code": f"INV-{place + 70}"}
        dates = {"opened": opened.date(), "expiry": expiry.date()}
        add(came, "lot", about | dates, lot=lot)
        for age in (0.05, 10.0, 20.0, 29.0):
            add(came + age, "calibration", _calibration(rng, dp, ec, room(came + age), age), lot=lot)
        for machine in (TRUTH.steady_machine, TRUTH.fading_machine):
            if lot == TRUTH.bad_lot and machine == TRUTH.steady_machine:
                continue  # it was seen in time here, and the old lot stayed in the vat
            add(came + 0.08, "lot", dict(about), lot=lot, machine=machine)


def _calibration(rng: np.random.Generator, dp: float, ec: float, degrees: float, age: float) -> dict[str, Any]:
    ec *= math.exp(TRUTH.per_degree * (degrees - 22.0) + TRUTH.per_month_of_age * age / 30.0)
    r = 0.9
    a, b = rng.standard_normal(2)
    u_dp, u_ec = TRUTH.fit_scatter_depth, TRUTH.fit_scatter_exposure
    dp *= math.exp(u_dp * a)
    ec *= math.exp(u_ec * (r * a + math.sqrt(1.0 - r * r) * b))
    return {
        "penetration_depth": Measured(Quantity(round(dp, 4), MM), Quantity(round(dp * u_dp, 5), MM)),
        "critical_exposure": Measured(Quantity(round(ec / IN_CM2, 6), MJ_MM2), Quantity(round(ec * u_ec / IN_CM2, 6), MJ_MM2)),
        "correlation": r,
        "wavelength": Quantity(355.0, NM),
        "temperature": Measured(Quantity(round(degrees, 1), DEGC), Quantity(0.2, KELVIN)),
    }
