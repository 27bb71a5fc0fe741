"""Cure models: how deep a surface dose reaches, and the dose a depth needs.

Each model is a triple of functions: depth from surface dose, surface dose from depth, dose left at a depth. The plain
working curve and the bleaching curve take radiant exposure as dose; the power threshold law takes the equivalent
exposure of `line.equivalent_exposure`.
"""

import math

import numpy as np

__all__ = [
    "bleached_fraction", "bleaching_depth", "bleaching_dose", "bleaching_dose_at_depth", "bleaching_rate",
    "bleaching_transmission", "cure_depth", "depth_from_absorbance", "exposure_at_depth", "exposure_for_depth",
    "threshold_depth", "threshold_dose", "threshold_dose_at_depth",
]  # fmt: skip

_LN_10 = math.log(10.0)


def cure_depth(e, dp, ec):
    """Dp ln(E/Ec), zero where E <= Ec: below the critical exposure nothing gels."""
    return dp * np.log(np.maximum(e / ec, 1.0))


def exposure_for_depth(cd, dp, ec):
    """Ec exp(Cd/Dp)."""
    return ec * np.exp(cd / dp)


def exposure_at_depth(e, z, dp):
    """E exp(-z/Dp), the Beer-Lambert decay."""
    return e * np.exp(-z / dp)


def depth_from_absorbance(a, length):
    """L/(A ln 10): penetration depth of a liquid whose cell of thickness L has the decadic absorbance A."""
    return length / (a * _LN_10)


def threshold_depth(s, dp, ec, w):
    """(Dp/w) ln(S/Ec) for the equivalent exposure S of the power threshold law, zero where S <= Ec."""
    return dp / w * np.log(np.maximum(s / ec, 1.0))


def threshold_dose(cd, dp, ec, w):
    """Ec exp(w Cd/Dp): equivalent exposure at the surface for depth Cd."""
    return ec * np.exp(w * cd / dp)


def threshold_dose_at_depth(s, z, dp, w):
    """S exp(-w z/Dp)."""
    return s * np.exp(-w * z / dp)


def _log_expm1(x):
    # ln(e^x - 1) without overflow at large x nor cancellation at small x; minus infinity at 0
    with np.errstate(divide="ignore"):
        return x + np.log(-np.expm1(-x))


def bleaching_depth(e, dp, ec, eb):
    """Dp ln[(e^(E/Eb) - 1)/(e^(Ec/Eb) - 1)], zero where E <= Ec."""
    e = np.maximum(e, ec)
    return dp * (_log_expm1(e / eb) - _log_expm1(ec / eb))


def bleaching_dose(cd, dp, ec, eb):
    """Eb ln[1 + e^(Cd/Dp) (e^(Ec/Eb) - 1)]."""
    return eb * np.logaddexp(0.0, cd / dp + _log_expm1(ec / eb))


def bleaching_dose_at_depth(e, z, dp, eb):
    """Eb ln[1 + e^(-z/Dp) (e^(E/Eb) - 1)]: exposure that has passed depth z when the surface has had E."""
    return eb * np.logaddexp(0.0, _log_expm1(e / eb) - z / dp)


def bleaching_transmission(e, z, dp, eb):
    """I(z)/I(0) at the moment the surface exposure is E: 1/(1 + e^-(E/Eb) (e^(z/Dp) - 1))."""
    return 1.0 / (1.0 + np.exp(z / dp - e / eb) - np.exp(-e / eb))


def bleached_fraction(e, z, dp, eb):
    """Share of the initiator used up at depth z when the surface has had E."""
    return -np.expm1(-bleaching_dose_at_depth(e, z, dp, eb) / eb)


def bleaching_rate(e, z, dp, eb):
    """Local initiation rate over the first rate at the surface: transmission times unused initiator."""
    return bleaching_transmission(e, z, dp, eb) * np.exp(-bleaching_dose_at_depth(e, z, dp, eb) / eb)
