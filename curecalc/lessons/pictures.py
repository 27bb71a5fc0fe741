"""Figures of the lessons: one a lesson, drawn with the numbers of a bench."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from ..figures.section import draw_section
from ..figures.style import FINE, HIGH, INK, PLATE, TONES, WIDE, new_figure, panels, plain_log
from ..formulas.scan import Scan
from ..physics import laws, raster, spot
from ..setting.answer import evaluate
from ..symbols import percent
from ..units import IN_UM, MJ_CM2, MM, MW, MW_MM2

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from .bench import Bench

__all__ = ["LESSON_FIGURES", "lesson_figure"]


def lesson_figure(name: str, bench: Bench, width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
    """The figure of a lesson, by the lesson's name."""
    figure = new_figure(width_mm, height_mm)
    (ax,) = panels(figure, left=25.0, top=18.0)  # room for words in place of numbers, and for a caption under the title
    LESSON_FIGURES[name](ax, bench)
    return figure


def _mm(quantity: object) -> float:
    return float(quantity.m_as(MM))  # type: ignore[attr-defined]


def _note(ax: Axes, text: str, at: tuple[float, float], *, color: str = INK, **more: Any) -> None:
    ax.annotate(text, at, fontsize=10, color=color, textcoords="offset points", **more)


def _exposure(ax: Axes, b: Bench) -> None:
    ax.set_aspect("equal")
    ax.set_xlim(-0.3, 10.3)
    ax.set_ylim(-0.3, 10.3)
    ruled = range(11)
    ax.set(xticks=ruled[::2], yticks=ruled[::2])
    ax.grid(visible=False)
    for k in ruled:
        ax.plot([k, k], [0, 10], color=TONES["faint"], linewidth=0.8)
        ax.plot([0, 10], [k, k], color=TONES["faint"], linewidth=0.8)
    ax.fill_between([4, 5], 5, 6, color=TONES["solid"])
    ax.annotate("1 mm^2", (4.5, 5.5), xytext=(5.6, 7.6), fontsize=11, color=INK, arrowprops={"arrowstyle": "->", "color": INK}, bbox=PLATE)
    ax.set_xlabel("mm")
    ax.set_ylabel("mm")
    ax.set_title("1 cm^2 = 100 mm^2", loc="left", pad=8)


def _absorption(ax: Axes, b: Bench) -> None:
    from .numbers import NUMBERS

    surface = float(NUMBERS["absorption"](b)["surface_exposure"].m_as(MJ_CM2))
    dp = _mm(b.penetration_depth)
    z = np.linspace(0.0, 4.0 * dp, FINE)
    law = laws.Plain(dp, surface)
    ax.fill_between(z, 0.0, law.below(surface, z), color=TONES["light"])
    ax.plot(z, law.below(surface, z), color=TONES["solid"], linewidth=2.2)
    for n in (1, 2, 3):
        left = float(law.below(surface, n * dp))
        ax.plot([n * dp] * 2, [0.0, left], color=INK, linewidth=1.2, linestyle="--")
        ax.plot([n * dp], [left], marker="o", color=INK, markersize=6)
        _note(ax, f"{n} Dp: {percent(left / surface, '.1f')}", (n * dp, left), xytext=(6, 6))
    ax.set_xlim(0.0, 4.0 * dp)
    ax.set_ylim(0.0, 1.08 * surface)
    ax.set_xlabel("depth below the surface (mm)")
    ax.set_ylabel("exposure (mJ/cm²)")
    ax.set_title(f"Dp = {dp:.4g} mm: the light fades by equal shares", loc="left", pad=8)


