"""Findings that need the whole fit: further laws, earlier lots, what was left out, what is extrapolated."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..statistics.line import LineFit
from ..symbols import percent
from ..units import IN_CM2, IN_UM, MJ_CM2, MM
from .coupons import CouponSet
from .findings import NOTE, WARNING, Finding, chance, rare
from .laws import Bleaching, PowerThreshold
from .prior_use import CONTRADICTS, PriorUse
from .wanted import WantedExposure

__all__ = ["extrapolation", "law_findings", "more_findings", "robust_finding"]


def law_findings(law: PowerThreshold | None, bent: Bleaching | None, plain: float) -> list[Finding]:
    """`plain` is the criterion of the straight line."""
    out = []
    if law is not None and rare(law.p):
        out.append(
            Finding(
                "reciprocity",
                WARNING,
                f"Power and exposure time do not trade evenly: the power threshold law fits with "
                f"w = {law.w:.3g} ({law.w_low:.3g} to {law.w_high:.3g}), and w = 1 is not credible (p {law.p:.2g}). Dp from "
                "the plain line depends on what was varied: use a curve made by varying what the recipe will vary.",
            )
        )
    if bent is not None and rare(bent.p):
        gain = plain - bent.criterion
        if np.isfinite(gain) and gain > 2.0:
            out.append(
                Finding(
                    "bleaching",
                    WARNING,
                    f"A bleaching curve (Dp {IN_UM * bent.penetration_depth:.4g} um, Ec "
                    f"{np.exp(bent.log_threshold):.4g}, Eb {bent.bleaching_exposure:.4g} mJ/cm^2) describes the coupons better "
                    f"than the line (AICc lower by {gain:.2g}). The line was kept: look at the figure before using either.",
                )
            )
    return out


def robust_finding(robust: Any, line: LineFit) -> list[Finding]:
    away = abs(float(robust.slope) - line.slope)
    if not away > max(2.5 * line.slope_sd, 0.02 * line.slope):
        return []
    return [
        Finding(
            "robust_differs",
            NOTE,
            f"The robust line (median of slopes) has Dp {IN_UM * float(robust.slope):.4g} um against "
            f"{IN_UM * line.slope:.4g} um: a few coupons pull the line. See the outliers.",
        )
    ]


def more_findings(c: CouponSet, kind: str, *, reasons: dict[str, str], prior: PriorUse | None, whole: CouponSet) -> list[Finding]:
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
    if reasons:
        said = ", ".join(f"{label} ({reason})" for label, reason in reasons.items())
        out.append(Finding("excluded", NOTE, f"Left out: {said}; {len(c)} of {len(whole)} coupons used.", tuple(reasons)))
    if c.blank_rows:
        lines = ", ".join(str(line) for line in c.blank_rows[:8]) + (" ..." if len(c.blank_rows) > 8 else "")
        out.append(Finding("blank", NOTE, f"{len(c.blank_rows)} rows without a thickness were left out (lines {lines})."))
    if c.thickness_sd is not None and (c.counts > 1).any():
        out.append(
            Finding("stated_of_mean", NOTE, "The stated thickness uncertainty was taken as that of each coupon's mean, not of one reading.")
        )
    if prior is not None:
        out.append(_earlier(prior))
    return out


def _earlier(prior: PriorUse) -> Finding:
    conflict = prior.conflict
    if rare(conflict.p, CONTRADICTS):
        return Finding(
            "prior_conflict",
            WARNING,
            f"The new coupons contradict the earlier lots in their line ({chance(conflict.p)}), so the earlier lots are set aside and the "
            "intervals are those of the new coupons alone. Compare the lots.",
        )
    times = f"{np.sqrt(conflict.scatter_f):.2g} times as much as those of the earlier lots"
    if rare(conflict.scatter_p, CONTRADICTS):
        return Finding(
            "prior_scatter",
            WARNING,
            f"The new coupons scatter {times} ({chance(conflict.scatter_p)}). The intervals use the new scatter; look at the coupons, the "
            "power and the gauge before trusting the lot.",
        )
    seen = f"they scatter {times}, and {prior.scatter_shown:.2g} times would be noticed in four lots of five"
    if prior.few:
        return Finding(
            "prior_weight",
            NOTE,
            f"Fewer than six coupons cannot test earlier lots, so the wider interval is used, that of the coupons alone: they carry "
            f"no weight. The new coupons agree with them (p {conflict.p:.2g}); {seen}.",
        )
    return Finding(
        "prior_weight",
        NOTE,
        f"Earlier lots carry {percent(prior.weight, '.2g')} of the weight in these intervals; the new coupons agree with them "
        f"(p {conflict.p:.2g}); {seen}.",
    )


def extrapolation(w: WantedExposure, c: CouponSet) -> Finding | None:
    if not w.extrapolated:
        return None
    e, low, high = w.exposure.m_as(MJ_CM2), IN_CM2 * c.exposure.min(), IN_CM2 * c.exposure.max()
    side = f"below the least exposure measured ({low:.4g}" if e < low else f"above the greatest exposure measured ({high:.4g}"
    return Finding(
        "extrapolation",
        WARNING,
        f"The exposure for {w.depth.m_as(MM):.4g} mm, {e:.4g} mJ/cm^2, lies {side} mJ/cm^2): it is "
        "extrapolated, and the interval does not cover a bend of the curve there. Add a coupon beyond it.",
    )
