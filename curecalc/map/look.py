"""One layer in a window, as it is looked at: doses of a picture, the worst places, and the same at another speed without a new deposit."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..formulas.resin import Resin
from ..paths.vectors import Paths
from ..physics.laws import Law
from ..units import MM, Quantity, finite, positive
from .answer import FieldAnswer, answer_of, dose_image, job_of, optics_of
from .drawing import loops_of
from .field import COARSEST_TOLERANCE, Grid
from .spread import surveyed
from .tally import Place

__all__ = ["TOLERANCE", "Look", "looked"]

TOLERANCE = COARSEST_TOLERANCE
MOST_PIXELS = 250_000
MOST_POINTS = 2_000_000  # pixels' length of path
_SHOWN = 40_000  # pixels of the picture


@dataclass(frozen=True)
class Look:
    """A layer in a window: doses (mJ/mm^2) on the picture's grid, outlines (mm), and the map they belong to.

    `window` is x low, y low, x high, y high (mm); `whole` the width (mm) that would
    show the whole layer, `widest` the greatest that may be looked at.

    Doses are those of the map over `speed_factor`; what else the map counts is that of its own speeds.
    """

    answer: FieldAnswer
    dose: np.ndarray
    grid: Grid
    loops: tuple[np.ndarray, ...]
    window: tuple[float, float, float, float]
    whole: float
    widest: float
    speed_factor: float = 1.0

    @property
    def law(self) -> Law:
        """How deep a dose cures."""
        assert self.answer.job is not None
        law: Law = self.answer.job.optics.law
        return law

    @property
    def thickness(self) -> float:
        """Of the layer (mm)."""
        return float(self.answer.layer_thickness.m_as(MM))

    @property
    def scales(self) -> bool:
        """Whether every dose goes as one over the speed, so that `faster` is exact."""
        assert self.answer.job is not None
        return self.answer.job.optics.scanning.even

    def faster(self, factor: float) -> Look:
        """The same at all speeds times a factor.

        Raises
        ------
        QuantityError
            Doses do not go as one over the speed: the map must be made anew, from `Paths.faster`.
        """
        if not self.scales:
            raise QuantityError("run-up with the beam on, or pulses: doses do not go as one over the speed. Map the paths at that speed.")
        return replace(self, dose=self.dose / factor, speed_factor=self.speed_factor * factor)

    def overcure(self) -> np.ndarray:
        """Cure depth beyond the layer (mm) on the grid, NaN where nothing cures."""
        return np.where(self.dose >= self.law.dose(0.0), self.law.depth(self.dose) - self.thickness, np.nan)

    def coarse(self, most: int = 3000) -> tuple[np.ndarray, Grid]:
        """At most so many of these values, each true at its place, and their grid."""
        step = max(1, math.ceil(math.sqrt(self.dose.size / most)))
        values = self.overcure()[::step, ::step]
        return values, replace(self.grid, pixel=self.grid.pixel * step, columns=values.shape[1], rows=values.shape[0])

    def exposures(self) -> tuple[Quantity, Quantity, Quantity]:
        """Least, mean and greatest, as in the map."""
        one = self.answer
        return one.exposure_min / self.speed_factor, one.exposure_mean / self.speed_factor, one.exposure_max / self.speed_factor

    def worst(self, name: str) -> list[tuple[Place, Quantity]]:
        """The `weakest` or `deepest` places with their overcure; without a core in the window the weakest of the rim."""
        found = []
        one = self.answer
        for place in one.deepest_places if name == "deepest" else one.weakest_places or one.rim_weakest_places:
            dose = place.value / self.speed_factor
            found.append((replace(place, value=dose), Quantity(float(self.law.depth(dose)) - self.thickness, MM)))
        return found


def looked(
    paths: Paths,
    *,
    resin: Resin,
    layer_thickness: Quantity,
    layer: int,
    x: Quantity | None = None,
    y: Quantity | None = None,
    across: Quantity | None = None,
    shape: float = 1.0,
    scanning: dict[str, Any] | None = None,
    radius_ratio: float = 1.0,
    spot_angle: Quantity | None = None,
) -> Look:
    """A layer in a window small enough to be looked at as one moves about.

    Parameters
    ----------
    paths : Paths
        With power, speed and beam radius of every vector.
    resin, layer_thickness, layer, scanning, radius_ratio, spot_angle : as in `exposure_field`
    x, y : Quantity [mm], optional
        Centre of the window; the layer's middle when left out.
    across : Quantity [mm], optional
        Its width; the whole layer when left out, or as much of it as may be looked at.
    shape : float
        Its height over its width.

    Returns
    -------
    Look

    Raises
    ------
    QuantityError
        A window of more than 250,000 pixels, or more length of path in it than two million; nothing exposed in it.
    """
    optics = optics_of(paths, resin, scanning, radius_ratio, spot_angle, None, None)
    whole, error = job_of(paths, optics, layer, layer, layer_thickness, None, TOLERANCE, None, None)
    left, below, right, above = whole.grid.window()
    widest = math.sqrt(MOST_PIXELS / shape) * whole.grid.pixel * 0.99
    fit = max(right - left, (above - below) / shape)
    wide = min(fit, widest) if across is None else float(positive("across", across, MM))
    if wide > widest:
        raise QuantityError(f"across must be at most {widest:.4g} mm for this beam, got {wide:.4g} mm. Map more with: curecalc map")
    middle = 0.5 * (left + right) if x is None else float(finite("x", x, MM))
    level = 0.5 * (below + above) if y is None else float(finite("y", y, MM))
    window = (middle - 0.5 * wide, level - 0.5 * shape * wide, middle + 0.5 * wide, level + 0.5 * shape * wide)
    job = replace(whole, grid=Grid.over(window, whole.grid.pixel))
    near = job.near(layer, job.grid)
    length = float(np.minimum(near.length, math.hypot(wide, shape * wide) + 2.0 * job.room).sum())
    if length > MOST_POINTS * job.grid.pixel:
        raise QuantityError(
            f"{length:.4g} mm of path run through this window, more than {MOST_POINTS} pixels: too much to look at. "
            "Map it with: curecalc map"
        )
    answer = answer_of(job, error, surveyed(job, workers=1), resin, layer_thickness, corrected=False)
    dose, grid, _ = dose_image(job, job.grid.window(), most=_SHOWN)
    return Look(answer, dose, grid, tuple(loops_of(job.paths.of_layer(layer))), window, fit, widest)