def _working_curve(ax: Axes, b: Bench) -> None:
    dp, ec = _mm(b.penetration_depth), float(b.critical_exposure.m_as(MJ_CM2))
    e = np.geomspace(ec, 9.6 * ec, FINE)
    ax.semilogx(e, laws.Plain(dp, ec).depth(e), color=TONES["solid"], linewidth=2.4)
    double = float(laws.Plain(dp, 1.0).height(2.0))
    for n in range(3):
        low, high = 2**n * ec, 2 ** (n + 1) * ec
        ax.plot([low, high, high], [n * double] * 2 + [(n + 1) * double], color=INK, linewidth=1.1, linestyle="--")
        _note(ax, "x 2", (math.sqrt(low * high), n * double), xytext=(0, -13), ha="center")
        _note(ax, f"+{double:.3f} mm", (high, (n + 0.5) * double), xytext=(5, -4))
    ax.plot([ec], [0.0], marker="o", color=TONES["limit"], markersize=8, clip_on=False)
    _note(ax, f"Ec = {ec:.4g}", (ec, 0.0), xytext=(-6, 9), color=TONES["limit"], ha="right")
    plain_log(ax.xaxis)
    ax.set_xlim(0.5 * ec, 13.5 * ec)
    ax.set_ylim(-0.18 * dp, 2.35 * dp)
    ax.set_xlabel("exposure (mJ/cm²), logarithmic scale")
    ax.set_ylabel("cure depth (mm)")
    ax.set_title("Each doubling adds the same depth", loc="left", pad=8)


def _spot(ax: Axes, b: Bench) -> None:
    w, p = _mm(b.beam_radius), float(b.power.m_as(MW))
    edge = 1.9 * w
    r = np.linspace(-edge, edge, FINE)
    top = float(spot.irradiance(p, w, w, 0.0, 0.0))
    light = spot.irradiance(p, w, w, np.abs(r), 0.0)
    ax.fill_between(r, 0.0, light, color=TONES["light"])
    ax.plot(r, light, color=TONES["solid"], linewidth=2.2)
    half = 0.5 * spot.FWHM_PER_RADIUS * w
    for left, right, height, text in (
        (0.0, w, 0.30, f"radius W0 {w:.4g} mm"),
        (-w, w, float(spot.irradiance(p, w, w, w, 0.0)) / top, f"diameter {2 * w:.4g} mm"),
        (-half, half, 0.5, f"FWHM {2 * half:.4g} mm"),
    ):
        ax.plot([left, right], [height * top] * 2, marker="|", color=INK, linewidth=1.4, markersize=8)
        ax.text(1.04 * max(right, w), height * top, text, fontsize=10, color=INK, va="bottom")
    ax.axvline(0.0, color=TONES["faint"], linewidth=0.8)
    ax.plot([w, w], [0.0, 0.30 * top], color=TONES["faint"], linewidth=0.8, linestyle="--")
    ax.set_xlim(-edge, 2.4 * w)
    ax.set_ylim(0.0, 1.08 * top)
    ax.set_xlabel("distance from the middle (mm)")
    ax.set_ylabel("irradiance (mW/mm^2)")
    ax.set_title("One spot, three widths", loc="left", pad=8)


def _section(ax: Axes, b: Bench, layer: bool) -> None:
    from .numbers import line_speed

    draw_section(
        ax, evaluate(beam=b.beam, resin=b.resin, scan=Scan(scan_speed=line_speed(b)), layer_thickness=b.layer_thickness if layer else None)
    )


def _raster(ax: Axes, b: Bench) -> None:
    from .numbers import NUMBERS

    t = NUMBERS["raster"](b)
    h, w, mean = _mm(b.hatch_spacing), _mm(b.beam_radius), float(t["raster_mean"].m_as(MJ_CM2))
    wide = _mm(t["wide_spacing"])
    y = np.linspace(-2.0 * wide, 2.0 * wide, FINE)
    ax.plot(y, mean * raster.profile(y / h, h / w), color=TONES["solid"], linewidth=2.4)
    ax.plot(y, mean * h / wide * raster.profile(y / wide, wide / w), color=TONES["second"], linewidth=2.0, linestyle="-.")
    ax.axhline(mean, color=TONES["solid"], linewidth=1.0, linestyle="--")
    ax.axhline(mean * h / wide, color=TONES["second"], linewidth=1.0, linestyle="--")
    ax.text(0.0, 1.02 * mean * float(raster.ridge(h / w)), f"spacing {h:.4g} mm", ha="center", va="bottom", fontsize=10)
    low = mean * h / wide * float(raster.valley(wide / w))
    ax.text(0.0, 0.94 * low, f"spacing {wide:.4g} mm", ha="center", va="top", fontsize=10)
    ax.set_ylim(0.0, 1.25 * mean * float(raster.ridge(h / w)))
    ax.set_xlim(y[0], y[-1])
    ax.set_xlabel("across the lines (mm)")
    ax.set_ylabel("exposure (mJ/cm²)")
    ax.set_title("Ridges, valleys and the mean (dashed)", loc="left", pad=8)


