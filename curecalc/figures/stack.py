"""Exposure against depth in a stack of layers, with the gel threshold and the nominal face."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..physics import stack as _stack
from ..settings import dose_at_depth, doses
from ..stacking import StackAnswer
from ..units import show
from .style import INK, TONES, axes, new_figure, plain_log

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_stack", "stack_figure"]


def stack_figure(answer: StackAnswer, width_mm: float = 170.0, height_mm: float = 120.0) -> Figure:
    """A figure of its own."""
    figure = new_figure(width_mm, height_mm)
    draw_stack(axes(figure, (0.12, 0.14, 0.84, 0.75)), answer)
    return figure


def draw_stack(ax: Axes, answer: StackAnswer) -> None:
    """Exposure (log scale) in a column through the first layers and below the face, depth downward from the first top."""
    x, form = answer.given.x, answer.given.form
    t = x["layer_thickness"]
    shown = int(min(answer.layers, 6))
    dose = float(doses(x, form)["mean"])
    count = int(min(answer.layers, 400))
    totals = _stack.layer_totals(dose, lambda total: float(dose_at_depth(total, t, x, form)), count)[::-1]
    below = max(float(answer.print_through.m_as("mm")), 0.0) + 1.5 * t
    ec = x["critical_exposure"]
    z = np.linspace(0.0, t, 60)
    for k in range(shown):
        # layer k counted from the face; its own column of doses
        depth = z - k * t
        column = dose_at_depth(totals[k], z, x, form)
        ax.plot(100.0 * column, depth, color=TONES["solid"], linewidth=2.2)
    z_below = np.linspace(t, t + below, 120)
    tail = dose_at_depth(totals[0], z_below, x, form)
    solid = tail >= ec
    ax.plot(100.0 * tail, z_below, color=TONES["solid"], linewidth=2.2, linestyle=":")
    ax.fill_betweenx(z_below, 100.0 * ec, 100.0 * tail, where=solid, color=TONES["warm"], edgecolor="none")
    for k in range(shown + 1):
        ax.axhline(t - k * t, color=TONES["faint"], linewidth=0.9)
    ax.axhline(t, color=INK, linewidth=1.8)
    ax.axvline(100.0 * ec, color=TONES["limit"], linewidth=1.8, linestyle="--")
    plain_log(ax.xaxis)
    low, high = 100.0 * min(float(tail.min()), 0.5 * ec), 100.0 * float(totals[0]) * 1.6
    ax.set_xlim(low, high)
    ax.set_ylim(t + below, -(shown - 1) * t)
    _texts(ax, answer, high, 100.0 * ec, t, shown)


def _texts(ax: Axes, answer: StackAnswer, high: float, ec: float, t: float, shown: int) -> None:
    ax.annotate(
        f"gel threshold {ec:.3g}",
        (ec, -(shown - 1) * t),
        xytext=(-5, -6),
        textcoords="offset points",
        color=TONES["limit"],
        fontsize=10,
        rotation=90,
        ha="right",
        va="top",
    )
    for k in range(shown):
        ax.annotate(
            f"layer {k + 1}",
            (high, (0.5 - k) * t),
            xytext=(-6, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=9,
            color=INK,
        )
    through = float(answer.print_through.m_as("mm"))
    ax.annotate(
        "nominal down-facing face",
        (high, t),
        xytext=(-6, -5),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=10,
        color=INK,
    )
    if through > 0.0:
        arrow = {"arrowstyle": "<->", "color": INK, "linewidth": 1.4, "shrinkA": 0, "shrinkB": 0}
        ax.annotate("", xy=(ec, t + through), xytext=(ec, t), arrowprops=arrow)
    text = f"print-through {show(answer.print_through, digits=3)}" if through > 0.0 else "no print-through"
    ax.annotate(
        text,
        (ec, t + max(through, 0.0)),
        xytext=(8, -4),
        textcoords="offset points",
        ha="left",
        va="top",
        fontsize=10,
        color=INK,
    )
    many = "Many layers" if math.isinf(answer.layers) else f"{answer.layers:.0f} layers"
    ax.set_xlabel("total exposure (mJ/cm^2, log scale)")
    ax.set_ylabel("depth below the first layer's top (mm)")
    ax.set_title(f"{many}: leave out {answer.compensation_layers} at a down-facing face", loc="left", pad=10)
