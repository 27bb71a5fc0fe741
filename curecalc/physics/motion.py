"""The scanner in motion: time for a vector from rest to rest, and what a stop at constant power does to the exposure."""

import math

import numpy as np

__all__ = ["speed_up_distance", "stop_factor", "stop_profile", "vector_time"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_ROOT_HALF_PI = math.sqrt(0.5 * math.pi)


def speed_up_distance(v, a):
    """v^2/(2 a), the way from rest to full speed."""
    return v * v / (2.0 * a)


def vector_time(length, v, a):
    """Time for a straight vector from rest to rest: L/v + v/a, or 2 sqrt(L/a) where full speed is never reached."""
    return np.where(length * a >= v * v, length / v + v / a, 2.0 * np.sqrt(length / a))[()]


def stop_factor(v, a, w0):
    """Exposure where a line stops and goes on (a sharp corner) at constant power, over that of the steady line.

    The integral of exp(-2 x^2/W0^2) dt with x = a t^2/2 up to full speed and steady motion after, twice, over the
    steady line's sqrt(pi/2) W0/v. The turn's angle does not matter: the corner lies on the axis of both arms.
    """
    return stop_profile(0.0, v, a, w0)


def stop_profile(s, v, a, w0):
    """As `stop_factor`, at distance s along one arm of a line that stops at s = 0 and goes straight on."""
    from scipy.special import erfc

    s, v, a, w0 = np.broadcast_arrays(*(np.asarray(q, float) for q in (s, v, a, w0)))
    s, v, a, w0 = (q[..., None] for q in (s, v, a, w0))
    total = 0.0
    full = v / a
    reach = speed_up_distance(v, a)
    for side in (-1.0, 1.0):
        # while speeding up: only times at which the spot is within six radii of the point count
        near = np.sqrt(2.0 * np.maximum(side * s - 6.0 * w0, 0.0) / a)
        far = np.sqrt(2.0 * np.maximum(side * s + 6.0 * w0, 0.0) / a)
        start, end = np.minimum(near, full), np.minimum(far, full)
        half = 0.5 * (end - start)
        t = start + half * (1.0 + _NODES)
        with np.errstate(under="ignore"):
            part = np.exp(-2.0 * ((0.5 * a * t * t - side * s) / w0) ** 2)
            total = total + (half * _WEIGHTS * part).sum(-1, keepdims=True)
            # at full speed afterwards
            total = total + w0 / v * 0.5 * _ROOT_HALF_PI * erfc(math.sqrt(2.0) * (reach - side * s) / w0)
    return (total * v / (_ROOT_HALF_PI * w0))[..., 0][()]
