"""What the machine can do, and what to say when an answer lies beyond it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...formulas.beam import Beam
from ...formulas.scan import Scan
from ...units import MM_S, MW, NoSolution, Quantity, QuantityError, measured, positive, show_kernel
from ..model import depth_of, model, weakest
from .case import RADIUS_RANGE, Case, power, replaced, spacing, speed

__all__ = ["Limits", "no_radius"]


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Greatest and least scan speed and power; any may be left out.

    Raises
    ------
    QuantityError

    >>> from curecalc.units import Quantity as Q
    >>> Limits(max_scan_speed=Q(5.0, "m/s")).max_scan_speed.m_as("mm/s")
    5000.0
    """

    max_scan_speed: Quantity | None = None
    min_scan_speed: Quantity | None = None
    max_power: Quantity | None = None
    min_power: Quantity | None = None

    def __post_init__(self) -> None:
        for what, unit in (("scan_speed", MM_S), ("power", MW)):
            ends = [getattr(self, f"{end}_{what}") for end in ("min", "max")]
            numbers = [None if e is None else positive(f"{n}_{what}", e, unit) for n, e in zip(("min", "max"), ends)]
            low, high = numbers
            if low is not None and high is not None and low > high:
                raise QuantityError(f"min_{what} of {low:.6g} must not exceed max_{what} of {high:.6g}.")

    def _number(self, name: str, unit: Any) -> float | None:
        limit = getattr(self, name)
        return None if limit is None else float(limit.m_as(unit))

    def check_given(self, x: Mapping[str, float], *, speed_too: bool = True, power_too: bool = True) -> None:
        """`NoSolution` where a given power or speed itself lies outside."""
        for name, kind, unit, wanted in (("scan_speed", "speed", MM_S, speed_too), ("power", "power", MW, power_too)):
            low, high = self._number(f"min_{name}", unit), self._number(f"max_{name}", unit)
            if wanted and high is not None and x[name] > high * (1.0 + 1e-12):
                raise NoSolution(
                    f"{name} of {show_kernel(x[name], kind)} is above the limit of {show_kernel(high, kind)}.",
                    limit=f"max_{name}",
                    remedy="Lower it, or raise the limit if the machine allows.",
                )
            if wanted and low is not None and x[name] < low * (1.0 - 1e-12):
                raise NoSolution(
                    f"{name} of {show_kernel(x[name], kind)} is below the limit of {show_kernel(low, kind)}.",
                    limit=f"min_{name}",
                    remedy="Raise it, or lower the limit if the machine allows.",
                )

    def check_setting(self, beam: Beam, scan: Scan) -> None:
        """`NoSolution` where the power or speed of a setting lies outside."""
        speed_now, power_now = measured(scan.scan_speed).value, measured(beam.power).value
        self.check_given({"scan_speed": float(speed_now.m_as(MM_S)), "power": float(power_now.m_as(MW))})

    def check_speed(self, case: Case, value: float) -> None:
        """`NoSolution` where the speed that meets the target lies outside; says by how much and what would help."""
        self.check_given(case.given.x, speed_too=False)
        self._check(case, "scan_speed", "speed", MM_S, value)

    def check_power(self, case: Case, value: float) -> None:
        """`NoSolution` where the power that meets the target lies outside; says by how much and what would help."""
        self.check_given(case.given.x, power_too=False)
        self._check(case, "power", "power", MW, value)

    def _check(self, case: Case, name: str, kind: str, unit: Any, value: float) -> None:
        for end in ("max", "min"):
            limit = self._number(f"{end}_{name}", unit)
            if limit is None or (value <= limit * (1 + 1e-12) if end == "max" else value >= limit * (1 - 1e-12)):
                continue
            at = replaced(case.given.x, name, limit)
            reached = float(depth_of(weakest(at, case.given.form), at, case.given.form))
            wanted = float(case.depth(at))
            off = reached - wanted
            what = (
                f"overcured by {show_kernel(off, 'length')} more than wanted"
                if off > 0
                else f"short by {show_kernel(-off, 'length')}"
            )
            side = "above" if end == "max" else "below"
            raise NoSolution(
                f"A {name.replace('_', ' ')} of {show_kernel(value, kind)} would reach {show_kernel(wanted, 'length')}, {side} the "
                f"limit of {show_kernel(limit, kind)}; at the limit the weakest place is {what}.",
                limit=f"{end}_{name}",
                remedy=self._remedy(case, name, at, off > 0),
            )

    def _remedy(self, case: Case, name: str, at: dict[str, float], too_deep: bool) -> str:
        """Other settings that meet the target with the speed or power at its limit."""
        ways = []
        if name == "scan_speed":
            needed = float(power(case, at))
            ways.append(f"{'lower' if too_deep else 'raise'} the power to {show_kernel(needed, 'power')}")
        else:
            needed = float(speed(case, at))
            ways.append(f"{'raise' if too_deep else 'lower'} the speed to {show_kernel(needed, 'speed')}")
        if case.given.form.raster:
            other = Case(case.given, "hatch_spacing", case.beyond, case.uses_layer, case.width)
            wide = float(spacing(other, at))
            ways.insert(0, f"{'raise' if too_deep else 'lower'} the hatch spacing to {show_kernel(wide, 'length')}")
        text = " or ".join(ways)
        return f"{text[0].upper()}{text[1:]}."


def no_radius(case: Case) -> NoSolution:
    """Why no beam radius meets the target."""
    radii = np.geomspace(*RADIUS_RANGE, 600)
    excess = np.array([float(case.excess(replaced(case.given.x, "beam_radius", r))) for r in radii])
    span = f"from {show_kernel(RADIUS_RANGE[0], 'length')} to {show_kernel(RADIUS_RANGE[1], 'length')}"
    if (excess > 0.0).all():
        return NoSolution(
            f"Every beam radius {span} goes beyond the target.",
            limit="beam_radius",
            remedy="Raise the speed or lower the power first.",
        )
    x, form = case.given.x, case.given.form
    if case.width is not None:
        got, at = _widest(case, radii)
        return NoSolution(
            f"No beam radius {span} gives a line {show_kernel(case.width, 'length')} wide: the widest is {show_kernel(got, 'length')} "
            f"at a radius of {show_kernel(at, 'length')}.",
            limit="beam_radius",
            remedy="Lower the speed or raise the power.",
        )
    best = float(radii[int(np.argmax(excess))])
    x = replaced(x, "beam_radius", best)
    reached = float(depth_of(weakest(x, form), x, form))
    return NoSolution(
        f"No beam radius {span} reaches {show_kernel(float(case.depth(x)), 'length')}: the deepest is {show_kernel(reached, 'length')} "
        f"at a radius of {show_kernel(best, 'length')}.",
        limit="beam_radius",
        remedy="Lower the speed, raise the power" + (" or narrow the hatch spacing." if form.raster else "."),
    )


def _widest(case: Case, radii: Any) -> tuple[float, float]:
    """Greatest line width over the radii, and the radius."""
    lines = [float(model(replaced(case.given.x, "beam_radius", r), case.given.form)["line_width"]) for r in radii]
    best = int(np.argmax(lines))
    return lines[best], float(radii[best])
