"""Invented shops that live a year by commands alone, on a file or a server: what is true of each is stated and worked out here.

A shop has a laser, a meter, a spot, lots and people who type. Every week it reads the power, sometimes it forgets; it looks at the status
and does what the status says by the command given there, typing what is true. Nothing of the program is asked but its command line; the
depths that are true are sums of Gaussians and logarithms written out here, and the clock is the simulator's own.

By hand, all shops on both engines: python tests/logbook/shops_by_command.py 200 SEED
"""

from __future__ import annotations

import collections
import contextlib
import datetime as clocks
import io
import json
import math
import multiprocessing
import os
import re
import shlex
import subprocess
import sys
import tempfile
import time as clock_seconds
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np

TRUTHS = ("healthy", "fading", "stepping", "bad lot", "slip", "correction", "clock wrong", "over-cure")
LAYER, BOND, DEEPEST, SPACING, RADIUS, POWER = 0.10, 0.08, 0.14, 0.10, 0.11, 240.0  # mm, mW; DEEPEST is the most overcure
WEEKS = 52
MACHINE = f"""schema = 1
name = "north"
[laser]
wavelength = "355 nm"
power = "{POWER:g} mW +- 1 %"
power_reading_date = DATE
power_meter = "meter 1"
power_scale_uncertainty = "2 %"
[beam]
beam_radius_min = "{RADIUS} mm"
beam_radius_max = "{RADIUS} mm"
beam_radius_scale_uncertainty = "2.5 %"
[scanner]
scan_speed_max = "20000 mm/s"
[recoater]
layer_thickness_min = "0.05 mm"
layer_thickness_max = "0.15 mm"
recoat_time = "14 s"
[room]
"""
NEEDS = f"""schema = 1
name = "invented brackets"
layer_thickness = "{LAYER} mm"
assured_for = "mean"
[[vectors]]
kind = "hatch"
pattern = "raster"
hatch_spacing = "{SPACING} mm"
overcure = "{BOND} mm"
overcure_max = "{DEEPEST} mm"
[[vectors]]
kind = "support"
pattern = "line"
overcure = "{BOND} mm"
"""


# ---------------------------------------------------------------- the clock


class _Kind(type):
    def __instancecheck__(cls, one: object) -> bool:
        return isinstance(one, cls.__mro__[1])


class Clock:
    """The time of day for every module of the program, set by hand."""

    real = (clocks.datetime, clocks.date)

    def __init__(self) -> None:
        clock, now, day = self, *self.real

        class Now(now, metaclass=_Kind):
            @classmethod
            def now(cls, tz=None):
                return now.fromtimestamp(clock.seconds, tz)

        class Day(day, metaclass=_Kind):
            @classmethod
            def today(cls):
                return day.fromtimestamp(clock.seconds)

        self.seconds = clock_seconds.time()
        self.kinds = (Now, Day)
        self.module = SimpleNamespace(time=lambda: self.seconds, monotonic=clock_seconds.monotonic, sleep=clock_seconds.sleep)
        self.seen = 0

    def __enter__(self) -> Clock:
        clocks.datetime, clocks.date = self.kinds
        return self

    def __exit__(self, *_: object) -> None:
        clocks.datetime, clocks.date = self.real
        self._swap(self.kinds, self.real, self.module, clock_seconds)

    def put(self) -> None:
        """In the modules loaded since as well."""
        if len(sys.modules) != self.seen:
            self._swap(self.real, self.kinds, clock_seconds, self.module)
            self.seen = len(sys.modules)

    @staticmethod
    def _swap(old, new, old_module, new_module) -> None:
        for name, module in list(sys.modules.items()):
            if name.startswith("curecalc"):
                for key, value in list(vars(module).items()):
                    for was, now in (*zip(old, new), (old_module, new_module)):
                        if value is was:
                            setattr(module, key, now)


# ---------------------------------------------------------------- what is true


@dataclass
class Lot:
    """Of resin: mm, mJ/mm^2."""

    name: str
    penetration_depth: float
    critical_exposure: float


def valley(power: float, radius: float, speed: float, spacing: float | None) -> float:
    """Exposure of the weakest place by adding the lines, mJ/mm^2."""
    peak = math.sqrt(2.0 / math.pi) * power / (radius * speed)
    return peak if spacing is None else peak * sum(math.exp(-2.0 * ((k + 0.5) * spacing / radius) ** 2) for k in range(-12, 12))


