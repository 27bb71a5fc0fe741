"""Findings that need the whole fit: further laws, earlier lots, what was left out, what is extrapolated."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..statistics.line import LineFit
from ..units import MJ_CM2, MM
from .coupons import CouponSet
from .findings import NOTE, WARNING, Finding
from .laws import akaike
from .prior_use import PriorUse
from .wanted import WantedExposure

__all__ = ["extrapolation", "law_findings", "more_findings", "robust_finding"]


def law_findings(law: Any, bent: Any, y: Any, own: LineFit, c: CouponSet) -> list[Finding]:
    out = []
    if law is not None:
        if law.p < 0.05:
            out.append(
                Finding(
                    "reciprocity",
                    WARNING,
                    f"Power and exposure time do not trade evenly: the power threshold law fits with "
                    f"w = {law.w:.3g} ({law.w_low:.3g} to {law.w_high:.3g}), and w = 1 is not credible (p {law.p:.2g}). Dp from "
                    "the plain line depends on what was varied: use a curve made by varying what the recipe will vary.",
                )
            )
        else:
            out.append(
                Finding(
                    "reciprocity",
                    NOTE,
                    f"Power and exposure time trade evenly as far as these coupons tell: w = {law.w:.3g} "
                    f"({law.w_low:.3g} to {law.w_high:.3g}) agrees with 1.",
                )
            )
    if bent is not None and bent.p < 0.05:
        plain = akaike(float(((y - own.y_mean - own.slope * (c.x - own.x_mean)) ** 2).sum()), len(c), 3)
        gain = plain - bent.criterion
        if np.isfinite(gain) and gain > 2.0:
            out.append(
                Finding(
                    "bleaching",
                    WARNING,
                    f"A bleaching curve (Dp {1000 * bent.penetration_depth:.4g} um, Ec "
                    f"{np.exp(bent.log_threshold):.4g}, Eb {bent.bleaching_exposure:.4g} mJ/cm^2) describes the coupons better "
                    f"than the line (AICc lower by {gain:.2g}). The line was kept: look at the figure before using either.",
                )
            )
    return out


def robust_finding(robust: Any, line: LineFit) -> list[Finding]:
    away = abs(float(robust.slope) - line.slope)
    if not (line.slope_sd > 0 and away > 2.5 * line.slope_sd and away > 0.02 * line.slope):
        return []
    return [
        Finding(
            "robust_differs",
            NOTE,
            f"The robust line (median of slopes) has Dp {1000 * float(robust.slope):.4g} um against "
            f"{1000 * line.slope:.4g} um: a few coupons pull the line. See the outliers.",
        )
    ]


def more_findings(c: CouponSet, kind: str, *, excluded: tuple[str, ...], prior: PriorUse | None, whole: CouponSet) -> list[Finding]:
    out = []
    if kind != "bounded":
        out.append(
            Finding(
                "unbounded",
                WARNING,
                "The slope is not told from zero, so these coupons set no bounds to Ec: its interval is "
                "unbounded. Spread the exposures wider, or add coupons.",
            )
        )
    if excluded:
        out.append(
            Finding("excluded", NOTE, f"Left out on request: {', '.join(excluded)} ({len(c)} of {len(whole)} coupons used).", excluded)
        )
    if c.blank_rows:
        lines = ", ".join(str(line) for line in c.blank_rows[:8]) + (" ..." if len(c.blank_rows) > 8 else "")
        out.append(Finding("blank", NOTE, f"{len(c.blank_rows)} rows without a thickness were left out (lines {lines})."))
    if c.thickness_sd is not None and (c.counts > 1).any():
        out.append(
            Finding("stated_of_mean", NOTE, "The stated thickness uncertainty was taken as that of each coupon's mean, not of one reading.")
        )
    if prior is not None:
        conflict = prior.conflict
        if conflict.p < 0.05 or conflict.scatter_p < 0.01:
            which = "line" if conflict.p < 0.05 else "scatter"
            out.append(
                Finding(
                    "prior_conflict",
                    WARNING,
                    f"The new coupons contradict the earlier lots in their {which} (p "
                    f"{min(conflict.p, conflict.scatter_p):.2g}). Do not average the two: fit this lot without --prior, and "
                    "compare the lots.",
                )
            )
        else:
            out.append(
                Finding(
                    "prior_weight",
                    NOTE,
                    f"Earlier lots carry {100 * prior.weight:.0f} % of the weight, worth about "
                    f"{prior.equal_coupons:.1f} coupons; the new coupons agree with them (p {conflict.p:.2g}).",
                )
            )
    return out


def extrapolation(w: WantedExposure, c: CouponSet) -> Finding | None:
    if not w.extrapolated:
        return None
    e, low, high = w.exposure.m_as(MJ_CM2), 100 * c.exposure.min(), 100 * c.exposure.max()
    side = f"below the least exposure measured ({low:.4g}" if e < low else f"above the greatest exposure measured ({high:.4g}"
    return Finding(
        "extrapolation",
        WARNING,
        f"The exposure for {w.depth.m_as(MM):.4g} mm, {e:.4g} mJ/cm^2, lies {side} mJ/cm^2): it is "
        "extrapolated, and the interval does not cover a bend of the curve there. Add a coupon beyond it.",
    )