def _stack(ax: Axes, b: Bench) -> None:
    from ..physics import stack

    t, dp, cd = _mm(b.layer_thickness), _mm(b.penetration_depth), _mm(b.cure_depth)
    n = np.arange(1, 16)
    through = stack.depth_after_layers(cd, n, t, dp) - t
    end = float(stack.depth_after_layers(cd, np.inf, t, dp)) - t
    ax.vlines(n, 0.0, through, color=TONES["light"], linewidth=9)
    ax.plot(n, through, color=TONES["solid"], marker="o", linewidth=1.8, markersize=6)
    ax.axhline(end, color=TONES["limit"], linewidth=1.4, linestyle="--")
    ax.text(15.4, 0.90 * end, f"many layers: {end:.3g} mm", ha="right", va="top", fontsize=10, color=TONES["limit"])
    ax.set_xlim(0.3, 15.6)
    ax.set_ylim(0.0, 1.12 * end)
    ax.set_xlabel("layers drawn, the first included")
    ax.set_ylabel("solid below the face (mm)")
    ax.set_title("Print-through grows while layers are added", loc="left", pad=8)


def _coupons(ax: Axes, b: Bench) -> None:
    from ..statistics.line import ordinary_line
    from .numbers import coupon_lot

    exposure, readings, _ = coupon_lot(b)
    fit = ordinary_line(np.log(exposure), readings.mean(axis=1))
    slope, intercept = float(fit.slope), float(fit.intercept)
    ec = math.exp(-intercept / slope)
    e = np.geomspace(ec, 1.15 * exposure.max(), FINE)
    ax.semilogx(e, intercept + slope * np.log(e), color=TONES["solid"], linewidth=2.2, label="least-squares line")
    each = np.repeat(exposure, readings.shape[1])
    ax.plot(each, readings.ravel(), linestyle="none", marker="_", color=TONES["faint"], markersize=14, label="reading")
    ax.plot(
        exposure,
        readings.mean(axis=1),
        linestyle="none",
        marker="o",
        color=TONES["second"],
        markersize=7,
        label="coupon: mean of its readings",
    )
    ax.plot([ec], [0.0], marker="o", color=TONES["limit"], markersize=8, clip_on=False)
    _note(ax, f"Ec = {ec:.3g}", (ec, 0.0), xytext=(-6, 9), color=TONES["limit"], ha="right")
    plain_log(ax.xaxis)
    ax.set_xlim(0.55 * ec, 1.3 * exposure.max())
    ax.set_ylim(0.0, 1.15 * readings.max())
    ax.legend(loc="upper left", fontsize=10, frameon=False)
    ax.set_xlabel("exposure (mJ/cm²), logarithmic scale")
    ax.set_ylabel("thickness (mm)")
    ax.set_title("Invented coupons and their line", loc="left", pad=8)


def _uncertainty(ax: Axes, b: Bench) -> None:
    from .numbers import NUMBERS

    t = NUMBERS["uncertainty"](b)
    rows = [("both together", t["depth_from_both"]), ("beam radius", t["depth_from_radius"]), ("power", t["depth_from_power"])]
    top = max(IN_UM * _mm(q) for _, q in rows)
    for k, (name, q) in enumerate(rows):
        value = IN_UM * _mm(q)
        ax.barh([k], [value], height=0.55, color=TONES["solid" if k else "second"], hatch="" if k else "//", edgecolor="white")
        ax.text(0.0, k + 0.3, f"{name}: {value:.2g} um", va="bottom", fontsize=10, color=INK)
    ax.set_yticks([])
    ax.set_ylim(-0.6, 2.8)
    ax.set_xlim(0.0, 1.2 * top)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel("standard uncertainty of the depth of a line (um)")
    ax.set_title("The larger doubt rules", loc="left", pad=8)


