"""The boundary between people and floats: quantities, checks, reading and showing.

This is the only room that imports pint. Public functions take and return quantities; inside, plain float64 numbers in
the lab set mm, s, mW, mJ carry the physics (the set is coherent: mW s = mJ, mW/(mm mm/s) = mJ/mm^2).
"""

from pint import Quantity, Unit

from ..errors import CurecalcError, FileError, NoSolution, QuantityError
from .checks import Measured, count, finite, measured, measured_field, nonnegative, positive, ratio
from .kinds import (
    DEG,
    DEGC,
    G_CM3,
    HOUR,
    HZ,
    KELVIN,
    KINDS,
    M_S,
    MINUTE,
    MJ,
    MJ_CM2,
    MJ_MM2,
    MM,
    MM2,
    MM2_S,
    MM3,
    MM3_S,
    MM_S,
    MM_S2,
    MW,
    MW_MM2,
    NM,
    ONE,
    PER_MM,
    PERCENT,
    RAD,
    UM,
    G,
    Kind,
    M,
    S,
    W,
    unit_text,
)
from .reading import parse, parse_measured
from .showing import Shown, figure, from_json, kind_of, show, show_kernel, to_json

__all__ = [
    "DEG", "DEGC", "G", "G_CM3", "HOUR", "HZ", "KELVIN", "KINDS", "M", "MINUTE", "MJ", "MJ_CM2", "MJ_MM2", "MM",
    "MM2", "MM2_S", "MM3", "MM3_S", "MM_S", "MM_S2", "MW", "MW_MM2", "M_S", "NM", "ONE", "PERCENT", "PER_MM", "RAD",
    "S", "UM", "W", "CurecalcError", "FileError", "Kind", "Measured", "NoSolution", "Quantity", "QuantityError", "Shown", "Unit",
    "count", "figure", "finite", "from_json", "kind_of", "measured", "measured_field", "nonnegative", "parse", "parse_measured",
    "positive", "ratio", "show", "show_kernel", "to_json", "unit_text",
]  # fmt: skip
