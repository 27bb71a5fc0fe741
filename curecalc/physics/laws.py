"""Cure laws: small records that say how deep a dose of light reaches. Each says it in the same few methods.

A dose is a radiant exposure of the surface, or for a law with an exponent w the equivalent exposure: the integral of I^w
over time, divided by the reference irradiance to the power w - 1. A law's fields are the inputs it needs, under their names
in the nomenclature, floats or arrays; whatever has these methods is a law, and nothing else need know of it.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

__all__ = [
    "Bleaching",
    "Law",
    "Plain",
    "Threshold",
    "bleached_fraction",
    "bleaching_rate",
    "bleaching_transmission",
    "depth_from_absorbance",
]

_STEP = 1e-5


@dataclass(frozen=True)
class Law:
    """What every law has. A new one states its fields, `height`, `dose` and `below`; the rest has defaults.

    `exponent` is that of irradiance in the dose; `reach` the depth over which a dose falls to 1/e, or None where that is
    not one number, and doses of layers then do not simply add.
    """

    penetration_depth: Any
    critical_exposure: Any

    exponent = 1.0
    reference_irradiance = 1.0

    def height(self, dose):
        """Depth to which a dose at the surface gels, going on below zero where it falls short of gelling."""
        raise NotImplementedError

    def dose(self, depth):
        """The surface dose whose solid is that deep; at depth zero the least that gels."""
        raise NotImplementedError

    def below(self, dose, z):
        """What has passed depth z when the surface has had the dose."""
        raise NotImplementedError

    @property
    def reach(self):
        """Depth over which a dose falls to 1/e; None where that is not one number."""
        return None

    def depth(self, dose):
        """Depth of solid for a dose at the surface; zero where nothing gels."""
        return self.height(np.maximum(dose, self.critical_exposure))

    def slope(self, dose):
        """Rise of depth with ln dose."""
        return (self.height(dose * math.exp(_STEP)) - self.height(dose * math.exp(-_STEP))) / (2.0 * _STEP)

    def tilted(self, gain, slant):
        """The law as a slanted beam sees it, per exposure of the surface and in vertical depth.

        `gain` is absorbed energy per volume over that of the same exposure coming straight down, `slant` vertical depth
        over the path in the resin: every exposure the law knows is reached `gain` times sooner.
        """
        return replace(self, penetration_depth=self.penetration_depth * slant, critical_exposure=self.critical_exposure / gain)


@dataclass(frozen=True)
class Plain(Law):
    """The working curve: depth Dp ln(E/Ec) under a decay E exp(-z/Dp)."""

    def height(self, dose):
        return self.penetration_depth * np.log(dose / self.critical_exposure)

    def dose(self, depth):
        with np.errstate(over="ignore"):  # infinite where no number holds it: solid there is none
            return self.critical_exposure * np.exp(depth / self.penetration_depth)

    def below(self, dose, z):
        return dose * np.exp(-z / self.penetration_depth)

    @property
    def reach(self):
        return self.penetration_depth

    def slope(self, dose):
        return self.penetration_depth * np.ones_like(dose)


@dataclass(frozen=True)
class Bleaching(Law):
    """An initiator that is used up: Dp ln[(e^(E/Eb) - 1)/(e^(Ec/Eb) - 1)]."""

    bleaching_exposure: Any

    def height(self, dose):
        ec, eb = self.critical_exposure, self.bleaching_exposure
        return self.penetration_depth * (_log_expm1(dose / eb) - _log_expm1(ec / eb))

    def dose(self, depth):
        eb = self.bleaching_exposure
        return eb * np.logaddexp(0.0, depth / self.penetration_depth + _log_expm1(self.critical_exposure / eb))

    def below(self, dose, z):
        return self.bleaching_exposure * np.logaddexp(0.0, _log_expm1(dose / self.bleaching_exposure) - z / self.penetration_depth)

    def slope(self, dose):
        u = dose / self.bleaching_exposure
        return self.penetration_depth * u / -np.expm1(-u)

    def tilted(self, gain, slant):
        return replace(super().tilted(gain, slant), bleaching_exposure=self.bleaching_exposure / gain)


@dataclass(frozen=True)
class Threshold(Law):
    """Reciprocity fails: solid where the integral of I^w over time reaches its threshold, (Dp/w) ln(S/Ec)."""

    exponent: Any
    reference_irradiance: Any = 1.0

    def height(self, dose):
        return self.reach * np.log(dose / self.critical_exposure)

    def dose(self, depth):
        with np.errstate(over="ignore"):
            return self.critical_exposure * np.exp(depth / self.reach)

    def below(self, dose, z):
        return dose * np.exp(-z / self.reach)

    @property
    def reach(self):
        return self.penetration_depth / self.exponent

    def slope(self, dose):
        return self.reach * np.ones_like(dose)

    def tilted(self, gain, slant):
        return super().tilted(gain**self.exponent, slant)


def _log_expm1(x):
    # ln(e^x - 1) without overflow at large x nor cancellation at small x; minus infinity at 0
    with np.errstate(divide="ignore"):
        return x + np.log(-np.expm1(-x))


def depth_from_absorbance(a, length):
    """L/(A ln 10): penetration depth of a liquid whose cell of thickness L has the decadic absorbance A."""
    return length / (a * math.log(10.0))


def bleaching_transmission(e, z, dp, eb):
    """I(z)/I(0) at the moment the surface exposure is E: 1/(1 + e^-(E/Eb) (e^(z/Dp) - 1))."""
    return 1.0 / (1.0 + np.exp(z / dp - e / eb) - np.exp(-e / eb))


def bleached_fraction(e, z, dp, eb):
    """Share of the initiator used up at depth z when the surface has had E."""
    return -np.expm1(-Bleaching(dp, 1.0, eb).below(e, z) / eb)


def bleaching_rate(e, z, dp, eb):
    """Local initiation rate over the first rate at the surface: transmission times unused initiator."""
    return bleaching_transmission(e, z, dp, eb) * np.exp(-Bleaching(dp, 1.0, eb).below(e, z) / eb)
