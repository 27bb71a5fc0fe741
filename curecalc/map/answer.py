"""The exposure field as people ask for it: quantities in, a record out. One layer, or a part of many."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..formulas.resin import Resin
from ..paths.shelf import Shelf
from ..paths.stored import StoredPaths
from ..paths.vectors import Paths
from ..symbols import percent
from ..units import HZ, IN_UM, MJ, MJ_MM2, MM, MM_S, MM_S2, RAD, Quantity, Shown, finite, positive, ratio, show, span, to_json
from .correcting import Correction, along, corrections
from .field import USUAL_TOLERANCE, Grid, Optics, check_savable, choose_pixel, layer_dose, stated_error
from .points import Scanning
from .spread import surveyed
from .survey import Job
from .tally import Place, Tally

__all__ = ["FieldAnswer", "answer_of", "dose_image", "exposure_field", "job_of", "optics_of", "part_field"]

_MOST_CORRECTED, _MOST_TRIED = 4_000_000, 700_000  # pixels of a layer, and its vectors, on which speeds are still tried out
_CROWD, _LEAST_TILE = 250_000, 128  # vectors of a layer near a tile from which tiles are made smaller, down to so many pixels


@dataclass(frozen=True)
class FieldAnswer(Shown):
    """What a map says. Quantities; None where something does not apply, such as print-through of one layer alone.

    Least and mean exposure are those of the core, the drawing farther than a beam radius inside its outline; where there is no core,
    those along the vectors. `rim_exposure_min` is the least between core and outline. Lengths of `edge_error` are positive where cured
    resin reaches beyond the drawing. `numerical_error` is a share of the peak. Under the power threshold law exposures are equivalent
    exposures at the reference irradiance.
    """

    layers: int
    exposure_min: Quantity
    exposure_max: Quantity
    exposure_mean: Quantity
    rim_exposure_min: Quantity | None
    cure_depth_min: Quantity
    cure_depth_max: Quantity
    overcure_histogram: tuple[np.ndarray, np.ndarray]
    overcure_quantiles: tuple[Quantity, Quantity, Quantity] | None
    below_bond_fraction: float
    uncured_fraction: float
    print_through: Quantity | None
    side_growth: Quantity | None
    edge_error: dict[str, Any] | None
    width_compensation: Quantity | None
    corner_cut: Quantity | None
    inner_corner_fill: Quantity | None
    pixel: Quantity
    numerical_error: float
    energy: Quantity
    weakest_places: tuple[Place, ...]
    rim_weakest_places: tuple[Place, ...]
    deepest_places: tuple[Place, ...]
    print_through_places: tuple[Place, ...]
    edge_places: tuple[Place, ...]
    thin_features: tuple[Place, ...]
    vector_corrections: tuple[Correction, ...]
    resin: Resin
    layer_thickness: Quantity
    warnings: tuple[str, ...] = ()
    job: Job | None = field(default=None, repr=False, compare=False)

    def rows(self) -> list[tuple[str, str]]:
        """What is shown, as (name, text)."""
        found = [
            ("exposure, weakest place", show(self.exposure_min)),
            ("exposure, mean", show(self.exposure_mean)),
            ("exposure, strongest place", show(self.exposure_max)),
            ("cure depth, weakest place", show(self.cure_depth_min)),
            ("cure depth, strongest place", show(self.cure_depth_max)),
            ("drawn area below bond", percent(self.below_bond_fraction, ".3g")),
            ("drawn volume uncured", percent(self.uncured_fraction, ".3g")),
        ]
        optional = (
            ("print-through, greatest", self.print_through),
            ("walls grow a side by layers above", self.side_growth),
            ("move outlines inward by", self.width_compensation),
            ("outer corners cut by", self.corner_cut),
            ("inner corners filled by", self.inner_corner_fill),
        )
        found += [(name, show(value, digits=3)) for name, value in optional if value is not None]
        for name, places in (("weakest", self.weakest_places), ("deepest", self.deepest_places)):
            found += [(f"  {name}", self._place_text(p)) for p in places[:3]]
        found += [("  print-through", f"{_where(p)}: {show(Quantity(p.value, MM), digits=3)}") for p in self.print_through_places[:1]]
        found += [
            ("  thin", f"x {p.x:z.3f} y {p.y:z.3f} mm, layer {p.layer}: {IN_UM * p.value:.3g} um wide") for p in self.thin_features[:1]
        ]
        for one in self.vector_corrections:
            after, before = (show(self._spread(depths)) for depths in (one.after, one.before))
            speeds = f"{span(*one.scan_speed[1:])} mm/s: depth along them even to {after}, now {before}"
            found.append((f"  {one.kind}, one speed each", speeds))
        found += [("pixel", show(self.pixel, digits=3)), ("numerical error", f"{self.numerical_error:.1e} of the peak")]
        return found

    def _place_text(self, place: Place) -> str:
        depth = float(self._law.depth(place.value)) - float(self.layer_thickness.m_as(MM))
        return f"{_where(place)}: overcure {IN_UM * depth:.3g} um"

    @property
    def _law(self) -> Any:
        return law_of(self.resin)

    def _spread(self, doses: tuple[float, float]) -> Quantity:
        low, high = (float(self._law.depth(d)) for d in doses)
        return Quantity(high - low, MM)

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the command contract."""
        law, t = self._law, float(self.layer_thickness.m_as(MM))

        def by_dose(p: Place) -> dict[str, Any]:
            depth = float(law.depth(p.value))
            return _place(p) | {
                "region": p.region,
                "exposure": to_json(Quantity(p.value, MJ_MM2)),
                "cure_depth": to_json(Quantity(depth, MM)),
                "overcure": to_json(Quantity(depth - t, MM)),
            }

        def by_length(p: Place, name: str) -> dict[str, Any]:
            return _place(p) | {name: to_json(Quantity(p.value, MM))}

        record: dict[str, Any] = {
            name: None if (value := getattr(self, name)) is None else to_json(value)
            for name in ("exposure_min", "exposure_max", "exposure_mean", "rim_exposure_min", "cure_depth_min", "cure_depth_max")
        }
        record["overcure_min"], record["overcure_max"] = (
            to_json(Quantity(float(getattr(self, name).m_as(MM)) - t, MM)) for name in ("cure_depth_min", "cure_depth_max")
        )
        record["weakest_places"] = [by_dose(p) for p in self.weakest_places]
        record["rim_weakest_places"] = [by_dose(p) for p in self.rim_weakest_places]
        record["deepest_places"] = [by_dose(p) for p in self.deepest_places]
        edges, counts = self.overcure_histogram
        record["overcure_histogram"] = {"unit": "mm", "bin": 0.001, "low": edges.tolist(), "count": counts.tolist()}
        if self.overcure_quantiles is not None:
            record["overcure_histogram"]["quantiles"] = {str(q): to_json(v) for q, v in zip((0.05, 0.5, 0.95), self.overcure_quantiles)}
        record |= {"uncured_fraction": self.uncured_fraction, "below_bond_fraction": self.below_bond_fraction}
        for name in ("print_through", "side_growth", "width_compensation", "corner_cut", "inner_corner_fill"):
            value = getattr(self, name)
            record[name] = None if value is None else to_json(value)
        record["print_through_places"] = [by_length(p, "print_through") for p in self.print_through_places]
        record["edge_error"] = (
            None
            if self.edge_error is None
            else {k: to_json(v) if isinstance(v, Quantity) else v for k, v in self.edge_error.items()}
            | {"places": [by_length(p, "edge_error") for p in self.edge_places]}
        )
        record["thin_features"] = [by_length(p, "width") for p in self.thin_features]
        record["vector_corrections"] = [self._correction(one) for one in self.vector_corrections]
        record |= {
            "pixel": to_json(self.pixel),
            "numerical_error": self.numerical_error,
            "energy": to_json(self.energy),
            "layers": self.layers,
            "layer_thickness": to_json(self.layer_thickness),
            "warnings": list(self.warnings),
        }
        return record

    def _correction(self, one: Correction) -> dict[str, Any]:
        law, t = self._law, float(self.layer_thickness.m_as(MM))
        over = {
            f"overcure_{end}{when}": to_json(Quantity(float(law.depth(dose)) - t, MM))
            for when, doses in (("", one.before), ("_after", one.after))
            for end, dose in zip(("min", "max"), doses)
        }
        typical, low, high = (to_json(Quantity(v, MM_S)) for v in one.scan_speed)
        gain: Quantity = self._spread(one.before) - self._spread(one.after)
        return {"kind": one.kind, "scan_speed": typical, "scan_speed_min": low, "scan_speed_max": high, "gain": to_json(gain)} | over


