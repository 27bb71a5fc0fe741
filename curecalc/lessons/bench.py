"""The numbers a lesson works with: one machine, one resin, one layer. The user's own, or an invented example."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..units import MM, NM, Measured, Quantity, QuantityError, measured, positive, show

if TYPE_CHECKING:
    from ..jobs.lot import Lot
    from ..jobs.machine import Machine
    from ..jobs.needs import Needs

__all__ = ["Bench", "bench_of", "invented_bench"]


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A machine's beam, a resin and a layer, as lessons and exercises use them.

    Parameters
    ----------
    beam : Beam
        Round; lessons use the mean radius of an elliptical one.
    resin : Resin
    hatch_spacing, layer_thickness, overcure : Quantity [mm]
    name : str
        Where the numbers come from, said at the head of each lesson.

    Raises
    ------
    QuantityError
    """

    beam: Beam
    resin: Resin
    hatch_spacing: Quantity
    layer_thickness: Quantity
    overcure: Quantity
    name: str = ""

    def __post_init__(self) -> None:
        for name in ("hatch_spacing", "layer_thickness", "overcure"):
            positive(name, getattr(self, name), MM)
        if self.beam.radius_y is not None:
            x, y = self.beam.radius_x, self.beam.radius_y
            middle: Quantity = (_value(x) * _value(y)) ** 0.5
            plain = dataclasses.replace(self.beam, radius_x=middle.to(MM), radius_y=None)
            object.__setattr__(self, "beam", plain)
        # lessons teach the plain working curve; the last one tells where it ends
        kept = {f.name: getattr(self.resin, f.name) for f in dataclasses.fields(Resin)}
        object.__setattr__(self, "resin", Resin(**kept))
        here, there = self.beam.wavelength, self.resin.wavelength
        if here is not None and there is not None and abs(float(here.m_as(NM)) - float(there.m_as(NM))) > 3.0:
            raise QuantityError(
                f"wavelength of the machine is {show(here)}, of the resin {show(there)}: they do not belong together. "
                "Name a resin file measured with this laser."
            )

    @property
    def power(self) -> Quantity:
        """Optical power reaching the resin surface."""
        return _value(self.beam.power)

    @property
    def beam_radius(self) -> Quantity:
        """1/e^2 radius."""
        return _value(self.beam.radius_x)

    @property
    def penetration_depth(self) -> Quantity:
        """Dp."""
        return _value(self.resin.penetration_depth)

    @property
    def critical_exposure(self) -> Quantity:
        """Ec."""
        return _value(self.resin.critical_exposure)

    @property
    def cure_depth(self) -> Quantity:
        """What a layer needs: its thickness and the overcure."""
        return (self.layer_thickness + self.overcure).to(MM)

    @property
    def wavelength(self) -> Quantity:
        """Of the laser; 355 nm where the files leave it out."""
        return self.beam.wavelength or Quantity(355.0, NM)

    def replaced(self, **changes: Any) -> Bench:
        """The bench with other values of the fields of `Bench`."""
        return dataclasses.replace(self, **changes)


def _value(given: Quantity | Measured | None) -> Quantity:
    return measured(given).value


def invented_bench() -> Bench:
    """The invented machine and resin of the demo, near the middle of what is usual in the trade.

    >>> f"{invented_bench().power.m_as('mW'):.0f} mW"
    '240 mW'
    """
    laser = Quantity(355.0, NM)
    return Bench(
        beam=Beam(
            power=Measured(Quantity(240.0, "mW"), Quantity(4.8, "mW")),
            radius_x=Measured(Quantity(0.110, "mm"), Quantity(0.003, "mm")),
            wavelength=laser,
            name="invented machine",
        ),
        resin=Resin(
            penetration_depth=Measured(Quantity(0.142, "mm"), Quantity(0.003, "mm")),
            critical_exposure=Measured(Quantity(9.4, "mJ/cm^2"), Quantity(0.5, "mJ/cm^2")),
            correlation=0.9,
            wavelength=laser,
            name="invented resin",
        ),
        hatch_spacing=Quantity(0.1, "mm"),
        layer_thickness=Quantity(0.1, "mm"),
        overcure=Quantity(0.08, "mm"),
        name="an invented machine and resin",
    )


def bench_of(*, machine: Machine | None, lot: Lot | None, needs: Needs | None, otherwise: Bench) -> Bench:
    """The bench of a machine, a lot and needs; what is missing is taken from another bench.

    Layer, overcure and spacing are those of the first raster kind that is not down-facing, or of the first kind.
    """
    from ..jobs.machine import machine_beam

    changes: dict[str, Any] = {}
    named = [one.name for one in (machine, None if lot is None else lot.resin, needs) if one is not None and one.name]
    if machine is not None:
        changes["beam"] = machine_beam(machine)
    if lot is not None:
        changes["resin"] = lot.resin
        if machine is None:
            changes["beam"] = dataclasses.replace(otherwise.beam, wavelength=lot.resin.wavelength or otherwise.beam.wavelength)
    elif machine is not None:
        changes["resin"] = dataclasses.replace(otherwise.resin, wavelength=machine.wavelength)
    if needs is not None:
        kind = next((v for v in needs.vectors if v.raster and not v.down_facing), needs.vectors[0])
        changes["layer_thickness"] = needs.layer_thickness.to(MM)
        wanted = kind.overcure if kind.overcure is not None else (kind.cure_depth or otherwise.cure_depth) - needs.layer_thickness
        if float(wanted.m_as(MM)) > 0.0:
            changes["overcure"] = wanted.to(MM)
        if kind.hatch_spacing is not None:
            changes["hatch_spacing"] = kind.hatch_spacing.to(MM)
    return dataclasses.replace(otherwise, **changes, name=", ".join(named) or otherwise.name)
