"""Exposure against depth in a stack of layers, with the gel threshold and the nominal face."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from ..physics import stack as _stack
from ..setting.layers import StackAnswer
from ..setting.model import cure_law, doses
from ..symbols import symbols
from ..units import IN_CM2, show, show_kernel
from .style import FINE, HIGH, INK, PLATE, TONES, WIDE, arrow, caption, new_figure, panels, plain_log, roomy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_stack", "stack_figure"]


def stack_figure(answer: StackAnswer, width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
    """A figure of its own.

    Parameters
    ----------
    answer : StackAnswer
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    (ax,) = panels(figure, top=18.0)
    draw_stack(ax, answer)
    return figure


def draw_stack(ax: Axes, answer: StackAnswer, *, headed: bool = True) -> None:
    """Exposure (log scale) through the first layers and below the face, against height above the nominal face."""
    x, form = answer.given.x, answer.given.form
    t, law = x["layer_thickness"], cure_law(x, form)
    ec = float(law.dose(0.0))
    shown = int(min(answer.layers, 6))
    dose = float(doses(x, form)["mean"])
    totals = [float(_stack.total(law, dose, t, answer.layers - k)) for k in range(shown)]
    through = float(answer.print_through.m_as("mm")) if answer.bonds else 0.0
    below = through + 0.3 * (through + shown * t)  # room for two lines of words
    z = np.linspace(0.0, t, FINE)
    for k, top in enumerate(totals, 1):
        ax.plot(IN_CM2 * law.below(top, z), k * t - z, color=TONES["solid"], linewidth=2.2)
    depth = np.linspace(0.0, below, FINE)
    most, *_ = totals
    tail = law.below(most, t + depth)
    ax.plot(IN_CM2 * tail, -depth, color=TONES["solid"], linewidth=2.2, linestyle=":")
    if answer.bonds:
        ax.fill_betweenx(-depth, IN_CM2 * ec, IN_CM2 * np.maximum(tail, ec), color=TONES["warm"], edgecolor="none")
    for k in range(shown + 1):
        ax.axhline(k * t, color=TONES["faint"], linewidth=0.9)
    ax.axhline(0.0, color=INK, linewidth=1.8)
    ax.axvline(IN_CM2 * ec, color=TONES["limit"], linewidth=1.8, linestyle="--")
    plain_log(ax.xaxis)
    low, high = 1.0 / roomy(0.01 / min(float(tail.min()), 0.5 * ec)), roomy(190.0 * most)
    ax.set_xlim(low, high)
    ax.set_ylim(-below, shown * t)
    _texts(ax, answer, through, high, IN_CM2 * ec, shown)
    if headed:
        _head(ax, answer)


def _note(ax: Axes, text: str, at: tuple[float, float], *, color: str = INK, **more: Any) -> None:
    ax.annotate(text, at, textcoords="offset points", fontsize=10, color=color, bbox=PLATE, **more)


def _texts(ax: Axes, answer: StackAnswer, through: float, high: float, ec: float, shown: int) -> None:
    t = answer.given.x["layer_thickness"]
    low, top = ax.get_ylim()
    _note(ax, symbols(f"gel threshold {ec:.3g} mJ/cm^2"), (ec, low), xytext=(6, 5), ha="left", va="bottom", color=TONES["limit"])
    if t < 0.05 * (top - low):  # too thin for a name each
        _note(ax, f"layers 1 to {shown}", (high, 0.5 * top), xytext=(-6, 0), ha="right", va="center")
    else:
        for k in range(1, shown + 1):
            _note(ax, f"layer {k}", (high, (k - 0.5) * t), xytext=(-6, 0), ha="right", va="center")
    _note(ax, "nominal down-facing face", (high, 0.0), xytext=(-6, -5), ha="right", va="top")
    if answer.bonds:
        arrow(ax, (ec, ec), (0.0, -through))
        _note(ax, f"print-through {show(answer.print_through, digits=3)}", (ec, -through), xytext=(8, -4), ha="left", va="top")
    else:
        _note(ax, "the layers do not bond", (ax.get_xlim()[0], 0.0), xytext=(6, 4), ha="left", va="bottom")
    ax.set_xlabel(symbols("total exposure (mJ/cm^2, log scale)"))
    ax.set_ylabel("height above the face (mm)")


def _head(ax: Axes, answer: StackAnswer) -> None:
    x = answer.given.x
    many = "Many layers" if math.isinf(answer.layers) else f"{answer.layers:.0f} layers"
    ax.set_title(f"{many}: leave out {answer.compensation_layers} at a down-facing face", loc="left", pad=22)
    dp, limit = (show_kernel(x["penetration_depth"], "length", digits=3), show_kernel(x["critical_exposure"], "exposure", digits=3))
    each = show_kernel(float(doses(x, answer.given.form)["mean"]), "exposure", digits=3)
    layer = show_kernel(x["layer_thickness"], "length", digits=3)
    caption(ax, symbols(f"{each} on each layer of {layer}, Dp {dp}, Ec {limit}"), xytext=(0, 6))
