"""What is wrong, or worth knowing, about a lot's data: each finding is one sentence a technician can act on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics import diagnostics as _d
from ..statistics.intervals import chi_squared_p, t_factor
from ..statistics.line import LineFit, ordinary_line
from ..symbols import percent
from ..units import micrometres
from .columns import COLUMNS
from .coupons import SAME, VARIED, CouponSet

__all__ = ["NOTE", "RARE", "WARNING", "Finding", "chance", "findings_of", "gauge_step", "rare", "varied_settings"]

NOTE, WARNING = "note", "warning"
RARE = 0.008
"""Chance at which a clean lot gets any one Check (outliers have levels of their own). Together with them a clean lot of 4 to 20
coupons prints any Check in at most 7 % of lots, 10 % where order, temperature and power were recorded (simulated; lots whose coupons are
read unequally in 1.7 to 7.2 %, of 2,000 lots each)."""
_ALONE = 0.75  # leverage from which a coupon sets the slope by itself
_STEPS_MM = [s * 10.0**k for k in (-4, -3, -2) for s in (1, 2, 5)]  # 0.1 um to 50 um


@dataclass(frozen=True)
class Finding:
    """One finding: a short code, `note` or `warning`, the sentence, and the coupons it is about."""

    code: str
    level: str
    sentence: str
    coupons: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The finding as it stands in JSON."""
        return {"code": self.code, "level": self.level, "sentence": self.sentence, "coupons": list(self.coupons)}


def findings_of(coupons: CouponSet, fit: LineFit, weight: Any | None, *, confidence: float) -> list[Finding]:
    """All findings that need the coupons and the line of the data alone (outliers are separate)."""
    out: list[Finding] = []
    for find in (_few, _believable, _lack, _bend, _pull, _range, _thin, _gauge, _order, _warmth, _ripple, _agree):
        finding = find(coupons, fit, weight, confidence)
        if finding is not None:
            out.append(finding)
    return out


