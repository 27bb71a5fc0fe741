"""One scanned line: exposure across and along it, the cured section, its width, what solves for a depth."""

import math

import numpy as np

from . import motion

__all__ = [
    "equivalent_exposure",
    "line_profile",
    "line_width",
    "power_for_exposure",
    "scan_exposure",
    "scan_speed",
    "section_depth",
    "segment_factor",
    "speed_for_exposure",
    "top_hat_exposure",
]

_ROOT_2_PI = math.sqrt(2.0 / math.pi)


def scan_exposure(p, w0, v):
    """sqrt(2/pi) P/(W0 v), peak exposure at the surface on the axis of the line."""
    return _ROOT_2_PI * p / (w0 * v)


def speed_for_exposure(p, w0, e):
    """sqrt(2/pi) P/(W0 E)."""
    return _ROOT_2_PI * p / (w0 * e)


def power_for_exposure(e, w0, v):
    """sqrt(pi/2) E W0 v."""
    return e * w0 * v / _ROOT_2_PI


def scan_speed(p, w0, dp, ec, cd):
    """sqrt(2/pi) P/(W0 Ec) exp(-Cd/Dp), the speed whose line cures to depth Cd."""
    v = cd / dp
    if not isinstance(v, np.ndarray) or v.shape != np.broadcast_shapes(*(np.shape(a) for a in (p, w0, ec)), v.shape):
        return _ROOT_2_PI * p / (w0 * ec * np.exp(v))
    # in place: with a million values the time goes into getting memory, not into arithmetic
    np.exp(v, out=v)
    v *= w0
    v *= ec
    np.divide(p, v, out=v)
    v *= _ROOT_2_PI
    return v


def line_profile(e_peak, w0, y):
    """E exp(-2 y^2/W0^2) across the line."""
    return e_peak * np.exp(-2.0 * (y / w0) ** 2)


def equivalent_exposure(p, w_along, w_perp, v, w, i_ref):
    """Peak dose of the power threshold law as an exposure: integral of I^w dt over i_ref^(w - 1).

    For w = 1 it is the plain exposure sqrt(2/pi) P/(W_perp v), whatever i_ref. Across the line it falls as a Gaussian
    of radius W_perp/sqrt(w).
    """
    i0 = 2.0 * p / (math.pi * w_along * w_perp)
    return i0 * (i0 / i_ref) ** (w - 1.0) * np.sqrt(0.5 * math.pi / w) * w_along / v


def line_width(e_peak, e_needed, w0):
    """Full width where the exposure still is e_needed: W0 sqrt(2 ln(E/E_needed)), zero where it never is.

    With e_needed = Ec exp(z/Dp) this is the width of the cured parabola at depth z.
    """
    return w0 * np.sqrt(2.0 * np.log(np.maximum(e_peak / e_needed, 1.0)))


def section_depth(y, cd, dp, w0):
    """Depth of the cured parabola at distance y from the axis: Cd - 2 Dp y^2/W0^2, not below zero."""
    return np.maximum(cd - 2.0 * dp * (y / w0) ** 2, 0.0)


def segment_factor(s, length, w0):
    """Share of the endless line's exposure at distance s past the start of a straight segment of given length."""
    return motion.share(s, 1.0, w0, motion.Ends(length))


def top_hat_exposure(p, r, v, y):
    """2 P sqrt(R^2 - y^2)/(pi R^2 v) inside |y| < R, zero outside."""
    u = y / r
    chord = np.sqrt(np.maximum((1.0 - u) * (1.0 + u), 0.0))
    return 2.0 * p * chord / (math.pi * r * v)
