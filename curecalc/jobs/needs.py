"""What a job needs and its file: layer, kinds of vector, how deep and how surely each must cure, and what may not be exceeded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self

from ..files.places import KeyPath
from ..files.records import Key, Origin, RecordFile, documented
from ..units import MM, Quantity, Shown, show, to_json

__all__ = ["NEEDS", "Needs", "VectorNeeds", "read_needs", "starting_needs"]

_length = partial(Key, "length")
_assurance = partial(Key, "fraction", low=0.5, high=0.9999)
_flag = partial(Key, "boolean", example="true")
_GIVEN = ("beam_radius", "hatch_spacing", "scan_speed", "power")
_OF_RASTERS = ("hatch_spacing", "hatch_spacing_min", "hatch_spacing_max", "cross_hatch", "area", "ripple_max")
_OF_LINES = ("total_length", "line_width_min", "line_width_max", "width_accuracy")
_CHANGE = "Leave it out, or change the pattern."
_SLIP = "Check the unit and the decimal point."


@documented
@dataclass(frozen=True, kw_only=True)
class VectorNeeds(Shown):
    """One kind of vector: quantities as written, None where not given; `place` counts the kinds of a file from 0."""

    EXACTLY_ONE: ClassVar = (("overcure", "cure_depth"),)

    kind: Annotated[str, Key("text", "Your name for it: contour, hatch, support, down-facing, first layers.", "hatch")]
    pattern: Annotated[str, Key("choice", "Lines, or lines filling an area.", "raster", choices=("line", "raster"))]
    overcure: Annotated[
        Quantity | None,
        _length(
            "Depth beyond the layer (bond). It may be 0 or below for a down-facing kind, which has nothing to bond to.",
            "0.08 mm",
            rule="finite",
        ),
    ] = None
    cure_depth: Annotated[Quantity | None, _length("Depth from the surface, instead of overcure.", "0.18 mm")] = None
    assurance: Annotated[float | None, _assurance("Instead of the assurance above.", "99 %")] = None
    passes: Annotated[int | None, Key("whole", "Equal passes. Left out: 1, or more where the least speed asks for it.", "1", minimum=1)] = (
        None
    )
    cross_hatch: Annotated[bool, _flag("A second raster square to the first.")] = False
    track_angle: Annotated[
        Quantity | None,
        Key("angle", "Of the lines to the machine's x axis. Left out, an elliptical spot holds in all directions.", "0 deg", rule="finite"),
    ] = None
    power: Annotated[Quantity | None, Key("power", "Given instead of chosen; also beam_radius, hatch_spacing, scan_speed.", "200 mW")] = (
        None
    )
    beam_radius: Annotated[Quantity | None, _length(example="0.1 mm")] = None
    hatch_spacing: Annotated[Quantity | None, _length(example="0.1 mm")] = None
    scan_speed: Annotated[Quantity | None, Key("speed", example="2000 mm/s")] = None
    power_max: Annotated[Quantity | None, Key("power", "Narrower limits than the machine's.", "300 mW")] = None
    beam_radius_min: Annotated[Quantity | None, _length(example="0.06 mm")] = None
    beam_radius_max: Annotated[Quantity | None, _length(example="0.1 mm")] = None
    hatch_spacing_min: Annotated[Quantity | None, _length(example="0.05 mm")] = None
    hatch_spacing_max: Annotated[Quantity | None, _length(example="0.15 mm")] = None
    scan_speed_max: Annotated[Quantity | None, Key("speed", example="5000 mm/s")] = None
    ripple_max: Annotated[Quantity | None, _length("Largest difference of depth between ridge and valley.", "0.01 mm")] = None
    overcure_max: Annotated[Quantity | None, _length("Largest overcure of the weakest place.", "0.25 mm", rule="finite")] = None
    print_through_max: Annotated[
        Quantity | None, _length("Most solid below a down-facing face, after the layers above.", "0.25 mm", rule="finite")
    ] = None
    line_width_min: Annotated[Quantity | None, _length("Of a single line at the surface.", "0.1 mm")] = None
    line_width_max: Annotated[Quantity | None, _length(example="0.2 mm")] = None
    width_accuracy: Annotated[Quantity | None, _length("Expanded uncertainty (coverage factor 2) the line width may have.", "0.02 mm")] = (
        None
    )
    vector_length: Annotated[Quantity | None, _length("Typical length; the time at the ends of vectors then counts.", "40 mm")] = None
    hold_at_field_edge: Annotated[
        bool, _flag("Aim deeper, so that the far corner of the field, where the beam is tilted, still gets the depth.")
    ] = False
    area: Annotated[
        Quantity | None, Key("area", "Filled by this kind in a typical layer, for the build rate.", "4000 mm^2", rule="nonnegative")
    ] = None
    total_length: Annotated[
        Quantity | None, _length("Of all lines of this kind in a typical layer, for the build rate.", "600 mm", rule="nonnegative")
    ] = None
    count: Annotated[
        int | None, Key("whole", "Vectors of this kind in a typical layer; left out, from vector_length.", "120", minimum=0)
    ] = None
    down_facing: Annotated[bool, _flag("The underside of these layers is a face of the part.")] = False
    place: int = 0

    @property
    def raster(self) -> bool:
        """Whether parallel lines fill an area."""
        return self.pattern == "raster"

    def depth(self, thickness: float) -> float:
        """The depth asked for in a layer of this thickness, both in mm."""
        if self.cure_depth is not None:
            return float(self.cure_depth.m_as(MM))
        assert self.overcure is not None
        return thickness + float(self.overcure.m_as(MM))

    def misfits(self, thickness: float) -> Iterator[tuple[str, str]]:
        """What disagrees within this kind, for layers of a thickness in mm: the field and a sentence."""
        for key in _OF_LINES if self.raster else _OF_RASTERS:
            if getattr(self, key) not in (None, False):
                yield key, _of_the_other(key)
        depth, named = self.depth(thickness), "overcure" if self.cure_depth is None else "cure_depth"
        if depth <= 0.0:
            yield named, f"leaves a depth of {depth:.4g} mm: layer_thickness plus overcure must be above zero. Ask for more overcure."
        if depth > 50.0 * thickness:
            yield named, f"makes a depth of {depth:.4g} mm, more than 50 layers of {thickness:.4g} mm. {_SLIP}"
        for name in (*_GIVEN, "line_width"):
            low, high = (getattr(self, f"{name}_{end}", None) for end in ("min", "max"))
            for end, bound in (("min", low), ("max", high)):
                if bound is not None and getattr(self, name, None) is not None:
                    yield f"{name}_{end}", f"stands beside {name}, which fixes the value. Leave one of the two out."
            if low is not None and high is not None and low > high:
                yield f"{name}_max", f"must not be below {name}_min ({show(low)}), got {show(high)}. Exchange the two."
        if self.overcure_max is not None and self.overcure_max.m_as(MM) < depth - thickness - 1e-9:  # rounding is no overcure
            more = f"is less than the overcure asked for, {depth - thickness:.4g} mm. Raise it, or ask for less."
            yield "overcure_max", f"of {show(self.overcure_max)} {more}"
        if self.print_through_max is not None and not self.down_facing:
            yield "print_through_max", "is for kinds with down_facing = true. Add that line, or leave this one out."


def _of_the_other(key: str) -> str:
    """Why a key does not suit the pattern."""
    if key == "area":
        return 'is for pattern = "raster"; give total_length for single lines.'
    if key == "total_length":
        return 'is for pattern = "line"; give area for a raster.'
    if key in _OF_LINES:
        return f'is for pattern = "line"; this kind is a raster. {_CHANGE}'
    return f'is for pattern = "raster"; {"a single line has none" if key == "ripple_max" else "this kind is single lines"}. {_CHANGE}'


@documented
@dataclass(frozen=True, kw_only=True)
class Needs(Origin):
    """A job's needs as the file states them."""

    name: Annotated[str, Key("text", "Shown on the sheet.", "brackets, 0.1 mm layers")]
    layer_thickness: Annotated[Quantity, _length("Of all layers.", "0.1 mm")]
    assurance: Annotated[float, _assurance("How surely the depth is reached: one-sided confidence.", "95 %", start=True)] = 0.95
    assured_for: Annotated[
        str,
        Key(
            "choice",
            "Whether each single layer, or the mean of many, reaches its depth with that assurance.",
            "single layer",
            choices=("single layer", "mean"),
            start=True,
        ),
    ] = "single layer"
    limits_by: Annotated[
        str,
        Key(
            "choice",
            "Whether upper limits (print-through, ripple, width, overcure) hold with the same assurance, or by the expected value.",
            "assurance",
            choices=("assurance", "expected value"),
        ),
    ] = "assurance"
    power_reserve: Annotated[
        float,
        Key(
            "fraction",
            "Share of the power that may be lost before the depth is no longer assured; the fastest settings keep none.",
            "5 %",
            rule="nonnegative",
            high=0.5,
        ),
    ] = 0.0
    speed_reached: Annotated[
        float, Key("fraction", "Least share of a vector that must be at full speed.", "50 %", rule="nonnegative", high=0.99)
    ] = 0.5
    judged_from: Annotated[
        float, Key("number", "Places are judged from so many beam radii inside each end of a vector.", "1", rule="nonnegative", high=10.0)
    ] = 1.0
    temperature: Annotated[Quantity | None, Key("temperature", "Of the resin in the vat.", "25 degC", start=True)] = None
    layers_above: Annotated[int | None, Key("whole", "On a down-facing face; left out, many.", "50", minimum=1)] = None
    part_height: Annotated[Quantity | None, _length("For the time of the whole build.", "60 mm", start=True)] = None
    vectors: Annotated[tuple[VectorNeeds, ...], Key("tables", minimum=1, of=VectorNeeds)]

    @property
    def single_layer(self) -> bool:
        """Whether each single layer, not only the mean of many, is to reach its depth."""
        return self.assured_for == "single layer"

    def to_dict(self) -> dict[str, Any]:
        """What sheets show of the needs."""
        return {
            "name": self.name,
            "layer_thickness": to_json(self.layer_thickness),
            "assurance": self.assurance,
            "assured_for": self.assured_for,
            "path": self.path,
            "sha256": self.sha256,
        }

    def problems(self) -> Iterator[tuple[str | KeyPath, str]]:
        """What disagrees between fields."""
        thickness = float(self.layer_thickness.m_as(MM))
        if not 1e-3 <= thickness <= 2.0:
            yield "layer_thickness", f"of {show(self.layer_thickness)} is outside 1 um to 2 mm. {_SLIP}"
        seen = set()
        for i, one in enumerate(self.vectors):
            name = one.kind.strip().lower()
            if name in seen:
                yield ("vectors", i, "kind"), f"{one.kind!r} stands twice. Give each kind its own name."
            seen.add(name)
            yield from ((("vectors", i, key), message) for key, message in one.misfits(thickness))

    def completed(self) -> Self:
        """With the kinds counted, and shares of assurance as they were written."""
        vectors = (replace(one, place=i, assurance=one.assurance and _written(one.assurance)) for i, one in enumerate(self.vectors))
        return replace(self, assurance=_written(self.assurance), vectors=tuple(vectors))