def _few(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    dof = fit.degrees_of_freedom
    if np.isfinite(fit.t_degrees_of_freedom) and dof < 2:
        factor = t_factor(confidence, dof)
        many = " Many readings on a coupon do not replace coupons." if c.readings.size > 2 * len(c) else ""
        return Finding(
            "few_coupons",
            WARNING,
            f"{len(c)} coupons leave {dof} degree of freedom, so intervals are "
            f"{factor:.3g} standard uncertainties wide each way instead of 2.{many} Add coupons.",
        )
    return None


def _believable(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    if np.isfinite(fit.t_degrees_of_freedom):
        return _scale_in_column(c, fit)
    p = float(chi_squared_p(fit.sum_of_squares, fit.degrees_of_freedom))
    size = np.sqrt(fit.sum_of_squares / fit.degrees_of_freedom)
    if rare(p):
        return Finding(
            "stated_too_small",
            WARNING,
            f"The coupons scatter {size:.2g} times as much as the stated uncertainties allow "
            f"(chi-squared {fit.sum_of_squares:.3g} on {fit.degrees_of_freedom}, {chance(p)}), so the wider interval, from their own "
            f"scatter, is used. Look at what that column holds. {COLUMNS['thickness_standard_uncertainty'].never}",
        )
    if p > 0.995:
        return _scale_in_column(c, fit) or Finding(
            "stated_too_large",
            NOTE,
            f"The coupons scatter only {size:.2g} times what the stated uncertainties allow "
            f"(chi-squared {fit.sum_of_squares:.3g} on {fit.degrees_of_freedom}): the stated uncertainties look too large.",
        )
    return None


def _scale_in_column(c: CouponSet, fit: LineFit) -> Finding | None:
    """A meter's scale error stated coupon by coupon: the same share of each exposure, and more than the coupons scatter."""
    if c.exposure_sd is None:
        return None
    from scipy.special import chdtr

    share = c.exposure_sd / c.exposure
    squares = float(((c.thickness - fit.y_mean - fit.slope * (c.x - fit.x_mean)) ** 2).sum())
    if np.ptp(share) > 0.02 * share.max() or not rare(chdtr(fit.degrees_of_freedom, squares / (fit.slope * share.min()) ** 2)):
        return None
    return Finding(
        "scale_in_column",
        WARNING,
        f"Every exposure states the same standard uncertainty, {percent(share.mean(), '.2g')}, and the coupons scatter less than that "
        "allows: it looks like the power meter's scale, an error that all coupons share. Leave the column out and state it once, as "
        "power_scale_uncertainty=: in the column it makes Ec look better known than it is.",
    )


def _lack(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    test = _d.lack_of_fit(c.x, c.thickness, group=c.levels, weight=w)
    if test is None or not rare(test.p):
        return None
    return Finding(
        "lack_of_fit",
        WARNING,
        f"The points leave the line by more than coupons at the same exposure differ (F {test.f:.3g} on "
        f"{test.lack_of_fit_degrees_of_freedom} and {test.pure_error_degrees_of_freedom}, {chance(test.p)}). Look for one "
        "exposure that is off, or a curve instead of a line, before trusting Dp and Ec.",
    )


def _bend(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    bent = _d.curvature(c.x, c.thickness)
    if bent is None or not rare(bent.p):
        return None
    if bent.coefficient > 0:
        shape = "steeper at high exposure, as when the initiator bleaches"
    else:
        shape = "flatter at high exposure, as when light scatters, the source is broad-band, or thick coupons lose material"
    return Finding(
        "curvature",
        WARNING,
        f"The working curve bends: {shape} (added quadratic term, {chance(bent.p)}). A straight line "
        "then holds only near the middle of the exposures measured; Ec, which lies outside them, is off.",
    )


def _pull(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    """A note: leverage is the design's, not the coupon's fault. One that is improbable too is an outlier, judged as such."""
    leverage = _d.influence(fit, c.x, weight=w).leverage
    names = tuple(c.labels[i] for i in np.flatnonzero(leverage > _ALONE))
    if not names or len(c) <= 4:
        return None
    one = len(names) == 1
    if _d.influence(ordinary_line(c.x, c.thickness), c.x).leverage.max() > _ALONE:
        why = "it stands by itself far from the other exposures. Add a coupon near it."
    else:
        why = f"more readings or a smaller stated uncertainty make {'it' if one else 'them'} count for more. Read all as often."
    return Finding(
        "influence",
        NOTE,
        f"{_coupons(names)} {'alone sets' if one else 'set'} the slope (leverage {leverage.max():.2f} of 1): {why}",
        names,
    )


def _range(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    ratio = float(c.exposure.max() / c.exposure.min())
    levels = np.unique(np.round(c.x / 0.05)).size
    if ratio < 2.5:
        return Finding(
            "narrow_range",
            WARNING,
            f"The largest exposure is only {ratio:.2g} times the smallest. Dp and Ec are then poorly "
            "known however good the readings: spread the exposures over a factor of 4 or more.",
        )
    if levels < 3:
        return Finding("few_levels", NOTE, f"{levels} different exposures cannot show whether the curve bends. Use three or more.")
    return None


def _thin(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    near = np.flatnonzero(c.thickness < 0.3 * fit.slope)
    if not near.size:
        return None
    names = tuple(c.labels[i] for i in near)
    return Finding(
        "near_gel",
        WARNING,
        f"{_coupons(names)} {'is' if len(names) == 1 else 'are'} thinner than 0.3 Dp, close to the gel "
        "threshold, where washing and handling change the thickness. They pull Ec; prefer thicker coupons.",
        names,
    )


def _gauge(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    step = c.gauge_resolution if c.gauge_resolution is not None else gauge_step(c.readings)
    if step is None or c.readings.size < 6:
        return None
    scatter = float(np.sqrt(((c.thickness - fit.y_mean - fit.slope * (c.x - fit.x_mean)) ** 2).sum() / fit.degrees_of_freedom))
    squares, dof = _d.within_groups(c.readings, c.reading_of)
    repeat = float(np.sqrt(squares / dof)) if dof else None
    if step < 1.0e-3 and not (repeat is not None and repeat < step):
        return None
    coarse = step / np.sqrt(12.0) > scatter / 3.0
    frozen = repeat is not None and dof >= 4 and repeat < 0.3 * step
    if not coarse and not frozen:
        return None
    return Finding(
        "gauge_resolution",
        NOTE,
        f"The readings come in steps of {micrometres(step)}, the gauge's resolution"
        + (
            ", and repeat to the same step: their scatter says little about the gauge."
            if frozen
            else f", which is a good part of the scatter ({micrometres(scatter)})."
        )
        + " A finer gauge would make better use of the coupons.",
    )


def gauge_step(readings: Any) -> float | None:
    """The coarsest usual step (0.1 to 50 um) of which all readings are multiples; None if there is none (mm)."""
    y = np.asarray(readings, dtype=float)
    for step in reversed(_STEPS_MM):
        multiples = y / step
        if np.all(np.abs(multiples - np.round(multiples)) < 1e-5 * multiples):
            return step
    return None


def _order(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    if c.run_order is None or not np.all(np.isfinite(c.run_order)):
        return None
    found = _d.added_term(c.x, c.thickness, c.run_order)
    if found is None or not rare(found.p):
        return None
    return Finding(
        "trend_order",
        WARNING,
        f"Thickness {_way(found.coefficient)} by {micrometres(abs(found.coefficient))} from one coupon to "
        f"the next in the order they were exposed ({chance(found.p)}): something drifted, such as power, temperature or the "
        "resin surface. Read the power before and after, and repeat in random order.",
    )


def _warmth(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    if c.temperature is None or not np.all(np.isfinite(c.temperature)) or np.ptp(c.temperature) < 0.05:
        return None
    found = _d.added_term(c.x, c.thickness, c.temperature)
    if found is not None and rare(found.p):
        return Finding(
            "trend_temperature",
            WARNING,
            f"Thickness {_way(found.coefficient)} by {micrometres(abs(found.coefficient))} per degC of "
            f"resin temperature ({chance(found.p)}). Expose coupons at the temperature the parts are built at.",
        )
    if np.ptp(c.temperature) > 3.0:
        return Finding(
            "temperature_range",
            NOTE,
            f"The resin temperature ranged over {np.ptp(c.temperature):.2g} degC between coupons. Hold it steady.",
        )
    return None


def varied_settings(coupons: CouponSet) -> list[str]:
    """Names of the settings that differ between coupons."""
    return [n for n in VARIED if n in coupons.settings and np.ptp(coupons.settings[n]) > SAME * coupons.settings[n].max()]


def _ripple(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    if c.exposure_min is None or c.exposure_max is None:
        return None
    swing = np.log(c.exposure_max / c.exposure_min)
    i = int(np.argmax(swing))
    if swing[i] < 0.05:
        return None
    ratio = float(c.settings["hatch_spacing"][i] / c.settings["beam_radius"][i])
    return Finding(
        "ripple",
        WARNING,
        f"Coupon {c.labels[i]} has a hatch spacing of {ratio:.2g} beam radii: its depth ripples by "
        f"{swing[i]:.2g} Dp between lines, so the mean exposure does not describe what a gauge touches. Use a spacing of one "
        "beam radius or less.",
        (c.labels[i],),
    )


def _agree(c: CouponSet, fit: LineFit, w: Any, confidence: float) -> Finding | None:
    if c.computed_exposure is None:
        return None
    ratio = c.exposure / c.computed_exposure
    i = int(np.argmax(np.abs(np.log(ratio))))
    if abs(ratio[i] - 1) < 0.02:
        return None
    return Finding(
        "exposure_disagrees",
        WARNING,
        f"The stated exposure of coupon {c.labels[i]} is {ratio[i]:.3g} times what its settings give. The stated exposures were used.",
        (c.labels[i],),
    )


# ---------------------------------------------------------------- words


def rare(p: float, than: float = RARE) -> bool:
    """Whether so small a chance is worth a Check; one that could not be told is not."""
    return bool(p < than)


def chance(p: float) -> str:
    """A p value in words."""
    p = float(p)
    if p < 1e-6:
        return "not by chance: less than one in a million"
    if p < 0.01:
        return f"by chance once in {1 / p:.0f}"
    return f"by chance {100 * p:.2g} times in 100"


def _way(slope: float) -> str:
    return "rises" if slope > 0 else "falls"


def _coupons(names: tuple[str, ...]) -> str:
    if len(names) == 1:
        return f"Coupon {names[0]}"
    shown = names if len(names) <= 6 else (*names[:5], f"{len(names) - 5} more")
    return f"Coupons {', '.join(shown[:-1])} and {shown[-1]}"
