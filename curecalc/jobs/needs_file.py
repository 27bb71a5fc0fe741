"""The needs file: layer, kinds of vector, how deep and how surely each must cure, and what may not be exceeded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..files.documents import Document, Field, Schema, read_document, starting_text
from ..units import MM, MM_S, MW, show
from .needs import Needs, VectorNeeds

__all__ = ["NEEDS", "needs_from_document", "read_needs", "starting_needs"]


def _length(help: str = "", **more: Any) -> Field:
    return Field("length", help=help, **more)


_ASSURANCE = Field("fraction", low=0.5, high=0.9999, example='"95 %"', help="How surely the depth is reached: one-sided confidence.")
_VECTOR = {
    "kind": Field("text", required=True, help="Your name for it: contour, hatch, support, down-facing, first layers.", example='"hatch"'),
    "pattern": Field("choice", required=True, choices=("line", "raster"), help="Lines, or lines filling an area.", example='"raster"'),
    "overcure": _length(
        "Depth beyond the layer (bond). It may be 0 or below for a down-facing kind, which has nothing to bond to.",
        rule="finite",
        example='"0.08 mm"',
    ),
    "cure_depth": _length("Depth from the surface, instead of overcure.", example='"0.18 mm"'),
    "assurance": Field("fraction", low=0.5, high=0.9999, example='"99 %"', help="Instead of the assurance above."),
    "passes": Field("whole", minimum=1, example="1", help="Equal passes. Left out: 1, or more where the least speed asks for it."),
    "cross_hatch": Field("boolean", default=False, example="true", help="A second raster square to the first."),
    "track_angle": Field(
        "angle",
        rule="finite",
        example='"0 deg"',
        help="Of the lines to the machine's x axis. Left out, an elliptical spot holds in all directions.",
    ),
    "power": Field("power", example='"200 mW"', help="Given instead of chosen; also beam_radius, hatch_spacing, scan_speed."),
    "beam_radius": _length(example='"0.1 mm"'),
    "hatch_spacing": _length(example='"0.1 mm"'),
    "scan_speed": Field("speed", example='"2000 mm/s"'),
    "power_max": Field("power", example='"300 mW"', help="Narrower limits than the machine's."),
    "beam_radius_min": _length(example='"0.06 mm"'),
    "beam_radius_max": _length(example='"0.1 mm"'),
    "hatch_spacing_min": _length(example='"0.05 mm"'),
    "hatch_spacing_max": _length(example='"0.15 mm"'),
    "scan_speed_max": Field("speed", example='"5000 mm/s"'),
    "ripple_max": _length("Largest difference of depth between ridge and valley.", example='"0.01 mm"'),
    "overcure_max": _length("Largest overcure of the weakest place.", rule="finite", example='"0.25 mm"'),
    "print_through_max": _length("Most solid below a down-facing face, after the layers above.", rule="finite", example='"0.25 mm"'),
    "line_width_min": _length("Of a single line at the surface.", example='"0.1 mm"'),
    "line_width_max": _length(example='"0.2 mm"'),
    "width_accuracy": _length("Expanded uncertainty (coverage factor 2) the line width may have.", example='"0.02 mm"'),
    "vector_length": _length("Typical length; the time at the ends of vectors then counts.", example='"40 mm"'),
    "hold_at_field_edge": Field(
        "boolean",
        default=False,
        example="true",
        help="Aim deeper, so that the far corner of the field, where the beam is tilted, still gets the depth.",
    ),
    "area": Field("area", rule="nonnegative", example='"4000 mm^2"', help="Filled by this kind in a typical layer, for the build rate."),
    "total_length": _length("Of all lines of this kind in a typical layer, for the build rate.", rule="nonnegative", example='"600 mm"'),
    "count": Field("whole", minimum=0, example="120", help="Vectors of this kind in a typical layer; left out, from vector_length."),
    "down_facing": Field("boolean", default=False, example="true", help="The underside of these layers is a face of the part."),
}
NEEDS = Schema(
    "needs",
    {
        "name": Field("text", required=True, help="Shown on the sheet.", example='"brackets, 0.1 mm layers"'),
        "layer_thickness": _length(required=True, help="Of all layers.", example='"0.1 mm"'),
        "assurance": Field("fraction", low=0.5, high=0.9999, default=0.95, example='"95 %"', help=_ASSURANCE.help),
        "assured_for": Field(
            "choice",
            choices=("single layer", "mean"),
            default="single layer",
            example='"single layer"',
            help="Whether each single layer, or the mean of many, reaches its depth with that assurance.",
        ),
        "temperature": Field("temperature", help="Of the resin in the vat.", example='"25 degC"'),
        "layers_above": Field("whole", minimum=1, help="On a down-facing face; left out, many.", example="50"),
        "part_height": _length("For the time of the whole build.", example='"60 mm"'),
        "vectors": Field("tables", required=True, minimum=1, fields=_VECTOR, exactly_one=(("overcure", "cure_depth"),)),
    },
    help="What a job needs: layer thickness, kinds of vector, depth, assurance, and what may not be exceeded.\n"
    "Each [[vectors]] is one kind. Power, beam, spacing and speed are chosen where they are not given.",
    check=lambda document: _check(document),
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
print_through_max = "0.35 mm"
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
    live = {"part_height": '"60 mm"', "assurance": '"95 %"', "assured_for": '"single layer"', "temperature": '"25 degC"'}
    text = starting_text(NEEDS, values=live)
    head, _, vector = text.rpartition("\n[[vectors]]\n")
    keys = "".join(f"# {line}\n" if not line.startswith("#") and line else f"{line}\n" for line in vector.splitlines())
    return f"{head.rstrip()}\n\n# Keys of [[vectors]]; five kinds to start from stand below.\n\n{keys.rstrip()}\n{_STARTING_KINDS}"


def read_needs(path: str | Path) -> Needs:
    """The needs in a file.

    Raises
    ------
    FileError
        Unreadable, unknown or missing key, values that disagree.
    """
    return needs_from_document(read_document(path, NEEDS))


def _rounded(one: dict[str, Any]) -> dict[str, Any]:
    """99 % is 0.99, not 0.9900000000000001."""
    return one if one["assurance"] is None else {**one, "assurance": round(one["assurance"], 12)}


def needs_from_document(document: Document) -> Needs:
    """The needs of a document already read with the schema `NEEDS`."""
    v = document.values
    return Needs(
        name=v["name"],
        layer_thickness=v["layer_thickness"],
        assurance=round(v["assurance"], 12),
        single_layer=v["assured_for"] == "single layer",
        temperature=v["temperature"],
        layers_above=v["layers_above"],
        part_height=v["part_height"],
        vectors=tuple(VectorNeeds(**_rounded(one), place=i) for i, one in enumerate(v["vectors"])),
        path=document.path,
        sha256=document.sha256,
        text=document.text,
        lines=document.lines,
    )


_PAIRS = (("beam_radius", MM), ("hatch_spacing", MM), ("scan_speed", MM_S), ("power", MW))


def _check(document: Document) -> None:
    thickness = float(document["layer_thickness"].m_as(MM))
    if not 1e-3 <= thickness <= 2.0:
        raise document.error(
            "layer_thickness", f"of {show(document['layer_thickness'])} is outside 1 um to 2 mm. Check the unit and the decimal point."
        )
    seen: dict[str, int] = {}
    for i, one in enumerate(document["vectors"]):
        name = one["kind"].strip().lower()
        if name in seen:
            raise document.error(("vectors", i, "kind"), f"{one['kind']!r} stands twice. Give each kind its own name.")
        seen[name] = i
        _check_vector(document, i, one, thickness)


def _check_vector(document: Document, i: int, one: dict[str, Any], thickness: float) -> None:
    def wrong(key: str, message: str) -> None:
        raise document.error(("vectors", i, key), message)

    if one["pattern"] == "line":
        for key in ("hatch_spacing", "hatch_spacing_min", "hatch_spacing_max"):
            if one[key] is not None:
                wrong(key, 'is for pattern = "raster"; this kind is single lines. Leave it out, or change the pattern.')
        if one["cross_hatch"]:
            wrong("cross_hatch", 'is for pattern = "raster"; this kind is single lines. Leave it out, or change the pattern.')
        if one["area"] is not None:
            wrong("area", 'is for pattern = "raster"; give total_length for single lines.')
        if one["ripple_max"] is not None:
            wrong("ripple_max", 'is for pattern = "raster"; a single line has none. Leave it out, or change the pattern.')
    else:
        if one["total_length"] is not None:
            wrong("total_length", 'is for pattern = "line"; give area for a raster.')
        for key in ("line_width_min", "line_width_max", "width_accuracy"):
            if one[key] is not None:
                wrong(key, 'is for pattern = "line"; this kind is a raster. Leave it out, or change the pattern.')
    depth = one["cure_depth"].m_as(MM) if one["cure_depth"] is not None else thickness + one["overcure"].m_as(MM)
    key = "cure_depth" if one["cure_depth"] is not None else "overcure"
    if depth <= 0.0:
        wrong(key, f"leaves a depth of {depth:.4g} mm: layer_thickness plus overcure must be above zero. Ask for more overcure.")
    if depth > 50.0 * thickness:
        wrong(key, f"makes a depth of {depth:.4g} mm, more than 50 layers of {thickness:.4g} mm. Check the unit and the decimal point.")
    for name, unit in _PAIRS:
        given, low, high = one[name], one.get(f"{name}_min"), one.get(f"{name}_max")
        for end, bound in (("min", low), ("max", high)):
            if given is not None and bound is not None:
                wrong(f"{name}_{end}", f"stands beside {name}, which fixes the value. Leave one of the two out.")
        if low is not None and high is not None and low.m_as(unit) > high.m_as(unit):
            wrong(f"{name}_max", f"must not be below {name}_min ({show(low)}), got {show(high)}. Exchange the two.")
    low, high = one["line_width_min"], one["line_width_max"]
    if low is not None and high is not None and low.m_as(MM) > high.m_as(MM):
        wrong("line_width_max", f"must not be below line_width_min ({show(low)}), got {show(high)}. Exchange the two.")
    if one["overcure_max"] is not None and one["overcure_max"].m_as(MM) < depth - thickness:
        wrong(
            "overcure_max",
            f"of {show(one['overcure_max'])} is less than the overcure asked for, {depth - thickness:.4g} mm. Raise it, or ask for less.",
        )
    if one["print_through_max"] is not None and not one["down_facing"]:
        wrong("print_through_max", "is for kinds with down_facing = true. Add that line, or leave this one out.")
