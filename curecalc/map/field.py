"""The dose of one layer on a grid: each beam radius on a grid of its own, deposited, filtered, added. Any window gives the same."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import QuantityError
from ..paths.vectors import Paths
from ..physics import light
from ..physics.laws import Law
from ..units import IN_UM
from .beam import HALF, Beam, beam_of, filtered, pixel_for, spread_error, taps
from .deposit import Body, best_body
from .points import QUADRATURE, Legs, Scanning, pieces, points

__all__ = [
    "FINEST_TOLERANCE",
    "MOST_SAVED",
    "USUAL_TOLERANCE",
    "Grid",
    "Optics",
    "by_radius",
    "check_savable",
    "choose_pixel",
    "dose_at",
    "layer_dose",
    "logged",
    "stated_error",
]

FINEST_TOLERANCE, USUAL_TOLERANCE, COARSEST_TOLERANCE = 1e-6, 1e-5, 1e-4
COARSEST_OF_A_PICTURE = 1e-2  # a camera's noise and the rim it is cut at are sharp, and what a grid leaves out of them counts as error

MOST_SAVED = 64_000_000  # pixels of a field in a file


@dataclass(frozen=True)
class Grid:
    """Pixels whose centres lie at x0 + i pixel, y0 + j pixel (mm); rows go with y."""

    x0: float
    y0: float
    pixel: float
    columns: int
    rows: int

    @property
    def x(self) -> np.ndarray:
        """Of the columns' centres."""
        return self.x0 + self.pixel * np.arange(self.columns)

    @property
    def y(self) -> np.ndarray:
        """Of the rows' centres."""
        return self.y0 + self.pixel * np.arange(self.rows)

    def padded(self, margin: int) -> Grid:
        """With more pixels on every side."""
        shift = margin * self.pixel
        return Grid(self.x0 - shift, self.y0 - shift, self.pixel, self.columns + 2 * margin, self.rows + 2 * margin)

    def window(self, room: float = 0.0) -> tuple[float, float, float, float]:
        """x low, y low, x high, y high of the pixels' centres, and so much more (mm) on every side."""
        right, top = self.x0 + (self.columns - 1) * self.pixel, self.y0 + (self.rows - 1) * self.pixel
        return self.x0 - room, self.y0 - room, right + room, top + room

    def tiles(self, size: int) -> Iterator[Grid]:
        """Parts of at most size by size pixels that together are the grid."""
        for row in range(0, self.rows, size):
            for column in range(0, self.columns, size):
                yield Grid(
                    self.x0 + column * self.pixel,
                    self.y0 + row * self.pixel,
                    self.pixel,
                    min(size, self.columns - column),
                    min(size, self.rows - row),
                )

    def places(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Coordinates (row, column) of places, for interpolation."""
        return np.array([(y - self.y0) / self.pixel, (x - self.x0) / self.pixel])

    @staticmethod
    def over(bounds: tuple[float, float, float, float], pixel: float) -> Grid:
        """The grid over x low, y low, x high, y high; its lines stand at whole multiples of the pixel, wherever it begins."""
        left, low = math.floor(bounds[0] / pixel), math.floor(bounds[1] / pixel)
        right, high = math.ceil(bounds[2] / pixel), math.ceil(bounds[3] / pixel)
        return Grid(left * pixel, low * pixel, pixel, right - left + 1, high - low + 1)


@dataclass(frozen=True)
class Optics:
    """How the light falls: scanning, the spot's shape, the law's exponent; a measured picture (mW/mm^2 in any scale) replaces the shape."""

    law: Law
    scanning: Scanning = field(default_factory=Scanning)
    radius_ratio: float = 1.0
    spot_angle: float = 0.0
    image: np.ndarray | None = field(default=None, compare=False)
    image_pixel: float = math.nan
    radius: float | None = None
    """Of recorded positions, which state none."""

    def beam(self, radius: float) -> Beam:
        """The beam of a radius (of a picture: its own, whatever the radius)."""
        law = self.law
        if self.image is not None:
            return _measured(self.image, self.image_pixel, law.exponent, law.reference_irradiance)
        return beam_of(light.Gaussian(radius, self.radius_ratio * radius, self.spot_angle), law.exponent, law.reference_irradiance)

    def beams(self, paths: Paths) -> dict[float, Beam]:
        """A beam for each radius among the paths that are scanned."""
        return self.beams_of([float(r) for r in np.unique(paths.scanned.beam_radius)], recorded=bool(paths.recorded))

    def beams_of(self, radii: Sequence[float], *, recorded: bool) -> dict[float, Beam]:
        """A beam for each of these radii, or for recorded positions."""
        if recorded and not radii and self.radius is not None:
            radii = [self.radius]
        if recorded and not radii:
            raise QuantityError("beam_radius is missing: recorded positions hold none. Give beam_radius=.")
        return {r: self.beam(r) for r in radii}


def _measured(image: np.ndarray, pitch: float, w: float, reference: float) -> Beam:
    share = image / image.sum()
    x, y = (np.arange(n, dtype=float) * pitch for n in (image.shape[1], image.shape[0]))
    powered = share**w
    part = powered / powered.sum()
    x, y = x - part.sum(0) @ x, y - part.sum(1) @ y
    covariance = float(part.sum(0) @ x**2), float(y @ part @ x), float(part.sum(1) @ y**2)
    whole = float(((share / pitch**2) ** w).sum()) * pitch**2
    return Beam(covariance, whole / reference ** (w - 1.0), w, powered, pitch)


def stated_error(beams: list[Beam], pixel: float) -> float:
    """Error of the dose anywhere, over the peak of a line, by the narrowest beam.

    Of a measured picture: what the picture holds beyond half a cycle per pixel, and its content times the spline's aliases.
    """
    worst = 0.0
    for beam in beams:
        if beam.image is None:
            worst = max(worst, spread_error(beam.narrow / pixel))
            continue
        f = np.linspace(-2.0, 2.0, 129)
        content = np.abs(beam.transform(f / pixel, f / pixel))
        inside = np.abs(f) <= 0.5
        alias = np.where(inside, 2.0 * (np.abs(f) / np.maximum(1.0 - np.abs(f), 0.5)) ** 6, 1.0)
        worst = max(worst, 2.0 * float(np.sum(content * np.maximum(alias[:, None], alias[None, :]))) / float(np.sum(content)))
    return worst + QUADRATURE


def choose_pixel(beams: list[Beam], tolerance: float, pixel: float | None = None) -> tuple[float, float]:
    """The pixel for a tolerance (share of the peak), or the given one where it meets it; and the error stated with it.

    Raises
    ------
    QuantityError
        A tolerance out of reach, of any map or of a picture; a pixel too coarse, with the one that would do.
    """
    pictures = any(beam.image is not None for beam in beams)
    coarsest = COARSEST_OF_A_PICTURE if pictures else COARSEST_TOLERANCE
    if not FINEST_TOLERANCE <= tolerance <= coarsest:
        usual = f"Usual is {USUAL_TOLERANCE:g}."
        raise QuantityError(f"tolerance must be from {FINEST_TOLERANCE:g} to {coarsest:g} of the peak, got {tolerance:g}. {usual}")
    finest = min(beam.narrow for beam in beams)
    if pictures:
        errors = {size: stated_error(beams, size) for size in (finest * 0.8**k for k in range(18))}
        least = min(errors.values())
        if least > tolerance:
            decade = 10.0 ** (math.floor(math.log10(least)) - 1)
            way = f"Allow {math.ceil(least / decade) * decade:g}, or take a picture with less noise."
            raise QuantityError(f"tolerance of {tolerance:g} of the peak is less than this picture of the beam can be drawn with. {way}")
        best = max(size for size, error in errors.items() if error <= tolerance)
    else:
        best = pixel_for(finest, tolerance - 2.0 * QUADRATURE)
    pixel = best if pixel is None else pixel
    error = stated_error(beams, pixel)
    if error > tolerance:
        raise QuantityError(
            f"pixel of {IN_UM * pixel:.4g} um is too coarse for the beam: its error is {error:.2g} of the peak, above {tolerance:g}. "
            f"Use at most {IN_UM * best:.4g} um."
        )
    return pixel, error


def check_savable(grid: Grid) -> None:
    """Refuse a field of more pixels than a file is to hold."""
    if (pixels := grid.rows * grid.columns) > MOST_SAVED:
        raise QuantityError(f"{pixels} pixels are too many for one saved field, which holds {MOST_SAVED}. Choose a part with window=.")


def layer_dose(paths: Paths, optics: Optics, grid: Grid, *, body: Body | None = None) -> np.ndarray:
    """Dose (mJ/mm^2; equivalent for a law with an exponent) of one layer's paths at the grid's pixels, rows by columns."""
    body = best_body() if body is None else body
    total = np.zeros((grid.rows, grid.columns))
    for beam, own in by_radius(paths, optics):
        margin = beam.reach(grid.pixel)
        wide = grid.padded(margin)
        energy = np.zeros((wide.rows, wide.columns))
        near = wide.window(HALF * grid.pixel)
        lit = False
        for piece in pieces(own, optics.scanning, beam, near):
            if isinstance(piece, Legs):
                body.lines(energy, (wide.x0, wide.y0), grid.pixel, piece, beam, near)
            else:
                x, y, e = piece
                body.deposit(energy, (x - wide.x0) / grid.pixel, (y - wide.y0) / grid.pixel, e)
            lit = True
        if lit and beam.separable:
            across, down = (taps(math.sqrt(v) / grid.pixel) for v in beam.variances)
            body.smooth(energy, across / grid.pixel, down / grid.pixel, margin, total)
        elif lit:
            total += filtered(energy, beam, grid.pixel)[margin:-margin, margin:-margin]
    return np.maximum(total, 0.0, out=total)


def logged(dose: np.ndarray) -> np.ndarray:
    """Natural logarithm of doses of which some may be zero: not below 1e-12 of the greatest."""
    found: np.ndarray = np.log(np.maximum(dose, max(1e-12 * float(dose.max()), np.finfo(float).tiny)))
    return found


def by_radius(paths: Paths, optics: Optics) -> Iterator[tuple[Beam, Paths]]:
    """Each beam and what it scans; recorded positions go with the first."""
    beams = optics.beams(paths)
    for k, (radius, beam) in enumerate(beams.items()):
        one = paths if len(beams) == 1 else paths.chosen(paths.beam_radius == radius)
        yield beam, replace(one, recorded=()) if k else one


def dose_at(paths: Paths, optics: Optics, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Dose at single places (mm) without a grid: the sum over all points of paths near each. Gaussian beams."""
    total = np.zeros(len(x))
    for beam, own in by_radius(paths, optics):
        far = 9.0 * math.sqrt(max(beam.variances))
        for i in range(len(x)):
            near = (x[i] - far, y[i] - far, x[i] + far, y[i] + far)
            for px, py, e in points(own, optics.scanning, beam, near):
                total[i] += float(e @ beam.at(x[i] - px, y[i] - py))
    return total
