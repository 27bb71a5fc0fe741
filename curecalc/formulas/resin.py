"""The resin: how deep an exposure cures it. The plain working curve, and two further cure models beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import numpy as np

from ..physics import laws as _laws
from ..units import (
    MJ_CM2,
    MJ_MM2,
    MM,
    MW_MM2,
    NM,
    ONE,
    Measured,
    Quantity,
    QuantityError,
    Shown,
    Unit,
    measured_field,
    nonnegative,
    positive,
    ratio,
)
from .field import _index

__all__ = [
    "BleachingResin",
    "PowerThresholdResin",
    "Resin",
    "bleaching_cure_depth",
    "bleaching_exposure_for_depth",
    "cure_depth",
    "exposure_at_depth",
    "exposure_for_depth",
    "initiation_rate",
    "penetration_depth_from_absorbance",
    "threshold_cure_depth",
    "threshold_exposure_for_depth",
]


class Told(NamedTuple):
    """A cure law as it is told: depth of a dose, the same with numbers put in, dose of a depth, dose left below a layer, and why.

    `numbers` names what is put in: {dose} and the law's fields.
    """

    depth: str
    numbers: str
    dose: str
    below: str
    why: str


@dataclass(frozen=True, kw_only=True)
class Resin(Shown):
    """A resin that follows the plain working curve Cd = Dp ln(E/Ec), at one wavelength and temperature.

    A resin of another law is a subclass that names its `law` (of `curecalc.physics.laws`), the units and symbols of the law's fields and
    how it is told.

    Parameters
    ----------
    penetration_depth, critical_exposure : Quantity or Measured
        Dp [mm] and Ec [mJ/cm^2], scalars; `Measured` where they carry a standard uncertainty.
    correlation : float
        Correlation of Dp and ln Ec, between -1 and 1 (a line fit gives it; 0 when unknown).
    wavelength, temperature : Quantity, optional
        What the values were measured at.
    refractive_index : float
        Of the liquid at that wavelength; enters only where the beam comes in at an angle.
    name : str
        Shown on sheets.
    depth_range : pair of Quantity, optional
        Cure depths of the coupons: answers beyond them carry a warning.
    notes : tuple of str
        What every answer must say of this resin, for example that its values are unverified.

    >>> from curecalc.units import Quantity as Q
    >>> Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2")).penetration_depth.value.m_as("mm")
    0.15
    """

    penetration_depth: Measured | Quantity
    critical_exposure: Measured | Quantity
    correlation: float = 0.0
    wavelength: Quantity | None = None
    temperature: Quantity | None = None
    refractive_index: float = 1.5
    name: str = ""
    depth_range: tuple[Quantity, Quantity] | None = None
    notes: tuple[str, ...] = ()

    def constants(self) -> dict[str, Any]:
        """The law's numbers in the lab set, by the names of its fields."""
        return {name: getattr(self, name).value.m_as(unit) for name, unit in self.law_units.items()}

    law: ClassVar[type[_laws.Law]] = _laws.Plain
    law_units: ClassVar[dict[str, Unit]] = {"penetration_depth": MM, "critical_exposure": MJ_MM2}
    symbols: ClassVar[dict[str, str]] = {"penetration_depth": "Dp", "critical_exposure": "Ec"}
    told: ClassVar[Told] = Told(
        "Cd = Dp ln(E/Ec)",
        "{penetration_depth} x ln({dose}/{critical_exposure})",
        "E = Ec exp(Cd/Dp)",
        "E_bottom = Es e^(-t/Dp)",
        "Resin is solid down to where the exposure has fallen to the critical exposure.",
    )

    def __post_init__(self) -> None:
        for name, unit in self.law_units.items():
            measured_field(self, name, unit)
        ratio("correlation", self.correlation, low=-1.0, high=1.0, low_open=False, high_open=False)
        _index(self.refractive_index)
        if self.wavelength is not None:
            positive("wavelength", self.wavelength, NM)


@dataclass(frozen=True, kw_only=True)
class BleachingResin(Resin):
    """A resin whose initiator bleaches: the front sharpens and moves on as the exposure grows.

    Cd = Dp ln[(e^(E/Eb) - 1)/(e^(Ec/Eb) - 1)]; the plain curve as Eb grows.

    Parameters
    ----------
    bleaching_exposure : Quantity or Measured
        Eb [mJ/cm^2], the exposure that uses up all but 1/e of the initiator at the surface.
    """

    bleaching_exposure: Measured | Quantity

    law = _laws.Bleaching
    law_units: ClassVar[dict[str, Unit]] = {**Resin.law_units, "bleaching_exposure": MJ_MM2}
    symbols: ClassVar[dict[str, str]] = {**Resin.symbols, "bleaching_exposure": "Eb"}
    told = Told(
        "Cd = Dp ln[(e^(E/Eb) - 1)/(e^(Ec/Eb) - 1)]",
        "Dp = {penetration_depth}, E = {dose}, Ec = {critical_exposure}, Eb = {bleaching_exposure}",
        "E = Eb ln[1 + e^(Cd/Dp) (e^(Ec/Eb) - 1)]",
        "E_bottom = Eb ln[1 + e^(-t/Dp) (e^(Es/Eb) - 1)]",
        "The initiator bleaches: light reaches deeper as it is used up.",
    )