def _written(share: float) -> float:
    """57 % as 0.57, not 0.5700000000000001."""
    return round(share, 12)


NEEDS = RecordFile(
    Needs,
    "needs",
    help="What a job needs: layer thickness, kinds of vector, depth, assurance, and what may not be exceeded.\n"
    "Each [[vectors]] is one kind. Power, beam, spacing and speed are chosen where they are not given.",
)

_STARTING_KINDS = """
# Hatch: fills the area; its weakest place, half-way between two lines, bonds to the layer below.
[[vectors]]
kind = "hatch"
pattern = "raster"
overcure = "0.08 mm"
ripple_max = "0.01 mm"
vector_length = "40 mm"
area = "4000 mm^2"

# Contour: outlines; a fine line whose width is held.
[[vectors]]
kind = "contour"
pattern = "line"
overcure = "0.08 mm"
line_width_max = "0.2 mm"
width_accuracy = "0.04 mm"
vector_length = "10 mm"
total_length = "600 mm"

# Down-facing: nothing to bond to below, so it need not be deeper than its layer.
[[vectors]]
kind = "down-facing"
pattern = "raster"
overcure = "0 mm"
down_facing = true
print_through_max = "0.6 mm"
ripple_max = "0.01 mm"
vector_length = "40 mm"

# Support: lines, bonded more surely.
[[vectors]]
kind = "support"
pattern = "line"
overcure = "0.1 mm"
assurance = "99 %"
vector_length = "5 mm"

# First layers: deep, to hold on to the platform.
[[vectors]]
kind = "first layers"
pattern = "raster"
overcure = "0.2 mm"
ripple_max = "0.02 mm"
vector_length = "40 mm"
"""


def starting_needs() -> str:
    """A commented needs file to start from, with five kinds of vector."""
    head, _, vector = NEEDS.start().rpartition("\n[[vectors]]\n")
    keys = "".join(f"# {line}\n" if not line.startswith("#") and line else f"{line}\n" for line in vector.splitlines())
    return f"{head.rstrip()}\n\n# Keys of [[vectors]]; five kinds to start from stand below.\n\n{keys.rstrip()}\n{_STARTING_KINDS}"


def read_needs(path: str | Path) -> Needs:
    """The needs in a file.

    Raises
    ------
    FileError
        Unreadable, unknown or missing key, values that disagree.
    """
    return NEEDS.read(path)
