"""Sums of equal Gaussians at equal distances: parallel lines of a raster, pulses along a track.

With s = h/W0 (spacing over 1/e^2 radius) and u = y/h, the exposure over its mean is the theta function

    1 + 2 sum_m q^(m^2) cos(2 pi m u),  q = exp(-pi^2/(2 s^2))        (Poisson form, quick for small s)
    s sqrt(2/pi) sum_k exp(-2 s^2 (u - k)^2)                          (direct sum, quick for large s)

Both are exact; at s = sqrt(pi/2) they need equally many terms, three or four for double precision.
"""

import math

import numpy as np

__all__ = ["breakup_ratio", "harmonic", "log_valley", "mean_exposure", "profile", "ridge", "ripple", "spacing_ratio", "valley"]

_CROSSOVER = math.sqrt(0.5 * math.pi)
_ROOT_2_PI = math.sqrt(2.0 / math.pi)


def mean_exposure(p, v, h):
    """P/(v h)."""
    return p / (v * h)


def profile(u, s):
    """Exposure over its mean at u = y/h (0 on a line, 0.5 between two), for spacing over radius s."""
    u, s = np.asarray(u, float), np.asarray(s, float)
    near = np.abs(u - np.round(u))
    wide = s > _CROSSOVER
    if wide.all():
        return _direct(near, s)[()]
    if not wide.any():
        return _poisson(near, s)[()]
    near, s, wide = np.broadcast_arrays(near, s, wide)
    out = np.empty(s.shape)
    out[wide] = _direct(near[wide], s[wide])
    out[~wide] = _poisson(near[~wide], s[~wide])
    return out


def harmonic(s):
    """q = exp(-pi^2/(2 s^2)): the first wave of a raster over its mean is 2 q."""
    with np.errstate(under="ignore", over="ignore", divide="ignore"):
        return np.exp(-0.5 * (math.pi / s) ** 2)


def _poisson(u, s):
    with np.errstate(under="ignore", over="ignore", divide="ignore"):
        q = harmonic(s)
        c1 = np.cos(2.0 * math.pi * u)
        c2 = 2.0 * c1 * c1 - 1.0
        c3 = c1 * (2.0 * c2 - 1.0)
        q3 = q * q * q
        return 1.0 + 2.0 * q * (c1 + q3 * (c2 + q3 * q * q * c3))


def _direct(u, s):
    smallest = s.min() if s.size else 1.0
    # neighbours each side that still reach 1e-17 of the smallest value of the sum, met half-way between two lines
    reach = 2 if smallest > 1.9 else 3
    scale = -2.0 * s * s
    with np.errstate(under="ignore"):
        total = np.exp(scale * (u * u))
        for k in range(1, reach + 1):
            total += np.exp(scale * (u - k) ** 2)
            total += np.exp(scale * (u + k) ** 2)
    return total * (s * _ROOT_2_PI)


def ridge(s):
    """Exposure on a line over the mean."""
    return profile(0.0, s)


def valley(s):
    """Exposure half-way between two lines over the mean: the weakest place."""
    return profile(0.5, s)


def ripple(s):
    """Ridge minus valley over the mean, without cancellation however small the spacing."""
    s = np.asarray(s, float)
    with np.errstate(under="ignore", over="ignore", divide="ignore"):
        q = harmonic(s)
        close = 4.0 * q * (1.0 + q**8)
    if (s <= _CROSSOVER).all():
        return close[()]
    return np.where(s <= _CROSSOVER, close, profile(0.0, s) - profile(0.5, s))[()]


def spacing_ratio(e_over_peak):
    """s = h/W0 at which the valley is `e_over_peak` times the peak of one line; any value above zero has one s.

    valley(s) sqrt(pi/2)/s falls steadily from infinity to zero; found by bisection of its logarithm.
    """
    from .roots import falling_root

    target = np.log(np.asarray(e_over_peak, float) * _ROOT_2_PI)
    return np.exp(falling_root(lambda x: log_valley(np.exp(x)) - x, target, -700.0, 17.0))[()]


def breakup_ratio(e_over_pulse):
    """s = d/W0 at which the exposure half-way between two pulses is `e_over_pulse` times one pulse's peak fluence.

    On the axis of a pulsed line the exposure over the peak fluence 2 Q/(pi W0^2) of one pulse is
    sqrt(pi/2)/s times the profile, the same function as for a raster over one line.
    """
    return spacing_ratio(e_over_pulse)


def log_valley(s):
    """ln of `valley`, finite where the valley itself underflows: two equal neighbours dominate there."""
    s = np.asarray(s, float)
    far = s > 30.0
    with np.errstate(over="ignore"):
        tail = np.log(2.0 * _ROOT_2_PI * s) - 0.5 * s * s
    return np.where(far, tail, np.log(valley(np.where(far, 1.0, s))))[()]
