"""Series out of a logbook for charts: power, spot, Dp, Ec, room, and the depth that fixed settings would have given."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import compress
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..units import KELVIN, KINDS, from_json
from ..units.kinds import clip
from .book import Logbook
from .depth import SettingsInForce, depth_over_time
from .entries import Entry

__all__ = ["CHARTED", "Series", "days", "depth_series", "series", "settings_in_force", "when"]

# what may be charted: kind of entry, field of its payload, kind of quantity, title
CHARTED: dict[str, tuple[str, str, str, str]] = {
    "power": ("power", "power", "power", "power at the resin surface"),
    "spot": ("beam", "beam_radius", "length", "beam radius"),
    "penetration_depth": ("calibration", "penetration_depth", "length", "penetration depth Dp"),
    "critical_exposure": ("calibration", "critical_exposure", "exposure", "critical exposure Ec"),
    "temperature": ("room", "temperature", "temperature", "room temperature"),
    "humidity": ("room", "humidity", "fraction", "room humidity"),
    "depth": ("", "", "length", "depth that today's settings would have given"),
}


@dataclass(frozen=True)
class Series:
    """Readings in order of time. Times in days since 1970 (UTC), values and standard uncertainties in `unit`.

    `parts` tells, for a computed series, which beam and calibration each row shares with its neighbours.
    """

    name: str
    title: str
    unit: str
    numbers: tuple[int, ...]
    times: np.ndarray
    values: np.ndarray
    uncertainties: np.ndarray
    machines: tuple[str | None, ...]
    lots: tuple[str | None, ...]
    about: str = ""
    parts: tuple[tuple[int, ...], ...] = ()

    def __len__(self) -> int:
        return len(self.numbers)

    def since(self, day: float) -> Series:
        """The part from a day on."""
        keep = np.flatnonzero(self.times >= day)
        return self.part(keep)

    def part(self, keep: np.ndarray) -> Series:
        """The readings at these places."""
        pick = keep.tolist()
        return replace(
            self,
            numbers=tuple(self.numbers[i] for i in pick),
            times=self.times[keep],
            values=self.values[keep],
            uncertainties=self.uncertainties[keep],
            machines=tuple(self.machines[i] for i in pick),
            lots=tuple(self.lots[i] for i in pick),
            parts=tuple(self.parts[i] for i in pick if self.parts),
        )


def days(time: str) -> float:
    """A stored time as days since 1970, UTC.

    >>> days("1970-01-02T12:00:00.000000Z")
    1.5
    """
    return datetime.fromisoformat(time).timestamp() / 86400.0


def when(day: float) -> str:
    """Days since 1970 as a local date.

    >>> when(20000.5)
    '2024-10-04'
    """
    return datetime.fromtimestamp(day * 86400.0, UTC).astimezone().strftime("%Y-%m-%d")


def _all_days(times: Iterable[str]) -> np.ndarray:
    stamps = np.array([time.rstrip("Z") for time in times], dtype="datetime64[us]")
    return stamps.astype(np.int64) / 86400e6


def series(
    logbook: Logbook,
    name: str,
    *,
    machine: str | None = None,
    lot: str | None = None,
    beam: str | None = None,
    since: str | None = None,
    until: str | None = None,
    first: int | None = None,
    last: int | None = None,
) -> Series:
    """A charted quantity over time, of one machine, lot or beam, or of all.

    `since` and `until` are stored times; `first` or `last` keep so many readings of one end.

    Raises
    ------
    QuantityError
        No such quantity; `depth` (it needs a machine: use `depth_series`).
    """
    if name not in CHARTED or name == "depth":
        raise QuantityError(f"nothing called {clip(name)} can be charted. Choose from {', '.join(CHARTED)}.")
    kind, field, quantity, title = CHARTED[name]
    paths = [f"{field}.value", f"{field}.unit", f"{field}.standard_uncertainty"]
    paths += [field] if quantity == "fraction" else []
    columns = logbook.columns(kind, paths, machine=machine, lot=lot, beam=beam, since=since, until=until, first=first, last=last)
    for index, plain in enumerate(columns.pop() if quantity == "fraction" else ()):
        if columns[5][index] is None and isinstance(plain, int | float):  # a plain number, like humidity
            columns[5][index], columns[6][index], columns[7][index] = float(plain), "", None
    if None in columns[5]:
        keep = [value is not None for value in columns[5]]
        columns = [list(compress(column, keep)) for column in columns]
    numbers, times, machines, lots, _, found, units, spreads = columns
    values, uncertainties = np.array(found, dtype=np.float64), np.array([one or 0.0 for one in spreads], dtype=np.float64)
    shown = KINDS[quantity]
    for index, unit in enumerate(units):
        if unit != shown.shown_text:
            values[index], uncertainties[index] = _converted(found[index], unit, spreads[index], shown)
    about = " ".join(one for one in (machine, lot, beam) if one)
    return Series(
        name, title, shown.shown_text, tuple(numbers), _all_days(times), values, uncertainties, tuple(machines), tuple(lots), about
    )


def _converted(value: float, unit: str, spread: float | None, kind: Any) -> tuple[float, float]:
    measured = from_json({"value": value, "unit": unit, "standard_uncertainty": spread})
    u = measured.standard_uncertainty.m_as(KELVIN if kind.name == "temperature" else kind.shown)
    return float(measured.value.m_as(kind.shown)), float(u)


# ---------------------------------------------------------------- the depth of fixed settings


def settings_in_force(logbook: Logbook, machine: str, *, until: str | None = None) -> tuple[SettingsInForce, Entry] | None:
    """The machine's newest recipe or retune that holds a scan speed, and its entry; None when there is none."""
    found = [logbook.latest(kind, machine=machine, until=until) for kind in ("recipe", "retune")]
    usable = [entry for entry in found if entry is not None and entry.quantity("scan_speed") is not None]
    if not usable:
        return None
    usable.sort(key=lambda one: (one.time, one.number), reverse=True)

    def newest(values: Iterable[Any]) -> Any:
        return next((one for one in values if one is not None), None)

    units = {"scan_speed": "mm/s", "hatch_spacing": "mm", "layer_thickness": "mm", "overcure": "mm"}
    stated = {name: newest(one.quantity(name) for one in usable) for name in units}
    given: dict[str, Any] = {name: float(one.value.m_as(units[name])) for name, one in stated.items() if one is not None}
    given |= {name: newest(one.payload.get(name) for one in usable) for name in ("passes", "power_share", "beam_share", "cross_hatch")}
    return SettingsInForce(**{name: value for name, value in given.items() if value is not None}), usable[0]


