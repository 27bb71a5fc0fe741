"""Study paths of a mesh, by plain rules of our own: outlines, one contour inside them, hatch inside that. Never what a machine makes.

Layers are cut half-way up. The contour runs `contour_offset` inside the outline, the hatch begins `hatch_offset` inside it, along x in
odd layers and along y in even ones, every second line backwards. Geometry is by well-kept libraries: manifold3d cuts, shapely offsets.
"""

from __future__ import annotations

import math
import re
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import FileError
from ..symbols import clip
from .stored import StoredPaths, kept
from .vectors import FAR, OUTLINE, Paths, assembled

if TYPE_CHECKING:
    from ..units import Quantity

__all__ = ["study_paths"]

_ENDINGS = (".stl", ".3mf", ".obj")
_MOST_LAYERS = 20_000
_LARGEST, _LARGEST_UNPACKED, _MOST_PACKED, _MOST_ENTRIES = 500_000_000, 2_000_000_000, 200, 10_000
_KINDS = (OUTLINE, "contour", "hatch")
_WAY = "Export the part again."
_SMALLEST = 1.0  # mm
_STRAIGHT = 0.005  # mm, far less than a line is wide: corners that lie nearer to a straight contour are those of facets, no stops


def study_paths(
    path: str | Path,
    *,
    layer_thickness: Quantity,
    hatch_spacing: Quantity,
    contour_offset: Quantity,
    hatch_offset: Quantity,
    progress: Callable[[int, int], None] | None = None,
) -> Paths | StoredPaths:
    """Study paths of a closed mesh; coordinates are millimetres, z is up.

    Parameters
    ----------
    path : path
        An .stl, .3mf or .obj file.
    layer_thickness : Quantity [mm]
    hatch_spacing : Quantity [mm]
    contour_offset : Quantity [mm]
        Of the contour inside the outline, such as half a line's width.
    hatch_offset : Quantity [mm]
        Of the ends of hatch lines inside the outline.
    progress : callable, optional
        Called with layers done and layers in all.

    Returns
    -------
    Paths or StoredPaths
        Of the kinds outline (not scanned), contour and hatch; no power, speed or radius. Many stay on the disk, as of `open_paths`.

    Raises
    ------
    FileError
        Not a mesh, not closed, of no volume, too tall for the layer, hostile; or the extra `mesh` is not installed.
    """
    from ..units import MM, nonnegative, positive

    t, h = float(positive("layer_thickness", layer_thickness, MM)), float(positive("hatch_spacing", hatch_spacing, MM))
    inner = float(nonnegative("contour_offset", contour_offset, MM)), float(nonnegative("hatch_offset", hatch_offset, MM))
    name = str(path)
    solid, low, high = _solid(name, Path(path))
    count = math.ceil((high - low) / t - 1e-6)
    if count > _MOST_LAYERS:
        raise FileError(
            f"{name}: {high - low:.6g} mm makes {count} layers of {t:.4g} mm, more than {_MOST_LAYERS}. Is the mesh in millimetres?"
        )

    def blocks() -> Iterator[Paths]:
        drawn = False
        for k in range(count):
            section = solid.slice(min(low + (k + 0.5) * t, high - 1e-9))
            rows = _vectors(section.to_polygons(), h, inner, along_y=bool(k % 2))
            sizes = [len(r) for r in rows]
            layer, unknown = np.full(sum(sizes), k + 1), np.full(sum(sizes), np.nan)
            if len(layer):
                yield assembled(layer, list(np.concatenate(rows).T.copy()), np.repeat(range(3), sizes), _KINDS, [unknown] * 3, name)
                drawn = True
            if progress is not None:
                progress(k + 1, count)
        if not drawn:
            raise FileError(f"{name}: no layer holds a section. {_WAY}")

    return kept(blocks())


def _vectors(loops: list[np.ndarray], h: float, inner: tuple[float, float], *, along_y: bool) -> tuple[np.ndarray, ...]:
    """Rows (x0, y0, x1, y1) of outline, contour and hatch of a section."""
    import shapely

    drawn = shapely.build_area(shapely.geometrycollections([shapely.linearrings(loop) for loop in loops]))
    contour, filled = (shapely.buffer(drawn, -offset, join_style="mitre") for offset in inner)
    rings = shapely.get_rings(shapely.get_parts(shapely.simplify(contour, _STRAIGHT)))
    return _around(loops), _around([shapely.get_coordinates(ring)[:-1] for ring in rings]), _hatch(filled, h, along_y)


def _around(loops: list[np.ndarray]) -> np.ndarray:
    return np.concatenate([np.hstack([loop, np.roll(loop, -1, axis=0)]) for loop in loops]) if loops else np.zeros((0, 4))


