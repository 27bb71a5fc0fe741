"""Areas and outlines of a part's layers, cut from a closed mesh (STL) by a general geometry library, and the build's time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import FileError
from ..units import MM, Quantity

__all__ = ["Slices", "slice_mesh"]

_MOST_LAYERS = 20_000


@dataclass(frozen=True)
class Slices:
    """Layers of a part: area (mm^2), length of outlines (mm), straight pieces of them; volume (mm^3) of the mesh."""

    area: Any
    perimeter: Any
    pieces: Any
    volume: float
    height: float
    layer_thickness: float

    @property
    def layers(self) -> int:
        return int(self.area.size)


def slice_mesh(path: str | Path, layer_thickness: Quantity, *, progress: Callable[[int, int], None] | None = None) -> Slices:
    """Cut a closed mesh half-way up every layer; coordinates are millimetres, z is up.

    Parameters
    ----------
    path : path
        An STL file.
    layer_thickness : Quantity [mm]
    progress : callable, optional
        Called with layers done and layers in all.

    Raises
    ------
    FileError
        Not a mesh, not closed, of no volume, too tall for the layer; or the extra `mesh` is not installed.
    """
    name = str(path)
    if not Path(path).is_file():
        raise FileError(f"{name}: there is no such file. Check the name and the folder of the mesh.")
    try:
        import networkx  # noqa: F401
        import rtree  # noqa: F401
        import shapely  # noqa: F401
        import trimesh
    except ImportError:
        raise FileError(f"{name}: slicing a mesh needs more packages. Install them with: pip install 'curecalc[mesh]'") from None
    mesh = _loaded(name, path, trimesh)
    low, high = (float(z) for z in mesh.bounds[:, 2])
    t = float(layer_thickness.m_as(MM))
    count = max(math.ceil((high - low) / t - 1e-6), 1)
    if count > _MOST_LAYERS:
        raise FileError(
            f"{name}: {high - low:.6g} mm makes {count} layers of {t:.4g} mm, more than {_MOST_LAYERS}. Is the mesh in millimetres?"
        )
    area, perimeter, pieces = np.zeros(count), np.zeros(count), np.zeros(count)
    for k in range(count):
        z = low + (k + 0.5) * t
        section = mesh.section(plane_origin=[0.0, 0.0, min(z, high - 1e-9)], plane_normal=[0.0, 0.0, 1.0])
        if section is not None:
            flat, _ = section.to_2D(to_2D=np.eye(4))
            area[k], perimeter[k] = float(flat.area), float(flat.length)
            pieces[k] = float(sum(len(loop) - 1 for loop in flat.discrete))
        if progress is not None:
            progress(k + 1, count)
    return Slices(area, perimeter, pieces, abs(float(mesh.volume)), high - low, t)


def _loaded(name: str, path: str | Path, trimesh: Any) -> Any:
    try:
        mesh = trimesh.load_mesh(str(path), file_type="stl")
    except Exception as error:  # whatever the reader meets in a broken file
        raise FileError(f"{name}: cannot be read as an STL mesh ({type(error).__name__}). Export it again.") from None
    if not isinstance(mesh, trimesh.Trimesh) or len(mesh.faces) == 0:
        raise FileError(f"{name}: holds no triangles. Export the part again as STL.")
    if not np.all(np.isfinite(mesh.vertices)):
        raise FileError(f"{name}: has corners that are not numbers. Export the part again as STL.")
    mesh.merge_vertices()
    if not mesh.is_watertight:
        raise FileError(f"{name}: the mesh is not closed, so its sections have no area. Repair it first.")
    if abs(float(mesh.volume)) < 1e-9:
        raise FileError(f"{name}: the mesh has no volume. Export the part again as STL.")
    return mesh
