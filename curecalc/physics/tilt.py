"""A beam that meets the resin at an angle, far from the centre of the scan field."""

import numpy as np

__all__ = [
    "absorbed_gain",
    "concentration",
    "footprint_factor",
    "fresnel_loss",
    "incidence_angle",
    "refraction_angle",
    "surface_speed",
    "transmission_ratio",
    "vertical_factor",
]


def incidence_angle(distance, height):
    """atan(distance from the field centre / height of the mirror above the resin)."""
    return np.arctan2(distance, height)


def footprint_factor(theta):
    """1/cos theta: the spot grows by this along the tilt."""
    return 1.0 / np.cos(theta)


def refraction_angle(theta, n):
    """theta' with sin theta' = sin theta/n."""
    return np.arcsin(np.sin(theta) / n)


def vertical_factor(theta, n):
    """cos theta': vertical depth over the path in the resin."""
    return np.sqrt(1.0 - (np.sin(theta) / n) ** 2)


def concentration(theta, n):
    """1/cos theta': energy per area across the refracted beam over that per area of the surface.

    The slanted beam is narrower in the resin than its footprint; absorbed energy per volume grows with it.
    """
    return 1.0 / vertical_factor(theta, n)


def fresnel_loss(theta, n):
    """Reflected shares (s, p, unpolarised) of light from air onto resin of refractive index n."""
    c1, c2 = np.cos(theta), vertical_factor(theta, n)
    rs = ((c1 - n * c2) / (c1 + n * c2)) ** 2
    rp = ((n * c1 - c2) / (n * c1 + c2)) ** 2
    return rs, rp, 0.5 * (rs + rp)


def transmission_ratio(theta, n, s_share=0.5):
    """Light entering at theta over that entering at normal incidence; half of it s-polarised where it is unpolarised."""
    rs, rp, _ = fresnel_loss(theta, n)
    return (1.0 - s_share * rs - (1.0 - s_share) * rp) / (1.0 - ((n - 1.0) / (n + 1.0)) ** 2)


def absorbed_gain(theta, n, s_share=0.5):
    """Energy absorbed per volume over that of the same surface exposure coming straight down: what enters, concentrated."""
    return transmission_ratio(theta, n, s_share) * concentration(theta, n)


def surface_speed(height, angular_speed, theta):
    """L omega/cos^2 theta, speed of the spot for an optical (not mirror) angular speed omega, radially."""
    return height * angular_speed / np.cos(theta) ** 2
