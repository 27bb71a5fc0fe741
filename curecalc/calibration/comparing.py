"""Two lots or more side by side: keep the settings, change the speed, keep for now and expose more, reject, or not comparable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..statistics.intervals import f_p, t_quantile
from ..statistics.line import LineFit, mean_sd, ordinary_line
from ..statistics.lines import Difference, FTest, LinesComparison, compare_fits, difference_at, log_exposure_change
from ..statistics.working_line import WorkingLine, line_of, log_threshold, log_threshold_sd
from ..symbols import percent
from ..units import IN_UM, MJ_CM2, MM, Measured, Quantity, QuantityError, Shown, figure, micrometres, ratio, show, span, to_json
from .conditions import SAME_WAVELENGTH
from .exposing import one
from .findings import rare
from .fit import Fit

__all__ = ["Lot", "LotComparison", "compare_lots", "comparison_text", "lot_from_fit", "lot_from_line"]

KEEP, CHANGE, MORE, REJECT, CANNOT = "keep", "change", "keep for now", "reject", "cannot compare"
MOST_MORE = 20
_SHOWN = 0.05  # chance below which a test of the notes counts


@dataclass(frozen=True)
class Lot:
    """A lot ready to compare: its name, its ordinary line (for the F tests), and the line to judge depths with.

    `wavelength` (nm) and `machine` where known; `points` are (x, mm) of its coupons, where these are at hand.
    """

    name: str
    ordinary: LineFit
    line: LineFit
    depth_low: float
    depth_high: float
    x_low: float
    x_high: float
    wavelength: float | None = None
    machine: str = ""
    points: tuple[tuple[float, float], ...] = ()

    @property
    def penetration_depth(self) -> Measured:
        """Dp with its standard uncertainty."""
        return Measured(Quantity(float(self.line.slope), MM), Quantity(float(self.line.slope_sd), MM))

    @property
    def critical_exposure(self) -> Measured:
        """Ec with its standard uncertainty."""
        ec = float(np.exp(log_threshold(self.line)))
        return Measured(Quantity(ec, MJ_CM2), Quantity(ec * float(log_threshold_sd(self.line)), MJ_CM2))


def lot_from_fit(name: str, fit: Fit) -> Lot:
    """A lot from its fitted coupons."""
    c = fit.coupons
    return Lot(
        name,
        ordinary_line(c.x, c.thickness),
        fit.line,
        float(c.thickness.min()),
        float(c.thickness.max()),
        float(c.x.min()),
        float(c.x.max()),
        c.wavelength,
        c.names.get("machine", ""),
        tuple(zip(c.x.tolist(), c.thickness.tolist())),
    )


def lot_from_line(
    name: str,
    line: WorkingLine,
    *,
    coupons: int,
    residual_sd: float,
    depth_low: float,
    depth_high: float,
    wavelength: float | None = None,
    machine: str = "",
) -> Lot:
    """A lot from the numbers of a saved fit by ordinary least squares (the coupons themselves are not needed)."""
    from dataclasses import replace

    judged = line_of(line)
    dof = coupons - 2
    scale = residual_sd**2
    ordinary = replace(
        judged,
        n=coupons,
        degrees_of_freedom=dof,
        sum_of_squares=scale * dof,
        residual_sd=residual_sd,
        scale=scale,
        sxx=scale / line.slope_variance if line.slope_variance > 0 else np.inf,
        weight_sum=float(coupons),
        t_degrees_of_freedom=float(dof),
    )
    return Lot(name, ordinary, judged, depth_low, depth_high, line.x_low, line.x_high, wavelength, machine)


@dataclass(frozen=True)
class LotComparison(Shown):
    """The verdict of a comparison. `to_dict()` is the JSON of the command `compare`.

    Attributes
    ----------
    verdict : str
        `keep` or `change` (both proven), `keep for now` (not proven either way; `more_coupons` would tell), `reject`, `cannot compare`;
        `sentence` says it with numbers.
    slopes, intercepts, coincidence : FTest
        Over all lots given.
    depth_difference : Difference
        New minus old depth (mm) with the old settings, at the exposure where the old lot reaches `cure_depth`.
    speed_change : tuple of float
        Relative change of scan speed that brings the new lot to `cure_depth`: value, low, high (one-sided bounds each).
    """

    lots: tuple[Lot, ...]
    tests: LinesComparison
    cure_depth: Quantity
    tolerance: Quantity
    confidence: float
    depth_difference: Difference
    speed_change: tuple[float, float, float]
    verdict: str
    sentence: str
    more_coupons: int | None
    notes: tuple[str, ...]
    others: tuple[tuple[Difference, tuple[float, float, float]], ...]

    @property
    def slopes(self) -> FTest:
        """Equal slopes?"""
        return self.tests.slopes

    @property
    def intercepts(self) -> FTest:
        """Given equal slopes: equal heights?"""
        return self.tests.intercepts

    @property
    def equivalent(self) -> bool:
        """Whether the new lot's depth with the old settings is proven inside the tolerance."""
        return bool(self.depth_difference.equivalent)

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command `compare`."""
        d = self.depth_difference
        return {
            "verdict": self.verdict,
            "sentence": self.sentence,
            "more_coupons": self.more_coupons,
            "equivalent": self.equivalent,
            "equivalence_p": float(d.equivalence_p),
            "slopes": _test(self.tests.slopes),
            "intercepts": _test(self.tests.intercepts),
            "coincidence": _test(self.tests.coincidence),
            "speed_change": _change(self.speed_change, self.confidence),
            "depth_difference": _difference(d, self.confidence),
            "cure_depth": to_json(self.cure_depth),
            "tolerance": to_json(self.tolerance),
            "residual_sd": to_json(Quantity(self.tests.residual_sd, MM)),
            "common_penetration_depth": to_json(Quantity(self.tests.common_slope, MM), Quantity(self.tests.common_slope_sd, MM)),
            "lots": [self._lot(i) for i in range(len(self.lots))],
            "notes": list(self.notes),
        }

    def _lot(self, i: int) -> dict[str, Any]:
        lot = self.lots[i]
        out = {
            "name": lot.name,
            "coupons": lot.ordinary.n,
            "penetration_depth": to_json(lot.penetration_depth),
            "critical_exposure": to_json(lot.critical_exposure),
            "residual_sd": to_json(Quantity(float(lot.ordinary.residual_sd), MM)),
        }
        if i:
            difference, change = self.others[i - 1]
            out |= {
                "depth_difference": _difference(difference, self.confidence),
                "equivalent": bool(difference.equivalent),
                "speed_change": _change(change, self.confidence),
            }
        return out


def _test(test: FTest) -> dict[str, Any]:
    return {"f": test.f if np.isfinite(test.f) else None, "p": test.p, "df": [test.numerator, test.denominator]}


def _of_both(confidence: float) -> float:
    """What an interval holds whose two ends are one-sided bounds of this confidence."""
    return round(2 * confidence - 1, 12)


def _change(change: tuple[float, float, float], confidence: float) -> dict[str, Any]:
    value, *ends = change
    return {"value": value, "unit": "", "interval": ends, "confidence": _of_both(confidence)}


def _difference(d: Difference, confidence: float) -> dict[str, Any]:
    return to_json(
        Quantity(float(d.value), MM),
        Quantity(float(d.standard_uncertainty), MM),
        (Quantity(float(d.low), MM), Quantity(float(d.high), MM)),
        _of_both(confidence),
    )


def compare_lots(
    *,
    lots: Sequence[Lot],
    cure_depth: Quantity,
    tolerance: Quantity,
    confidence: float = 0.95,
    most_speed_change: Any = 0.30,
    most_depth_change: Any = 0.20,
) -> LotComparison:
    """Compare lots; the first is the old one, the last the new one the verdict is about.

    Parameters
    ----------
    lots : sequence of Lot
        Two or more, from `lot_from_fit`.
    cure_depth : Quantity [mm]
        Depth that matters: layer plus overcure.
    tolerance : Quantity [mm]
        Change of depth one can live with, either way.
    confidence : float
        Of each one-sided bound. Proven good means both bounds lie inside the tolerance, proven bad that one bound lies beyond it.
        With k lots the bounds of all k - 1 comparisons hold together (Bonferroni).
    most_speed_change, most_depth_change : float
        Relative changes of speed and of Dp beyond which a lot is rejected instead of adjusted for.

    Raises
    ------
    QuantityError

    Source: `weisberg2005` for the F tests, `schuirmann1987` for equivalence. A difference that is not significant is no proof
    of sameness: the verdict rests on the interval, not on the F tests.
    """
    if len(lots) < 2:
        raise QuantityError(f"lots: a comparison needs at least two, got {len(lots)}. Name an old and a new one.")
    if not 0.5 < confidence < 1.0:
        raise QuantityError(f"confidence must be above 0.5 and below 1, got {confidence:g}. A usual value is 0.95.")
    speed_limit = float(ratio("most_speed_change", most_speed_change, high=1.0))
    depth_limit = float(ratio("most_depth_change", most_depth_change, high=1.0))
    old, new = lots[0], lots[-1]
    depth, allowed = one("cure_depth", cure_depth, MM), one("tolerance", tolerance, MM)
    tests = compare_fits([lot.ordinary for lot in lots])
    each = 1.0 - (1.0 - confidence) / (len(lots) - 1)
    pairs = tuple(_pair(old, lot, depth, allowed, each) for lot in lots[1:])
    difference, change = pairs[-1]
    notes = _notes(lots, tests, depth)
    if len(lots) > 2:
        notes.append(f"{len(lots) - 1} comparisons with the old lot: each bound is at {percent(each, '.4g')}, so that all hold together.")
    verdict, sentence, more = _verdict(old, new, depth, allowed, difference, change, each, speed_limit, depth_limit)
    return LotComparison(
        tuple(lots),
        tests,
        Quantity(depth, MM),
        Quantity(allowed, MM),
        confidence,
        difference,
        change,
        verdict,
        sentence,
        more,
        tuple(notes),
        pairs,
    )


def _pair(old: Lot, new: Lot, depth: float, allowed: float, confidence: float) -> tuple[Difference, tuple[float, float, float]]:
    at = log_threshold(old.line) + depth / old.line.slope
    difference = difference_at(old.line, new.line, at, tolerance=allowed, confidence=confidence)
    shift = log_exposure_change(old.line, new.line, depth, confidence=confidence)
    return difference, tuple(float(np.expm1(-v)) for v in (shift.value, shift.high, shift.low))  # type: ignore[return-value]


def _verdict(
    old: Lot,
    new: Lot,
    depth: float,
    allowed: float,
    d: Difference,
    change: tuple[float, float, float],
    confidence: float,
    speed_limit: float,
    depth_limit: float,
) -> tuple[str, str, int | None]:
    if (reason := _unlike(old, new)) is not None:
        return CANNOT, f"Cannot compare: {reason}", None
    sure = percent(confidence, ".4g")
    moved = f"{IN_UM * d.value:+.1f} um ({IN_UM * d.low:+.1f} to {IN_UM * d.high:+.1f} um)"
    words = f"with the old settings the depth of {figure(depth)} mm changes by {moved}, tolerance {micrometres(allowed)}"
    speed = _percent(change)
    if d.equivalent:
        return KEEP, f"Keep the settings: {words}, so it stays inside with {sure} confidence each way.", None
    relative = new.line.slope / old.line.slope - 1.0
    sd = np.sqrt((new.line.slope_sd / old.line.slope) ** 2 + (old.line.slope_sd / old.line.slope) ** 2)
    t = t_quantile(confidence, min(old.line.t_degrees_of_freedom, new.line.t_degrees_of_freedom))
    if abs(relative) - t * sd > depth_limit:
        return (
            REJECT,
            (
                f"Reject, or treat as another resin: Dp changed by {percent(relative, '+.0f')}, proven beyond "
                f"{percent(depth_limit, '.0f')}, so no single change of speed serves all depths."
            ),
            None,
        )
    _, least, greatest = change
    if max(least, -greatest) > speed_limit:
        return (
            REJECT,
            (
                f"Reject: it would take a change of speed of {speed}, proven beyond {percent(speed_limit, '.0f')}. Check the power reading "
                "and the coupons first."
            ),
            None,
        )
    if max(d.low, -d.high) > allowed:
        after = t_quantile(confidence, new.line.t_degrees_of_freedom) * float(
            mean_sd(new.line, log_threshold(new.line) + depth / new.line.slope)
        )
        return (
            CHANGE,
            (
                f"Change the scan speed by {speed}: {words}, so the old settings are proven bad with {sure} confidence. After the "
                f"change the depth is known to {micrometres(after)}{'' if after <= allowed else ', more than the tolerance'}. "
                "Prove it on a coupon."
            ),
            None,
        )
    more = _more_coupons(old, new, depth, allowed, d, confidence)
    ask = f"expose {more} more coupons" if more else f"expose more coupons of both lots, more than {MOST_MORE} of the new one alone"
    return MORE, f"Keep the settings for now and {ask}: {words}, so they are proven neither good nor bad.", more


def _unlike(old: Lot, new: Lot) -> str | None:
    if old.wavelength is not None and new.wavelength is not None and abs(old.wavelength - new.wavelength) > SAME_WAVELENGTH:
        return (
            f"{old.name} was exposed at {old.wavelength:g} nm, {new.name} at {new.wavelength:g} nm; Dp and Ec hold at one "
            "wavelength. Expose the new lot at the old one's."
        )
    if old.machine and new.machine and old.machine != new.machine:
        return (
            f"{old.name} was exposed on {old.machine}, {new.name} on {new.machine}, and the scales of two power meters stand between them. "
            "Expose both on one machine."
        )
    return None


def _more_coupons(old: Lot, new: Lot, depth: float, allowed: float, d: Difference, confidence: float) -> int | None:
    """Coupons to add to the new lot, spread as they are, so that a difference of this size would be decided; None if too many."""
    x = log_threshold(old.line) + depth / old.line.slope
    mine, other = float(mean_sd(new.line, x)) ** 2, float(mean_sd(old.line, x)) ** 2
    margin = abs(abs(float(d.value)) - allowed)
    n = new.ordinary.n
    for more in range(1, MOST_MORE + 1):
        left = mine * n / (n + more)
        _, dof = max((left, n + more - 2.0), (other, float(old.line.t_degrees_of_freedom)))  # of the larger
        if t_quantile(confidence, dof) * np.sqrt(left + other) <= margin:
            return more
    return None


def _notes(lots: Sequence[Lot], tests: LinesComparison, depth: float) -> list[str]:
    out = []
    if rare(tests.slopes.p, _SHOWN):
        out.append(
            f"The slopes differ (p {tests.slopes.p:.2g}): Dp is not the same, so settings for other depths change by another factor. "
            "Recalculate every kind of vector."
        )
    elif rare(tests.intercepts.p, _SHOWN):
        out.append(
            f"The slopes agree, the heights differ (p {tests.intercepts.p:.2g}): the same Dp and another Ec, so one factor of speed "
            "serves all depths. A changed power reading looks just like this: read the power before blaming the resin."
        )
    small, large = sorted((lots[0].ordinary, lots[-1].ordinary), key=lambda f: f.residual_sd)
    if small.residual_sd:
        f = float((large.residual_sd / small.residual_sd) ** 2)
        p = 2.0 * float(f_p(f, large.degrees_of_freedom, small.degrees_of_freedom))
        if rare(p, _SHOWN):
            out.append(
                f"One lot's coupons scatter {np.sqrt(f):.2g} times as much as the other's (p {p:.2g}): the F tests assume equal "
                "scatter. Look at the wilder lot's coupons."
            )
    for lot in lots:
        if not lot.depth_low <= depth <= lot.depth_high:
            out.append(
                f"{figure(depth)} mm lies outside the coupons of {lot.name} ({span(lot.depth_low, lot.depth_high)} mm): "
                "the comparison is extrapolated."
            )
    return out


def _percent(change: tuple[float, float, float]) -> str:
    if not max(abs(c) for c in change) < 5.0:
        return "not known to a factor"
    value, low, high = change
    return f"{percent(value, '+.1f')} ({percent(low, '+.1f', to=high)})"


def comparison_text(c: LotComparison) -> str:
    """The comparison as people read it in a terminal."""
    width = max(max(len(lot.name) for lot in c.lots), 3)
    sure = percent(c.confidence)
    lines = [c.sentence, ""]
    lines.append(f"{'lot':<{width}}  coupons  Dp (mm)              Ec (mJ/cm^2)       depth change (um)       speed change (%)")
    for i, lot in enumerate(c.lots):
        dp = show(lot.penetration_depth).removesuffix(" mm")
        ec = show(lot.critical_exposure).removesuffix(" mJ/cm^2")
        row = f"{lot.name:<{width}}  {lot.ordinary.n:>7}  {dp:<19}  {ec:<17}"
        if i:
            d, s = c.others[i - 1]
            row += f"  {IN_UM * d.value:+.1f} ({IN_UM * d.low:+.1f} to {IN_UM * d.high:+.1f})".ljust(26)
            row += _percent(s).replace(" %", "")
        lines.append(row.rstrip())
    lines.append(f"changes against {c.lots[0].name} at {show(c.cure_depth)}; bounds hold together at {sure} each way")
    for name, test in (("equal slopes", c.tests.slopes), ("equal heights", c.tests.intercepts), ("one line for all", c.tests.coincidence)):
        f = figure(test.f) if np.isfinite(test.f) else "infinite"
        lines.append(f"{name:<17} F {f} on {test.numerator} and {test.denominator}, p {test.p:.3g}")
    if c.notes:
        lines.append("")
        lines += [f"Note: {n}" for n in c.notes]
    return "\n".join(lines)
