"""Drift of a quantity in a logbook: both charts, the trend, what it forecasts, what goes with it."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby, takewhile
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..statistics.change import Change, change
from ..statistics.charts import Baseline, Chart, baseline, ewma_chart, individuals_chart
from ..statistics.components import Components, between_and_within
from ..statistics.covariates import Covariates, regress
from ..statistics.trend import Crossing, Trend, crossing, trend
from ..statistics.turning import Turning, bend, cumulative_sums, cusum_run_length, turning
from ..statistics.watch import CORRELATION, delay
from ..symbols import percent
from ..units import Shown, figure
from .book import Logbook
from .depth import power_for_depth
from .series import Series, days, depth_series, series, settings_in_force, when
from .today import fresh_since

__all__ = ["BASELINE_POINTS", "SUM_LIMIT", "DriftReport", "Forecast", "drift_report", "power_limits"]

BASELINE_POINTS = 20
FEWEST = 8  # readings before a chart is drawn
FEWEST_LOTS, BASELINE_LOTS = 5, 8
RECENT = 3  # a chart that signals at one of so many newest readings is out now
SUM_LIMIT = 5.0  # of the cumulative sums: one false alarm in 465 independent readings
YEARS = 10  # ahead; a date beyond says nothing
FARTHEST = 365.0 * YEARS
_MULTIPLIED = ("power", "spot", "penetration_depth", "critical_exposure")  # a trend is a fraction a month


@dataclass(frozen=True)
class Forecast:
    """When a trend reaches a limit: what the limit means, its value, the dates in days since 1970, a sentence."""

    meaning: str
    limit: float
    crossing: Crossing
    text: str

    def to_dict(self, unit: str) -> dict[str, Any]:
        """The forecast as it stands in JSON, with dates."""
        ends = (self.crossing.time, self.crossing.low, self.crossing.high)
        date, *interval = (when(day) if _is_date(day) else None for day in ends)
        return {
            "meaning": self.meaning,
            "limit": {"value": self.limit, "unit": unit},
            "date": date,
            "interval": interval,
            "confidence": self.crossing.confidence,
            "text": self.text,
        }


@dataclass(frozen=True)
class DriftReport(Shown):
    """Everything the drift command prints and draws about one quantity."""

    series: Series
    individuals: Chart
    ewma: Chart
    baseline_text: str
    trend: Trend | None
    per_month: float | None
    per_month_uncertainty: float | None
    relative: bool
    forecasts: tuple[Forecast, ...]
    components: Components | None
    covariates: Covariates | None
    notes: tuple[str, ...]
    trend_since: float | None = None
    since_settings: tuple[float, Change] | None = None
    turning: Turning | None = None

    @property
    def charts(self) -> dict[str, Chart]:
        """The charts by what they plot."""
        return {"single readings": self.individuals, "weighted mean": self.ewma}

    @cached_property
    def sums(self) -> tuple[np.ndarray, np.ndarray]:
        """Cumulative sums up and down in standard deviations of the baseline; above `SUM_LIMIT` they signal."""
        return cumulative_sums(self.series.values, centre=self.individuals.baseline.centre, sd=self.individuals.baseline.sd)

    @cached_property
    def passed(self) -> dict[str, float]:
        """`above` and `below`: when the cumulative sum of that side first passed its limit, in days since 1970."""
        outside = {side: one > SUM_LIMIT for side, one in zip(("above", "below"), self.sums)}
        return {side: float(self.series.times[int(np.argmax(out))]) for side, out in outside.items() if out.any()}

    @property
    def found_after(self) -> dict[float, float]:
        """Days until a fade of so many parts a month is found by the weighted mean, about; empty where shares mean nothing."""
        if not self.relative or len(self.series) < 3:
            return {}
        gap = float(np.median(np.diff(self.series.times)))
        spread = self.individuals.baseline.sd / abs(self.individuals.centre)
        return {rate: gap * delay(rate * gap / 30.0, sd=spread) for rate in (0.01, 0.05)} if gap > 0.0 else {}

    @property
    def signalling(self) -> bool:
        """Whether a chart signals anywhere."""
        return not all(chart.in_control for chart in self.charts.values())

    @property
    def state(self) -> str:
        """`out` when a chart signals at one of the newest readings, `signalled` when it did before, else `in control`."""
        places = {signal.index for chart in self.charts.values() for signal in chart.signals}
        if not places:
            return "in control"
        return "out" if max(places) >= len(self.series) - RECENT else "signalled"

    def to_dict(self) -> dict[str, Any]:
        """The report as it stands in JSON."""
        s = self.series
        readings = [
            {"entry": n, "time": when(t), "value": v, "standard_uncertainty": u, "machine": m, "lot": lot}
            for n, t, v, u, m, lot in zip(s.numbers, s.times.tolist(), s.values.tolist(), s.uncertainties.tolist(), s.machines, s.lots)
        ]
        return {
            "quantity": s.name,
            "title": s.title,
            "unit": s.unit,
            "about": s.about,
            "readings": readings,
            "baseline": self.baseline_text,
            "individuals": self.individuals.to_dict(),
            "ewma": self.ewma.to_dict(),
            "cumulative_sums": dict(zip(("up", "down"), (one.tolist() for one in self.sums)))
            | {"limit": SUM_LIMIT, "run_length": cusum_run_length(SUM_LIMIT)},
            "turning": None if self.turning is None else self._turning_dict(self.turning),
            "found_after_days": [{"fade_in_30_days": rate, "days": days} for rate, days in self.found_after.items()],
            "signalling": self.signalling,
            "state": self.state,
            "trend": None
            if self.trend is None
            else self.trend.to_dict()
            | {
                "change_in_30_days": self.per_month,
                "change_in_30_days_standard_uncertainty": self.per_month_uncertainty,
                "relative": self.relative,
                "since": None if self.trend_since is None else when(self.trend_since),
            },
            "since_settings": self._since_settings_dict(),
            "forecasts": [one.to_dict(s.unit) for one in self.forecasts],
            "between_lots": None if self.components is None else self.components.to_dict(),
            "covariates": None if self.covariates is None else self.covariates.to_dict(),
            "notes": list(self.notes),
        }

    def _since_settings_dict(self) -> dict[str, Any] | None:
        if self.since_settings is None:
            return None
        day, moved = self.since_settings
        return {"date": when(day)} | moved.to_dict()

    def _turning_dict(self, found: Turning) -> dict[str, Any]:
        dates = {name: when(getattr(found, name)) for name in ("time", "low", "high")} if found.kind != "none" else {}
        return {"kind": found.kind, "size": found.size, "unit": self.series.unit, "date": dates.get("time")} | (
            {"interval": [dates["low"], dates["high"]], "confidence": 0.95} if dates else {}
        )


def drift_report(
    logbook: Logbook,
    name: str,
    *,
    machine: str | None = None,
    lot: str | None = None,
    beam: str | None = None,
    since: str | None = None,
    baseline_points: int | None = None,
    centre: float | None = None,
    sd: float | None = None,
    rules: Iterable[str] = ("limit",),
    weight: float = 0.2,
    width: float = 3.0,
    limit: float | None = None,
    confidence: float = 0.95,
    now: float | None = None,
) -> DriftReport:
    """Charts, trend and forecast of one quantity of the logbook.

    Parameters
    ----------
    logbook : Logbook
    name : one of `curecalc.logbook.series.CHARTED`
        `depth` needs `machine`.
    machine, lot, beam : str, optional
        Which entries.
    since : str, optional
        A stored time: leave out what came before. By default what came before the newest machine entry with
        `new_baseline` (a laser serviced) is left out.
    baseline_points : int
        The limits come from so many first readings; by default 20, or the first 8 lots.
    centre, sd : float, optional
        Both, in the unit of the series: limits stated instead.
    rules, weight, width
        As for `individuals_chart` and `ewma_chart`.
    limit : float, optional
        A limit of your own for the forecast, in the unit of the series.
    confidence : float
        Of the forecast's interval.
    now : float, optional
        Days since 1970; the clock by default.

    Raises
    ------
    QuantityError
        Fewer readings than a chart needs, a baseline without scatter, half a stated baseline.
    """
    whole = _series(logbook, name, machine, lot, beam)
    start = since if since is not None else fresh_since(logbook, machine)
    each = whole if start is None else whole.since(days(start))
    of_lots = name in ("penetration_depth", "critical_exposure") and len({one for one in each.lots if one}) > 1
    found = _lot_means(each) if of_lots else each
    base, text = _baseline(logbook, found, machine, baseline_points, centre, sd)
    singles = individuals_chart(found.values, baseline=base, rules=rules, width=width)
    smooth = ewma_chart(found.values, baseline=base, weight=weight, width=width, correlation=_shared(found))
    relative = name in _MULTIPLIED
    begun = _lot_in_vat(found) if name == "depth" else _departed(found, smooth, relative)
    line = None if of_lots or (name == "depth" and len(found) - begun < FEWEST) else _line(found, relative, begun)
    month, month_u = (None, None) if line is None else (30.0 * line.slope, 30.0 * line.slope_uncertainty)
    today = time.time() / 86400.0 if now is None else now
    forecasts = () if line is None else _forecasts(logbook, found, line, relative, machine, limit, confidence, today)
    notes = [*singles.notes, *(line.notes if line is not None else ())]
    if name == "depth":
        notes.append("All stated uncertainties are in the bars; what calibration and machine share (one meter) cancels.")
    return DriftReport(
        found,
        singles,
        smooth,
        text,
        line,
        month,
        month_u,
        relative,
        forecasts,
        _between(each) if of_lots else None,
        _with_covariates(logbook, each) if name == "critical_exposure" else None,
        tuple(notes),
        None if line is None else line.first,
        _since_settings(logbook, found, machine, base),
        None if of_lots or name == "depth" else turning(found.times, found.values, sd=base.sd, correlation=CORRELATION),
    )


def _series(logbook: Logbook, name: str, machine: str | None, lot: str | None, beam: str | None) -> Series:
    if name != "depth":
        found = series(logbook, name, machine=machine, lot=lot, beam=beam)
        if machine is None and name in ("power", "spot") and len({one for one in found.machines if one}) > 1:
            raise QuantityError(
                f"machine is missing: {name} was recorded for {', '.join(sorted({m for m in found.machines if m}))}. Choose one."
            )
        return found
    if machine is None:
        raise QuantityError("machine is missing: the depth of today's settings belongs to a machine. Give its name.")
    return depth_series(logbook, machine)


def _lot_means(found: Series) -> Series:
    """One value a lot, the mean of its calibrations at the time of the first: lots, not calibrations, are charted."""
    places: dict[str, list[int]] = {}
    for index, lot in enumerate(found.lots):
        places.setdefault(lot or "", []).append(index)
    first = found.part(np.array([group[0] for group in places.values()]))
    means = np.array([float(found.values[group].mean()) for group in places.values()])
    spreads = [math.sqrt(float(np.sum(found.uncertainties[group] ** 2))) / len(group) for group in places.values()]
    return replace(first, title=f"{found.title}, mean of each lot", values=means, uncertainties=np.array(spreads))


def _shared(found: Series) -> float:
    """Correlation of neighbouring depths: they share beam and calibration for m rows on average, 1 - 1/m; none of other readings."""
    runs = sum(1 for _ in groupby(found.parts))
    return 1.0 - runs / len(found) if runs else 0.0


def _baseline(
    logbook: Logbook, found: Series, machine: str | None, points: int | None, centre: float | None, sd: float | None
) -> tuple[Baseline, str]:
    if (centre is None) != (sd is None):
        raise QuantityError("centre and sd belong together: give both, or neither and let the first readings set them.")
    if centre is not None and sd is not None:
        if not len(found):
            raise QuantityError(f"there is no reading of {found.name}{_about(found)} in the logbook to chart.")
        return Baseline(centre, sd), f"stated: {centre:g} and standard deviation {sd:g} {found.unit}".rstrip()
    if found.name == "depth" and len(found) and machine is not None:
        force = settings_in_force(logbook, machine)
        spread = float(np.median(found.uncertainties))
        if force is not None and force[0].layer_thickness and force[0].overcure and spread > 0.0:
            wanted = force[0].layer_thickness + force[0].overcure
            return Baseline(wanted, spread), "layer and overcure of the recipe, and the stated uncertainty of one depth"
    lots = found.title.endswith("each lot")
    fewest = FEWEST_LOTS if lots else FEWEST
    points = (BASELINE_LOTS if lots else BASELINE_POINTS) if points is None else points
    if len(found) < fewest:
        raise QuantityError(
            f"a chart needs at least {fewest} readings, and the logbook holds {len(found)} of {found.name}{_about(found)}. "
            "Record more, or state the baseline's centre and sd."
        )
    if points < 2:
        raise QuantityError(f"the baseline needs at least 2 readings, got {points}.")
    count = min(points, len(found))
    first = found.values[:count]
    text = f"the first {count} readings, {when(found.times[0])} to {when(found.times[count - 1])}"
    return baseline(first), text


def _about(found: Series) -> str:
    return f" for {found.about}" if found.about else ""


def _departed(found: Series, smooth: Chart, relative: bool) -> int:
    """Place of the first reading of the trend: when the chart signals now, where the readings bent off their level if enough are left."""
    if len(found) < FEWEST or len(found) - 1 not in [signal.index for signal in smooth.signals]:
        return 0
    begun = int(np.searchsorted(found.times, bend(found.times, np.log(found.values) if relative else found.values)))
    return begun if len(found) - begun >= FEWEST else 0


def _lot_in_vat(found: Series) -> int:
    """Place of the first row of the lot now in the vat: a trend of depth across lots would be one of lots."""
    return len(found) - sum(1 for _ in takewhile(lambda lot: lot == found.lots[-1], reversed(found.lots)))


def _line(found: Series, relative: bool, start: int) -> Trend | None:
    times, values = found.times[start:], found.values[start:]
    if len(times) < 3 or np.ptp(times) == 0.0:
        return None
    return trend(times, np.log(values) if relative else values)


def _since_settings(logbook: Logbook, found: Series, machine: str | None, base: Baseline) -> tuple[float, Change] | None:
    """Newest reading less the one at the newest recipe or retune, by the scatter of single readings: one meter, one shop."""
    force = settings_in_force(logbook, machine) if found.name in ("power", "spot") and machine is not None else None
    if force is None or not len(found):
        return None
    chosen = days(force[1].time)
    place = max(0, int(np.searchsorted(found.times, chosen, side="right")) - 1)
    if place >= len(found) - 1:
        return None
    before, after = float(found.values[place]), float(found.values[-1])
    return chosen, change(before=before, after=after, before_uncertainty=base.sd, after_uncertainty=base.sd)


def _between(found: Series) -> Components | None:
    keep = [i for i, lot in enumerate(found.lots) if lot]
    groups = [found.lots[i] for i in keep]
    try:
        return between_and_within(groups=groups, values=found.values[keep])
    except QuantityError:  # no lot was measured twice
        return None


def _with_covariates(logbook: Logbook, found: Series) -> Covariates | None:
    """ln Ec on temperature and on the age of the lot within lots, where one or both were recorded often enough."""
    opened = {lot: day for *_, lot, _, day in logbook.values("lot", ["opened"]) if day}
    temperature = {number: value for number, *_, value in logbook.values("calibration", ["temperature.value"])}
    ages, degrees = [], []
    for number, day, lot in zip(found.numbers, found.times.tolist(), found.lots):
        since = opened.get(lot)
        ages.append(day - days(f"{since}T00:00:00+00:00") if since else math.nan)
        degrees.append(math.nan if temperature.get(number) is None else float(temperature[number]))
    table = {"temperature": np.array(degrees), "age_days": np.array(ages)}
    use = {name: column for name, column in table.items() if np.isfinite(column).sum() >= 5}
    keep = np.all([np.isfinite(column) for column in use.values()], axis=0) if use else np.zeros(len(found), dtype=bool)
    use = {name: column[keep] for name, column in use.items()}
    lots = [lot or "" for lot, kept in zip(found.lots, keep.tolist()) if kept]
    try:
        return regress(np.log(found.values[keep]), use, groups=lots) if use else None
    except QuantityError:  # too few, or nothing that varies within a lot
        return None


# ---------------------------------------------------------------- forecasts


def power_limits(logbook: Logbook, machine: str, until: str | None = None) -> list[tuple[str, float]]:
    """Powers in mW below which the machine's settings fail: what fails, and the power.

    The bond: today's settings cure no deeper than the layer. The scanner: the recipe's depth would ask for a speed below the
    slowest. Each only where the logbook holds what it takes.
    """
    force = settings_in_force(logbook, machine, until=until)
    lot = logbook.latest("lot", machine=machine, until=until)
    beam = logbook.latest("beam", machine=machine, until=until)
    curve = None if lot is None else logbook.latest("calibration", lot=lot.lot, until=until)
    if force is None or curve is None or beam is None:
        return []
    settings, entry = force
    values: dict[str, Any] = {
        "beam_radius": float(beam.quantity("beam_radius").value.m_as("mm")),  # type: ignore[union-attr]
        "penetration_depth": float(curve.quantity("penetration_depth").value.m_as("mm")),  # type: ignore[union-attr]
        "critical_exposure": float(curve.quantity("critical_exposure").value.m_as("mJ/mm^2")),  # type: ignore[union-attr]
    }
    found = []
    layer = settings.layer_thickness
    if layer is not None:
        found.append(("today's settings cure no deeper than the layer", power_for_depth(settings=settings, depth=layer, **values)))
    slowest = _slowest(logbook, machine)
    if slowest is not None:
        if layer is not None and settings.overcure is not None:
            target = power_for_depth(settings=settings, depth=layer + settings.overcure, **values)
        else:
            recorded = entry.quantity("power")
            target = math.nan if recorded is None else float(recorded.value.m_as("mW"))
        if math.isfinite(target):
            share = slowest / settings.scan_speed
            found.append((f"the recipe would need a speed below the slowest, {slowest:g} mm/s", target * share))
    return found


def _slowest(logbook: Logbook, machine: str) -> float | None:
    for entry in reversed(logbook.entries(kind="machine", machine=machine)):
        speed = entry.quantity("slowest_scan_speed")
        if speed is not None:
            return float(speed.value.m_as("mm/s"))
    return None


def _forecasts(
    logbook: Logbook, found: Series, line: Trend, relative: bool, machine: str | None, limit: float | None, confidence: float, today: float
) -> tuple[Forecast, ...]:
    limits: list[tuple[str, float]] = []
    if found.name == "power" and machine is not None:
        limits = power_limits(logbook, machine)
    if found.name == "depth" and machine is not None:
        settings, _ = settings_in_force(logbook, machine)  # type: ignore[misc]
        if settings.layer_thickness is not None:
            limits = [("the depth is no more than the layer", settings.layer_thickness)]
    if limit is not None:
        if relative and limit <= 0.0:
            raise QuantityError(f"limit must be above zero, got {limit:g} {found.unit}.")
        limits.append(("the limit given", limit))
    return tuple(_forecast(meaning, value, found, line, relative, confidence, today) for meaning, value in limits)


def _forecast(meaning: str, limit: float, found: Series, line: Trend, relative: bool, confidence: float, today: float) -> Forecast:
    target = math.log(limit) if relative else limit
    reached = crossing(line, target, confidence=confidence)
    share = percent(confidence)
    if found.name in ("power", "depth") and float(line.at(today)) <= target:
        text = "already passed."
    elif reached.low > today + FARTHEST:
        text = f"not within {YEARS} years ({share})."
    elif not reached.bounded:
        text = "the readings show no trend clear enough to say when."
        if _is_date(reached.low) and reached.low > today:
            text = f"not before {_date(reached.low, today)} ({share}); the trend is not yet clear enough to say when."
    elif reached.high < today:
        text = "the trend does not run towards it."
    else:
        date, low, high = (_date(day, today) for day in (reached.time, reached.low, reached.high))
        text = f"about {date} ({share}: {low} to {high})."
    text = f"{figure(limit)} {found.unit}".rstrip() + f" ({meaning}): {text}"
    return Forecast(meaning, limit, reached, text)


def _date(day: float, today: float) -> str:
    return when(day) if day < today + FARTHEST else f"{YEARS} years or more"


def _is_date(day: float) -> bool:
    return math.isfinite(day) and 0.0 < day < 80_000.0  # up to the year 2189
