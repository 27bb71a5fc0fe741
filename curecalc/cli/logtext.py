"""What the logbook's actions print. Text from entries is shown with everything unprintable as `?`."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from ..logbook.drifting import RECENT, SUM_LIMIT, DriftReport
from ..logbook.entries import Entry
from ..logbook.status import MachineState, ShopState
from ..logbook.verifying import Verification
from ..logbook.words import clean, local, summary, value_text
from ..statistics.watch import CORRELATION, FALSE_YEARS
from ..symbols import percent
from ..units import figure
from .common import show_rows
from .terminal import aligned

__all__ = ["drift_text", "entry_table", "entry_text", "one_line", "status_text", "verification_text"]


def one_line(entry: Entry) -> str:
    """An entry as one line: kind, names, values."""
    about = " ".join(clean(name, 24) for name in (entry.machine, entry.lot, entry.beam) if name)
    return "  ".join(part for part in (entry.kind, about, summary(entry)) if part)


def entry_table(entries: list[Entry]) -> str:
    """Entries as a table, one line each."""
    rows = [(str(e.number), local(e.time), e.kind, clean(e.machine or "", 16), clean(e.lot or "", 16), summary(e)) for e in entries]
    head = ("entry", "time", "kind", "machine", "lot", "values")
    return "\n".join(aligned([head, *rows]))


def entry_text(entry: Entry) -> str:
    """An entry in full."""
    rows = [("entry", str(entry.number)), ("kind", entry.kind), ("time", local(entry.time)), ("recorded", local(entry.recorded))]
    for name in ("operator", "machine", "lot", "beam"):
        if value := getattr(entry, name):
            rows.append((name, clean(value, 200)))
    if entry.corrects is not None:
        rows.append(("corrects", f"entry {entry.corrects}"))
    if entry.corrected_by is not None:
        rows.append(("corrected by", f"entry {entry.corrected_by}: this one no longer holds"))
    rows += [(name.replace("_", " "), _long(value)) for name, value in entry.payload.items()]
    rows += [(f"source, {clean(one.role)}", f"{clean(one.name)}, {one.size} bytes, sha256 {one.sha256[:16]}...") for one in entry.attached]
    rows += [("program version", entry.version), ("sha256", entry.sha256), ("follows", entry.previous)]
    return show_rows([(clean(label), value) for label, value in rows])


def _long(value: Any) -> str:
    if isinstance(value, dict | list) and not (isinstance(value, dict) and "unit" in value and "value" in value):
        return clean(json.dumps(value, ensure_ascii=False), 20_000)
    return clean(value, 2000) if isinstance(value, str) else value_text(value)


def verification_text(result: Verification, *, again: bool) -> str:
    """What a verification found."""
    kept = f"{result.entries} entries, {result.sources} sources"
    if result.elsewhere:
        kept += f" ({result.elsewhere} more held elsewhere)"
    if result.passed:
        lines = [f"all is as it was written: {kept}"]
        if again:
            lines.append(f"{result.recomputed} results computed again: the same")
        lines.append(f"last entry {result.entries}: {result.head}")
        lines.append(
            f"note it elsewhere; log verify --head {result.entries}:{result.head[:16]} then shows what was cut off or written anew"
        )
    else:
        lines = [f"NOT as it was written ({kept}):", *(f"  {clean(problem, 300)}" for problem in result.problems)]
        lines.append("Keep a copy of this file, write no more to it, and restore the last backup; what it still holds: log salvage NEW.db")
    lines += [f"  doubt: {clean(one, 200)}" for one in result.doubts]
    lines += [f"  not repeated: {clean(one, 200)}" for one in result.unrepeatable]
    return "\n".join(lines)


# ---------------------------------------------------------------- drift


def drift_text(report: DriftReport) -> str:
    """Charts in words: limits, signals, trend, forecasts."""
    s, single = report.series, report.individuals
    unit = f" {s.unit}".rstrip()
    digits, charts = single.baseline.sd, report.charts.items()

    def number(value: float) -> str:
        return figure(value, digits)

    rows = [
        ("quantity", f"{s.title}{f', {clean(s.about)}' if s.about else ''}, {len(s)} readings"),
        ("newest", f"{number(float(s.values[-1]))}{unit} on {_day(s.times[-1])}"),
        ("baseline", f"{number(single.centre)}{unit}, sd {figure(digits, digits)}{unit}; {report.baseline_text}"),
        *((name, f"limits {' to '.join(map(number, chart.steady_limits))}{unit}: {_signals(report, chart)}") for name, chart in charts),
        ("cumulative sums", _sums(report)),
        ("false alarms", _chances(charts)),
    ]
    if report.turning is not None and report.turning.kind != "none":
        t = report.turning
        between = f" (95 % between {_day(t.low)} and {_day(t.high)})" if t.high > t.low else ""
        rows.append(("change", f"{_TURNS[t.kind]} {_day(t.time)}{between}, {figure(t.size, digits)}{unit} so far"))
    if report.found_after:
        told = ", ".join(f"{percent(rate, '.0f')} a month after about {days:.0f} days" for rate, days in report.found_after.items())
        rows.append(("found after", f"a steady fade of {told}"))
    if len(single.rules) > 1:
        rows.append(("run rules", f"{', '.join(single.rules[1:])}: they find small shifts sooner and cost these false alarms"))
    if report.trend is not None and report.per_month is not None and report.per_month_uncertainty is not None:
        scale, name = (100.0, " %") if report.relative else (1.0, unit)
        month, u = report.per_month * scale, report.per_month_uncertainty * scale
        sure = "" if report.trend.p_value < 0.05 else " (no clear trend)"
        since = f", since {_day(report.trend_since)}" if report.trend_since is not None else ""
        rows.append(("trend", f"{figure(month, u)} +- {figure(u, u)}{name} in 30 days{since}{sure}"))
    if report.since_settings is not None:
        day, moved = report.since_settings
        u = moved.standard_uncertainty
        share = f"{percent(moved.relative, '+.1f')} ({figure(moved.difference, u)} +- {figure(u, u)}{unit})"
        rows.append(("since settings", f"{share} since {_day(day)}, when the settings in force were chosen"))
    rows += [("forecast", one.text) for one in report.forecasts]
    if report.components is not None:
        c = report.components
        rows.append(("between lots", f"sd {figure(c.between)}{unit} between, {figure(c.within)}{unit} within, {c.groups} lots"))
    if report.covariates is not None:
        rows += [("goes with", _covariate(report, name)) for name in report.covariates.names]
    rows += [("note", note) for note in report.notes]
    return show_rows(rows)


_TURNS = {"step": "a step on", "drift": "a drift since", "step or drift": "a step or a drift, not told apart, about"}


def _chances(charts: Iterable[tuple[str, Any]]) -> str:
    known = ", ".join(f"one in {chart.run_length:.0f} readings ({name})" for name, chart in charts)
    return f"{known}, were the limits known exactly; from few readings more. `curecalc log status` judges with limits widened for that"


def _sums(report: DriftReport) -> str:
    up, down = report.sums
    limit = f"limit {SUM_LIMIT:g} standard deviations"
    if not report.passed:
        return f"up {up[-1]:.1f}, down {down[-1]:.1f}, {limit}: none out"
    return f"{limit}: " + ", ".join(f"{side} since {_day(day)}" for side, day in report.passed.items())


def _covariate(report: DriftReport, name: str) -> str:
    assert report.covariates is not None
    *effect, p = report.covariates.coefficient(name)
    b, u = (100.0 * part for part in effect)
    per = "degC" if name == "temperature" else "day of age"
    unclear = "" if p < 0.05 else " (not clear)"
    return f"{name.replace('_', ' ')}: {figure(b, u)} +- {figure(u, u)} % per {per}{unclear}"


def _signals(report: DriftReport, chart: Any) -> str:
    places = sorted({signal.index for signal in chart.signals})
    if not places:
        return "in control"
    first, s = chart.signals[0], report.series
    lot = f", {clean(s.lots[places[0]] or '', 24)}" if s.name in ("penetration_depth", "critical_exposure", "depth") else ""
    what = f"{len(places)} of {len(s)}"
    word = "OUT NOW" if places[-1] >= len(s) - RECENT else "signalled"
    what += f" (chance alone: about {len(s) / chart.run_length:.0f})" if len(s) > 2 * chart.run_length else ""
    return f"{word}: {what}, first on {_day(s.times[places[0]])} (entry {s.numbers[places[0]]}{lot}): {first.text}"


def _day(day: float) -> str:
    from ..logbook.series import when

    return when(float(day))


# ---------------------------------------------------------------- status


def _age(days: float | None) -> str:
    if days is None:
        return "never"
    if days < 1.0:
        return "today"
    return f"{days:.0f} d ago"


def status_text(state: ShopState) -> str:
    """The shop on one screen."""
    if not state.machines:
        return "no machine in the logbook yet. Introduce one: curecalc log add machine --machine-name NAME"
    head = ("", "machine", "lot", "power", "read", "calibrated", "depth / layer", "power chart")
    lines = [*aligned([head, *map(_status_row, state.machines)]), ""]
    items = [(f"{clean(one.machine, 24)}: ", item) for one in state.machines for item in one.items]
    for name, item in [("", one) for one in state.items] + items:
        lines.append(f"{_MARKS[item.level]:7} {name}{clean(item.text, 300)}")
        if item.command:
            lines.append(f"        {item.command}")
    lines.append(_verdict(state))
    return "\n".join(lines)


_MARKS = {"well": "well", "near": "near", "unknown": "UNKNOWN", "due": "DUE", "stop": "STOP"}


def _verdict(state: ShopState) -> str:
    """The last lines: the verdict, how sure it is, and the head to note."""
    if state.well:
        said = "All well."
    else:
        counts = [(sum(one.state == level for one in state.machines), word) for level, word in _MARKS.items()]
        said = ", ".join(f"{count} {word}" for count, word in counts if count) + "."
    false, years = FALSE_YEARS
    share = percent(false / years, ".0f")
    risk = f"a healthy machine read weekly gets one in {share} of years ({years} simulated, neighbouring readings alike"
    return f"{said}\nfalse alarms: {risk} by {CORRELATION:g}).\nhead: entry {state.entries}, {state.head}"


def _status_row(one: MachineState) -> tuple[str, ...]:
    power = "-" if one.power is None else f"{figure(one.power, one.power_uncertainty)} mW"
    if one.fade is not None:
        power += f" ({percent(one.fade, '+.1f')}/month)"
    depth = "unknown" if one.depth is None else f"{figure(one.depth, digits=3)} mm"
    if one.layer is not None:
        depth += f" / {figure(one.layer, digits=3)} mm"
    return (
        _MARKS[one.state],
        clean(one.machine, 24),
        clean(one.lot or "-", 24),
        power,
        _age(one.power_age),
        _age(one.calibration_age) if one.lot else "-",
        depth,
        one.chart,
    )
