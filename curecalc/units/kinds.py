"""Units and kinds of quantity: what kernels use, what people are shown, what they may write."""

from __future__ import annotations

import numbers
from dataclasses import dataclass
from typing import Any

import numpy as np
import pint
from pint import Quantity

from ..symbols import clip

__all__ = ["IN_CM2", "IN_UM", "KINDS", "Kind", "brief", "one_line", "unit_text"]

_registry: Any = pint.get_application_registry()

MM, UM, NM, M = (_registry.Unit(u) for u in ("mm", "um", "nm", "m"))
S, MINUTE, HOUR = (_registry.Unit(u) for u in ("s", "minute", "hour"))
MM_S, M_S, MM_S2 = (_registry.Unit(u) for u in ("mm/s", "m/s", "mm/s^2"))
MW, W = (_registry.Unit(u) for u in ("mW", "W"))
MJ = _registry.Unit("mJ")
MJ_MM2, MJ_CM2 = (_registry.Unit(u) for u in ("mJ/mm^2", "mJ/cm^2"))
MW_MM2 = _registry.Unit("mW/mm^2")
MM2, MM3, MM2_S, MM3_S = (_registry.Unit(u) for u in ("mm^2", "mm^3", "mm^2/s", "mm^3/s"))
HZ, DEG, RAD = (_registry.Unit(u) for u in ("Hz", "degree", "radian"))
DEGC, KELVIN = (_registry.Unit(u) for u in ("degC", "kelvin"))
G, G_CM3 = (_registry.Unit(u) for u in ("g", "g/cm^3"))
PER_MM = _registry.Unit("1/mm")
ONE, PERCENT = (_registry.Unit(u) for u in ("dimensionless", "percent"))

IN_UM = 1e3  # a kernel's mm as people read small lengths, in um
IN_CM2 = 100.0  # a kernel's mJ/mm^2 as people read exposures, in mJ/cm^2


@dataclass(frozen=True)
class Kind:
    """A kind of quantity: the unit kernels use, the unit people are shown, the spellings they may write."""

    name: str
    kernel: Any
    shown: Any
    shown_text: str
    spellings: dict[str, Any]
    example: str


def _kind(name: str, kernel: Any, shown: Any, shown_text: str, example: str, **more: Any) -> Kind:
    return Kind(name, kernel, shown, shown_text, {shown_text: shown} | more.pop("spellings"), example)