def _drift(ax: Axes, b: Bench) -> None:
    from .numbers import NUMBERS

    t = NUMBERS["drift"](b)
    dp, depth = _mm(b.penetration_depth), _mm(t["cure_depth"])
    weeks = np.sort(np.append(np.linspace(0.0, 24.0, 25), np.arange(4.0, 24.0, 4.0) - 1e-9))
    resin = laws.Plain(dp, 1.0)
    share = np.exp(-weeks / 24.0 * 0.25)
    ax.plot(weeks, depth + resin.height(share), color=TONES["second"], linewidth=2.2, linestyle="-.", label="speed left alone")
    tuned = share / np.exp(-np.floor(weeks / 4.0) * 4.0 / 24.0 * 0.25)
    ax.plot(weeks, depth + resin.height(tuned), color=TONES["solid"], linewidth=2.2, label="retuned every 4 weeks")
    layer = _mm(b.layer_thickness)
    ax.axhline(layer, color=TONES["limit"], linewidth=1.4, linestyle="--")
    ax.text(24, layer, "layer thickness", color=TONES["limit"], ha="right", va="bottom", fontsize=10)
    ax.set_xlim(0, 24)
    ax.set_ylim(0.9 * layer, 1.12 * depth)
    ax.legend(loc="center left", fontsize=10, frameon=False)
    ax.set_xlabel("weeks (invented laser: loses 22 % in 24)")
    ax.set_ylabel("cure depth (mm)")
    ax.set_title("What a fading laser does to the depth", loc="left", pad=8)


def _safety(ax: Axes, b: Bench) -> None:
    from .numbers import NUMBERS

    peak = NUMBERS["safety"](b)["peak_irradiance"]
    rows = [("bright sun (from memory)", 1.0, "solid", ""), ("this spot's middle", float(peak.m_as(MW_MM2)), "limit", "//")]
    ax.set_xscale("log")
    for k, (name, value, tone, hatch) in enumerate(rows):
        ax.barh([k], [value], left=0.0, height=0.5, color=TONES[tone], hatch=hatch, edgecolor="white")
        ax.text(0.13, k + 0.33, f"{name}: {value:.3g} mW/mm^2", fontsize=10, color=INK, va="bottom", ha="left")
    ax.set_xlim(0.1, 10 ** math.ceil(math.log10(float(peak.m_as(MW_MM2)) * 1.5)))
    ax.set_ylim(-0.5, 1.8)
    ax.set_yticks([])
    ax.set_xlabel("irradiance (mW/mm^2), each step ten times more")
    ax.set_title("Why the cover stays closed", loc="left", pad=8)


def _beyond(ax: Axes, b: Bench) -> None:
    from .examples import SLURRY

    styles = (("solid", "-"), ("second", "-."), ("third", "--"))
    for (varied, (dp, ec)), (tone, style) in zip(SLURRY.items(), styles, strict=True):
        e = np.geomspace(ec, 450.0, FINE)
        ax.semilogx(e, laws.Plain(dp, ec).depth(e) / IN_UM, color=TONES[tone], linestyle=style, linewidth=2.2, label=f"{varied} varied")
    plain_log(ax.xaxis)
    ax.set_xlim(10.0, 500.0)
    ax.set_ylim(0.0, 0.30)
    ax.legend(loc="upper left", fontsize=10, frameon=False)
    ax.set_xlabel("exposure (mJ/cm²), logarithmic scale")
    ax.set_ylabel("cure depth (mm)")
    ax.set_title("One slurry, three lines [colombo2025]", loc="left", pad=8)


LESSON_FIGURES: dict[str, Callable[[Axes, Bench], None]] = {
    "exposure": _exposure,
    "absorption": _absorption,
    "working-curve": _working_curve,
    "spot": _spot,
    "line": lambda ax, b: _section(ax, b, layer=False),
    "raster": _raster,
    "overcure": lambda ax, b: _section(ax, b, layer=True),
    "stack": _stack,
    "coupons": _coupons,
    "uncertainty": _uncertainty,
    "drift": _drift,
    "safety": _safety,
    "beyond": _beyond,
}
