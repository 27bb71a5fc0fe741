"""Coupons and readings that do not belong, one after another so that one cannot hide the next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.intervals import t_p
from ..statistics.outlying import LEVELS, Outlying, outlying
from ..units import IN_UM, figure, micrometres, show_kernel
from .coupons import CouponSet
from .findings import chance, gauge_step, rare

__all__ = ["Outlier", "outliers_of", "reading_outliers"]


@dataclass(frozen=True)
class Outlier:
    """A coupon or a reading that does not belong: how far (mm), its externally studentised residual, p among all sets looked at.

    `check` is False for one that calls for a look but happens by chance too often to be a Check (p up to 0.05).
    """

    kind: str
    coupon: str
    deviation: float
    studentised: float
    p: float
    sentence: str
    place: str = ""
    reading: float | None = None
    check: bool = True

    def to_dict(self) -> dict[str, Any]:
        """The outlier as it stands in JSON."""
        out = {
            "kind": self.kind,
            "coupon": self.coupon,
            "deviation": {"value": self.deviation, "unit": "mm"},
            "studentised_residual": self.studentised if np.isfinite(self.studentised) else None,
            "p": self.p,
            "sentence": self.sentence,
        }
        if self.reading is not None:
            out |= {"reading": {"value": self.reading, "unit": "mm"}, "place": self.place}
        return out


def outliers_of(coupons: CouponSet, weight: Any | None) -> tuple[Outlier, ...]:
    """Readings that do not belong, then coupons off the line of the others, with the wild readings set aside.

    Coupons are looked at one, two and three together (`statistics.outlying`); those found are set aside and the rest looked at
    again, more strictly, for at most a quarter of the coupons (and 20). Nothing is left out of the fit itself.
    """
    readings, keep = reading_outliers(coupons)
    out = list(readings)
    y, aside = coupons.thickness, ""
    if readings:
        group = coupons.reading_of[keep]
        y = np.bincount(group, coupons.readings[keep]) / np.bincount(group)
        aside = "With the reading above set aside, coupon" if len(readings) == 1 else "With the readings above set aside, coupon"
    inside = np.arange(len(coupons))
    most, found_before = min(20, len(coupons) // 4), 0
    while found_before < most:
        found = outlying(
            coupons.x[inside], y[inside], None if weight is None else weight[inside], levels=LEVELS if not found_before else (0.01,)
        )
        if found is None and not out:
            found = outlying(coupons.x, y, weight, levels=(0.05,))
        if found is None or max(abs(d) for d in found.away) < 1e-9 * float(np.abs(y).max()):
            break
        out += _said(coupons, found, inside, aside or "Coupon")
        if found.p >= max(LEVELS):
            break
        found_before += len(found.index)
        inside = np.delete(inside, list(found.index))
        aside = "With those set aside, coupon"
    return tuple(out)


def _said(coupons: CouponSet, found: Outlying, inside: np.ndarray, opening: str) -> list[Outlier]:
    labels = [coupons.labels[inside[i]] for i in found.index]
    without = ""
    if found.rest.slope > 0:
        ec = figure(np.exp(found.rest.x_mean - found.rest.y_mean / found.rest.slope))
        dp = show_kernel(found.rest.slope, "length", found.rest.slope_sd)
        without = f" Without {'it' if len(labels) == 1 else 'them'} Dp is {dp} and Ec {ec} mJ/cm^2."
    odds = f"{chance(found.p)} among {inside.size} coupons"
    out = []
    for place, (label, away, t) in enumerate(zip(labels, found.away, found.studentised)):
        both = (
            ""
            if len(labels) == 1
            else f", as {' and '.join(other for other in labels if other != label)} does: together they hide each other"
        )
        last = without if place == len(labels) - 1 else ""
        out.append(
            Outlier(
                "coupon",
                label,
                away,
                t,
                found.p,
                f"{opening} {label} lies {micrometres(abs(away))} {'above' if away > 0 else 'below'} the line of the others{both} "
                f"({odds}). "
                f"Measure it again and check its exposure; leave it out only with a reason written down.{last}",
                check=found.p < LEVELS[len(labels) - 1],
            )
        )
    return out


def reading_outliers(coupons: CouponSet) -> tuple[list[Outlier], np.ndarray]:
    """Readings far from the others on the same coupon, and which readings remain.

    Judged by the scatter of all readings within coupons; Bonferroni at 1 %, and more than two steps of the gauge.
    """
    out: list[Outlier] = []
    keep = np.ones(coupons.readings.size, dtype=bool)
    step = coupons.gauge_resolution or gauge_step(coupons.readings) or 0.0
    for _ in range(5):
        found = _worst_reading(coupons, keep, 2.0 * step)
        if found is None:
            break
        index, outlier = found
        out.append(outlier)
        keep[index] = False
    return out, keep


def _worst_reading(coupons: CouponSet, keep: np.ndarray, least: float) -> tuple[int, Outlier] | None:
    group, y = coupons.reading_of, coupons.readings
    counts = np.bincount(group[keep])  # of a coupon two readings always remain
    means = np.bincount(group[keep], y[keep]) / counts
    usable = keep & (counts[group] >= 3)
    dof = int(keep.sum()) - len(coupons) - 1
    if not usable.any() or dof < 2:
        return None
    residual = np.where(keep, y - means[group], 0.0)
    squares = float((residual**2).sum())
    free = np.where(usable, 1.0 - 1.0 / counts[group], np.nan)
    left = np.maximum(squares - residual**2 / free, 0.0)
    floor = (1e-9 * np.abs(y).max()) ** 2 * dof
    t = np.abs(residual) / np.sqrt(np.maximum(left, floor) / dof * free)
    i = int(np.nanargmax(t))
    p = float(t_p(t[i], dof)) * int(usable.sum())
    if not rare(p, 0.01):
        return None
    n_same = counts[group[i]]
    away = float(residual[i] * n_same / (n_same - 1))
    if abs(away) <= max(least, 1e-9 * float(np.abs(y).max())):
        return None
    others = y[keep & (group == group[i])]
    middle = float(np.median(others[others != y[i]]))
    place = coupons.places[i] if coupons.places else ""
    at = f" ({place})" if place else ""
    side = "above" if away > 0 else "below"
    return i, Outlier(
        "reading",
        coupons.labels[group[i]],
        away,
        float(np.sign(away) * t[i]),
        p,
        f"Reading {micrometres(y[i])} on coupon {coupons.labels[group[i]]}{at} is {micrometres(abs(away))} {side} "
        f"its other readings{_slip(y[i], middle)}. Read it again, then correct or delete the row.",
        place,
        float(y[i]),
    )


def _slip(value: float, middle: float) -> str:
    """A hint at the usual slips of the pen: a shifted decimal point, two digits exchanged."""
    ratio = value / middle
    for factor in (10.0, 100.0, 1000.0):
        if min(abs(ratio / factor - 1), abs(ratio * factor - 1)) < 0.25:
            return f", by a factor near {factor:g}: a shifted decimal point or a wrong unit"
    typed, near = IN_UM * value, IN_UM * middle
    digits = f"{typed:.6g}"
    for i in range(len(digits) - 1):
        turned = float(digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :])
        if abs(turned - near) < 0.4 * abs(typed - near) and abs(turned / near - 1) < 0.05:
            return f": two digits exchanged? {turned:g} um would fit"
    return ""
