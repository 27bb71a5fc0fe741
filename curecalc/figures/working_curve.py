"""The working curve of a lot on a logarithmic axis: coupons and readings, line and bands, Ec, wanted depths, residuals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..statistics.working_line import bands
from ..symbols import percent, symbols
from ..units import IN_CM2, IN_UM, MJ_CM2, MM, figure, show
from .style import INK, TONES, axes, new_figure, plain_log

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..calibration.fit import Fit

__all__ = ["draw_residuals", "draw_working_curve", "working_curve_figure"]


def working_curve_figure(fit: Fit, width_mm: float = 170.0, height_mm: float = 150.0) -> Figure:
    """A figure of its own: the curve above, the residuals beneath on the same exposure axis.

    Parameters
    ----------
    fit : Fit
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    picture = new_figure(width_mm, height_mm)
    upper = axes(picture, (0.11, 0.35, 0.86, 0.50))
    lower = axes(picture, (0.11, 0.09, 0.86, 0.19))
    draw_working_curve(upper, fit)
    draw_residuals(lower, fit)
    lower.set_xlim(upper.get_xlim())
    upper.set_xlabel("")
    return picture


def _range(fit: Fit) -> tuple[float, float]:
    e = IN_CM2 * fit.coupons.exposure
    low, high = float(np.min(e)), float(np.max(e))
    ec = fit.critical_exposure.value.m_as(MJ_CM2)
    ends = [q.m_as(MJ_CM2) for q in fit.critical_exposure_interval]
    # Ec and its interval belong in the picture unless they lie absurdly far away
    if ec > low / 30.0:
        low = min(low, ec, ends[0] if np.isfinite(ends[0]) and ends[0] > low / 30.0 else ec)
    for wanted in fit.exposure_for_depth:
        value = wanted.exposure.m_as(MJ_CM2)
        if low / 30.0 < value < 30.0 * high:
            low, high = min(low, value), max(high, value)
    return low / 1.12, high * 1.12


def draw_working_curve(ax: Axes, fit: Fit) -> None:
    """Thickness against exposure: the line, its confidence band, the prediction band of one coupon, Ec, wanted depths."""
    c, line = fit.coupons, fit.line
    low, high = _range(fit)
    x = np.linspace(np.log(low), np.log(high), 300)
    y = line.y_mean + line.slope * (x - line.x_mean)
    mean, single = bands(line, x, confidence=fit.confidence, coupon_variance=fit.working_line.coupon_variance)
    e, sure = np.exp(x), percent(fit.confidence)
    ax.fill_between(
        e, IN_UM * (y - single), IN_UM * (y + single), color=TONES["light"], alpha=0.55, edgecolor="none", label=f"{sure} for one coupon"
    )
    for sign in (-1, 1):
        ax.plot(
            e,
            IN_UM * (y + sign * mean),
            color=TONES["solid"],
            linewidth=1.0,
            linestyle=(0, (5, 2)),
            label=f"{sure} for the mean" if sign > 0 else None,
        )
    ax.plot(e, IN_UM * y, color=TONES["solid"], linewidth=2.2, label="working curve")
    many = c.readings.size > len(c)
    size = 6.5 if len(c) < 200 else 2.5
    ax.plot(
        IN_CM2 * c.exposure,
        IN_UM * c.thickness,
        linestyle="none",
        marker="o",
        markersize=size,
        markerfacecolor="white",
        markeredgecolor=INK,
        markeredgewidth=1.5,
        label="coupons" + (" (mean)" if many else ""),
        zorder=4,
    )
    if many and c.readings.size <= 2000:
        ax.plot(
            IN_CM2 * c.exposure[c.reading_of],
            IN_UM * c.readings,
            linestyle="none",
            marker="_",
            markersize=17,
            color=INK,
            markeredgewidth=0.8,
            label="readings",
            zorder=3,
        )
    for k, out in enumerate(fit.left_out):
        ax.plot(out.exposure, IN_UM * out.thickness, "x", markersize=8, color=TONES["second"], label=None if k else "left out")
        ax.annotate(
            f"{out.label}: {out.reason}",
            (out.exposure, IN_UM * out.thickness),
            xytext=(8, -4),
            textcoords="offset points",
            fontsize=9,
            color=TONES["second"],
        )
    _outliers(ax, fit)
    plain_log(ax.xaxis)
    ax.set_xlim(low, high)
    top = IN_UM * max(float(c.thickness.max()), float(y[-1]), float(c.readings.max()) if c.readings.size <= 2000 else 0.0)
    ax.set_ylim(-0.13 * top, 1.08 * top)
    ax.axhline(0.0, color=INK, linewidth=1.0)
    _threshold(ax, fit, top)
    _wanted(ax, fit, low)
    ax.set_xlabel("exposure (mJ/cm²)")
    ax.set_ylabel("thickness (µm)")
    ax.set_title(_title(fit), loc="left", pad=44)
    ax.legend(
        loc="lower left",
        bbox_to_anchor=(-0.01, 1.0),
        ncols=3,
        frameon=False,
        fontsize=9.5,
        labelcolor=INK,
        borderaxespad=0.2,
        columnspacing=1.6,
    )


