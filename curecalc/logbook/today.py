"""What a logbook says of a machine today: how its power stands, and how the settings in force meet what they promised."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import FileError
from ..recipe.assurance import Curve, Errors
from ..recipe.bounds import INFINITE, Bounds
from ..recipe.carried import curve_of_headline, curve_read, promises
from ..statistics.watch import CORRELATION, Watch, display_step, mean_variance, watch
from ..units import IN_UM, MJ_MM2, MM
from .book import Logbook
from .entries import Entry
from .judge import Judged, Power, hand_task, judge
from .series import Series, days, series, settings_in_force

__all__ = ["PowerState", "Standing", "fresh_since", "power_state", "standing"]

FIRST, NEWEST, EARLIER = 20, 100, 30
LEVEL = 5  # newest readings whose median is the level of today
USUAL = 0.01  # relative scatter of a power reading where none is known, common practice, no source
_MEDIAN = math.pi / 2.0  # variance of a median over that of a mean
_LIKE = 0.25  # a spot first measured after the recipe may be the one it uses when it is as near as this


def fresh_since(logbook: Logbook, machine: str | None) -> str | None:
    """Stored time of the newest machine entry that begins a new baseline; None when there is none."""
    if machine is None:
        return None
    rows = logbook.values("machine", ["new_baseline"], machine=machine)
    return max((time for _, time, *_, begins in rows if begins), default=None)


@dataclass(frozen=True)
class PowerState:
    """Readings since the baseline began and how the newest stands, in logarithms of mW; `watch` is None with fewer than two readings."""

    readings: Series
    watch: Watch | None
    scatter: float
    baseline: str | None

    @property
    def newest(self) -> float:
        """The newest reading in mW."""
        return float(self.readings.values[-1])

    def level(self, since: float | None) -> tuple[float, int]:
        """Median of at most five newest readings in mW, none of them older than the settings; and how many they are."""
        values = self.readings.values if since is None else self.readings.values[self.readings.times >= since]
        values = values[-LEVEL:] if values.size else self.readings.values[-1:]
        return float(np.median(values)), values.size


def power_state(logbook: Logbook, machine: str, until: str, start: str | None) -> PowerState | None:
    """How the power of a machine stands; None without a reading. `start` is where its newest machine entry begins anew (`fresh_since`).

    A new baseline begins after a machine entry that says so, and with the reading that a retune rests on.
    """
    about: dict[str, Any] = {"machine": machine, "until": until}
    retuned = logbook.latest("retune", **about)
    if retuned is not None and (start is None or retuned.time > start):
        last = logbook.latest("power", machine=machine, until=retuned.time)
        start = last.time if last is not None and (start is None or last.time >= start) else retuned.time
    newest = series(logbook, "power", since=start, last=NEWEST, **about)
    if not len(newest):
        newest = series(logbook, "power", last=1, **about)
        if not len(newest):
            return None
    values = newest.values
    points = None
    if len(newest) == NEWEST:
        first = series(logbook, "power", since=start, first=FIRST, **about)
        older = first.values[first.times < newest.times[0]]
        values, points = np.concatenate([older, values]), FIRST
    earlier = series(logbook, "power", machine=machine, until=start, last=EARLIER).values[:-1] if start is not None else np.zeros(0)
    level = float(np.median(values))
    stated = float(np.median(newest.uncertainties / newest.values)) or USUAL
    if values.size < 2:
        return PowerState(newest, None, stated, start)
    step = min(display_step(np.concatenate([earlier, values])) / level, math.sqrt(12.0) * stated)
    found = watch(np.log(values), stated=stated, step=step, earlier=np.log(earlier), points=points)
    return PowerState(newest, found, found.sd, start)


@dataclass(frozen=True)
class Standing:
    """The settings in force and how every kind of vector stands; `unknown` says what is missing to judge them.

    `kept` is true where the entry holds the recipe's file, so that it can be retuned from the logbook.
    """

    entry: Entry | None
    kinds: tuple[Judged, ...]
    unknown: tuple[str, ...]
    kept: bool


def standing(logbook: Logbook, machine: str, power: PowerState | None, beam: Entry | None, curve: Entry | None, until: str) -> Standing:
    """Judge the settings in force of a machine by its power, spot and the curve of the lot in its vat."""
    found = [one for kind in ("recipe", "retune") if (one := logbook.latest(kind, machine=machine, until=until)) is not None]
    if not found:
        return Standing(None, (), ("no settings in the logbook: whether layers bond cannot be judged",), False)
    entry = max(found, key=lambda one: (one.time, one.number))
    kept = any(one.role == "recipe" for one in entry.attached)
    missing = [
        what for what, one in (("power reading", power), ("beam", beam), ("calibration of the lot in its vat", curve)) if one is None
    ]
    if missing:
        return Standing(entry, (), (f"no {' and no '.join(missing)} in the logbook: whether layers bond cannot be judged",), kept)
    assert power is not None
    assert beam is not None
    assert curve is not None
    radius = _length(beam)
    today, count = power.level(days(entry.time))
    record = entry.payload.get("promised")
    try:
        tasks = [] if record is None else promises(record)
        lot = _lot_curve(curve, tasks[0][0].curve if tasks else None)
    except FileError as error:
        return Standing(entry, (), (f"{error}: whether layers bond cannot be judged",), kept)
    if tasks:
        unknown: list[str] = []
        full = float(entry.payload["power"]["value"]) / float(entry.payload["power_share"])
        share, fresh_spot = _spot_share(entry, beam, radius, unknown)
        fresh_lot = curve.time > entry.time or curve.lot != entry.lot
        # the reading that the settings rest on scatters too
        sds = [power.scatter * math.sqrt(1.0 + part) for part in (1.0, _level_variance(count))]
        light = Power(power.newest / full, today / full, *sds)
        known: dict[str, Any] = {"power": light, "radius": share, "fresh_lot": fresh_lot, "fresh_spot": fresh_spot}
        judged = [judge(task, one, curve=lot if fresh_lot else task.curve, **known) for task, one in tasks]
        return Standing(entry, tuple(judged), tuple(unknown), kept)
    force = settings_in_force(logbook, machine, until=until)
    if force is None or force[0].layer_thickness is None:
        return Standing(entry, (), ("the settings state no scan_speed and layer_thickness: whether layers bond cannot be judged",), kept)
    settings = force[0]
    spread = power.readings.uncertainties[-1] / power.newest
    errors = Errors(power=float(spread), beam_radius=beam.quantity("beam_radius").relative)  # type: ignore[union-attr]
    task = hand_task(
        settings=settings,
        curve=lot,
        errors=errors,
        assurance=float(entry.payload.get("assurance", 0.95)),
        bounds=_hand_bounds(entry),
        kind=str(entry.payload.get("kind_of_vector", "settings")),
    )
    chosen = {
        "power": settings.power_share * power.newest,
        "beam_radius": settings.beam_share * radius,
        "hatch_spacing": settings.hatch_spacing,
        "scan_speed": settings.scan_speed,
    }
    # what the settings were chosen for is the depth they state, not what they gave then
    light = Power(1.0, today / power.newest, INFINITE, INFINITE)
    return Standing(entry, (judge(task, chosen, curve=lot, power=light, fresh_lot=False, fresh_spot=False, aim=task.depth),), (), kept)


def _length(entry: Entry) -> float:
    """Beam radius of an entry in mm."""
    return float(entry.quantity("beam_radius").value.m_as(MM))  # type: ignore[union-attr]


def _level_variance(count: int) -> float:
    return mean_variance(count, CORRELATION) * (_MEDIAN if count > 2 else 1.0)


def _spot_share(entry: Entry, beam: Entry, radius: float, unknown: list[str]) -> tuple[float, bool]:
    """Today's radius over that of the settings, and whether it was measured since."""
    chosen = _length(entry)
    share = entry.payload.get("beam_share")
    if share is not None:
        return share * radius / chosen, beam.time > entry.time
    if abs(radius / chosen - 1.0) <= _LIKE:
        return radius / chosen, True
    unknown.append(
        f"the beam of {IN_UM * radius:.0f} um was measured after the settings were chosen for {IN_UM * chosen:.0f} um, so how the spot "
        "stands against the settings is not known"
    )
    return 1.0, False


