"""How the shop stands: each machine with its lot, last readings, what its settings promised, and what is due.

A machine is well only when everything that can be judged is judged and kept. What is unknown is said and is never well.
"""

from __future__ import annotations

import math
import shlex
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import numpy as np

from ..statistics.trend import Trend, crossing, trend
from ..statistics.turning import bend
from ..symbols import percent
from ..units import MM, Shown, figure
from .book import Logbook
from .drifting import FEWEST, power_limits
from .entries import Entry, moment
from .glance import Glance
from .judge import STANDINGS, Judged, Promise
from .series import Series, days, when
from .today import PowerState, Standing, power_state, standing

__all__ = ["SCHEMA", "Item", "MachineState", "ShopState", "schema_text", "shop_status"]

SCHEMA = "curecalc log status 1"  # of the JSON; a key taken away or changed makes a new number, a new key does not
# common practice, no source: a power reading a week, a calibration a quarter, a spot twice a year; a machine entry may say otherwise
EVERY = {"power_reading_every": 7.0, "calibration_every": 90.0, "beam_reading_every": 183.0}
EXPIRY_WARNING = 14.0
FORECAST_WARNING = 60.0
AHEAD = 10.0 / 1440.0  # days that clocks of two computers may differ
LEVELS = ("stop", "due", "unknown", "near", "well")


@dataclass(frozen=True)
class Item:
    """Something to know: its level, the sentence that says what, and the command after which it is gone.

    Levels: `stop` (parts are at stake now), `due` (something to do), `unknown` (cannot be judged), `near` (a limit is near).
    """

    level: str
    text: str
    command: str = ""

    @property
    def grave(self) -> bool:
        """Parts are at stake now."""
        return self.level == "stop"

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {"level": self.level, "grave": self.grave, "text": self.text, "command": self.command}


@dataclass(frozen=True)
class MachineState:
    """One machine. Ages in days; what is not in the logbook is None. `depth` and `layer` are those of the kind that stands worst."""

    machine: str
    lot: str | None
    power: float | None
    power_uncertainty: float | None
    power_age: float | None
    fade: float | None
    spot: float | None
    calibration_age: float | None
    depth: float | None
    depth_uncertainty: float | None
    layer: float | None
    chart: str
    kinds: tuple[Judged, ...]
    items: tuple[Item, ...]

    @property
    def state(self) -> str:
        """One word: `stop`, `due`, `unknown`, `near` or `well`."""
        return min((one.level for one in self.items), key=LEVELS.index, default="well")

    @property
    def due(self) -> tuple[Item, ...]:
        """What must be done."""
        return tuple(one for one in self.items if one.level in ("stop", "due"))

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
            "cure_depth": _json(self.depth, "mm", self.depth_uncertainty),
            "layer_thickness": _json(self.layer, "mm"),
            "chart": self.chart,
            "vectors": [one.to_dict() for one in self.kinds],
            "items": [one.to_dict() for one in self.items],
            "due": [one.to_dict() for one in self.due],
        }


def _json(value: float | None, unit: str, u: float | None = None) -> dict[str, Any] | None:
    if value is None:
        return None
    return {"value": value, "unit": unit} | ({"standard_uncertainty": u} if u else {})


@dataclass(frozen=True)
class ShopState(Shown):
    """All machines in use, the number of entries and the hash of the last one, and what concerns no single machine."""

    machines: tuple[MachineState, ...]
    entries: int
    head: str
    items: tuple[Item, ...] = ()

    def _any(self, *levels: str) -> bool:
        return any(one.state in levels for one in self.machines) or any(one.level in levels for one in self.items)

    @property
    def due(self) -> bool:
        """Something must be done somewhere."""
        return self._any("stop", "due")

    @property
    def known(self) -> bool:
        """Every machine could be judged."""
        return not self._any("unknown")

    @property
    def well(self) -> bool:
        """Nothing is due, unknown or near a limit anywhere."""
        return bool(self.machines) and not self._any(*LEVELS[:-1])

    @property
    def exit_status(self) -> int:
        """1 when something is due, else 3 when something cannot be judged, else 0."""
        return 1 if self.due else 0 if self.known else 3

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {
            "schema": SCHEMA,
            "well": self.well,
            "due": self.due,
            "known": self.known,
            "entries": self.entries,
            "head": self.head,
            "items": [one.to_dict() for one in self.items],
            "machines": [one.to_dict() for one in self.machines],
        }


def schema_text() -> str:
    """The JSON Schema of what `ShopState.to_dict` gives."""
    from importlib.resources import files

    return (files("curecalc.logbook") / "status.schema.json").read_text(encoding="utf-8")


