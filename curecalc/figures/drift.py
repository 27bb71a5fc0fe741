"""Control charts of a quantity over time: single readings above, their weighted mean below, the trend drawn on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..logbook.drifting import DriftReport
from .style import INK, TONES, axes, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_readings", "draw_weighted", "drift_figure"]

MANY = 1500  # above this, bars are drawn for a share of the readings only
_LABELS = {
    "power": "power",
    "spot": "beam radius",
    "penetration_depth": "Dp",
    "critical_exposure": "Ec",
    "temperature": "temperature",
    "humidity": "humidity",
    "depth": "depth",
}


def drift_figure(report: DriftReport, width_mm: float = 190.0, height_mm: float = 140.0) -> Figure:
    """Both charts of a report on one sheet.

    Parameters
    ----------
    report : DriftReport
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    upper = axes(figure, (0.105, 0.50, 0.745, 0.385))
    lower = axes(figure, (0.105, 0.105, 0.745, 0.29))
    s = report.series
    about = f", {s.about}" if s.about else ""
    figure.text(0.012, 0.955, f"{s.title[0].upper()}{s.title[1:]}{about}".replace("$", r"\$"), size=13, color=INK, va="center")
    state = {"out": "OUT NOW", "signalled": "signalled before"}.get(report.state, "in control")
    figure.text(
        0.988,
        0.955,
        state,
        size=13,
        color=TONES["limit"] if report.state == "out" else TONES["solid"],
        va="center",
        ha="right",
        weight="bold",
    )
    draw_readings(upper, report)
    draw_weighted(lower, report)
    lower.set_xlim(upper.get_xlim())
    upper.tick_params(labelbottom=False)
    return figure


def _dates(days: Any) -> Any:
    return np.asarray(days, dtype=np.float64)  # days since 1970 are what the date axis counts


def _date_axis(ax: Axes) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=4, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))


def _unit(report: DriftReport) -> str:
    name = _LABELS.get(report.series.name, report.series.name)
    unit = report.series.unit.replace("^2", "\u00b2")
    return f"{name} [{unit}]" if report.series.unit else name


