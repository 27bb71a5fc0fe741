"""How the shop stands: each machine with its lot, last readings, chart state, and what is due."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..statistics.charts import Baseline, baseline, ewma_chart, individuals_chart
from ..statistics.trend import Trend, bend, crossing, trend
from ..units import Shown, figure
from .book import Logbook
from .depth import SettingsInForce, depth_over_time
from .drifting import BASELINE_POINTS, FEWEST, RECENT, fresh_since, power_limits
from .entries import Entry
from .series import Series, days, series, settings_in_force, when

__all__ = ["Due", "MachineState", "ShopState", "shop_status"]

# common practice, no source: a power reading a week, a calibration a quarter; a machine entry may say otherwise
POWER_EVERY = 7.0
CALIBRATION_EVERY = 90.0
EXPIRY_WARNING = 14.0
FORECAST_WARNING = 60.0
NEWEST = 500  # power readings looked at; what is older does not weigh on the state now


@dataclass(frozen=True)
class Due:
    """Something to do: `grave` when parts are at stake now, and the sentence that says what and how."""

    grave: bool
    text: str

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {"grave": self.grave, "text": self.text}


@dataclass(frozen=True)
class MachineState:
    """One machine. Ages in days; what is not in the logbook is None. `state` is well, due or stop."""

    machine: str
    lot: str | None
    power: float | None
    power_uncertainty: float | None
    power_age: float | None
    fade: float | None
    spot: float | None
    calibration_age: float | None
    depth: float | None
    layer: float | None
    chart: str
    due: tuple[Due, ...]

    @property
    def state(self) -> str:
        """One word: `well`, `due` (something to do) or `stop` (parts are at stake)."""
        return "stop" if any(one.grave for one in self.due) else "due" if self.due else "well"

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "machine": self.machine,
            "state": self.state,
            "lot": self.lot,
            "power": _json(self.power, "mW", self.power_uncertainty),
            "power_age_days": self.power_age,
            "power_change_in_30_days": self.fade,
            "beam_radius": _json(self.spot, "mm"),
            "calibration_age_days": self.calibration_age,
            "cure_depth": _json(self.depth, "mm"),
            "layer_thickness": _json(self.layer, "mm"),
            "chart": self.chart,
            "due": [one.to_dict() for one in self.due],
        }


def _json(value: float | None, unit: str, u: float | None = None) -> dict[str, Any] | None:
    if value is None:
        return None
    return {"value": value, "unit": unit} | ({"standard_uncertainty": u} if u else {})


@dataclass(frozen=True)
class ShopState(Shown):
    """All machines in use."""

    machines: tuple[MachineState, ...]
    entries: int

    @property
    def well(self) -> bool:
        """Nothing is due anywhere."""
        return all(one.state == "well" for one in self.machines)

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {"well": self.well, "entries": self.entries, "machines": [one.to_dict() for one in self.machines]}


def shop_status(logbook: Logbook, *, now: float | None = None) -> ShopState:
    """The state of every machine that is not out of use, the worst first.

    Parameters
    ----------
    logbook : Logbook
    now : float, optional
        Days since 1970; the clock by default.
    """
    today = time.time() / 86400.0 if now is None else now
    machines = [_machine(logbook, name, today) for name in logbook.names("machine") if not _out_of_use(logbook, name)]
    machines.sort(key=lambda one: (("stop", "due", "well").index(one.state), one.machine))
    return ShopState(tuple(machines), len(logbook))


def _out_of_use(logbook: Logbook, machine: str) -> bool:
    entry = logbook.latest("machine", machine=machine)
    return entry is not None and bool(entry.payload.get("out_of_use"))


def _interval(logbook: Logbook, machine: str, name: str, standard: float) -> float:
    rows = [row[5:] for row in logbook.values("machine", [f"{name}.value", f"{name}.unit"], machine=machine)]
    given = [value for value, unit in rows if value is not None and unit == "s"]
    return given[-1] / 86400.0 if given else standard


def _machine(logbook: Logbook, machine: str, today: float) -> MachineState:
    due: list[Due] = []
    load = logbook.latest("lot", machine=machine)
    lot = None if load is None else load.lot
    beam = logbook.latest("beam", machine=machine)
    curve = None if lot is None else logbook.latest("calibration", lot=lot)
    start = fresh_since(logbook, machine)
    power = series(logbook, "power", machine=machine, since=start, last=NEWEST)
    power = power if len(power) else series(logbook, "power", machine=machine, last=1)
    _lot_dues(logbook, machine, lot, due, today)
    calibration_age = _calibration_dues(logbook, machine, lot, curve, due, today)
    last = float(power.values[-1]) if len(power) else None
    age = today - float(power.times[-1]) if len(power) else None
    every = _interval(logbook, machine, "power_reading_every", POWER_EVERY)
    if age is None:
        due.append(Due(False, "no power reading yet: measure and record one."))
    elif age > every:
        due.append(Due(False, f"power reading is {age:.0f} days old, due every {every:g}: measure and record."))
    if beam is None:
        due.append(Due(False, "no beam recorded: measure the spot and record it."))
    chart, fade = _power_chart(logbook, machine, power, start, due, today)
    depth, force = _depth_now(logbook, machine, last, beam, curve)
    layer = None if force is None else force.layer_thickness
    if depth is not None and layer is not None:
        _depth_dues(depth, layer, None if force is None else force.overcure, due)
    spread = float(power.uncertainties[-1]) if len(power) else None
    radius = None if beam is None else float(beam.quantity("beam_radius").value.m_as("mm"))  # type: ignore[union-attr]
    due.sort(key=lambda one: not one.grave)
    return MachineState(machine, lot, last, spread, age, fade, radius, calibration_age, depth, layer, chart, tuple(due))


def _lot_dues(logbook: Logbook, machine: str, lot: str | None, due: list[Due], today: float) -> None:
    if lot is None:
        due.append(Due(False, f"no lot recorded in its vat: curecalc log add lot --machine {machine} --lot NAME."))
        return
    expiry = [row[5] for row in logbook.values("lot", ["expiry"], lot=lot) if row[5]]
    if expiry:
        left = (date.fromisoformat(expiry[-1]) - date.fromisoformat(when(today))).days
        if left < 0:
            due.append(Due(True, f"lot {lot} expired on {expiry[-1]}: change it, or prove it on coupons."))
        elif left <= EXPIRY_WARNING:
            due.append(Due(False, f"lot {lot} expires on {expiry[-1]}, in {left} days."))
    verdict = logbook.latest("comparison", lot=lot)
    if verdict is not None and "reject" in str(verdict.payload.get("verdict", "")).lower():
        due.append(Due(True, f"lot {lot} was rejected against {verdict.payload.get('old_lot', 'an earlier lot')}: do not build with it."))


def _calibration_dues(logbook: Logbook, machine: str, lot: str | None, curve: Entry | None, due: list[Due], today: float) -> float | None:
    if lot is None:
        return None
    if curve is None:
        due.append(Due(True, f"lot {lot} is not calibrated: expose coupons and fit them before parts."))
        return None
    age = today - days(curve.time)
    every = _interval(logbook, machine, "calibration_every", CALIBRATION_EVERY)
    if age > every:
        due.append(Due(False, f"calibration of lot {lot} is {age:.0f} days old, due every {every:g}: expose coupons."))
    return age


def _power_chart(
    logbook: Logbook, machine: str, power: Series, start: str | None, due: list[Due], today: float
) -> tuple[str, float | None]:
    """State of the power chart and the fade in 30 days; `power` holds the newest readings, the baseline is read apart."""
    first = series(logbook, "power", machine=machine, since=start, first=BASELINE_POINTS)
    if len(first) < FEWEST:
        return f"{len(first)} of {FEWEST} readings", None
    try:
        base: Baseline = baseline(first.values)
    except QuantityError:
        return "no scatter", None
    singles = individuals_chart(power.values, baseline=base)
    smooth = ewma_chart(power.values, baseline=base)
    signals = {signal.index for chart in (singles, smooth) for signal in chart.signals}
    out = bool(signals) and max(signals) >= len(power) - RECENT
    line = _fade_line(power, bent=out)
    fade = None if line is None or line.p_value > 0.05 else math.expm1(30.0 * line.slope)
    if fade is not None and fade < 0.0 and line is not None:
        _forecast_dues(logbook, machine, line, due, today)
    if not out:
        return "in control", fade
    begun = max(signals)
    while begun - 1 in signals:
        begun -= 1
    side = "below" if smooth.plotted[-1] < base.centre else "above"
    since = when(float(power.times[begun])) + (" or earlier" if begun == 0 and len(power) == NEWEST else "")
    share = f"{100 * (power.values[-1] / base.centre - 1):+.1f} % of its baseline"
    due.append(Due(False, f"power is {side} its limits since {since} ({share}): retune, and look at the laser."))
    return side, fade


def _fade_line(power: Series, *, bent: bool) -> Trend | None:
    """The trend of the newest readings in logarithms, from where they bent off their level when the chart is out."""
    logs, times = np.log(power.values), power.times
    if bent and len(power) > FEWEST:
        start = int(np.searchsorted(times, bend(times, logs)))
        if len(power) - start >= FEWEST:
            logs, times = logs[start:], times[start:]
    return trend(times, logs) if len(times) >= FEWEST and np.ptp(times) > 0 else None


def _forecast_dues(logbook: Logbook, machine: str, line: Trend, due: list[Due], today: float) -> None:
    for meaning, limit in power_limits(logbook, machine):
        reached = crossing(line, math.log(limit), ahead=True)
        if reached.bounded and today < reached.low < today + FORECAST_WARNING:
            due.append(Due(False, f"power reaches {figure(limit)} mW about {when(reached.time)} ({meaning}): plan for it."))


def _depth_now(
    logbook: Logbook, machine: str, power: float | None, beam: Entry | None, curve: Entry | None
) -> tuple[float | None, SettingsInForce | None]:
    found = settings_in_force(logbook, machine)
    if found is None or power is None or beam is None or curve is None:
        return None, None if found is None else found[0]
    depth, _ = depth_over_time(
        settings=found[0],
        power=power,
        beam_radius=float(beam.quantity("beam_radius").value.m_as("mm")),  # type: ignore[union-attr]
        penetration_depth=float(curve.quantity("penetration_depth").value.m_as("mm")),  # type: ignore[union-attr]
        critical_exposure=float(curve.quantity("critical_exposure").value.m_as("mJ/mm^2")),  # type: ignore[union-attr]
    )
    return float(depth), found[0]


def _depth_dues(depth: float, layer: float, overcure: float | None, due: list[Due]) -> None:
    shown = f"{figure(depth)} mm for a layer of {figure(layer)} mm"
    if depth <= layer:
        due.append(Due(True, f"today's settings cure {shown}: layers do not bond. Stop and retune."))
    elif overcure is not None and depth < layer + 0.5 * overcure:
        due.append(Due(False, f"today's settings cure {shown}, less than half the overcure of {figure(overcure)} mm: retune."))