def shop_status(logbook: Logbook, *, now: float | None = None) -> ShopState:
    """The state of every machine that is not out of use, the worst first.

    Parameters
    ----------
    logbook : Logbook
    now : float, optional
        Days since 1970; the clock by default. Entries dated later are not used, and are named.
    """
    today = time.time() / 86400.0 if now is None else now
    until = moment(datetime.fromtimestamp((today + AHEAD) * 86400.0, UTC))
    number, head = logbook.head()
    glance = Glance(logbook, until, ["out_of_use", *_EVERY_FIELDS, "new_baseline"])
    in_use = [name for name in glance.machines if not any(row["out_of_use"] for row in glance.about(name)[-1:])]
    machines = [_Look(glance, name, today).state() for name in in_use]
    machines.sort(key=lambda one: (LEVELS.index(one.state), one.machine))
    return ShopState(tuple(machines), number, head, tuple(_ahead(logbook, until)))


_EVERY_FIELDS = [f"{name}.{part}" for name in EVERY for part in ("value", "unit")]


def _ahead(logbook: Logbook, until: str) -> Iterable[Item]:
    for entry in logbook.entries(since=until, last=5):
        yield Item(
            "due",
            f"entry {entry.number} ({entry.kind}) is dated {when(days(entry.time))}, ahead of this computer's clock, and is not used: set "
            "the clock, strike the entry out, and write it again.",
            command(logbook, f"log add correction --corrects {entry.number} --reason 'dated ahead: the clock was wrong'"),
        )


def command(logbook: Logbook, words: str) -> str:
    """A command on this logbook that can be pasted as it stands."""
    return f"curecalc {words} --log {shlex.quote(logbook.path)}"