def _where(p: Place) -> str:
    return f"x {p.x:z.3f} y {p.y:z.3f} mm, layer {p.layer}, {p.kind}, {p.why}"


def _place(p: Place) -> dict[str, Any]:
    return {"x": to_json(Quantity(p.x, MM)), "y": to_json(Quantity(p.y, MM)), "layer": p.layer, "kind": p.kind, "why": p.why}


def law_of(resin: Resin) -> Any:
    """The resin's law with its numbers."""
    return resin.law(**resin.constants())


def exposure_field(
    paths: Paths | StoredPaths,
    *,
    resin: Resin,
    layer_thickness: Quantity,
    layer: int | None = None,
    pixel: Quantity | None = None,
    tolerance: float = USUAL_TOLERANCE,
    overcure: Quantity | None = None,
    window: tuple[Quantity, Quantity, Quantity, Quantity] | None = None,
    scanning: dict[str, Any] | None = None,
    radius_ratio: float = 1.0,
    spot_angle: Quantity | None = None,
    picture: np.ndarray | None = None,
    picture_pixel: Quantity | None = None,
    corrected: bool = True,
    saved: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    work: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> FieldAnswer:
    """The exposure field of one layer's paths, and what cures.

    Parameters
    ----------
    paths : Paths or StoredPaths
        With power, speed and beam radius of every vector; stored ones stay in their file.
    resin : Resin
        Any law; under the power threshold law exposures are equivalent exposures.
    layer_thickness : Quantity [mm]
    layer : int, optional
        Which one; needed where the paths hold several.
    pixel : Quantity [mm], optional
        Chosen for the tolerance when left out.
    tolerance : float
        Of the dose anywhere, as a share of the peak: 1e-6 to 1e-4, with a picture of the beam to 1e-2.
    overcure : Quantity [mm], optional
        Cure depth beyond the layer that counts as bonded; zero when left out.
    window : four Quantity [mm], optional
        x low, y low, x high, y high; the whole layer when left out.
    scanning : dict, optional
        acceleration [mm/s^2], run_up_beam ("off", "on", "follows speed"), least_power (share), corner_speed [mm/s], pulse_rate [Hz].
    radius_ratio : float
        y radius over x radius of the spot.
    spot_angle : Quantity [deg], optional
        Of its x axis to the machine's x axis.
    picture : array, optional
        Irradiance of the beam, in any scale, rows going with y; replaces the spot's shape.
    picture_pixel : Quantity [mm], optional
        Pitch of the picture.
    corrected : bool
        Whether to try out one speed per vector; only for maps of up to four million pixels and 700,000 vectors.
    saved : bool
        Whether the field is to go into a file; one of more than 64 million pixels is then refused before the work begins.
    workers, scheduler, work, progress
        As in `curecalc.map.spread.surveyed`.

    Returns
    -------
    FieldAnswer

    Raises
    ------
    QuantityError, FileError
    """
    numbers = paths.layers
    if layer is None:
        if len(numbers) != 1:
            raise QuantityError(
                f"layer is missing: {paths.source} holds {len(numbers)} layers, {numbers[0]} to {numbers[-1]}. Name one with layer=, "
                f"or map them all with: curecalc part."
            )
        layer = int(numbers[0])
    optics = optics_of(paths, resin, scanning, radius_ratio, spot_angle, picture, picture_pixel)
    job, error = job_of(paths, optics, layer, layer, layer_thickness, pixel, tolerance, overcure, window)
    if saved:
        check_savable(job.grid)
    tally = surveyed(job, workers=workers, scheduler=scheduler, work=work, progress=progress)
    return answer_of(job, error, tally, resin, layer_thickness, corrected=corrected)


def part_field(
    paths: Paths | StoredPaths,
    *,
    resin: Resin,
    layer_thickness: Quantity,
    layers: tuple[int, int] | None = None,
    pixel: Quantity | None = None,
    tolerance: float = USUAL_TOLERANCE,
    overcure: Quantity | None = None,
    window: tuple[Quantity, Quantity, Quantity, Quantity] | None = None,
    scanning: dict[str, Any] | None = None,
    radius_ratio: float = 1.0,
    spot_angle: Quantity | None = None,
    picture: np.ndarray | None = None,
    picture_pixel: Quantity | None = None,
    saved: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    work: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> FieldAnswer:
    """The exposure field of layers on layers: solid, print-through, walls grown by the layers above.

    Bond and overcure are those of each layer's own scan, as it is laid; solid, print-through and growth of walls count all layers.

    Parameters
    ----------
    paths : Paths or StoredPaths
    resin, layer_thickness : as in `exposure_field`
    layers : pair of int, optional
        First and last; all when left out. Numbers that the paths leave out are layers without light.
    pixel, tolerance, overcure, window, scanning, radius_ratio, spot_angle, picture, picture_pixel : as in `exposure_field`
    saved, workers, scheduler, work, progress : as in `exposure_field`

    Returns
    -------
    FieldAnswer

    Raises
    ------
    QuantityError, FileError
    """
    numbers = paths.layers
    first, last = (int(numbers[0]), int(numbers[-1])) if layers is None else layers
    if not ((first <= numbers) & (numbers <= last)).any():
        raise QuantityError(f"layers {first} to {last} hold nothing: {paths.source} has {numbers[0]} to {numbers[-1]}.")
    optics = optics_of(paths, resin, scanning, radius_ratio, spot_angle, picture, picture_pixel)
    job, error = job_of(paths, optics, first, last, layer_thickness, pixel, tolerance, overcure, window)
    if saved:
        check_savable(job.grid)
    tally = surveyed(job, workers=workers, scheduler=scheduler, work=work, progress=progress)
    return answer_of(job, error, tally, resin, layer_thickness, corrected=False)


def optics_of(
    paths: Paths | StoredPaths,
    resin: Resin,
    scanning: dict[str, Any] | None,
    radius_ratio: float,
    spot_angle: Quantity | None,
    picture: np.ndarray | None,
    picture_pixel: Quantity | None,
) -> Optics:
    given = dict(scanning or {})
    units = {"acceleration": MM_S2, "corner_speed": MM_S, "pulse_rate": HZ}
    plain = {name: float(positive(name, given.pop(name), unit)) for name, unit in units.items() if given.get(name) is not None}
    if given.get("least_power") is not None:
        ratio("least_power", given["least_power"], low=0.0, high=1.0, low_open=False, high_open=False)
    way = Scanning(**{k: v for k, v in (plain | given).items() if v is not None})  # type: ignore[arg-type]
    angle = 0.0 if spot_angle is None else float(finite("spot_angle", spot_angle, RAD))
    ratio("radius_ratio", radius_ratio)
    measured: dict[str, Any] = {}
    if picture is not None:
        picture = np.asarray(picture, float)
        if picture.ndim != 2 or min(picture.shape) < 3 or not np.all(np.isfinite(picture)) or picture.min() < 0.0 or not picture.any():
            raise QuantityError("picture must be rows of finite irradiances, none below zero and not all zero, at least 3 by 3.")
        if picture_pixel is None:
            raise QuantityError("picture_pixel is missing: the pitch of the picture. Give it a quantity, for example Q(5.0, 'um').")
        measured = {"image": picture, "image_pixel": float(positive("picture_pixel", picture_pixel, MM))}
    radii = paths.chosen(slice(0, 1)).beam_radius.tolist() if paths.recorded else []
    return Optics(law_of(resin), way, radius_ratio, angle, radius=next(iter(radii), None), **measured)


def job_of(
    paths: Paths | StoredPaths,
    optics: Optics,
    first: int,
    last: int,
    layer_thickness: Quantity,
    pixel: Quantity | None,
    tolerance: float,
    overcure: Quantity | None,
    window: Sequence[Quantity] | None,
) -> tuple[Job, float]:
    numbers, law = paths.layers, optics.law
    if first == last and first not in numbers:
        raise QuantityError(f"layer {first} is not in {paths.source}, which holds {numbers[0]} to {numbers[-1]}.")
    t = float(positive("layer_thickness", layer_thickness, MM))
    own = Shelf.of(paths, first, last)
    beams = list(optics.beams_of(own.radii, recorded=bool(own.recorded)).values())
    if not beams:
        raise QuantityError(f"{paths.source}: layers {first} to {last} hold no vector that is scanned. Choose other layers.")
    size, error = choose_pixel(beams, tolerance, None if pixel is None else float(positive("pixel", pixel, MM)))
    wide = max(2.0 * math.sqrt(law.exponent * max(b.variances)) for b in beams)
    if window is None:
        left, below, right, above = own.bounds()
        room = 3.0 * wide
        bounds = (left - room, below - room, right + room, above + room)
    else:
        bounds = tuple(float(finite(f"window {n}", q, MM)) for n, q in zip(("x0", "y0", "x1", "y1"), window))  # type: ignore[assignment]
        if not (bounds[0] < bounds[2] and bounds[1] < bounds[3]):
            raise QuantityError("window must be x0 y0 x1 y1 with x0 below x1 and y0 below y1.")
    over = 0.0 if overcure is None else float(finite("overcure", overcure, MM))
    job = Job(own, optics, Grid.over(bounds, size), first, last, t, over, wide)
    while job.tile > _LEAST_TILE and max(own.crowd(tile.padded(job.halo).window(), job.room) for tile in job.tiles()) > _CROWD:
        job = replace(job, tile=job.tile // 2)
    return job, error


def answer_of(job: Job, error: float, tally: Tally, resin: Resin, layer_thickness: Quantity, *, corrected: bool) -> FieldAnswer:
    law = job.optics.law
    notes = []
    weakest, deepest = tally.places["weakest"], tally.places["deepest"]
    small = job.single and job.grid.rows * job.grid.columns <= _MOST_CORRECTED and bool(job.paths.radii)
    small = small and job.paths.crowd(job.grid.window(), job.room) <= _MOST_TRIED
    near = job.near(job.first, job.grid) if small else None
    if not deepest:
        raise QuantityError("nothing is exposed in the window. Choose another window.")
    if weakest:
        low, mean = weakest[0].value, tally.dose_sum / tally.core
        if near is None and job.single and corrected and job.paths.radii:
            notes.append("speeds per vector are tried out on maps of up to four million pixels and 700,000 vectors only: choose a window")
    elif near is None:
        raise QuantityError("the window holds no core, farther than a beam radius inside the drawing. Choose another window.")
    else:
        notes.append("no place lies farther than a beam radius inside the drawing: least and mean are those along the vectors")
        least, middle, _ = along(near.scanned, layer_dose(near, job.optics, job.grid), job.grid)
        on = ~np.isnan(least)
        if not on.any():
            raise QuantityError("the window holds no vector that is scanned. Choose another window.")
        low, mean = float(least[on].min()), float(np.average(middle[on], weights=near.scanned.length[on]))
    mended = corrections(near, job.optics, job.grid) if corrected and near is not None else []
    if law.exponent != 1.0:
        notes.append("exposures are equivalent exposures at the reference irradiance")
    h = tally.histograms
    rim = tally.places["rim_weakest"]
    quantiles = tuple(h["overcure"].quantile(q) for q in (0.05, 0.5, 0.95))
    edge: dict[str, Any] | None = None
    if h["edge_error"].count:
        edge = {"mean": _mm(h["edge_error"].mean()), "low": _mm(h["edge_error"].quantile(0.025))}
        edge |= {"high": _mm(h["edge_error"].quantile(0.975)), "places_uncured": tally.uncut}
        edge["places_measured"] = h["edge_error"].count + tally.uncut
    through = tally.places["print_through_places"]
    return FieldAnswer(
        layers=job.last - job.first + 1,
        exposure_min=Quantity(low, MJ_MM2),
        exposure_max=Quantity(deepest[0].value, MJ_MM2),
        exposure_mean=Quantity(mean, MJ_MM2),
        rim_exposure_min=Quantity(rim[0].value, MJ_MM2) if rim else None,
        cure_depth_min=Quantity(float(law.depth(low)), MM),
        cure_depth_max=Quantity(float(law.depth(deepest[0].value)), MM),
        overcure_histogram=h["overcure"].arrays(),
        overcure_quantiles=None if quantiles[0] is None else tuple(_mm(q) for q in quantiles),  # type: ignore[arg-type]
        below_bond_fraction=tally.short / max(tally.drawn, 1),
        uncured_fraction=tally.unsolid / max(tally.drawn, 1),
        print_through=_mm(through[0].value) if through else None,
        side_growth=_mm(h["deep_edge_error"].mean()),
        edge_error=edge,
        width_compensation=None if edge is None else _mm(h["edge_error"].mean()),
        corner_cut=_mm(h["corner_cut"].mean()),
        inner_corner_fill=_mm(h["inner_corner_fill"].mean()),
        pixel=Quantity(job.grid.pixel, MM),
        numerical_error=error,
        energy=Quantity(tally.energy, MJ),
        weakest_places=tuple(weakest),
        rim_weakest_places=tuple(rim),
        deepest_places=tuple(deepest),
        print_through_places=tuple(through),
        edge_places=tuple(tally.places["edge_places"]),
        thin_features=tuple(tally.places["thin"]),
        vector_corrections=tuple(mended),
        resin=resin,
        layer_thickness=layer_thickness,
        warnings=tuple(notes),
        job=job,
    )


def _mm(value: float | None) -> Quantity | None:
    return None if value is None else Quantity(value, MM)


def dose_image(job: Job, window: tuple[float, float, float, float], *, most: int) -> tuple[np.ndarray, Grid, float]:
    """Dose (mJ/mm^2) of the job's first layer in a window (mm), for a picture: at most so many pixels, no finer than the job's.

    Pixels coarser than the job's skip pixels of the same field, so what is shown is true at its places. Returns dose, grid and error.
    """
    fine = Grid.over(window, job.grid.pixel)
    step = max(1, math.ceil(math.sqrt(fine.rows * fine.columns / most)))
    rows = []
    band = step * math.ceil(job.tile / step)
    for start in range(0, fine.rows, band):
        strip = Grid(fine.x0, fine.y0 + start * fine.pixel, fine.pixel, fine.columns, min(band, fine.rows - start))
        rows.append(layer_dose(job.near(job.first, strip), job.optics, strip)[::step, ::step])
    image = np.concatenate(rows)
    shown = Grid(fine.x0, fine.y0, fine.pixel * step, image.shape[1], image.shape[0])
    beams = job.optics.beams_of(job.paths.radii, recorded=bool(job.paths.recorded))
    return image, shown, stated_error(list(beams.values()), job.grid.pixel)
