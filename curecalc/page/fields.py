"""Fields of the page: what they are called, what a slider may reach, how the address is read into values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from .. import units
from ..errors import QuantityError
from ..formulas.beam import Beam
from ..lessons.bench import Bench
from ..symbols import renamed
from ..units import KINDS, ONE, Measured, Quantity, figure, show_percent

if TYPE_CHECKING:
    from ..recipe.record import VectorRecipe

__all__ = ["FIELDS", "SPOT_WIDTHS", "Field", "State", "plainly", "read", "start_texts"]

LONGEST = 2000  # characters of a text that are read: a whole setting kept beside another has fewer
SPOT_WIDTHS = {"radius": "radius at 1/e^2", "diameter": "diameter at 1/e^2", "fwhm": "full width at half maximum"}


@dataclass(frozen=True)
class Field:
    """One quantity people can set: by typing a number and a unit, or by its slider on an even or a ratio scale."""

    name: str
    label: str
    kind: str
    low: float | None = None  # ends of its slider, where it has one
    high: float | None = None
    note: str = ""
    rule: str = "positive"
    uncertain: bool = True
    even: bool = False

    @property
    def unit(self) -> str:
        """Unit of the slider, and of a value it writes."""
        return KINDS[self.kind].shown_text

    @property
    def scales(self) -> dict[str, float]:
        """What one of each unit people may write is in the slider's unit."""
        k = KINDS[self.kind]
        return {text: float(Quantity(1.0, unit).m_as(k.shown)) for text, unit in k.spellings.items() if text}


FIELDS: dict[str, Field] = {
    f.name: f
    for f in (
        Field("power", "Power at the surface", "power", 5.0, 2000.0),
        Field("spot", "Spot width", "length", 0.02, 0.6),
        Field("radius_ratio", "Radius y over radius x", "number", 0.2, 5.0, uncertain=False),
        Field("spot_angle", "Angle of the spot", "angle", -90.0, 90.0, rule="finite", uncertain=False, even=True),
        Field("track_angle", "Direction of the tracks", "angle", -90.0, 90.0, rule="finite", uncertain=False, even=True),
        Field("pulse_rate", "Pulse rate", "frequency", 1e3, 1e6, uncertain=False),
        Field("scan_speed", "Scan speed", "speed", 50.0, 20000.0),
        Field("hatch_spacing", "Hatch spacing", "length", 0.01, 0.6),
        Field("passes", "Passes", "number", 1.0, 10.0, rule="count", uncertain=False, even=True),
        Field("layer_thickness", "Layer thickness", "length", 0.01, 0.4),
        Field("overcure", "Overcure wanted", "length", -0.05, 0.3, rule="finite", uncertain=False, even=True),
        Field("penetration_depth", "Penetration depth", "length", 0.01, 0.6, note="Dp"),
        Field("critical_exposure", "Critical exposure", "exposure", 0.5, 120.0, note="Ec"),
        Field("layer", "Layer", "number", rule="nonnegative", uncertain=False),
        Field("x", "Centre x", "length", rule="finite", uncertain=False),
        Field("y", "Centre y", "length", rule="finite", uncertain=False),
        Field("across", "Width of the view", "length", uncertain=False),
        Field("speed_factor", "All speeds times", "number", 0.25, 4.0, uncertain=False),
        Field("layers", "Layers in all", "number", rule="count", uncertain=False),
    )
}


@dataclass
class State:
    """What the address says: the texts as typed, values read from them, and what could not be read."""

    texts: dict[str, str]
    values: dict[str, Any] = field(default_factory=dict)
    problems: dict[str, str] = field(default_factory=dict)

    @property
    def good(self) -> bool:
        """Whether everything could be read."""
        return not self.problems


def start_texts(bench: Bench, chosen: VectorRecipe | None = None, *, beam: Beam | None = None) -> dict[str, str]:
    """The texts a fresh page shows: those of the bench, at the settings of a recipe's vector where there is one.

    `beam` is the machine's, elliptical where it is; the bench's own is round.
    """
    from ..lessons.numbers import raster_speed

    beam = bench.beam if beam is None else beam

    def told(given: Any, unit: str) -> str:
        spread = units.measured(given)
        text = f"{figure(float(spread.value.m_as(unit)), digits=4)} {unit}"
        known = not float(spread.standard_uncertainty.m) > 0.0
        return text if known else f"{text} +- {show_percent(spread.relative)}"

    def size(given: Any) -> Quantity:
        return units.measured(given).value

    def like(value: Quantity, known: Any) -> Measured:
        return Measured(value, value * float(units.measured(known).relative))

    texts = {
        "power": told(beam.power, "mW"),
        "spot": told(beam.radius_x, "mm"),
        "spot_as": "radius",
        "radius_ratio": "1" if beam.round else figure(float((size(beam.radius_y) / size(beam.radius_x)).m_as(ONE)), digits=6),
        "spot_angle": told(beam.angle, "deg"),
        "track_angle": "0 deg",
        "pulse_rate": "" if beam.pulse_rate is None else told(beam.pulse_rate, "Hz"),
        "pattern": "raster",
        "hatch_spacing": told(bench.hatch_spacing, "mm"),
        "passes": "1",
        "crossed": "",
        "layer_thickness": told(bench.layer_thickness, "mm"),
        "overcure": told(bench.overcure, "mm"),
        "penetration_depth": told(bench.resin.penetration_depth, "mm"),
        "critical_exposure": told(bench.resin.critical_exposure, "mJ/cm^2"),
        "layers": "",
        "beside": "",
    }
    if chosen is None:
        return texts | {"scan_speed": told(raster_speed(bench), "mm/s")}
    spacing = {} if chosen.hatch_spacing is None else {"hatch_spacing": told(chosen.hatch_spacing, "mm")}
    return (
        texts
        | spacing
        | {
            "power": told(like(chosen.power, beam.power), "mW"),
            "spot": told(like(chosen.beam_radius, beam.radius_x), "mm"),
            "track_angle": told(chosen.weakest_track, "deg"),
            "pattern": chosen.pattern,
            "scan_speed": told(chosen.scan_speed, "mm/s"),
            "passes": str(chosen.passes),
            "crossed": "yes" if chosen.cross_hatch else "",
        }
    )


def read(query: Mapping[str, str], start: Mapping[str, str], names: list[str]) -> State:
    """The state of an address: given texts over the starting ones, each read and checked by the library's own rules."""
    known = {name: text for name, text in query.items() if name in start or name in FIELDS}
    state = State({name: text[:LONGEST] for name, text in {**start, **known}.items()})
    for name in names:
        one = FIELDS[name]
        text = state.texts.get(name, "").strip()
        try:
            state.values[name] = _value(one, text)
        except QuantityError as error:
            state.problems[name] = renamed(str(error), {name: one.label})
    return state


@lru_cache
def _value(one: Field, text: str) -> Any:
    """The value of a text; all fields but the one that moves stay as they were, so most were read before."""
    if one.rule == "count":
        number = float(units.parse(one.name, text, "number").m)
        return units.count(one.name, number)
    unit = KINDS[one.kind].kernel
    if one.uncertain:
        value = units.parse_measured(one.name, text, one.kind)
        getattr(units, one.rule)(one.name, value.value, unit)
        return value
    plain = units.parse(one.name, text, one.kind)
    getattr(units, one.rule)(one.name, plain, unit)
    return plain


def plainly(message: str) -> str:
    """A sentence of the library with the labels people see in place of the names of arguments."""
    return renamed(message, {name: one.label.lower() for name, one in FIELDS.items()})