def _title(fit: Fit) -> str:
    lot = fit.coupons.names.get("lot")
    head = f"Lot {lot}: " if lot else ""
    return symbols(f"{head}Dp {show(fit.penetration_depth)}, Ec {show(fit.critical_exposure)}")


def _outliers(ax: Axes, fit: Fit) -> None:
    c = fit.coupons
    late = 0.25 * float(c.x.min()) + 0.75 * float(c.x.max())
    mark: dict[str, Any] = {"linestyle": "none", "color": TONES["limit"], "zorder": 5}
    for o in fit.outliers:
        i = c.labels.index(o.coupon)
        reading = o.kind == "reading" and o.reading is not None
        at = (IN_CM2 * float(c.exposure[i]), IN_UM * float(o.reading if reading and o.reading is not None else c.thickness[i]))
        if reading:
            ax.plot(*at, marker="x", markersize=9, markeredgewidth=2.0, **mark)
        else:
            ax.plot(*at, marker="D", markersize=13, markerfacecolor="none", markeredgewidth=1.6, **mark)
        # above the line text goes to the left, below it to the right, where the line is not; at the right edge it hangs below
        above, edge = o.deviation > 0, float(c.x[i]) > late
        where: dict[str, Any] = {"xytext": (12, -6), "ha": "left"}
        if above:
            where = {"xytext": (-12, 6), "ha": "right"}
        elif edge:
            where = {"xytext": (10, -62), "ha": "right", "arrowprops": {"arrowstyle": "-", "color": TONES["limit"], "shrinkB": 9}}
        ax.annotate(
            f"{'reading on' if reading else 'coupon'} {o.coupon}: check",
            at,
            textcoords="offset points",
            color=TONES["limit"],
            fontsize=10,
            **where,
        )


def _threshold(ax: Axes, fit: Fit, top: float) -> None:
    ec = fit.critical_exposure.value.m_as(MJ_CM2)
    low, high = (q.m_as(MJ_CM2) for q in fit.critical_exposure_interval)
    if not ax.get_xlim()[0] <= ec <= ax.get_xlim()[1]:
        return
    ax.plot([ec], [0.0], marker="^", markersize=9, color=TONES["limit"], clip_on=False, zorder=6)
    if np.isfinite(low) and np.isfinite(high):
        ax.plot([low, high], [0.0, 0.0], color=TONES["limit"], linewidth=4.0, alpha=0.7, solid_capstyle="butt", zorder=5)
        text = f"Ec {figure(ec, fit.critical_exposure.standard_uncertainty.m_as(MJ_CM2))}"
    else:
        text = f"Ec {figure(ec)}, no bounds"
    ax.annotate(text, (ec, 0.0), xytext=(7, -7), textcoords="offset points", color=TONES["limit"], fontsize=10, ha="left", va="top")


def _wanted(ax: Axes, fit: Fit, low: float) -> None:
    for wanted in fit.exposure_for_depth:
        e, d = wanted.exposure.m_as(MJ_CM2), IN_UM * wanted.depth.m_as(MM)
        if not low <= e <= ax.get_xlim()[1] or d > ax.get_ylim()[1]:
            continue
        ax.plot([low, e, e], [d, d, 0.0], color=TONES["second"], linewidth=1.4, linestyle="-.")
        ends = [q.m_as(MJ_CM2) for q in wanted.next_interval]
        if all(np.isfinite(ends)):
            ax.plot(ends, [d, d], color=TONES["second"], linewidth=3.0, solid_capstyle="butt")
        ax.annotate(
            f"{figure(d, digits=3)} µm: {figure(e, digits=3)} mJ/cm²",
            (low, d),
            xytext=(5, 3),
            textcoords="offset points",
            color=TONES["second"],
            fontsize=10,
            va="bottom",
            zorder=6,
        )


def draw_residuals(ax: Axes, fit: Fit) -> None:
    """Coupon minus line, in um, with the limits within which 95 % (or other) of coupons should lie."""
    c, line = fit.coupons, fit.line
    residual = IN_UM * (c.thickness - line.y_mean - line.slope * (c.x - line.x_mean))
    low, high = _range(fit)
    x = np.linspace(np.log(low), np.log(high), 100)
    half = IN_UM * bands(line, x, confidence=fit.confidence, coupon_variance=fit.working_line.coupon_variance)[1]
    ax.fill_between(np.exp(x), -half, half, color=TONES["light"], alpha=0.55, edgecolor="none")
    ax.axhline(0.0, color=TONES["solid"], linewidth=1.8)
    e = IN_CM2 * c.exposure
    if len(c) <= 200:
        ax.vlines(e, 0.0, residual, color=INK, linewidth=1.0)
    ax.plot(e, residual, linestyle="none", marker="o", markersize=5 if len(c) < 200 else 2, markerfacecolor="white", markeredgecolor=INK)
    inside = half[(x >= c.x.min() - 1e-9) & (x <= c.x.max() + 1e-9)]
    size = max(float(np.abs(residual).max()), float(inside.max()) if inside.size else 0.0, 1e-9)
    plain_log(ax.xaxis)
    ax.set_xlim(low, high)
    ax.set_ylim(-1.2 * size, 1.2 * size)
    ax.set_xlabel("exposure (mJ/cm²)")
    ax.set_ylabel("residual (µm)")