def _hatch(area: Any, h: float, along_y: bool) -> np.ndarray:
    """Lines at whole multiples of the spacing, cut to the area, every second one backwards."""
    import shapely

    if shapely.is_empty(area):
        return np.zeros((0, 4))
    left, low, right, top = shapely.bounds(area)
    start, stop, begin, end = (left, right, low, top) if along_y else (low, top, left, right)
    number = np.arange(math.ceil(start / h), math.floor(stop / h) + 1)
    flip = slice(None, None, -1 if along_y else 1)  # from (along, across) to (x, y) and back
    ends = np.stack([np.column_stack([np.full(len(number), e), h * number]) for e in (begin - h, end + h)], axis=1)
    shapely.prepare(area)
    pieces, line = shapely.get_parts(shapely.intersection(shapely.linestrings(ends[..., flip]), area), return_index=True)
    long = shapely.length(pieces) > 0.0
    way = np.where(number[line[long]] % 2, -1.0, 1.0)[:, None]
    places = shapely.get_coordinates(pieces[long]).reshape(-1, 2, 2)[..., flip]
    places[..., 0] = way * np.sort(way * places[..., 0])
    return places[np.lexsort((places[..., 0].sum(axis=1) * way[:, 0], line[long]))][..., flip].reshape(-1, 4)


def _solid(name: str, path: Path) -> tuple[Any, float, float]:
    """The mesh as a closed solid, and its heights."""
    if path.suffix.lower() not in _ENDINGS:
        raise FileError(f"{name}: a mesh ends in .stl, .3mf or .obj. Export the part as one of these.")
    if not path.is_file():
        raise FileError(f"{name}: there is no such file. Check the name and the folder of the mesh.")
    if path.stat().st_size > _LARGEST:
        raise FileError(f"{name}: the file has {path.stat().st_size} bytes, more than {_LARGEST}. Export a coarser mesh.")
    if path.suffix.lower() == ".3mf":
        _harmless(name, path)
    try:
        import manifold3d
        import shapely  # noqa: F401
        import trimesh
    except ImportError:
        raise FileError(f"{name}: slicing a mesh needs more packages. Install them with: pip install 'curecalc[mesh]'") from None
    try:
        mesh = trimesh.load_mesh(str(path))
    except Exception:  # whatever the reader meets in a broken file
        raise FileError(f"{name}: cannot be read as a mesh: the file is cut off, damaged or of another kind. {_WAY}") from None
    if not isinstance(mesh, trimesh.Trimesh) or not len(mesh.faces):
        raise FileError(f"{name}: holds no triangles. {_WAY}")
    if not np.all(np.isfinite(mesh.vertices)) or np.abs(mesh.vertices).max() > FAR:
        raise FileError(f"{name}: has corners that are not numbers within -1e5 to 1e5 mm. {_WAY}")
    if (widest := float(np.ptp(mesh.vertices, axis=0).max())) < _SMALLEST:
        raise FileError(f"{name}: {widest:.3g} mm at its widest is no part: is the mesh in metres? Export it in millimetres.")
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    if not mesh.is_watertight:
        raise FileError(f"{name}: the mesh is not closed, so its sections have no area. Repair it first.")
    solids: list[Any] = []
    hollows: list[Any] = []
    for part in mesh.split(only_watertight=True):
        # sign of its volume, by determinants: where there is none, the library's own sum warns on the screen
        hollow = np.linalg.det(part.triangles - part.vertices.mean(axis=0)).sum() < 0.0
        faces = part.faces[:, ::-1] if hollow else part.faces
        one = manifold3d.Manifold(manifold3d.Mesh(part.vertices.astype(np.float32), faces.astype(np.uint32)))
        if one.status() != manifold3d.Error.NoError:
            raise FileError(f"{name}: the mesh crosses itself or is inside out. Repair it first.")
        (hollows if hollow else solids).append(one)
    # shells that overlap are one; shells inside out are hollows
    solid, inside = (manifold3d.Manifold.batch_boolean(shells, manifold3d.OpType.Add) for shells in (solids, hollows))
    solid -= inside
    if solid.volume() < 1e-9:
        raise FileError(f"{name}: the mesh has no volume, or is inside out. {_WAY}")
    return solid, *mesh.bounds[:, 2].tolist()


def _harmless(name: str, path: Path) -> None:
    """Refuse archives that unpack without bound, and XML with entities."""
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            size, packed = sum(e.file_size for e in entries), sum(e.compress_size for e in entries)
            if size > _LARGEST_UNPACKED or size > _MOST_PACKED * packed + 1_000_000 or len(entries) > _MOST_ENTRIES:
                raise FileError(f"{name}: unpacks to {size} bytes from {packed}: more than a part can be. {_WAY}")
            for entry in entries:
                if entry.filename.lower().endswith((".model", ".rels", ".xml")):
                    with archive.open(entry) as file:
                        text = file.read()
                    if re.search(rb"<!(doctype|entity)", text, re.IGNORECASE) or text.startswith((b"\xff\xfe", b"\xfe\xff")):
                        raise FileError(f"{name}: {clip(entry.filename)} declares entities, which a part never needs. {_WAY}")
    except FileError:
        raise
    except Exception as error:  # whatever a broken archive brings
        raise FileError(f"{name}: cannot be read as a .3mf archive ({type(error).__name__}). {_WAY}") from None