@dataclass(frozen=True, kw_only=True)
class PowerThresholdResin(Resin):
    """A resin in which reciprocity fails: solid where the integral of I^w over time reaches its threshold.

    The threshold is written as the exposure Ec that gels the resin under the constant irradiance
    `reference_irradiance`; w = 1 is the plain curve for every reference.

    Parameters
    ----------
    exponent : float, Quantity or Measured
        w, above 0 and at most 2; below 1 a brighter, shorter exposure cures less than its dose promises.
    reference_irradiance : Quantity
        Irradiance at which `critical_exposure` holds [mW/mm^2].
    """

    exponent: float | Measured | Quantity
    reference_irradiance: Measured | Quantity

    law = _laws.Threshold
    law_units: ClassVar[dict[str, Unit]] = {**Resin.law_units, "exponent": ONE, "reference_irradiance": MW_MM2}
    symbols: ClassVar[dict[str, str]] = {**Resin.symbols, "exponent": "w"}
    told = Told(
        "Cd = (Dp/w) ln(S/Ec)",
        "{penetration_depth}/{exponent} x ln({dose}/{critical_exposure})",
        "S = Ec exp(w Cd/Dp)",
        "S_bottom = Ss e^(-w t/Dp)",
        "Reciprocity fails: the integral of I^w decides, written as the equivalent exposure S.",
    )

    def __post_init__(self) -> None:
        given = self.exponent.value if isinstance(self.exponent, Measured) else self.exponent
        _w(given)
        super().__post_init__()


def cure_depth(*, exposure: Quantity, penetration_depth: Quantity, critical_exposure: Quantity) -> Quantity:
    r"""Depth of solid below the surface, Dp ln(E/Ec); zero where E <= Ec, since nothing gels there.

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2]
        Radiant exposure at the resin surface, not below zero. All three broadcast.
    penetration_depth : Quantity [mm]
    critical_exposure : Quantity [mJ/cm^2]

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or not finite and above zero.

    Source: `gibson2015` chapter 4, working curve; `jacobs1992` chapter 4. Valid at the wavelength, beam and temperature
    of the coupons, while scattering and bleaching are negligible, inside the range of exposures measured.

    >>> from curecalc.units import Quantity as Q
    >>> cd = cure_depth(exposure=Q(20.0, "mJ/cm^2"), penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
    >>> f"{cd.m_as('mm'):.4f}"
    '0.1374'
    """
    e = nonnegative("exposure", exposure, MJ_MM2)
    dp, ec = _dp(penetration_depth), _ec(critical_exposure)
    return Quantity(_laws.Plain(dp, ec).depth(e), MM)


def exposure_for_depth(*, cure_depth: Quantity, penetration_depth: Quantity, critical_exposure: Quantity) -> Quantity:
    r"""Surface exposure that cures to a depth, Ec exp(Cd/Dp).

    Parameters
    ----------
    cure_depth : Quantity [mm]
        Wanted depth, not below zero. All three broadcast.
    penetration_depth : Quantity [mm]
    critical_exposure : Quantity [mJ/cm^2]

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, not finite, or a depth so many penetration depths deep that no number holds it.

    Source: `jacobs1992` chapter 4, the working curve solved for E. Valid as `cure_depth`.

    >>> from curecalc.units import Quantity as Q
    >>> e = exposure_for_depth(cure_depth=Q(200.0, "um"), penetration_depth=Q(76.2, "um"), critical_exposure=Q(14.3, "mJ/cm^2"))
    >>> f"{e.m_as('mJ/cm^2'):.1f}"
    '197.3'
    """
    cd, dp, ec = _cd(cure_depth), _dp(penetration_depth), _ec(critical_exposure)
    return _finite_exposure(_laws.Plain(dp, ec), cd)