_u = _registry.Unit
_LENGTHS = {"mm": MM, "um": UM, "nm": NM, "cm": _u("cm"), "m": M, "mil": _u("thou"), "in": _u("inch")}
KINDS: dict[str, Kind] = {
    k.name: k
    for k in (
        _kind("length", MM, MM, "mm", "0.1 mm", spellings=_LENGTHS),
        _kind("wavelength", NM, NM, "nm", "355 nm", spellings={"nm": NM, "um": UM}),
        _kind("power", MW, MW, "mW", "300 mW", spellings={"mW": MW, "W": W, "uW": _u("uW")}),
        _kind(
            "speed",
            MM_S,
            MM_S,
            "mm/s",
            "2500 mm/s",
            spellings={"mm/s": MM_S, "m/s": M_S, "cm/s": _u("cm/s"), "um/s": _u("um/s"), "in/s": _u("inch/s")},
        ),
        _kind(
            "exposure",
            MJ_MM2,
            MJ_CM2,
            "mJ/cm^2",
            "11.5 mJ/cm^2",
            spellings={
                "mJ/cm^2": MJ_CM2,
                "mJ/mm^2": MJ_MM2,
                "J/cm^2": _u("J/cm^2"),
                "J/m^2": _u("J/m^2"),
                "kJ/m^2": _u("kJ/m^2"),
                "uJ/mm^2": _u("uJ/mm^2"),
                "uJ/cm^2": _u("uJ/cm^2"),
            },
        ),
        _kind(
            "irradiance",
            MW_MM2,
            MW_MM2,
            "mW/mm^2",
            "5 mW/mm^2",
            spellings={"mW/cm^2": _u("mW/cm^2"), "W/cm^2": _u("W/cm^2"), "W/m^2": _u("W/m^2")},
        ),
        _kind("energy", MJ, MJ, "mJ", "2 mJ", spellings={"mJ": MJ, "uJ": _u("uJ"), "J": _u("J")}),
        _kind("time", S, S, "s", "20 s", spellings={"s": S, "ms": _u("ms"), "us": _u("us"), "min": MINUTE, "h": HOUR, "d": _u("day")}),
        _kind("frequency", HZ, HZ, "Hz", "80 kHz", spellings={"Hz": HZ, "kHz": _u("kHz"), "MHz": _u("MHz")}),
        _kind("angle", RAD, DEG, "deg", "20 deg", spellings={"deg": DEG, "°": DEG, "rad": RAD, "mrad": _u("mrad")}),
        _kind("temperature", DEGC, DEGC, "degC", "25 degC", spellings={"degC": DEGC, "°C": DEGC, "K": KELVIN}),
        _kind("area", MM2, MM2, "mm^2", "400 mm^2", spellings={"mm^2": MM2, "cm^2": _u("cm^2"), "um^2": _u("um^2")}),
        _kind(
            "volume",
            MM3,
            MM3,
            "mm^3",
            "1200 mm^3",
            spellings={"mm^3": MM3, "cm^3": _u("cm^3"), "mL": _u("mL"), "ml": _u("mL"), "L": _u("L"), "l": _u("L")},
        ),
        _kind("mass", G, G, "g", "150 g", spellings={"g": G, "mg": _u("mg"), "kg": _u("kg")}),
        _kind(
            "density",
            G_CM3,
            G_CM3,
            "g/cm^3",
            "1.12 g/cm^3",
            spellings={"g/cm^3": G_CM3, "kg/m^3": _u("kg/m^3"), "g/mL": _u("g/mL"), "g/ml": _u("g/mL"), "kg/L": _u("kg/L")},
        ),
        _kind("acceleration", MM_S2, MM_S2, "mm/s^2", "2e6 mm/s^2", spellings={"mm/s^2": MM_S2, "m/s^2": _u("m/s^2")}),
        _kind("area_rate", MM2_S, MM2_S, "mm^2/s", "500 mm^2/s", spellings={"cm^2/s": _u("cm^2/s"), "cm^2/h": _u("cm^2/hour")}),
        _kind(
            "volume_rate",
            MM3_S,
            MM3_S,
            "mm^3/s",
            "50 mm^3/s",
            spellings={"mL/h": _u("mL/hour"), "ml/h": _u("mL/hour"), "cm^3/h": _u("cm^3/hour"), "L/h": _u("L/hour")},
        ),
        _kind("per_length", PER_MM, PER_MM, "1/mm", "0.2 1/mm", spellings={"1/cm": _u("1/cm"), "1/m": _u("1/m")}),
        _kind("number", ONE, ONE, "", "1.5", spellings={}),
        _kind("fraction", ONE, ONE, "", "5 %", spellings={"%": PERCENT}),
    )
}


_TEXT = {k.shown: k.shown_text for k in KINDS.values()} | {
    unit: text for k in KINDS.values() for text, unit in k.spellings.items() if not text.startswith(("ml", "l", "°"))
}


def unit_text(unit: Any) -> str:
    """The unit as people write it here, ASCII: mJ/cm^2, um, degC."""
    known = _TEXT.get(unit)
    return known if known is not None else f"{unit:~C}".replace("**", "^").replace("*", " ").replace("µ", "u")


def brief(value: Quantity) -> str:
    """A quantity as it may be shown in a message."""
    if np.ndim(value.m):
        return f"an array in {unit_text(value.units) or 'no unit'}"
    return f"{value.m:g} {unit_text(value.units)}".rstrip() if isinstance(value.m, numbers.Real) else clip(str(value))


def one_line(error: Exception) -> str:
    """An error's own words on one line without a full stop."""
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__