def _lot_curve(entry: Entry, old: Curve | None) -> Curve:
    """The curve of a calibration entry: as it was fitted where that is kept, else from its Dp and Ec."""
    kept = entry.payload.get("curve")
    if isinstance(kept, Mapping):
        return curve_read(kept)
    dp, ec = entry.quantity("penetration_depth"), entry.quantity("critical_exposure")
    assert dp is not None
    assert ec is not None
    values = {
        "dp": float(dp.value.m_as(MM)),
        "u_dp": float(dp.standard_uncertainty.m_as(MM)),
        "ec": float(ec.value.m_as(MJ_MM2)),
        "u_ec": float(ec.standard_uncertainty.m_as(MJ_MM2)),
    }
    return curve_of_headline(old, **values, correlation=float(entry.payload.get("correlation") or 0.0))


def _hand_bounds(entry: Entry) -> Bounds:
    """The limits that an entry written by hand states."""
    fields = {"print_through_max": "print_through", "ripple_max": "ripple", "overcure_max": "overcure"}
    fields |= {"line_width_max": "line_width_high", "line_width_min": "line_width_low"}
    stated = {field: entry.quantity(name) for name, field in fields.items()}
    limits = {field: float(one.value.m_as(MM)) for field, one in stated.items() if one is not None}
    return Bounds(0.0, INFINITE, 0.0, INFINITE, 0.0, INFINITE, **limits)