class _Look:
    """One look at a machine: what is known of it, and the items found on the way."""

    def __init__(self, glance: Glance, machine: str, today: float) -> None:
        self.book, self.machine, self.today = glance, machine, today
        self.until, self.about = glance.until, glance.about(machine)
        self.items: list[Item] = []
        self.name = shlex.quote(machine)

    def say(self, level: str, text: str, words: str = "") -> None:
        self.items.append(Item(level, text, command(self.book, words) if words else ""))

    def every(self, name: str) -> float:
        """The machine's own interval in days."""
        given = [row[f"{name}.value"] for row in self.about if row[f"{name}.unit"] == "s"]
        return given[-1] / 86400.0 if given else EVERY[name]

    def latest(self, kind: str, **names: str) -> Entry | None:
        return self.book.latest(kind, until=self.until, **names)

    def state(self) -> MachineState:
        """Look at lot, power, spot, calibration and settings."""
        load = self.latest("lot", machine=self.machine)
        lot = None if load is None else load.lot
        beam = self.latest("beam", machine=self.machine)
        curve = None if lot is None else self.latest("calibration", lot=lot)
        begun = max((row["time"] for row in self.about if row["new_baseline"]), default=None)
        power = power_state(self.book, self.machine, self.until, begun)
        self._lot(lot)
        calibrated = self._calibration(lot, curve)
        spot = self._ages(power, beam)
        found = standing(self.book, self.machine, power, beam, curve, self.until)
        lone = power is not None and power.watch is not None and power.watch.lone
        lost = self._settings(found, lone)
        chart, fade = self._power(power, found, lost)
        self.items.sort(key=lambda one: LEVELS.index(one.level))
        worst = min(found.kinds, key=lambda one: (STANDINGS.index(one.standing), one.depth - one.layer), default=None)
        return MachineState(
            self.machine,
            lot,
            None if power is None else power.newest,
            None if power is None else float(power.readings.uncertainties[-1]),
            None if power is None else self.today - float(power.readings.times[-1]),
            fade,
            spot,
            calibrated,
            None if worst is None else worst.depth,
            None if worst is None else worst.depth_uncertainty,
            None if worst is None else worst.layer,
            chart,
            found.kinds,
            tuple(self.items),
        )

    def _lot(self, lot: str | None) -> None:
        change = f"log add lot --machine-name {self.name} --lot ask"
        if lot is None:
            self.say("unknown", "no lot recorded in its vat.", change)
            return
        if (expiry := self.book.expiry.get(lot)) is not None:
            left = (date.fromisoformat(expiry) - date.fromisoformat(when(self.today))).days
            if left < 0:
                self.say("stop", f"lot {lot} expired on {expiry}: fill another and name it.", change)
            elif left <= EXPIRY_WARNING:
                self.say("due", f"lot {lot} expires on {expiry}, in {left} days: fill another and name it.", change)
        verdict = self.latest("comparison", lot=lot)
        if verdict is not None and "reject" in str(verdict.payload.get("verdict", "")).lower():
            old = verdict.payload.get("old_lot", "an earlier lot")
            self.say("stop", f"lot {lot} was rejected against {old}: do not build with it; fill another and name it.", change)

    def _calibration(self, lot: str | None, curve: Entry | None) -> float | None:
        if lot is None:
            return None
        fit = f"fit coupons.csv --lot {shlex.quote(lot)} --machine-name {self.name}"
        if curve is None:
            self.say("stop", f"lot {lot} is not calibrated: expose coupons and fit them before parts.", fit)
            return None
        age, every = self.today - days(curve.time), self.every("calibration_every")
        if age > every:
            self.say("due", f"calibration of lot {lot} is {age:.0f} days old, due every {every:g}: expose coupons.", fit)
        return age

    def _ages(self, power: PowerState | None, beam: Entry | None) -> float | None:
        read = self._read()
        spot = f"log add beam --machine-name {self.name} --beam-radius ask"
        if power is None:
            self.say("unknown", "no power reading yet: measure and record one.", read)
        elif (age := self.today - float(power.readings.times[-1])) > (every := self.every("power_reading_every")):
            self.say("due", f"power reading is {age:.0f} days old, due every {every:g}: measure and record.", read)
        if beam is None:
            self.say("unknown", "no beam recorded: measure the spot and record it.", spot)
            return None
        if (age := self.today - days(beam.time)) > (every := self.every("beam_reading_every")):
            self.say("due", f"the spot was measured {age:.0f} days ago, due every {every:g}: measure and record.", spot)
        return float(beam.quantity("beam_radius").value.m_as(MM))  # type: ignore[union-attr]

    def _settings(self, found: Standing, lone: bool) -> bool:
        """What the settings in force promise and keep; whether a promise is lost."""
        for text in found.unknown:
            missing = found.entry is None
            self.say("unknown", f"{text}.", f"recipe --machine-name {self.name} --needs needs.toml" if missing else "")
        told = [(promise.standing, one, promise) for one in found.kinds for promise in one.promises]
        near = [_told(one, promise) for standing, one, promise in told if standing == "near"]
        lost = [_told(one, promise) for standing, one, promise in told if standing == "lost"]
        apart = any(s == "lost" and promise.name == "bond" and promise.value <= one.layer for s, one, promise in told)
        if near:
            self.say("near", f"{'; '.join(near)}: not assured, not proven lost.")
        if lost:
            what = "read the power again, the newest reading stands alone" if lone else "retune"
            said = f"layers do not bond. Stop and {what}" if apart else f"the readings prove it lost: {what}"
            self.say("stop" if apart else "due", f"{'; '.join(lost)}: {said}.", self._read() if lone else self._retune(found))
        return bool(lost)

    def _read(self) -> str:
        return f"log add power --machine-name {self.name} --power ask"

    def _retune(self, found: Standing) -> str:
        if found.kept:
            return f"retune --machine-name {self.name}"
        if found.kinds:
            speed = float(f"{found.kinds[0].speed:.4g}")
            return f"log add retune --machine-name {self.name} --scan-speed '{speed:g} mm/s'"
        return f"log add machine --machine-name {self.name} --new-baseline --note 'looked at'"

    def _power(self, power: PowerState | None, found: Standing, lost: bool) -> tuple[str, float | None]:
        """How the power stands against its baseline, and its fade in 30 days."""
        if power is None:
            return "no reading", None
        watch = power.watch
        if watch is None:
            return "first reading", None
        line = _fade_line(power.readings, bent=bool(watch.side))
        fade = None
        if line is not None and line.p_value <= 0.05:
            fade = math.expm1(30.0 * line.slope)
            if line.slope < 0.0:
                self._forecast(line)
        if not watch.side:
            return "in control", fade
        share = f"{percent(math.expm1((watch.newest if watch.lone else watch.level) - watch.centre), '+.1f')} of its baseline"
        if not lost:
            said = "the newest power reading stands alone" if watch.lone else "power is"
            way = "read again" if watch.lone else "retune, and look at the laser"
            words = self._read() if watch.lone else self._retune(found)
            self.say("due", f"{said} {watch.side} its limits ({share}): {way}.", words)
        return watch.side, fade

    def _forecast(self, line: Trend) -> None:
        for meaning, limit in power_limits(self.book, self.machine, self.until):
            reached = crossing(line, math.log(limit))
            if reached.bounded and self.today < reached.low < self.today + FORECAST_WARNING:
                self.say("near", f"power reaches {figure(limit)} mW about {when(reached.time)} ({meaning}): plan for it.")


def _told(one: Judged, promise: Promise) -> str:
    """A promise beside its limit."""
    value, limit = figure(promise.value, promise.standard_uncertainty), figure(promise.limit)
    if promise.name == "bond":
        cured = f"{value} mm" if promise.value > 0.0 else "nothing"
        return f"{one.kind} cures {cured} where layer and bond ask {limit} mm at {percent(one.assurance)}"
    end, _, of = promise.name.partition(" ")
    name, word = of if end in ("largest", "smallest") else promise.name, "least" if end == "smallest" else "most"
    return f"{one.kind} has a {name} of {value} mm where {limit} mm is the {word}"


def _fade_line(power: Series, *, bent: bool) -> Trend | None:
    """The trend of the newest readings in logarithms, from where they bent off their level when the chart is out."""
    logs, times = np.log(power.values), power.times
    if bent and len(power) > FEWEST:
        start = int(np.searchsorted(times, bend(times, logs)))
        if len(power) - start >= FEWEST:
            logs, times = logs[start:], times[start:]
    return trend(times, logs) if len(times) >= FEWEST and np.ptp(times) > 0 else None
