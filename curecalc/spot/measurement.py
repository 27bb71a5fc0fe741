"""The records a beam measurement gives: lengths with their uncertainty, findings, and the beam they make."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..cautions import BEAM_CAUTION, RULES_CAUTION
from ..formulas.beam import Beam
from ..setting.explain import Step
from ..statistics.intervals import t_factor
from ..statistics.uncertainty import effective_degrees_of_freedom
from ..units import DEG, MM, ONE, Measured, Quantity, QuantityError, Shown, to_json

__all__ = ["COMMON", "BeamMeasurement", "Estimate", "Part", "estimate", "plain", "pooled"]


COMMON = "common: "
"""Begins the name of a part of the budget that both radii share: their errors move together."""


@dataclass(frozen=True)
class Part:
    """One contribution to an uncertainty: name, relative standard uncertainty, degrees of freedom (JCGM 100)."""

    name: str
    relative: float
    degrees_of_freedom: float = math.inf

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON; infinite degrees of freedom are null."""
        dof = self.degrees_of_freedom
        return {
            "name": self.name,
            "relative_standard_uncertainty": self.relative,
            "degrees_of_freedom": dof if math.isfinite(dof) else None,
        }


@dataclass(frozen=True)
class Estimate:
    """A measured quantity with its budget.

    The interval is value +- t u with Student's t for the effective degrees of freedom; where that would reach zero
    for a quantity that cannot, it is taken on the logarithm.
    """

    value: Quantity
    parts: tuple[Part, ...] = ()
    confidence: float = 0.95

    @property
    def relative(self) -> float:
        """Relative combined standard uncertainty."""
        return math.sqrt(sum(p.relative**2 for p in self.parts))

    @property
    def standard_uncertainty(self) -> Quantity:
        """Combined standard uncertainty."""
        return abs(self.value) * self.relative

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite)."""
        if not any(p.relative for p in self.parts):
            return math.inf
        return effective_degrees_of_freedom([p.relative for p in self.parts], [p.degrees_of_freedom for p in self.parts])

    @property
    def coverage_factor(self) -> float:
        """Student factor of the interval."""
        return float(t_factor(self.confidence, self.degrees_of_freedom))

    @property
    def interval(self) -> tuple[Quantity, Quantity]:
        """Coverage interval at `confidence`."""
        reach = self.coverage_factor * self.relative
        if reach < 0.5:
            return self.value * (1.0 - reach), self.value * (1.0 + reach)
        low = max(math.exp(-reach), math.sqrt(sys.float_info.min))
        return self.value * low, self.value / low

    @property
    def measured(self) -> Measured:
        """Value with standard uncertainty."""
        return Measured(self.value, self.standard_uncertainty)

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command contract."""
        if not self.parts:
            return to_json(self.value)
        return to_json(self.value, self.standard_uncertainty, self.interval, self.confidence)


def estimate(value: float, parts: Sequence[tuple[str, float, float]], *, unit: Any = MM, confidence: float) -> Estimate:
    """`Estimate` from a float and (name, standard uncertainty in the same unit, degrees of freedom)."""
    return Estimate(
        Quantity(float(value), unit), tuple(Part(n, float(u) / abs(value), float(d)) for n, u, d in parts if u > 0 and value), confidence
    )


def pooled(x: Estimate, y: Estimate | None) -> Estimate:
    """Geometric mean of two radii; parts that both share by name under 'common' move together, the others do not."""
    if y is None:
        return x
    parts = []
    for part in x.parts:
        if part.name.startswith(COMMON):
            parts.append(part)
        else:
            parts.append(Part(f"x, {part.name}", 0.5 * part.relative, part.degrees_of_freedom))
    parts += [Part(f"y, {p.name}", 0.5 * p.relative, p.degrees_of_freedom) for p in y.parts if not p.name.startswith(COMMON)]
    mean = math.sqrt(float(x.value.m_as(MM)) * float(y.value.m_as(MM)))
    return Estimate(Quantity(mean, MM), tuple(parts), x.confidence)


def plain(value: Any) -> Any:
    """A detail as it stands in JSON."""
    if isinstance(value, Estimate):
        return value.to_dict()
    if isinstance(value, Measured | Quantity):
        return to_json(value)
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.item() if hasattr(value, "item") and not isinstance(value, str) else value


