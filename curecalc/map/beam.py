"""The beam as a filter on the grid: its transform over the spline's, as taps along each axis where it separates, else whole.

Energy lies on the grid spread by a quintic B-spline; dividing the beam's transform by the spline's puts the beam in its place. What
that leaves out are the spline's aliases and the beam's own content beyond the grid; `spread_error` bounds both before anything is run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from ..errors import QuantityError
from ..physics import light

__all__ = ["Beam", "beam_of", "clean_picture", "filtered", "pixel_for", "spread_error", "taps"]

HALF = 3  # pixels that the spline covers on either side
ORDER = 2 * HALF  # of its transform, sinc^6
_FREQUENCIES = np.linspace(0.0, 0.5, 2049)
_FINEST, _COARSEST = 0.05, 1.0  # of a pixel in sigmas, where one is sought


@dataclass(frozen=True)
class Beam:
    """A beam of dose: the covariance (xx, xy, yy) in mm^2 of the Gaussian I^w, or a measured picture of irradiance.

    `whole` turns a power into what the standing spot adds, over the surface, to the dose per time.
    """

    covariance: tuple[float, float, float]
    whole: float
    w: float
    image: np.ndarray | None = field(default=None, compare=False)
    image_pixel: float = math.nan

    @property
    def narrow(self) -> float:
        """Least standard deviation in any direction (mm)."""
        xx, xy, yy = self.covariance
        return math.sqrt(0.5 * (xx + yy) - math.hypot(0.5 * (xx - yy), xy))

    @property
    def variances(self) -> tuple[float, float]:
        """Along x and y (mm^2)."""
        return self.covariance[0], self.covariance[2]

    @property
    def separable(self) -> bool:
        """Whether it is a product of one function of x and one of y."""
        return self.image is None and abs(self.covariance[1]) < 1e-12 * self.covariance[0]

    def reach(self, pixel: float) -> int:
        """Pixels from a point beyond which it adds nothing that counts."""
        if self.image is not None:
            return math.ceil(0.5 * math.hypot(*self.image.shape) * self.image_pixel / pixel) + ORDER
        return max(len(taps(math.sqrt(v) / pixel)) for v in self.variances)

    def dose(self, power: np.ndarray) -> np.ndarray:
        """Dose over the surface per time at these powers."""
        return self.whole * power**self.w

    def at(self, dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
        """Density at a distance from its centre, 1/mm^2; Gaussians only."""
        xx, xy, yy = self.covariance
        det = xx * yy - xy * xy
        with np.errstate(under="ignore"):
            return np.exp(-0.5 * (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / det) / (2.0 * math.pi * math.sqrt(det))

    def transform(self, fx: np.ndarray, fy: np.ndarray) -> np.ndarray:
        """Fourier transform at frequencies in 1/mm, 1 at zero; fx along rows, fy down the columns."""
        if self.image is not None:
            return self._image_transform(fx, fy)
        xx, xy, yy = self.covariance
        u, v = fx[None, :], fy[:, None]
        with np.errstate(under="ignore"):
            return np.exp(-2.0 * math.pi**2 * (xx * u * u + 2.0 * xy * u * v + yy * v * v))

    def _image_transform(self, fx: np.ndarray, fy: np.ndarray) -> np.ndarray:
        # the picture is read as straight between its pixels' centres: sinc^2 of its pitch; two small products, no resampling
        assert self.image is not None
        rows, columns = self.image.shape
        p = self.image_pixel
        share = self.image / self.image.sum()
        x = (np.arange(columns) - share.sum(0) @ np.arange(columns)) * p
        y = (np.arange(rows) - share.sum(1) @ np.arange(rows)) * p
        across = np.exp(-2j * np.pi * np.outer(x, fx)) * np.sinc(fx * p) ** 2
        down = np.exp(-2j * np.pi * np.outer(fy, y)) * (np.sinc(fy * p) ** 2)[:, None]
        return down @ share @ across


def beam_of(spot: light.Spot, w: float, reference: float) -> Beam:
    """The beam of a Gaussian spot under a law's exponent: round, elliptical or turned.

    Raises
    ------
    QuantityError
        Another shape: a sharp outline has no error that could be stated on a grid.
    """
    if not isinstance(spot, light.Gaussian):
        raise QuantityError("a top hat's sharp outline cannot be put on a grid with a stated error. Give the measured picture of the beam.")
    xx, xy, yy = (float(m) / (4.0 * w) for m in spot.matrix())
    return Beam((xx, xy, yy), float(spot.whole(1.0, w, reference)), w)


def clean_picture(image: np.ndarray) -> np.ndarray:
    """A camera's picture without its dark level: the rim's median off, what is within three deviations of it dark, cut out.

    Rows go with y.
    """
    picture = np.asarray(image, float)
    rim = np.concatenate([picture[0], picture[-1], picture[:, 0], picture[:, -1]])
    dark = float(np.median(rim))
    noise = 1.4826 * float(np.median(np.abs(rim - dark)))
    lit = picture - dark > max(3.0 * noise, 1e-4 * float(picture.max() - dark))
    if not lit.any():
        raise QuantityError("the beam picture holds no light above its dark rim. Take one with the whole beam inside.")
    from scipy.ndimage import binary_opening

    found = binary_opening(lit, iterations=1)
    rows, columns = np.nonzero(found if found.any() else lit)
    part = slice(rows.min(), rows.max() + 1), slice(columns.min(), columns.max() + 1)
    return np.where(lit, picture - dark, 0.0)[part]


@lru_cache
def taps(sigma: float) -> np.ndarray:
    """Weights from the middle outwards of the filter of one axis, for a beam of `sigma` pixels.

    They end where all that follow add less than 1e-10 of the sum.
    """
    n = 64 * math.ceil(sigma)
    f = np.fft.rfftfreq(2 * n)
    with np.errstate(under="ignore"):
        half = np.fft.irfft(np.exp(-2.0 * (math.pi * sigma * f) ** 2) / np.sinc(f) ** ORDER)[: n + 1]
    left = np.cumsum(np.abs(half[::-1]))[::-1]
    return half[: np.argmax(left < max(1e-10, 1e-3 * spread_error(sigma))) or None]


@lru_cache
def spread_error(sigma: float) -> float:
    """Bound on the error of one point's dose over its peak, both axes, for a beam of `sigma` pixels.

    From the transform: aliases of the spline that the filter lets through, and what lies beyond half a cycle per pixel.
    """
    f = _FREQUENCIES
    with np.errstate(under="ignore"):
        inside = np.exp(-2.0 * (math.pi * sigma * f) ** 2)
        # of the spline at whole pixels, 66, 26 and 1 of 120, over that of the spline: one and its aliases
        alias = (66.0 + 52.0 * np.cos(2.0 * math.pi * f) + 2.0 * np.cos(4.0 * math.pi * f)) / (120.0 * np.sinc(f) ** ORDER) - 1.0
        beyond = math.erfc(math.pi * sigma / math.sqrt(2.0))
        one = 2.0 * float(np.trapezoid(inside * alias, f)) * math.sqrt(2.0 * math.pi) * sigma + beyond
    return 2.0 * one + one * one


def pixel_for(narrow: float, error: float) -> float:
    """The coarsest pixel (mm) whose stated error is within `error`, for a beam whose least standard deviation is `narrow`."""
    from scipy.optimize import brentq

    return narrow * float(brentq(lambda size: spread_error(1.0 / size) - error, _FINEST, _COARSEST))


def filtered(grid: np.ndarray, beam: Beam, pixel: float) -> np.ndarray:
    """Dose from the energy on the grid, spread by a beam of any shape; the grid's margin must be dark or wide."""
    from scipy import fft

    pad = beam.reach(pixel)
    shape = [fft.next_fast_len(n + pad, real=True) for n in grid.shape]
    fx, fy = fft.rfftfreq(shape[1]), fft.fftfreq(shape[0])
    response = beam.transform(fx / pixel, fy / pixel) / np.outer(np.sinc(fy), np.sinc(fx)) ** ORDER
    return fft.irfft2(fft.rfft2(grid, shape) * response, shape)[: grid.shape[0], : grid.shape[1]] / pixel**2
