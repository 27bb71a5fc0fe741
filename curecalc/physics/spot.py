"""The beam where it meets the resin: Gaussian and top-hat spots, widths, ellipses, focus."""

import math

import numpy as np

__all__ = [
    "D4SIGMA_PER_RADIUS",
    "FWHM_PER_RADIUS",
    "along_radius",
    "caustic_radius",
    "defocus_for_radius",
    "enclosed_power",
    "irradiance",
    "perpendicular_radius",
    "rayleigh_range",
    "spot_matrix",
    "stretched",
    "top_hat_irradiance",
]

FWHM_PER_RADIUS = math.sqrt(2.0 * math.log(2.0))
"""FWHM of a Gaussian over its 1/e^2 radius, 1.17741."""
D4SIGMA_PER_RADIUS = 2.0
"""Second-moment width of a Gaussian over its 1/e^2 radius."""


def irradiance(p, wx, wy, x, y):
    """2 P/(pi Wx Wy) exp(-2 x^2/Wx^2 - 2 y^2/Wy^2), x and y along the axes of the spot."""
    return 2.0 * p / (math.pi * wx * wy) * np.exp(-2.0 * ((x / wx) ** 2 + (y / wy) ** 2))


def enclosed_power(r, w0):
    """Share of the power inside radius r of a round Gaussian: 1 - exp(-2 r^2/W0^2)."""
    return -np.expm1(-2.0 * (r / w0) ** 2)


def top_hat_irradiance(p, r):
    """P/(pi R^2) inside the radius R."""
    return p / (math.pi * r**2)


def spot_matrix(wx, wy, angle):
    """Elements (xx, xy, yy) of the width matrix W^2 of a spot whose long or short axis lies at `angle` to machine x."""
    c, s = np.cos(angle), np.sin(angle)
    return wx**2 * c**2 + wy**2 * s**2, (wx**2 - wy**2) * c * s, wx**2 * s**2 + wy**2 * c**2


def stretched(matrix, factor, direction):
    """The width matrix after stretching the spot by `factor` along `direction` (a tilted beam's footprint)."""
    xx, xy, yy = matrix
    c, s, g = np.cos(direction), np.sin(direction), factor - 1.0
    a, b, d = 1.0 + g * c * c, g * c * s, 1.0 + g * s * s
    return (
        a * a * xx + 2.0 * a * b * xy + b * b * yy,
        a * b * xx + (a * d + b * b) * xy + b * d * yy,
        b * b * xx + 2.0 * b * d * xy + d * d * yy,
    )


def perpendicular_radius(matrix, track):
    """Radius of the line's cross profile for a track at angle `track`: sqrt(n W^2 n), n the normal of the track."""
    xx, xy, yy = matrix
    c, s = np.cos(track), np.sin(track)
    return np.sqrt(xx * s * s - 2.0 * xy * s * c + yy * c * c)


def along_radius(matrix, track):
    """Radius on the axis along the track; times the perpendicular radius it gives Wx Wy."""
    xx, xy, yy = matrix
    return np.sqrt(xx * yy - xy * xy) / perpendicular_radius(matrix, track)


def rayleigh_range(w0, m2, wavelength):
    """pi W0^2/(M^2 lambda)."""
    return math.pi * w0**2 / (m2 * wavelength)


def caustic_radius(z, w0, zr):
    """W0 sqrt(1 + (z/zR)^2)."""
    return w0 * np.hypot(1.0, z / zr)


def defocus_for_radius(w, w0, zr):
    """Distance from the waist at which the radius is W >= W0: zR sqrt((W/W0)^2 - 1); nan below the waist radius."""
    ratio = w / w0
    with np.errstate(invalid="ignore"):
        return zr * np.sqrt((ratio - 1.0) * (ratio + 1.0))
