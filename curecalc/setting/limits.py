"""What the machine can do, and what to say when an answer lies beyond it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..formulas.beam import Beam
from ..formulas.scan import Scan
from ..units import MM_S, MW, NoSolution, Quantity, QuantityError, Shown, measured, positive, show_kernel
from .unknowns import UNKNOWNS, Case

__all__ = ["Limits"]

_BOUNDED = (("scan_speed", "speed", MM_S), ("power", "power", MW))


@dataclass(frozen=True, kw_only=True)
class Limits(Shown):
    """Greatest and least scan speed and power; any may be left out.

    Raises
    ------
    QuantityError

    >>> from curecalc.units import Quantity as Q
    >>> Limits(scan_speed_max=Q(5.0, "m/s")).scan_speed_max.m_as("mm/s")
    5000.0
    """

    scan_speed_max: Quantity | None = None
    scan_speed_min: Quantity | None = None
    power_max: Quantity | None = None
    power_min: Quantity | None = None

    def __post_init__(self) -> None:
        for what, _, unit in _BOUNDED:
            ends = [getattr(self, f"{what}_{end}") for end in ("min", "max")]
            low, high = (None if e is None else positive(f"{what}_{n}", e, unit) for n, e in zip(("min", "max"), ends))
            if low is not None and high is not None and low > high:
                raise QuantityError(f"{what}_min of {low:.6g} must not exceed {what}_max of {high:.6g}.")

    def _broken(self, name: str, unit: Any, values: Any) -> tuple[str, float, tuple[int, ...]] | None:
        """The end that is broken, its limit, and where first."""
        for end in ("max", "min"):
            limit = getattr(self, f"{name}_{end}")
            if limit is None:
                continue
            number = float(limit.m_as(unit))
            out = values > number * (1.0 + 1e-12) if end == "max" else values < number * (1.0 - 1e-12)
            if np.any(out):
                return end, number, tuple(int(i) for i in np.argwhere(np.atleast_1d(out))[0])
        return None

    def check_given(self, x: Mapping[str, Any]) -> None:
        """`NoSolution` where a given power or speed itself lies outside."""
        for name, kind, unit in _BOUNDED:
            if name in x and (broken := self._broken(name, unit, np.asarray(x[name]))) is not None:
                end, limit, where = broken
                side, way, other = ("above", "Lower", "raise") if end == "max" else ("below", "Raise", "lower")
                got = show_kernel(float(np.atleast_1d(x[name])[where]), kind)
                raise NoSolution(
                    f"{name} of {got} is {side} the limit of {show_kernel(limit, kind)}.",
                    limit=f"{name}_{end}",
                    remedy=f"{way} it, or {other} the limit if the machine allows.",
                )

    def check_setting(self, beam: Beam, scan: Scan) -> None:
        """`NoSolution` where the power or speed of a setting lies outside."""
        pairs = (("scan_speed", scan.scan_speed, MM_S), ("power", beam.power, MW))
        self.check_given({name: measured(value).value.m_as(unit) for name, value, unit in pairs if value is not None})

    def check_found(self, case: Case, values: Any) -> None:
        """`NoSolution` where the speed or power that meets the target lies outside; says by how much and what would help."""
        for name, kind, unit in _BOUNDED:
            if name != case.unknown or (broken := self._broken(name, unit, values)) is None:
                continue
            end, limit, where = broken
            x = {k: float(np.broadcast_to(v, values.shape)[where]) for k, v in case.given.x.items()}
            at = case.put(x, limit)
            reached, wanted = float(case.reached(at)), float(np.max(case.depth(at)))
            off, too_deep = show_kernel(abs(reached - wanted), "length"), reached > wanted
            what = f"overcured by {off} more than wanted" if too_deep else f"short by {off}"
            raise NoSolution(
                f"A {name.replace('_', ' ')} of {show_kernel(float(values[where]), kind)} would reach {show_kernel(wanted, 'length')}, "
                f"{'above' if end == 'max' else 'below'} the limit of {show_kernel(limit, kind)}; "
                f"at the limit the weakest place is {what}.",
                limit=f"{name}_{end}",
                remedy=_remedy(case, at, too_deep),
            )


def _remedy(case: Case, at: dict[str, float], too_deep: bool) -> str:
    """Other settings that meet the target with the speed or power at its limit."""
    ways = []
    for name, moved in (("hatch_spacing", True), ("power", False), ("scan_speed", True)):
        if name == case.unknown or (name == "hatch_spacing" and not case.given.form.raster):
            continue
        rest = {k: v for k, v in at.items() if k != name}
        found = float(UNKNOWNS[name].find(replace(case, unknown=name), rest)[0])
        if np.isfinite(found):
            word = "raise" if too_deep == moved else "lower"
            ways.append(f"{word} the {name.replace('scan_', '').replace('_', ' ')} to {show_kernel(found, UNKNOWNS[name].kind)}")
    text = " or ".join(ways)
    return f"{text[0].upper()}{text[1:]}." if text else "No other speed, power or spacing meets the target there."