@dataclass
class Shop:
    """One machine, its lots, the people beside it, and what was found."""

    truth: str
    log: str
    folder: Path
    rng: np.random.Generator
    clock: Clock
    start: float
    by_hand: bool = False
    lazy: bool = False  # does what is due only every sixth week
    real_processes: bool = False
    settings: list = field(default_factory=list)
    said: list[str] = field(default_factory=list)  # what is wrong
    alarms: list[str] = field(default_factory=list)  # false ones
    looks: collections.Counter = field(default_factory=collections.Counter)
    lines_gone: collections.Counter = field(default_factory=collections.Counter)
    found_after: int | None = None

    def __post_init__(self) -> None:
        r = self.rng
        self.scatter = float(r.uniform(0.006, 0.012))
        self.step = float(r.choice([0.1, 0.5, 1.0]))
        self.meter = 1.0 + 0.02 * r.standard_normal()
        self.radius = RADIUS * (1.0 + 0.02 * r.standard_normal())
        self.power = POWER / self.meter * (1.0 + 0.05 * r.standard_normal())
        self.last = float(r.standard_normal())
        self.lots = 0
        self.lot = self.new_lot()
        self.event = int(r.integers(12, 36))
        self.size = 0.0
        self.week = 0

    def new_lot(self) -> Lot:
        """Another lot of the resin, as lots vary."""
        self.lots += 1
        r = self.rng
        return Lot(f"L{self.lots}", 0.142 * (1 + 0.01 * r.standard_normal()), 0.094 * (1 + 0.02 * r.standard_normal()))

    def reading(self) -> float:
        """What the meter shows now, mW: neighbours alike by 0.3."""
        self.last = 0.3 * self.last + math.sqrt(1.0 - 0.09) * self.rng.standard_normal()
        return round(round(self.power * self.meter * (1.0 + self.scatter * self.last) / self.step) * self.step, 6)

    def coupons(self) -> str:
        """A table of coupons of the lot now in the vat, exposed and measured; the machine stands at the power it has."""
        read, r = self.reading(), self.rng
        lines = ["# invented data", f"# power = {read:g} mW; beam radius = {RADIUS} mm; hatch spacing = {SPACING} mm; wavelength = 355 nm"]
        lines.append("coupon;run order;scan speed [mm/s];thickness [um]")
        deep = [0.10, 0.10, 0.15, 0.15, 0.21, 0.21, 0.27, 0.27]
        speeds = [valley(read, RADIUS, 1.0, SPACING) / (0.094 * math.exp(d / 0.142)) for d in deep]
        for place, coupon in enumerate(r.permutation(8), 1):
            speed = float(f"{speeds[coupon]:.3g}")
            dose = valley(self.power, self.radius, speed, SPACING)
            depth = self.lot.penetration_depth * math.log(dose / self.lot.critical_exposure) + 0.003 * r.standard_normal()
            if depth > 0.02:  # what hardly gels cannot be measured
                lines += [f"{coupon + 1};{place};{speed:g};{1e3 * (depth + 0.0015 * r.standard_normal()):.0f}" for _ in range(3)]
        return "\n".join(lines) + "\n"

    def depths(self) -> dict[str, float]:
        """True depth of each kind of vector at the settings in force, mm."""
        found = {}
        for kind, share, speed, spacing in self.settings:
            dose = valley(share * self.power, self.radius, speed, spacing)
            found[kind] = self.lot.penetration_depth * math.log(dose / self.lot.critical_exposure)
        return found

    def unwell(self) -> str:
        """What is true: `no bond`, `too deep`, `short` of layer and bond, or nothing. Told apart since a promise is at 95 %."""
        if not self.settings:
            return ""
        depths = self.depths()
        if min(depths.values()) < LAYER:
            return "no bond"
        if depths["hatch"] > LAYER + DEEPEST:
            return "too deep"
        return "short" if min(depths.values()) < LAYER + BOND else ""

    # ------------------------------------------------------------ commands

    def run(self, words: list[str], typed: str = "") -> tuple[int, str, str]:
        """One command in this process, with the simulator's clock."""
        from curecalc.cli import main

        self.clock.put()
        out, err, before = io.StringIO(), io.StringIO(), sys.stdin
        sys.stdin = io.StringIO(typed)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                status = main(words)
        finally:
            sys.stdin = before
        return status, out.getvalue(), err.getvalue()

    def do(self, *words: str, typed: str = "") -> str:
        """A command that must succeed."""
        status, out, err = self.run([*words, "--log", self.log], typed)
        if status != 0:
            self.said.append(f"week {self.week}: {shlex.join(words)}: {status} {err.strip()}")
        return out

    def status(self) -> dict:
        """What the screen says, as JSON; with its exit status checked against it."""
        code, out, err = self.run(["log", "status", "--json", "--log", self.log])
        try:
            got = json.loads(out)
        except ValueError:
            self.said.append(f"week {self.week}: status: {code} {err.strip()}")
            return {"machines": [], "items": [], "well": False}
        if code != (1 if got["due"] else 0 if got["known"] else 3):
            self.said.append(f"week {self.week}: exit status {code} beside {got['due']}, {got['known']}")
        return got

    def read_settings(self) -> None:
        """Settings in force: kind, share of full power, speed, spacing."""
        got = [
            one
            for kind in ("recipe", "retune")
            for one in json.loads(self.do("log", "list", "--entry-kind", kind, "--last", "1", "--json"))["entries"]
        ]
        assert got, self.said
        newest = max(got, key=lambda one: (one["time"], one["number"]))["payload"]
        if self.by_hand:
            self.settings = [("hatch", 1.0, newest["scan_speed"]["value"], SPACING)]
            return
        full = newest["power"]["value"] / newest["power_share"]
        self.settings = [
            (v["kind"], v["power"]["value"] / full, v["scan_speed"]["value"], (v.get("hatch_spacing") or {}).get("value"))
            for v in newest["vectors"]
        ]

    def begin(self) -> None:
        """The machine introduced, its lot calibrated, settings chosen."""
        day = clocks.datetime.fromtimestamp(self.clock.seconds).strftime("%Y-%m-%d")
        (self.folder / "machine.toml").write_text(MACHINE.replace("DATE", day))
        (self.folder / "needs.toml").write_text(NEEDS)
        expiry = self.start + 86400.0 * self.rng.uniform(200, 500)
        day = clocks.datetime.fromtimestamp(expiry).strftime("%Y-%m-%d")
        self.do("log", "add", "machine", "--machine-name", "north", "--source", "machine=machine.toml")
        if not self.by_hand:  # all the rest as the status asks for it
            self.look()
            return
        self.do("log", "add", "lot", "--lot", self.lot.name, "--machine-name", "north", "--expiry", day)
        self.do("log", "add", "beam", "--machine-name", "north", "--beam-radius", f"{self.spot():.4f} mm +- 1 %")
        self.calibrate(f"fit coupons.csv --lot {self.lot.name} --machine-name north")
        # a tenth slower than what just holds by the coupons
        entry = json.loads(self.do("log", "list", "--entry-kind", "calibration", "--last", "1", "--json"))["entries"][0]["payload"]
        dp, ec = entry["penetration_depth"]["value"], entry["critical_exposure"]["value"] / 100.0
        read = self.reading()
        self.type_power(read)
        speed = valley(read, RADIUS, 1.0, SPACING) / (ec * math.exp((LAYER + BOND) / dp)) / 1.1
        words = ["--scan-speed", f"{speed:.0f} mm/s", "--hatch-spacing", f"{SPACING} mm", "--layer-thickness", f"{LAYER} mm"]
        words += ["--overcure", f"{BOND} mm", "--overcure-max", f"{DEEPEST} mm", "--power", f"{read:g} mW"]
        self.do("log", "add", "recipe", "--machine-name", "north", "--lot", self.lot.name, *words)
        self.read_settings()

    def spot(self) -> float:
        """A measurement of the spot: this shop's instrument reads what it is set to, within 1 %."""
        return RADIUS * (1.0 + 0.008 * self.rng.standard_normal())

    def type_power(self, value: float, *more: str) -> None:
        """A reading written down."""
        u = math.hypot(self.scatter * value, self.step / math.sqrt(12.0))
        self.do("log", "add", "power", "--machine-name", "north", "--power", f"{value:g} mW +- {u:.3g} mW", *more)

    def calibrate(self, words: str) -> None:
        """Coupons exposed and fitted."""
        (self.folder / "coupons.csv").write_text(self.coupons())
        self.do(*shlex.split(words))

    # ------------------------------------------------------------ a look, and what it asks for

    def look(self) -> None:
        """Look, judge what is shown by what is true, then do each due line's own command and look again."""
        got, once = self.status(), collections.Counter()
        self.judge(got)
        if self.lazy and self.week % 6:
            return
        for _ in range(20):
            lines = [one for one in self.items(got) if one["level"] in ("stop", "due") or (one["level"] == "unknown" and one["command"])]
            if not lines:
                return
            # what is missing comes before what needs it: a recipe needs a calibration
            line = min(lines, key=lambda one: " recipe " in one["command"])
            about = self.cause(line)
            once[about] += 1
            # entries dated ahead are named a few at a time; every other line may stand once
            if once[about] > 1:
                self.said.append(f"week {self.week}: still there after its own command: {line['text']} | {line['command']}")
                return
            self.paste(line)
            got = self.status()
            self.lines_gone[re.sub(r"[0-9]+", "N", about)] += not any(self.cause(one) == about for one in self.items(got))
            self.judge(got)
        self.said.append(f"week {self.week}: no end of lines: {lines[0]['text']}")

    @staticmethod
    def items(got: dict) -> list[dict]:
        """All lines of the screen."""
        return [item for one in got["machines"] for item in one["items"]] + got["items"]

    @staticmethod
    def cause(line: dict) -> str:
        """A line without its numbers."""
        words = line["command"].split(" --log")[0]
        kinds = {"old": r"days (old|ago)", "lot": "expire|reject|not calib", "value": ""}
        kind = next(name for name, pattern in kinds.items() if re.search(pattern, line["text"]))
        return f"entry {re.search('[0-9]+', line['text'])[0]}" if "is dated" in line["text"] else f"{words} ({kind})"

    def judge(self, got: dict) -> None:
        """Nothing unwell may be shown as well; a healthy machine should be left alone."""
        for one in got["machines"]:
            true = self.unwell()
            self.looks[true or "in order", one["state"]] += 1
            if one["state"] == "well" and true in ("no bond", "too deep"):
                self.said.append(f"week {self.week}: {true} shown as well: {self.depths()}, shown {one['cure_depth']}")
            values = [item["text"] for item in one["due"] if self.cause(item).endswith("(value)")]
            if self.truth in ("healthy", "correction") and values:
                self.alarms.append(f"week {self.week}: {values[0]}")
            told = values or (self.truth == "bad lot" and one["due"])
            if told and self.found_after is None and self.week >= self.event:
                self.found_after = self.week - self.event

    def paste(self, line: dict) -> None:
        """The command as it stands, and what is true typed when it asks."""
        words = shlex.split(line["command"])
        if words[:1] != ["curecalc"]:
            self.said.append(f"week {self.week}: a due line without a command: {line['text']}")
            return
        text, typed = line["command"], ""
        if "--power ask" in text:
            value = self.reading()
            typed = f"{value:g} mW +- {100 * self.scatter:.2g} %\n"
        elif "--beam-radius ask" in text:
            typed = f"{self.spot():.4f} mm +- 1 %\n"
        elif "--lot ask" in text:
            self.lot = self.lot if not self.settings else self.new_lot()
            typed = f"{self.lot.name}\n"
        elif " fit " in text:
            (self.folder / "coupons.csv").write_text(self.coupons())
        status, _, err = self.run(words[1:], typed)
        if status != 0:
            self.said.append(f"week {self.week}: pasted {line['command']}: {status} {err.strip()}")
        if " retune " in text or " recipe " in text:
            self.read_settings()

    # ------------------------------------------------------------ the year

    def live(self) -> Shop:
        """The year, week by week, ending now."""
        self.clock.seconds = self.start - 3600.0
        self.begin()
        for self.week in range(WEEKS):
            self.clock.seconds = self.start + 7 * 86400.0 * self.week
            after = self.week - self.event
            if self.truth == "fading" and after >= 0:
                self.size = self.size or float(self.rng.uniform(0.01, 0.06)) * 7.0 / 30.0
                self.power *= 1.0 - self.size
            elif self.truth == "stepping" and after == 0:
                self.power *= 1.0 - float(self.rng.uniform(0.06, 0.3))
            elif self.truth == "over-cure" and after == 0:
                self.power *= 1.0 + float(self.rng.uniform(0.3, 0.9))
            elif self.truth == "bad lot" and after == 0:
                self.bad_lot()
            self.read_power(after)
            self.clock.seconds += 1800.0
            self.look()
        if self.real_processes:
            self.as_processes()
        verified, out, err = self.run(["log", "verify", "--log", self.log])
        if verified != 0:
            self.said.append(f"verify: {verified} {out} {err}")
        return self

    def bad_lot(self) -> None:
        """Another lot in the vat: far less sensitive; some shops compare it, and it is rejected."""
        self.lot = self.new_lot()
        self.lot.critical_exposure *= float(self.rng.uniform(1.4, 2.2))
        self.do("log", "add", "lot", "--lot", self.lot.name, "--machine-name", "north")
        if self.rng.random() < 0.4:
            self.do("log", "add", "comparison", "--lot", self.lot.name, "--verdict", "reject", "--old-lot", "L1")

    def read_power(self, after: int) -> None:
        """The weekly reading, typed as this shop types."""
        value = self.reading()
        if self.truth == "slip" and after in (0, 9):
            slips = [value / 10.0, value * 10.0, value * 0.85, value * 1.2]
            self.type_power(round(float(self.rng.choice(slips)), 2))
        elif self.truth == "correction" and after == 0:
            self.mend_an_old_reading()
            self.type_power(value)
        elif self.truth == "clock wrong" and after in (0, 1, 12):
            ahead = float(self.rng.choice([0.4, 3.0, 40.0, 400.0])) * 86400.0 * (-1.0 if after == 12 else 1.0)
            self.clock.seconds += ahead
            for _ in range(1 if after else 3):
                self.type_power(self.reading())
            self.clock.seconds -= ahead
        elif self.rng.random() < 0.9 or self.truth != "healthy":
            self.type_power(value)

    def mend_an_old_reading(self) -> None:
        """A reading of ten weeks ago is put right, another struck out and brought back: neither may become the newest."""
        before = self.status()["machines"][0]
        got = json.loads(self.do("log", "list", "--entry-kind", "power", "--last", "12", "--json"))["entries"]
        old, other = got[0], got[3]
        value = old["payload"]["power"]["value"]
        self.do(
            "log",
            "add",
            "power",
            "--machine-name",
            "north",
            "--power",
            f"{value + self.step:g} mW +- 1 %",
            "--corrects",
            str(old["number"]),
        )
        out = self.do("log", "add", "correction", "--reason", "wrong", "--corrects", str(other["number"]))
        struck = re.match(r"entry (\d+) written", out)
        if struck:
            self.do("log", "add", "correction", "--reason", "it was right", "--corrects", struck[1])
        after = self.status()["machines"][0]
        for key in ("power", "power_age_days", "lot"):
            if before[key] != after[key]:
                self.said.append(f"week {self.week}: a correction of an old reading moved {key}: {before[key]} {after[key]}")
        there = [one["number"] for one in json.loads(self.do("log", "list", "--entry-kind", "power", "--all", "--json"))["entries"]]
        if old["number"] in there or other["number"] not in there:
            self.said.append(f"week {self.week}: corrections do not hold or do not restore: {there}")

    def as_processes(self) -> None:
        """The same from processes of their own with the computer's real clock: the year ends now."""

        def real(*words: str) -> subprocess.CompletedProcess:
            return subprocess.run(
                [sys.executable, "-m", "curecalc", *words, "--log", self.log], capture_output=True, text=True, timeout=300, check=False
            )

        here, there = self.status(), json.loads(real("log", "status", "--json").stdout or "{}")
        ours, theirs = ([(m["state"], m["power"], m["cure_depth"]) for m in one.get("machines", [])] for one in (here, there))
        if (ours, here["head"]) != (theirs, there.get("head")):
            self.said.append(f"another process sees {theirs}, this one {ours}")
        added = real("log", "add", "power", "--machine-name", "north", "--power", f"{self.reading():g} mW +- 1 %")
        if added.returncode != 0 or self.status()["entries"] != here["entries"] + 1:
            self.said.append(f"a process of its own added nothing: {added.stderr}")


