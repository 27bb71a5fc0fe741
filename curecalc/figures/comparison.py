"""Two lots side by side: both working curves, and the difference of depth with its interval against the tolerance."""

from __future__ import annotations

from itertools import cycle
from typing import TYPE_CHECKING

import numpy as np

from ..calibration.comparing import LotComparison
from ..statistics.line import value_at
from ..units import IN_UM, MM, show
from .style import FINE, HIGH, INK, TONES, WIDE, new_figure, panels, plain_log

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["comparison_figure"]


def comparison_figure(comparison: LotComparison, width_mm: float = WIDE, height_mm: float = HIGH) -> Figure:
    """Both curves with their coupons, and each lot's change of depth at the wanted depth against the tolerance.

    Parameters
    ----------
    comparison : LotComparison
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    ax, change = panels(figure, columns=2, top=18.0, wspace=14.0)
    low, high = min(lot.x_low for lot in comparison.lots) - 0.15, max(lot.x_high for lot in comparison.lots) + 0.15
    x = np.linspace(low, high, FINE)
    depth = IN_UM * float(comparison.cure_depth.m_as(MM))
    looks = [("solid", "-", "o"), ("second", "--", "s"), ("limit", "-.", "^"), ("light", ":", "D")]
    for lot, (tone, dash, mark) in zip(comparison.lots, cycle(looks)):
        ax.plot(np.exp(x), IN_UM * value_at(lot.line, x), dash, color=TONES[tone], linewidth=2.0, label=lot.name)
        if lot.points:
            at, thick = np.array(lot.points).T
            ax.plot(np.exp(at), IN_UM * thick, mark, color=TONES[tone], markerfacecolor="white", markersize=6)
    ax.axhline(depth, color=INK, linewidth=0.8, linestyle=":")
    ax.annotate(show(comparison.cure_depth), (np.exp(low), depth), xytext=(3, 3), textcoords="offset points", fontsize=9.5, color=INK)
    plain_log(ax.xaxis)
    ax.set_xlim(np.exp(low), np.exp(high))
    ax.set_ylim(bottom=0.0)
    ax.set_xlabel("exposure (mJ/cm²)")
    ax.set_ylabel("thickness (µm)")
    ax.legend(frameon=False, fontsize=9.5, loc="upper left")
    ax.set_title(f"Verdict: {comparison.verdict}", loc="left", pad=26)
    _differences(change, comparison)
    return figure


def _differences(ax: Axes, c: LotComparison) -> None:
    tolerance = IN_UM * float(c.tolerance.m_as(MM))
    ax.axvspan(-tolerance, tolerance, facecolor=TONES["light"], alpha=0.6, edgecolor="none")
    ax.axvline(0.0, color=INK, linewidth=0.8)
    first, *others = c.lots
    for place, ((d, _), lot) in enumerate(zip(c.others, others)):
        low, value, high = (IN_UM * float(v) for v in (d.low, d.value, d.high))
        ax.plot([low, high], [place, place], color=TONES["solid"], linewidth=3.0, solid_capstyle="butt")
        ax.plot([value], [place], "o", color=INK, markersize=7)
        ax.annotate(f"{lot.name}\n{value:+.1f} ({low:+.1f} to {high:+.1f}) µm", (0.0, place), xytext=(0, 10), textcoords="offset points",
                    ha="center", fontsize=9.5, color=INK)  # fmt: skip
    size = max(tolerance, *(IN_UM * max(abs(float(d.low)), abs(float(d.high))) for d, _ in c.others))
    ax.set_xlim(-1.5 * size, 1.5 * size)
    ax.set_ylim(len(c.others), -1.0)
    ax.set_yticks([])
    ax.set_xlabel("change of depth (µm)")
    ax.set_title(f"against {first.name}; band: ±{tolerance:.3g} µm", loc="left", fontsize=10.5, wrap=True)