@dataclass(frozen=True, kw_only=True)
class BeamMeasurement(Shown):
    """What a measurement says about a beam.

    Attributes
    ----------
    kind : str
        knife-edge, slit, pinhole, image, caustic or cured-lines.
    radius_x, radius_y : Estimate
        1/e^2 radii along the spot's own axes; `radius_y` None where only one axis was measured.
    angle : Quantity
        Of the first axis to x, from x towards y.
    u_angle : Quantity
        Its standard uncertainty; zero where it is not measured.
    centre : tuple of Estimate or None
    beam_quality : tuple of Estimate
        M^2 of each axis, from a caustic.
    details : mapping
        What else the measurement says, by name; quantities, numbers, text.
    warnings : tuple of str
        Checks: what makes the answer doubtful, each with what to measure instead.
    notes : tuple of str
        What was taken into account, or was not asked: worth knowing, no fault of the data.
    fits : tuple
        The float fits behind the answer, for figures: (axis, fit, position, reading).
    """

    kind: str
    radius_x: Estimate
    radius_y: Estimate | None = None
    angle: Quantity = Quantity(0.0, DEG)  # noqa: RUF009 (immutable in practice: a scalar quantity)
    u_angle: Quantity = Quantity(0.0, DEG)  # noqa: RUF009
    centre: tuple[Quantity | None, Quantity | None] = (None, None)
    beam_quality: tuple[Estimate, ...] = ()
    wavelength: Quantity | None = None
    details: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    fits: tuple[Any, ...] = ()
    source: str = ""
    sha256: str = ""

    @property
    def round(self) -> bool:
        """Whether one radius stands for both axes: only one was measured."""
        return self.radius_y is None

    @property
    def cautions(self) -> tuple[str, ...]:
        """Notes that the next user of the beam must hear as well: what was not measured."""
        return tuple(n for n in self.notes if n.startswith(("one axis", "directions are those")))

    @property
    def beam_radius(self) -> Estimate:
        """The radius of the round beam of the same area: the geometric mean of both axes."""
        return pooled(self.radius_x, self.radius_y)

    @property
    def quality(self) -> float | None:
        """M^2, the geometric mean of both axes; None without a caustic. A fit may give less than 1."""
        return float(pooled_quality(self.beam_quality).value.m_as(ONE)) if self.beam_quality else None

    @property
    def ellipticity(self) -> float | None:
        """Smaller radius over larger (ISO 11146-1); None for one axis."""
        if self.radius_y is None:
            return None
        a, b = float(self.radius_x.value.m_as(MM)), float(self.radius_y.value.m_as(MM))
        return min(a, b) / max(a, b)

    def beam(self, *, power: Measured | Quantity, wavelength: Quantity | None = None, name: str = "") -> Beam:
        """The beam record for calculations.

        Parameters
        ----------
        power : Quantity or Measured
            Reaching the resin surface.
        wavelength : Quantity, optional
            The measurement's own where it has one.
        name : str

        Raises
        ------
        QuantityError
            From the record: a power or wavelength out of range.
        """
        quality = self.quality if self.quality is not None and self.quality >= 1.0 else None
        return Beam(
            power=power,
            radius_x=self.radius_x.measured,
            radius_y=None if self.radius_y is None else self.radius_y.measured,
            angle=self.angle,
            wavelength=wavelength if wavelength is not None else self.wavelength,
            beam_quality=quality,
            name=name,
        )

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of `curecalc spot --json`."""
        radius = self.beam_radius.to_dict()
        radius["x"] = self.radius_x.to_dict()
        radius["y"] = None if self.radius_y is None else self.radius_y.to_dict()
        record: dict[str, Any] = {
            "kind": self.kind,
            "beam_radius": radius,
            "angle": to_json(self.angle, self.u_angle if self.u_angle.m > 0 else None),
            "ellipticity": self.ellipticity,
            "centre": None
            if self.centre == (None, None)
            else {axis: None if c is None else to_json(c) for axis, c in zip("xy", self.centre, strict=True)},
        }
        if self.beam_quality:
            pairs = dict(zip("xy", self.beam_quality, strict=False))
            mean = pooled_quality(self.beam_quality)
            record["beam_quality"] = mean.to_dict() | {axis: value.to_dict() for axis, value in pairs.items()}
        if self.wavelength is not None:
            record["wavelength"] = to_json(self.wavelength)
        record |= {name: plain(value) for name, value in self.details.items()}
        record["budget"] = {"x": [p.to_dict() for p in self.radius_x.parts]}
        if self.radius_y is not None:
            record["budget"]["y"] = [p.to_dict() for p in self.radius_y.parts]
        record["degrees_of_freedom"] = plain(self.radius_x.degrees_of_freedom)
        record |= {
            "warnings": list(self.warnings),
            "notes": list(self.notes),
            "source": self.source,
            "data_sha256": self.sha256 or None,
            "cautions": [BEAM_CAUTION, RULES_CAUTION],
        }
        return record


def pooled_quality(values: Sequence[Estimate]) -> Estimate:
    """Geometric mean of M^2 over the axes measured."""
    mean = math.prod(float(v.value.m_as(ONE)) for v in values) ** (1.0 / len(values))
    parts = [
        Part(f"{axis}, {p.name}", p.relative / len(values), p.degrees_of_freedom)
        for axis, v in zip("xy", values, strict=False)
        for p in v.parts
    ]
    return Estimate(Quantity(mean, ONE), tuple(parts), values[0].confidence)


def checked(function: Any, *args: Any, **options: Any) -> Any:
    """Call a float function; what it refuses with ValueError becomes a `QuantityError`."""
    try:
        return function(*args, **options)
    except QuantityError:
        raise
    except ValueError as error:
        raise QuantityError(str(error)) from None