def depth_series(logbook: Logbook, machine: str) -> Series:
    """Depth that today's settings of a machine would have given, at each reading that moved it.

    A row stands wherever a power reading, a beam or a calibration of the lot then in the vat was recorded, with the newest
    values of the others at that time.

    Raises
    ------
    QuantityError
        What is missing: settings (a recipe), power readings, a beam, or a calibration of the machine's lot.
    """
    force = settings_in_force(logbook, machine)
    if force is None:
        raise QuantityError(
            f"{machine} has no recipe with a scan speed in the logbook. Record one: curecalc log add recipe --machine-name ..."
        )
    power, spot = series(logbook, "power", machine=machine), series(logbook, "spot", machine=machine)
    loads = [(days(time), lot) for _, time, _, lot, _ in logbook.values("lot", [], machine=machine)]
    for what, count, way in (("power reading", len(power), "power"), ("beam", len(spot), "beam"), ("lot", len(loads), "lot --lot NAME")):
        if not count:
            raise QuantityError(f"{machine} has no {what} in the logbook. Record one: curecalc log add {way} --machine-name {machine}")
    settings, _ = force
    curves = _Curves(logbook)
    rows = _known_together(power.times, spot.times, loads, curves)
    if not len(rows.day):
        raise QuantityError(f"no lot of {machine} has a calibration in the logbook. Record one: curecalc fit --log ...")
    dp, u_dp, ec, u_ec, r = curves.values[rows.curve].T
    *_, title = CHARTED["depth"]
    lots = [lot for _, lot in loads]
    depth, u = depth_over_time(
        settings=settings,
        power=power.values[rows.power],
        power_uncertainty=power.uncertainties[rows.power],
        beam_radius=spot.values[rows.spot],
        beam_radius_uncertainty=spot.uncertainties[rows.spot],
        penetration_depth=dp,
        penetration_depth_uncertainty=u_dp,
        critical_exposure=ec,
        critical_exposure_uncertainty=u_ec,
        correlation=r,
    )
    return Series(
        "depth",
        title,
        "mm",
        tuple(power.numbers[place] for place in rows.power.tolist()),
        rows.day,
        depth,
        u,
        (machine,) * len(rows.day),
        tuple(lots[place] for place in rows.load.tolist()),
        machine,
        tuple(zip(rows.spot.tolist(), rows.curve.tolist())),
    )


