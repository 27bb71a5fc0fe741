"""Control charts of a quantity over time: single readings above, their weighted mean below, the trend drawn on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..logbook.drifting import DriftReport
from ..statistics.charts import Chart
from ..symbols import symbols
from .style import FINE, HOLLOW, INK, TALL, TONES, WIDE, caption, new_figure, panels

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_readings", "draw_weighted", "drift_figure"]

MANY = 1500  # twice as many readings and more are drawn in part
_LABELS = {"spot": "beam radius", "penetration_depth": "Dp", "critical_exposure": "Ec"}  # others are called by their names


def drift_figure(report: DriftReport, width_mm: float = WIDE, height_mm: float = TALL) -> Figure:
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
    upper, lower = panels(figure, 2, right=28.0, top=24.0)
    s = report.series
    about = f", {s.about}" if s.about else ""
    state = {"out": "OUT NOW", "signalled": "signalled before"}.get(report.state, "in control")
    tone = TONES["limit"] if report.state == "out" else TONES["solid"]
    caption(upper, f"{s.title[:1].upper()}{s.title[1:]}{about}".replace("$", r"\$"), xytext=(0, 22), fontsize=13)
    caption(upper, state, xytext=(0, 40), fontsize=13, color=tone, weight="bold")
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
    unit = symbols(report.series.unit).replace("degC", "°C")
    return f"{name} [{unit}]" if report.series.unit else name


def _some(places: np.ndarray) -> np.ndarray:
    """Places of readings, or of a share of very many: dots beyond some thousand run together."""
    return places[:: max(1, len(places) // MANY)]


def _signalled(chart: Chart) -> np.ndarray:
    return np.array([signal.index for signal in chart.signals], dtype=int)


def draw_readings(ax: Axes, report: DriftReport) -> None:
    """Single readings with their uncertainty bars, limits and trend."""
    s, chart = report.series, report.individuals
    x, y, u = _dates(s.times), s.values, s.uncertainties
    _baseline_band(ax, report, x)
    low, high = float(chart.lower[0]), float(chart.upper[0])
    lines = [(high, "upper", TONES["limit"], "--"), (chart.centre, "centre", INK, "-"), (low, "lower", TONES["limit"], "--")]
    span = max(float(y.max()), high) - min(float(y.min()), low)
    for one in report.forecasts:  # a limit the trend may reach, where it is not far off the paper
        if min(abs(one.limit - low), abs(one.limit - float(y.min()))) < 0.6 * span:
            lines.append((one.limit, "layer" if s.name == "depth" else "bond lost" if "cure no" in one.meaning else "limit", INK, ":"))
    for level, _, tone, style in lines:
        ax.axhline(level, color=tone, linewidth={"-": 1.1, "--": 1.5, ":": 2.2}[style], linestyle=style)
    at = np.arange(len(s))
    shown = _some(at)
    out, quiet = np.intersect1d(at, _signalled(chart)), np.setdiff1d(shown, _signalled(chart))
    bars = np.stack([y - u, y + u, np.full(len(s), np.nan)], 1)[shown].ravel()  # one line with gaps, drawn in a fraction of the time
    ax.plot(np.repeat(x[shown], 3), bars, color=TONES["faint"], linewidth=1.0, solid_capstyle="butt", zorder=2)
    ax.plot(x[quiet], y[quiet], "o", color=TONES["solid"], markersize=4.5 if len(s) < MANY else 1.0, zorder=3)
    ax.plot(x[out], y[out], "D", color=TONES["limit"], markersize=6 if len(s) < MANY else 2.5, zorder=4, **HOLLOW)
    trend, trended = report.trend, ""
    if trend is not None and trend.p_value < 0.05:
        trended = "; dash-dot: trend"
        t = np.linspace(trend.first, trend.last, FINE)
        ax.plot(_dates(t), np.exp(trend.at(t)) if report.relative else trend.at(t), "-.", color=TONES["second"], linewidth=2.0, zorder=5)
    _lot_names(ax, report, x)
    _beside(ax, [(level, text, tone) for level, text, tone, _ in lines])
    ax.set_ylabel(_unit(report))
    which = "single readings" if len(shown) == len(s) else f"one single reading in {shown[1]}"
    words = f"{which}, bars: one standard uncertainty; diamonds: a rule signals{trended}"
    ax.set_title(words, loc="left", size=9, color=INK)
    _date_axis(ax)
    pad = 0.02 * max(1.0, float(np.ptp(x)))
    ax.set_xlim(float(x[0]) - pad, float(x[-1]) + pad)


def draw_weighted(ax: Axes, report: DriftReport) -> None:
    """The exponentially weighted mean inside its limits."""
    chart, x = report.ewma, _dates(report.series.times)
    out = _some(_signalled(chart))
    keep = np.union1d(_some(np.arange(len(x))), out)
    ax.fill_between(x[keep], chart.lower[keep], chart.upper[keep], color=TONES["light"], alpha=0.6, linewidth=0.0)
    for edge in (chart.lower, chart.upper):
        ax.plot(x[keep], edge[keep], color=TONES["limit"], linewidth=1.3, linestyle="--")
    ax.axhline(chart.centre, color=INK, linewidth=1.1)
    ax.plot(x[keep], chart.plotted[keep], color=TONES["solid"], linewidth=1.8)
    ax.plot(x[out], chart.plotted[out], "D", color=TONES["limit"], markersize=5 if len(x) < MANY else 2.5, **HOLLOW)
    ax.set_ylabel(_unit(report))
    words = f"weighted mean, the newest counts {chart.weight:g}; band: where it stays while nothing changes"
    ax.set_title(words, loc="left", size=9, color=INK)
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