def exposure_at_depth(*, exposure: Quantity, depth: Quantity, penetration_depth: Quantity) -> Quantity:
    r"""Exposure left at a depth in the liquid, E exp(-z/Dp).

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2]
        At the surface. All three broadcast.
    depth : Quantity [mm]
    penetration_depth : Quantity [mm]

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: Beer-Lambert law, `gibson2015` chapter 4. Valid while scattering and bleaching are negligible.

    >>> from curecalc.units import Quantity as Q
    >>> e = exposure_at_depth(exposure=Q(20.0, "mJ/cm^2"), depth=Q(0.15, "mm"), penetration_depth=Q(0.15, "mm"))
    >>> f"{e.m_as('mJ/cm^2'):.3f}"
    '7.358'
    """
    e, z = nonnegative("exposure", exposure, MJ_MM2), nonnegative("depth", depth, MM)
    any_resin = _laws.Plain(_dp(penetration_depth), np.nan)  # whatever it takes to gel it
    return Quantity(any_resin.below(e, z), MJ_MM2).to(MJ_CM2)


def penetration_depth_from_absorbance(*, absorbance: Any, path_length: Quantity) -> Quantity:
    r"""Penetration depth of a liquid resin from a spectrophotometer's reading, L/(A ln 10).

    Parameters
    ----------
    absorbance : float
        Decadic, of the resin alone (cell and reflections taken off), at the laser's wavelength; above zero.
    path_length : Quantity [mm]
        Thickness of liquid in the cell. Both broadcast.

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or not finite and above zero.

    Source: Beer-Lambert law; data of `nordin2016`. An estimate: coupons made with the laser decide, since scattering and
    bleaching change what an instrument sees.

    >>> from curecalc.units import Quantity as Q
    >>> f"{penetration_depth_from_absorbance(absorbance=1.1639, path_length=Q(93.0, 'um')).m_as('um'):.1f}"
    '34.7'
    """
    a, length = ratio("absorbance", absorbance), positive("path_length", path_length, MM)
    return Quantity(_laws.depth_from_absorbance(a, length), MM)


def bleaching_cure_depth(
    *, exposure: Quantity, penetration_depth: Quantity, critical_exposure: Quantity, bleaching_exposure: Quantity
) -> Quantity:
    r"""Depth of solid in a resin whose initiator bleaches, Dp ln[(e^(E/Eb) - 1)/(e^(Ec/Eb) - 1)].

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2]
        At the surface, not below zero; zero depth where it is at most Ec. All four broadcast.
    penetration_depth : Quantity [mm]
        Of the fresh resin.
    critical_exposure, bleaching_exposure : Quantity [mJ/cm^2]

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: closed solution of the rate equations of one bleaching absorber, as in `terrones2001`. Valid when the
    initiator is the only absorber and does not diffuse during the exposure.

    >>> from curecalc.units import Quantity as Q
    >>> cd = bleaching_cure_depth(exposure=Q(30.0, "mJ/cm^2"), penetration_depth=Q(1.0, "mm"),
    ...                           critical_exposure=Q(5.0, "mJ/cm^2"), bleaching_exposure=Q(10.0, "mJ/cm^2"))
    >>> f"{cd.m_as('mm'):.5f}"
    '3.38168'
    """
    e, eb = nonnegative("exposure", exposure, MJ_MM2), positive("bleaching_exposure", bleaching_exposure, MJ_MM2)
    return Quantity(_laws.Bleaching(_dp(penetration_depth), _ec(critical_exposure), eb).depth(e), MM)


def bleaching_exposure_for_depth(
    *, cure_depth: Quantity, penetration_depth: Quantity, critical_exposure: Quantity, bleaching_exposure: Quantity
) -> Quantity:
    r"""Surface exposure for a depth in a bleaching resin, Eb ln[1 + e^(Cd/Dp) (e^(Ec/Eb) - 1)].

    Parameters
    ----------
    cure_depth : Quantity [mm]
    penetration_depth : Quantity [mm]
    critical_exposure, bleaching_exposure : Quantity [mJ/cm^2]
        All four broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: inverse of `bleaching_cure_depth`, valid as there.

    >>> from curecalc.units import Quantity as Q
    >>> e = bleaching_exposure_for_depth(cure_depth=Q(3.38168, "mm"), penetration_depth=Q(1.0, "mm"),
    ...                                  critical_exposure=Q(5.0, "mJ/cm^2"), bleaching_exposure=Q(10.0, "mJ/cm^2"))
    >>> f"{e.m_as('mJ/cm^2'):.3f}"
    '30.000'
    """
    eb = positive("bleaching_exposure", bleaching_exposure, MJ_MM2)
    return _finite_exposure(_laws.Bleaching(_dp(penetration_depth), _ec(critical_exposure), eb), _cd(cure_depth))


