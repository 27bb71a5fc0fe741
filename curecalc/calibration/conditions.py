"""Under which conditions lots were exposed and read: where the earlier ones differ from the new one, or do not say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .coupons import CouponSet
from .findings import NOTE, WARNING, Finding

__all__ = ["SAME_TEMPERATURE", "SAME_WAVELENGTH", "Conditions", "conditions_of", "unlike"]

_NAMED = (
    ("machine", "exposed on", "The scales of two machines stand between them; they must be small beside the spread from lot to lot."),
    ("power_meter", "exposed with power read by", "The scales of two meters stand between their exposures: compare the meters."),
    ("gauge", "read with", "The biases of two gauges stand between their depths: read one coupon with both."),
)
SAME_WAVELENGTH, SAME_TEMPERATURE = 0.5, 2.0  # nm, degC; common practice, no source


@dataclass(frozen=True)
class Conditions:
    """Of one lot: wavelength (nm), machine, power meter, gauge, temperature of the resin (degC); empty or None where not stated."""

    name: str = ""
    wavelength: float | None = None
    machine: str = ""
    power_meter: str = ""
    gauge: str = ""
    temperature: float | None = None


def conditions_of(coupons: CouponSet) -> Conditions:
    """What a coupon table says of them."""
    names, warm = coupons.names, coupons.mean_temperature
    return Conditions(
        names.get("lot", ""),
        coupons.wavelength,
        names.get("machine", ""),
        names.get("power_meter", ""),
        names.get("gauge", ""),
        None if warm is None else float(warm.m),
    )


def unlike(new: Conditions, earlier: Sequence[Conditions]) -> list[Finding]:
    """One finding for each condition in which earlier lots differ from the new one, and one that names those not stated."""
    out: list[Finding] = []
    unstated: list[str] = []

    def differ(code: str, level: str, other: Conditions, how: str, theirs: str, mine: str, then: str) -> None:
        lot = f"Earlier lot {other.name}" if other.name else "An earlier lot"
        out.append(Finding(f"prior_{code}", level, f"{lot} was {how} {theirs}, this one {how.split()[-1]} {mine}. {then}"))

    for code, limit, unit, level, then in (
        ("wavelength", SAME_WAVELENGTH, "nm", WARNING, "Dp and Ec hold at one wavelength: leave that lot out."),
        ("temperature", SAME_TEMPERATURE, "degC", NOTE, "Resin cures otherwise when warmer: expose at one temperature."),
    ):
        mine = getattr(new, code)
        found = [(lot, getattr(lot, code)) for lot in earlier]
        if mine is None or any(value is None for _, value in found):
            unstated.append(code)
        away = [(lot, value) for lot, value in found if mine is not None and value is not None and abs(value - mine) > limit]
        if away:
            lot, value = away[0]
            differ(code, level, lot, "exposed at", f"{value:.4g} {unit}", f"{mine:.4g} {unit}", then)
    for code, how, then in _NAMED:
        mine, words = getattr(new, code), [(lot, getattr(lot, code)) for lot in earlier]
        if not mine or any(not word for _, word in words):
            unstated.append(code.replace("_", " "))
        others = [(lot, word) for lot, word in words if mine and word and word != mine]
        if others:
            lot, word = others[0]
            differ(code, NOTE, lot, how, word, mine, then)
    if unstated:
        said = f"{', '.join(unstated[:-1])} and {unstated[-1]}" if len(unstated) > 1 else unstated[0]
        out.append(
            Finding("prior_unstated", NOTE, f"Not stated both for this lot and for the earlier ones, so taken to be the same: {said}.")
        )
    return out
