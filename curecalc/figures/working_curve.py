"""The working curve of a lot on a logarithmic axis: coupons and readings, line and bands, Ec, wanted depths, residuals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..statistics.working_line import bands
from ..symbols import percent, symbols
from ..units import IN_CM2, IN_UM, MJ_CM2, MM, figure, show
from .style import FINE, HOLLOW, INK, TALL, TONES, WIDE, new_figure, panels, plain_log

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..calibration.fit import Fit

__all__ = ["draw_residuals", "draw_working_curve", "working_curve_figure"]


def working_curve_figure(fit: Fit, width_mm: float = WIDE, height_mm: float = TALL) -> Figure:
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
    upper, lower = panels(picture, 2, top=22.0)
    draw_working_curve(upper, fit)
    draw_residuals(lower, fit)
    lower.set_xlim(upper.get_xlim())
    upper.set_xlabel("")
    return picture


def _range(fit: Fit) -> tuple[float, float]:
    e = IN_CM2 * fit.coupons.exposure
    low, high = float(np.min(e)), float(np.max(e))
    ec = fit.critical_exposure.value.m_as(MJ_CM2)
    first, _ = (q.m_as(MJ_CM2) for q in fit.critical_exposure_interval)
    # Ec and its interval belong in the picture unless they lie absurdly far away
    if ec > low / 30.0:
        low = min(low, ec, first if first > low / 30.0 else ec)  # of no bound (nan), Ec
    for wanted in fit.exposure_for_depth:
        value = wanted.exposure.m_as(MJ_CM2)
        if low / 30.0 < value < 30.0 * high:
            low, high = min(low, value), max(high, value)
    return low / 1.12, high * 1.12


def draw_working_curve(ax: Axes, fit: Fit) -> None:
    """Thickness against exposure: the line, its confidence band, the prediction band of one coupon, Ec, wanted depths."""
    c, line = fit.coupons, fit.line
    low, high = _range(fit)
    x = np.linspace(np.log(low), np.log(high), FINE)
    y = line.y_mean + line.slope * (x - line.x_mean)
    mean, single = bands(line, x, confidence=fit.confidence, coupon_variance=fit.working_line.coupon_variance)
    e, sure = np.exp(x), percent(fit.confidence)
    ax.fill_between(
        e, IN_UM * (y - single), IN_UM * (y + single), color=TONES["light"], alpha=0.55, edgecolor="none", label=f"{sure} for one coupon"
    )
    for edge, label in ((y + mean, f"{sure} for the mean"), (y - mean, None)):
        ax.plot(e, IN_UM * edge, color=TONES["solid"], linewidth=1.0, linestyle="--", label=label)
    ax.plot(e, IN_UM * y, color=TONES["solid"], linewidth=2.2, label="working curve")
    many = c.readings.size > len(c)
    ax.plot(
        IN_CM2 * c.exposure,
        IN_UM * c.thickness,
        linestyle="none",
        marker="o",
        markersize=6 if len(c) < 200 else 2.5,
        markeredgecolor=INK,
        label="coupons" + (" (mean)" if many else ""),
        zorder=4,
        **HOLLOW,
    )
    if many:
        ax.plot(
            IN_CM2 * c.exposure[c.reading_of],
            IN_UM * c.readings,
            linestyle="none",
            marker="_",
            markersize=17,
            color=INK,
            label="readings",
            zorder=3,
        )
    if fit.left_out:
        left = [(out.exposure, IN_UM * out.thickness) for out in fit.left_out]
        ax.plot(*zip(*left), "x", markersize=8, color=TONES["second"], label="left out")
    for out in fit.left_out:
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
    top = IN_UM * float(max(c.thickness.max(), c.readings.max(), y.max()))
    ax.set_ylim(-0.13 * top, 1.08 * top)
    ax.axhline(0.0, color=INK, linewidth=1.0)
    _threshold(ax, fit)
    _wanted(ax, fit)
    ax.set_xlabel("exposure (mJ/cm²)")
    ax.set_ylabel("thickness (µm)")
    ax.set_title(_title(fit), loc="left", pad=44)
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, frameon=False, fontsize=9.5, labelcolor=INK)


def _title(fit: Fit) -> str:
    lot = fit.coupons.names.get("lot")
    head = f"Lot {lot}: " if lot else ""
    return symbols(f"{head}Dp {show(fit.penetration_depth)}, Ec {show(fit.critical_exposure)}")


def _outliers(ax: Axes, fit: Fit) -> None:
    c = fit.coupons
    late = np.quantile(c.x, 0.75)
    mark: dict[str, Any] = {"linestyle": "none", "color": TONES["limit"]}
    for o in fit.outliers:
        i = c.labels.index(o.coupon)
        reading = o.reading if o.kind == "reading" else None
        at = (IN_CM2 * float(c.exposure[i]), IN_UM * float(c.thickness[i] if reading is None else reading))
        if reading is not None:
            ax.plot(*at, marker="x", markersize=9, zorder=5, **mark)
        else:
            ax.plot(*at, marker="D", markersize=13, markerfacecolor="none", zorder=5, **mark)
        # above the line text goes to the left, below it to the right, where the line is not; at the right edge it hangs below
        above, edge = o.deviation > 0, c.x[i] > late
        ax.annotate(
            f"{'coupon' if reading is None else 'reading on'} {o.coupon}: check",
            at,
            xytext=(-12, 6) if above else (10, -62) if edge else (12, -6),
            textcoords="offset points",
            ha="right" if above or edge else "left",
            color=TONES["limit"],
            fontsize=10,
            arrowprops={"arrowstyle": "-", "color": TONES["limit"]} if edge and not above else None,
        )


def _threshold(ax: Axes, fit: Fit) -> None:
    ec = fit.critical_exposure.value.m_as(MJ_CM2)
    low, high = (q.m_as(MJ_CM2) for q in fit.critical_exposure_interval)
    first, last = ax.get_xlim()
    if not first <= ec <= last:
        return
    ax.plot([ec], [0.0], marker="^", markersize=9, color=TONES["limit"], clip_on=False, zorder=6)
    if np.isfinite(low) and np.isfinite(high):
        ax.plot([low, high], [0.0, 0.0], color=TONES["limit"], linewidth=4.0, alpha=0.7, solid_capstyle="butt", zorder=5)
        text = f"Ec {figure(ec, fit.critical_exposure.standard_uncertainty.m_as(MJ_CM2))}"
    else:
        text = f"Ec {figure(ec)}, no bounds"
    ax.annotate(text, (ec, 0.0), xytext=(7, -7), textcoords="offset points", color=TONES["limit"], fontsize=10, ha="left", va="top")


def _wanted(ax: Axes, fit: Fit) -> None:
    low, high = ax.get_xlim()
    for wanted in fit.exposure_for_depth:
        e, d = wanted.exposure.m_as(MJ_CM2), IN_UM * wanted.depth.m_as(MM)
        if not low <= e <= high:
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
    x = np.linspace(np.log(low), np.log(high), FINE)
    half, largest = (
        IN_UM * bands(line, at, confidence=fit.confidence, coupon_variance=fit.working_line.coupon_variance)[1] for at in (x, c.x)
    )
    ax.fill_between(np.exp(x), -half, half, color=TONES["light"], alpha=0.55, edgecolor="none")
    ax.axhline(0.0, color=TONES["solid"], linewidth=1.8)
    e = IN_CM2 * c.exposure
    ax.vlines(e, 0.0, residual, color=INK, linewidth=1.0)
    ax.plot(e, residual, linestyle="none", marker="o", markersize=6 if len(c) < 200 else 2.5, markeredgecolor=INK, **HOLLOW)
    size = float(max(np.abs(residual).max(), largest.max())) or 1.0
    plain_log(ax.xaxis)
    ax.set_xlim(low, high)
    ax.set_ylim(-1.2 * size, 1.2 * size)
    ax.set_xlabel("exposure (mJ/cm²)")
    ax.set_ylabel("residual (µm)")
