"""A tile through all its layers, from the last one down, and the tiles of a map put together. Nothing here grows with the whole.

T = E + what the law leaves of the T above through one layer: the dose at a layer's top from its own scan and all built on it. Solid in
the slab below is the law's depth of T. So one number a pixel and slab, no voxels; a tile needs no other tile.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..paths.shelf import Shelf
from ..paths.vectors import Paths
from .drawing import Drawing, distance, drawing_of, loops_of
from .field import Grid, Optics, dose_at, layer_dose
from .outline import corner_errors, edge_errors, sides_of, wall_width
from .reasons import extremes, reason
from .tally import KEPT, Place, Tally

__all__ = ["Job", "Slab", "face_map", "slabs", "survey_tile"]

_MOST_THIN = 200  # thin places of a tile and layer that are measured along the outline


@dataclass(frozen=True)
class Job:
    """What a map is made of: paths, light, grid, layers from `first` to `last`, layer thickness and wanted overcure (mm), the radius
    that core and rim are told apart by. A job of one layer leaves out what needs layers above and below.
    """

    paths: Shelf
    optics: Optics
    grid: Grid
    first: int
    last: int
    layer_thickness: float
    overcure: float
    radius: float
    tile: int = 1024

    @property
    def single(self) -> bool:
        """Whether it is one layer alone."""
        return self.first == self.last

    @property
    def halo(self) -> int:
        """Pixels around a tile that its outline and core depend on."""
        return math.ceil(3.5 * self.radius / self.grid.pixel) + 4

    @property
    def room(self) -> float:
        """How far from a tile vectors count (mm): as far as light reaches, and where corners keep speed, as far as that is felt."""
        way = self.optics.scanning
        light = 6.0 * self.radius
        return light if way.cornering is None else light + (self.paths.fastest**2 + way.corner_speed**2) / (2.0 * way.cornering)

    def near(self, layer: int, grid: Grid) -> Paths:
        """The vectors of a layer that may light or outline a grid."""
        return self.paths.near(layer, grid.window(), self.room)

    def cut(self, tile: Grid) -> Job:
        """The same job with the vectors of one tile alone."""
        return replace(self, paths=self.paths.cut(tile.padded(self.halo).window(), self.room))

    def tiles(self) -> list[Grid]:
        """The tiles, each with its place."""
        return list(self.grid.tiles(self.tile))


@dataclass(frozen=True)
class Slab:
    """One layer of a tile with its halo: its own dose, the dose in all at its top, its drawing, that of the layer below, and how many
    drawn layers lie on it without a gap.
    """

    layer: int
    paths: Paths
    dose: np.ndarray
    total: np.ndarray
    drawing: Drawing
    below: np.ndarray | None
    cover: np.ndarray
    grid: Grid
    own: tuple[slice, slice]


def slabs(job: Job, tile: Grid) -> Iterator[Slab]:
    """The layers of a tile from the last one down."""
    grid = tile.padded(job.halo)
    own = (slice(job.halo, job.halo + tile.rows), slice(job.halo, job.halo + tile.columns))
    total = np.zeros((grid.rows, grid.columns))
    cover = np.zeros(total.shape, np.int32)
    law, t = job.optics.law, job.layer_thickness
    here = job.near(job.last, grid)
    drawing = drawing_of(here, grid, job.radius)
    for layer in range(job.last, job.first - 1, -1):
        dose = layer_dose(here, job.optics, grid)
        total = dose + law.below(total, t) if layer < job.last else dose
        following, under = here, None
        if layer > job.first:
            following = job.near(layer - 1, grid)
            under = drawing_of(following, grid, job.radius)
        yield Slab(layer, here, dose, total, drawing, None if under is None else under.inside, cover, grid, own)
        if under is not None:
            cover = np.where(drawing.inside, cover + 1, 0).astype(np.int32)
            here, drawing = following, under


def survey_tile(job: Job, tile: Grid) -> Tally:
    """Everything counted over one tile."""
    tally = Tally()
    for slab in slabs(job, tile):
        _count(job, tile, slab, tally)
    return tally


def _count(job: Job, tile: Grid, slab: Slab, tally: Tally) -> None:
    law, t, own = job.optics.law, job.layer_thickness, slab.own
    inside, core = slab.drawing.inside[own], slab.drawing.core[own]
    dose = slab.dose[own]
    tally.energy += float(dose.sum()) * job.grid.pixel**2
    over = law.depth(dose) - t
    tally.core += int(core.sum())
    tally.drawn += int(inside.sum())
    tally.dose_sum += float(dose[core].sum())
    tally.short += int((over[inside] < job.overcure).sum())
    tally.histograms["overcure"].add(over[core])
    solid = np.clip(law.depth(slab.total[own]), 0.0, t)
    tally.unsolid += float((1.0 - solid[inside] / t).sum())
    rim = slab.drawing.inside & ~slab.drawing.core
    for name, mask, low, region in (
        ("weakest", slab.drawing.core, True, "core"),
        ("rim_weakest", rim, True, "rim"),
        ("deepest", slab.dose > 0.0, False, "core"),
    ):
        worth = tally.places[name]
        bar = worth[-1].value if len(worth) == KEPT else None
        found = extremes(slab.dose, slab.grid, mask, slab.layer, low=low, region=region, own=own, bar=bar)
        tally.offer(name, [_explained(_exact(p, slab, job), slab, job) for p in found])
    _thin_places(slab, job, tally)
    _edges(job, tile, slab, tally)
    if slab.below is not None:
        _print_through(job, slab, tally)


def _exact(place: Place, slab: Slab, job: Job) -> Place:
    """The place with its dose summed without the grid, so that no interpolation is left in it."""
    if job.optics.image is not None:
        return place
    near = slab.paths.chosen(slab.paths.meets((place.x, place.y, place.x, place.y), job.room))
    return replace(place, value=float(dose_at(near, job.optics, np.array([place.x]), np.array([place.y]))[0]))


def _explained(place: Place, slab: Slab, job: Job) -> Place:
    kind, why = reason(place, slab.paths, slab.drawing, slab.grid, job.radius)
    if place.region == "core":
        i, j = np.rint(slab.grid.places(place.x, place.y)).astype(int)  # type: ignore[arg-type]
        if not slab.drawing.core[i, j]:
            place = replace(place, region="rim" if slab.drawing.inside[i, j] else "outside")
    return replace(place, kind=kind, why=why)


def face_map(job: Job) -> tuple[np.ndarray, np.ndarray]:
    """Print-through (mm) at the lowest down-facing place over each pixel, NaN where none faces down; and the least overcure of all layers.

    One tile, so for pictures of small parts.
    """
    through = np.full((job.grid.rows, job.grid.columns), np.nan)
    least = np.full(through.shape, np.inf)
    law, t = job.optics.law, job.layer_thickness
    for slab in slabs(job, job.grid):
        if slab.below is not None:
            face = (slab.drawing.inside & ~slab.below)[slab.own]
            through[face] = law.depth(slab.total[slab.own][face]) - t
        inside = slab.drawing.inside[slab.own]
        least[inside] = np.minimum(least[inside], law.depth(slab.dose[slab.own][inside]) - t)
    return through, np.where(np.isfinite(least), least, np.nan)


def _thin_places(slab: Slab, job: Job, tally: Tally) -> None:
    """Drawn parts narrower than two beam radii: where the core, grown back, does not reach; told where each is widest."""
    from scipy.ndimage import label, maximum_position

    inside, core = slab.drawing.inside, slab.drawing.core
    loops = loops_of(slab.paths)
    if not inside.any() or not loops:
        return
    thin = inside & (distance(~core) > 1.5 * job.radius / slab.grid.pixel)
    names, count = label(thin)
    found = []
    widest = np.array(maximum_position(slab.drawing.depth, names, np.arange(1, count + 1)), np.int64).reshape(-1, 2)
    widest = widest[np.all([(widest[:, k] >= own.start) & (widest[:, k] < own.stop) for k, own in enumerate(slab.own)], axis=0)]
    order = np.argsort(slab.drawing.depth[tuple(widest.T)], kind="stable")[:_MOST_THIN]  # narrowest first, to a pixel
    sides = sides_of(loops)
    for i, j in widest[order]:
        x, y = float(slab.grid.x0 + j * slab.grid.pixel), float(slab.grid.y0 + i * slab.grid.pixel)
        found.append(Place(wall_width(sides, x, y), x, y, slab.layer, "rim"))
    narrow = [p for p in found if p.value < 2.0 * job.radius]  # a corner's tip lies far from the core, yet in a wide part
    tally.offer("thin", narrow)


def _edges(job: Job, tile: Grid, slab: Slab, tally: Tally) -> None:
    loops = loops_of(slab.paths)
    if not loops or not slab.dose.any():
        return
    needed = float(job.optics.law.dose(0.0))
    places, error = edge_errors(loops, slab.drawing.inside, slab.dose, slab.grid, tile, needed, job.radius)
    cured = ~np.isnan(error)
    tally.uncut += int((~cured).sum())
    tally.histograms["edge_error"].add(error[cured])
    worst = np.argsort(-np.abs(error[cured]), kind="stable")[:KEPT]
    found = zip(error[cured][worst].tolist(), places[cured][worst].tolist())
    tally.offer("edge_places", [Place(value, x, y, slab.layer, "rim") for value, (x, y) in found])
    outer, cut = corner_errors(loops, slab.drawing.inside, slab.dose, slab.grid, tile, needed, job.radius)
    known = ~np.isnan(cut)
    tally.histograms["corner_cut"].add(-cut[known & outer])
    tally.histograms["inner_corner_fill"].add(cut[known & ~outer])
    reach = job.optics.law.reach
    deep = 3.0 * (reach if reach is not None else job.optics.law.penetration_depth) / job.layer_thickness
    if not job.single and cured.any():
        i, j = np.rint(slab.grid.places(*places.T)).astype(int)
        from scipy.ndimage import maximum_filter

        covered = cured & (maximum_filter(slab.cover, 5)[i, j] >= deep)
        if covered.any():
            after = edge_errors(loops, slab.drawing.inside, slab.total, slab.grid, tile, needed, job.radius)[1]
            grown = (after - error)[covered & ~np.isnan(after)]
            tally.histograms["deep_edge_error"].add(grown)


def _print_through(job: Job, slab: Slab, tally: Tally) -> None:
    """Solid below a face that has no drawing under it; about a beam radius beside the outline is the wall's side growth, left out."""
    assert slab.below is not None
    face = slab.drawing.core & (distance(~slab.below) * slab.grid.pixel > job.radius)
    if not face[slab.own].any():
        return
    law, t = job.optics.law, job.layer_thickness
    found = extremes(slab.total, slab.grid, face, slab.layer, low=False, region="down-facing", own=slab.own)
    tally.offer("print_through_places", [_explained(replace(p, value=float(law.depth(p.value) - t)), slab, job) for p in found])