# ---------------------------------------------------------------- many shops


def one_shop(job: tuple[int, int, str, str | None]) -> Shop:
    """A year of shop `number`; `server` is the address of a server's database to make databases beside, or None for a file."""
    number, seed, truth, server = job
    rng = np.random.default_rng([seed, number])
    home, zone = os.getcwd(), os.environ.get("TZ")
    os.environ["TZ"] = ("UTC0", "XXX-9:30", "XXX+8", "XXX-1YYY")[number // 3 % 4]
    clock_seconds.tzset()
    # made before the clock is put: the driver's own parts look at the sizes of dates as they load
    name = f"shop_{seed}_{number}_{os.getpid()}"
    log = "shop.db" if server is None else _order(server, f"CREATE DATABASE {name}").replace("/postgres?", f"/{name}?")
    with tempfile.TemporaryDirectory() as folder, Clock() as clock:
        os.chdir(folder)
        try:
            # the last look, half an hour after the last reading, is about now
            start = clock_seconds.time() - 7 * 86400.0 * (WEEKS - 1) - 1800.0
            turn = number // len(TRUTHS)
            more = {"by_hand": turn % 5 == 4, "lazy": turn % 3 == 1, "real_processes": number % 23 == 0}
            shop = Shop(truth, log, Path(folder), rng, clock, start, **more).live()
        finally:
            os.chdir(home)
            os.environ.pop("TZ") if zone is None else os.environ.update(TZ=zone)
            clock_seconds.tzset()
    if server is not None:
        _order(server, f"DROP DATABASE {name}")
    shop.clock = shop.rng = None  # type: ignore[assignment]  # so that it travels between processes
    return shop


def _order(server: str, statement: str) -> str:
    import psycopg

    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(statement)
    return server


def truths(count: int) -> list[str]:
    """Of so many shops: every truth in turn."""
    return [TRUTHS[i % len(TRUTHS)] for i in range(count)]


def live(count: int, seed: int, server: str | None, *, workers: int = 2) -> list[Shop]:
    """So many shops of every truth, on files or on a server."""
    jobs = [(i, seed, truth, server) for i, truth in enumerate(truths(count))]
    if workers == 1:
        return [one_shop(job) for job in jobs]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return pool.map(one_shop, jobs, chunksize=1)


def summary(shops: list[Shop]) -> str:
    """What was found, for reading."""
    looks: collections.Counter = sum((one.looks for one in shops), collections.Counter())
    gone: collections.Counter = sum((one.lines_gone for one in shops), collections.Counter())
    lines = [f"{len(shops)} shops, {sum(looks.values())} looks"]
    for true in ("in order", "short", "too deep", "no bond"):
        told = {level: looks[true, level] for level in ("well", "near", "unknown", "due", "stop")}
        lines.append(f"  truly {true}: " + ", ".join(f"{level} {n}" for level, n in told.items()))
    for truth in TRUTHS:
        mine = [one for one in shops if one.truth == truth]
        found = sorted(99 if one.found_after is None else one.found_after for one in mine)
        lines.append(f"  {truth}: {len(mine)} shops, {sum(bool(one.alarms) for one in mine)} with a false alarm, found after weeks {found}")
    lines += [f"  gone by its own command: {name}, {n} times" for name, n in sorted(gone.items())]
    lines += [f"  WRONG {one.truth}{' by hand' if one.by_hand else ''} {one.log[:12]}: {text}" for one in shops for text in one.said[:3]]
    lines += [f"  false alarm, {one.truth}: {text}" for one in shops for text in one.alarms[:1]]
    return "\n".join(lines)


if __name__ == "__main__":
    from throwaway import Server, programs

    how_many, first_seed = (int(text) for text in sys.argv[1:3])
    print("on files:", summary(live(how_many, first_seed, None)), sep="\n", flush=True)
    if programs() is None:
        sys.exit("no PostgreSQL server is installed here: the other half was not run")
    cluster = Server()
    try:
        print("on a server:", summary(live(how_many, first_seed + 1, cluster.address())), sep="\n")
    finally:
        cluster.stop()