def draw_readings(ax: Axes, report: DriftReport) -> None:
    """Single readings with their uncertainty bars, limits and trend."""
    s, chart = report.series, report.individuals
    x, y = _dates(s.times), s.values
    out = np.zeros(len(s), dtype=bool)
    out[[signal.index for signal in chart.signals]] = True
    _baseline_band(ax, report, x)
    low, high = float(chart.lower[0]), float(chart.upper[0])
    lines = [(high, "upper", TONES["limit"], "--"), (chart.centre, "centre", INK, "-"), (low, "lower", TONES["limit"], "--")]
    span = max(float(y.max()), high) - min(float(y.min()), low)
    for one in report.forecasts:  # a limit the trend may reach, where it is not far off the paper
        if min(abs(one.limit - low), abs(one.limit - float(y.min()))) < 0.6 * span:
            lines.append((one.limit, "layer" if s.name == "depth" else "bond lost" if "cure no" in one.meaning else "limit", INK, ":"))
    for level, _, tone, style in lines:
        ax.axhline(level, color=tone, linewidth={"-": 1.1, "--": 1.5, ":": 2.2}[style], linestyle=style)
    bars = np.arange(len(s)) if len(s) <= MANY else np.arange(0, len(s), len(s) // 400)
    ax.vlines(x[bars], (y - s.uncertainties)[bars], (y + s.uncertainties)[bars], color=TONES["faint"], linewidth=1.0, zorder=2)
    size = 4.5 if len(s) <= 200 else 2.5 if len(s) <= MANY else 1.0
    thin = 1 if len(s) <= 3 * MANY else len(s) // (2 * MANY)
    shown = np.flatnonzero(~out)[::thin]
    ax.plot(x[shown], y[shown], linestyle="none", marker="o", color=TONES["solid"], markersize=size, zorder=3)
    ax.plot(
        x[out],
        y[out],
        linestyle="none",
        marker="D",
        markerfacecolor="white",
        markeredgecolor=TONES["limit"],
        markersize=size + 1.5,
        markeredgewidth=1.4 if len(s) <= MANY else 0.6,
        zorder=4,
    )
    if report.trend is not None and report.trend.p_value < 0.05:
        t = np.linspace(report.trend.first, report.trend.last, 50)
        line = np.exp(report.trend.at(t)) if report.relative else report.trend.at(t)
        ax.plot(_dates(t), line, color=TONES["second"], linewidth=2.0, linestyle="-.", zorder=5)
    _lot_names(ax, report, x)
    _beside(ax, [(level, text, tone) for level, text, tone, _ in lines])
    ax.set_ylabel(_unit(report))
    trended = "; dash-dot: trend" if report.trend is not None and report.trend.p_value < 0.05 else ""
    which = "single readings" if thin == 1 else f"one single reading in {thin}"
    words = f"{which}, bars: one standard uncertainty; diamonds: a rule signals{trended}"
    ax.set_title(words, loc="left", size=9.5, color=INK)
    _date_axis(ax)
    pad = 0.02 * max(1.0, float(np.ptp(x)))
    ax.set_xlim(float(x[0]) - pad, float(x[-1]) + pad)


def draw_weighted(ax: Axes, report: DriftReport) -> None:
    """The exponentially weighted mean inside its limits."""
    chart, x = report.ewma, _dates(report.series.times)
    out = np.zeros(len(x), dtype=bool)
    out[[signal.index for signal in chart.signals]] = True
    thin = 1 if len(x) <= 3 * MANY else len(x) // (2 * MANY)
    keep = np.unique(np.concatenate([np.arange(min(200, len(x))), np.arange(0, len(x), thin), np.flatnonzero(out)]))
    if len(keep) > 8 * MANY:  # all of it is out: the line says it
        keep = np.arange(0, len(x), thin)
    ax.fill_between(x[keep], chart.lower[keep], chart.upper[keep], color=TONES["light"], alpha=0.6, linewidth=0)
    for edge in (chart.lower, chart.upper):
        ax.plot(x[keep], edge[keep], color=TONES["limit"], linewidth=1.3, linestyle="--")
    ax.axhline(chart.centre, color=INK, linewidth=1.1)
    ax.plot(x[keep], chart.plotted[keep], color=TONES["solid"], linewidth=1.8)
    if len(x) <= MANY:
        ax.plot(
            x[out],
            chart.plotted[out],
            linestyle="none",
            marker="D",
            markerfacecolor="white",
            markeredgecolor=TONES["limit"],
            markersize=5,
            markeredgewidth=1.2,
        )
    ax.set_ylabel(_unit(report))
    words = f"weighted mean, the newest counts {chart.weight:g}; band: where it stays while nothing changes"
    ax.set_title(words, loc="left", size=9.5, color=INK)
    low, high = chart.steady_limits
    _beside(ax, [(high, "upper", TONES["limit"]), (chart.centre, "centre", INK), (low, "lower", TONES["limit"])])
    _date_axis(ax)


def _beside(ax: Axes, lines: list[tuple[float, str, str]]) -> None:
    """Names and values of levels to the right of the axes, moved apart where they would touch."""
    low, high = ax.get_ylim()
    shares = [(level - low) / (high - low) for level, _, _ in lines]
    step = 9.5 * 1.3 * ax.figure.dpi / 72.0 / ax.get_window_extent().height
    order = sorted(range(len(lines)), key=lambda i: shares[i])
    placed: list[float] = []
    for i in order:
        placed.append(max(shares[i], placed[-1] + step) if placed else shares[i])
    shift = sum(place - shares[i] for place, i in zip(placed, order)) / len(order)
    shift = max(shift, placed[-1] - 0.99)  # the highest stays beside the axes
    for place, i in zip(placed, order):
        level, text, tone = lines[i]
        ax.annotate(
            f"{text} {level:.4g}",
            (1.0, place - shift),
            xycoords="axes fraction",
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            ha="left",
            size=9.5,
            color=tone,
            annotation_clip=False,
        )


def _baseline_band(ax: Axes, report: DriftReport, x: np.ndarray) -> None:
    count = report.individuals.baseline.points
    if count < 2:
        return
    ax.axvspan(float(x[0]), float(x[count - 1]), color=TONES["light"], alpha=0.5, linewidth=0)
    ax.annotate(
        "baseline",
        (float(x[0]), 0.0),
        xycoords=("data", "axes fraction"),
        xytext=(0, -5),
        textcoords="offset points",
        va="top",
        size=9,
        color=INK,
        annotation_clip=False,
    )


def _lot_names(ax: Axes, report: DriftReport, x: np.ndarray) -> None:
    s = report.series
    if s.name not in ("penetration_depth", "critical_exposure", "depth"):
        return
    starts = [i for i, lot in enumerate(s.lots) if lot and (i == 0 or lot != s.lots[i - 1])]
    if len(starts) > 16:
        return
    low, high = ax.get_ylim()
    ax.set_ylim(low - 0.02 * (high - low), high + 0.13 * (high - low))
    for place, i in enumerate(starts):
        if len(starts) > 1 and s.name == "depth":
            ax.axvline(float(x[i]), color=TONES["faint"], linewidth=0.8, linestyle=":")
        ax.annotate(
            str(s.lots[i])[:12].replace("$", r"\$"),
            (float(x[i]), 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(2, -3 if place % 2 == 0 else -13),
            textcoords="offset points",
            va="top",
            ha="left" if s.name == "depth" else "center",
            size=8,
            color=INK,
        )