def initiation_rate(*, exposure: Quantity, depth: Quantity, penetration_depth: Quantity, bleaching_exposure: Quantity) -> Quantity:
    r"""Local initiation rate over the first rate at the surface, in a resin whose initiator bleaches fully.

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2]
        Received by the surface so far, above zero. All four broadcast.
    depth, penetration_depth : Quantity [mm]
    bleaching_exposure : Quantity [mJ/cm^2]

    Returns
    -------
    Quantity, dimensionless, float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: `terrones2001`; under strong attenuation its greatest value at a depth is 1/4.

    >>> from curecalc.units import Quantity as Q
    >>> r = initiation_rate(exposure=Q(200.0, "mJ/cm^2"), depth=Q(2.0, "mm"), penetration_depth=Q(0.1, "mm"),
    ...                     bleaching_exposure=Q(10.0, "mJ/cm^2"))
    >>> f"{r.m:.4f}"
    '0.2500'
    """
    e, z = positive("exposure", exposure, MJ_MM2), nonnegative("depth", depth, MM)
    eb = positive("bleaching_exposure", bleaching_exposure, MJ_MM2)
    return Quantity(_laws.bleaching_rate(e, z, _dp(penetration_depth), eb), ONE)


def threshold_cure_depth(
    *, equivalent_exposure: Quantity, penetration_depth: Quantity, critical_exposure: Quantity, exponent: Any
) -> Quantity:
    r"""Depth of solid under the power threshold law, (Dp/w) ln(S/Ec).

    Parameters
    ----------
    equivalent_exposure : Quantity [mJ/cm^2]
        S, integral of I^w over time divided by the reference irradiance to the power w - 1. All four broadcast.
    penetration_depth : Quantity [mm]
        Of irradiance.
    critical_exposure : Quantity [mJ/cm^2]
        At the reference irradiance.
    exponent : float
        w, above 0, at most 2.

    Returns
    -------
    Quantity [mm], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: threshold form of reciprocity failure, `wydra2014`, `colombo2025`. A working curve made by varying power has
    slope Dp, one made by varying speed has slope Dp/w: their ratio is w.

    >>> from curecalc.units import Quantity as Q
    >>> cd = threshold_cure_depth(equivalent_exposure=Q(16.0, "mJ/cm^2"), penetration_depth=Q(0.1, "mm"),
    ...                           critical_exposure=Q(8.0, "mJ/cm^2"), exponent=0.8)
    >>> f"{cd.m_as('mm'):.5f}"
    '0.08664'
    """
    s = nonnegative("equivalent_exposure", equivalent_exposure, MJ_MM2)
    return Quantity(_laws.Threshold(_dp(penetration_depth), _ec(critical_exposure), _w(exponent)).depth(s), MM)


def threshold_exposure_for_depth(
    *, cure_depth: Quantity, penetration_depth: Quantity, critical_exposure: Quantity, exponent: Any
) -> Quantity:
    r"""Equivalent exposure for a depth under the power threshold law, Ec exp(w Cd/Dp).

    Parameters
    ----------
    cure_depth : Quantity [mm]
    penetration_depth : Quantity [mm]
    critical_exposure : Quantity [mJ/cm^2]
    exponent : float
        w, above 0, at most 2. All four broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError
        No unit, wrong dimension, or out of range.

    Source: inverse of `threshold_cure_depth`, valid as there.

    >>> from curecalc.units import Quantity as Q
    >>> s = threshold_exposure_for_depth(cure_depth=Q(0.1, "mm"), penetration_depth=Q(0.1, "mm"),
    ...                                  critical_exposure=Q(8.0, "mJ/cm^2"), exponent=1.0)
    >>> f"{s.m_as('mJ/cm^2'):.3f}"
    '21.746'
    """
    return _finite_exposure(_laws.Threshold(_dp(penetration_depth), _ec(critical_exposure), _w(exponent)), _cd(cure_depth))


def _cd(value: Quantity) -> Any:
    return nonnegative("cure_depth", value, MM)


def _dp(value: Quantity) -> Any:
    return positive("penetration_depth", value, MM)


def _ec(value: Quantity) -> Any:
    return positive("critical_exposure", value, MJ_MM2)


def _w(value: Any) -> Any:
    return ratio("exponent", value, high=2.0, high_open=False)


def _finite_exposure(law: _laws.Law, cd: Any) -> Quantity:
    with np.errstate(over="ignore"):
        e = law.dose(cd)
    if not np.all(np.isfinite(e)):
        deepest = float(np.max(cd / law.penetration_depth))
        raise QuantityError(f"cure_depth is {deepest:.4g} penetration depths: no exposure a number can hold reaches it.")
    return Quantity(e, MJ_MM2).to(MJ_CM2)