@dataclass(frozen=True)
class _Rows:
    """What was known on each day: places of the power reading, the beam, the lot in the vat, its working curve."""

    day: np.ndarray
    power: np.ndarray
    spot: np.ndarray
    load: np.ndarray
    curve: np.ndarray


def _known_together(power: np.ndarray, spot: np.ndarray, loads: list[tuple[float, str]], curves: _Curves) -> _Rows:
    """A row wherever one of the four was recorded anew, from the first day on which all were known."""
    load_days = np.array([day for day, _ in loads])
    day = np.unique(np.concatenate([power, spot, load_days, curves.days]))
    p, s, load = (np.searchsorted(times, day, side="right") - 1 for times in (power, spot, load_days))
    curve = np.zeros(day.shape, dtype=np.int64)
    for place, (_, lot) in enumerate(loads):
        here = load == place
        curve[here] = curves.at(lot, day[here])
    known = np.flatnonzero((p >= 0) & (s >= 0) & (load >= 0) & (curve >= 0))
    _, lots = np.unique([lot for _, lot in loads], return_inverse=True)
    state = np.column_stack([p[known], s[known], lots[load[known]], curve[known]])
    fresh = np.ones(len(known), dtype=bool)
    fresh[1:] = (np.diff(state, axis=0) != 0).any(axis=1)
    keep = known[fresh]
    return _Rows(day[keep], p[keep], s[keep], load[keep], curve[keep])


class _Curves:
    """Working curves of all lots in order of time; `values` rows hold Dp, u, Ec, u in kernel units and the correlation."""

    def __init__(self, logbook: Logbook) -> None:
        fields = [
            f"{name}.{part}" for name in ("penetration_depth", "critical_exposure") for part in ("value", "unit", "standard_uncertainty")
        ]
        rows = logbook.values("calibration", [*fields, "correlation"])
        curves, times = [], []
        self._of_lot: dict[str, list[int]] = {}
        for place, (_, time, _, lot, _, *cells, correlation) in enumerate(rows):
            cell = iter(cells)
            curves.append([*_kernel(cell, "length"), *_kernel(cell, "exposure"), float(correlation or 0.0)])
            times.append(days(time))
            self._of_lot.setdefault(lot, []).append(place)
        self.values = np.array(curves, dtype=np.float64).reshape(len(curves), 5)
        self.days = np.array(times, dtype=np.float64)

    def at(self, lot: str, day: np.ndarray) -> np.ndarray:
        """Place of the lot's newest curve on each day, before its first calibration the first one; -1 where it has none."""
        places = np.array(self._of_lot.get(lot, []), dtype=np.int64)
        if not places.size:
            return np.full(day.shape, -1)
        return places[np.maximum(0, np.searchsorted(self.days[places], day, side="right") - 1)]


def _kernel(cells: Iterator[Any], kind: str) -> tuple[float, float]:
    """The next three cells as a value with its standard uncertainty."""
    measured = from_json(dict(zip(("value", "unit", "standard_uncertainty"), cells)))
    unit = KINDS[kind].kernel
    value, spread = measured.value.m_as(unit), measured.standard_uncertainty.m_as(unit)
    return float(value), float(spread)
