"""Any one unknown from the others: speed, power, spacing, radius, passes, layer thickness, overcure.

All ask that the weakest place (axis of a line, valley of a raster) reaches a depth. Closed form where it exists,
bracketed root otherwise; all answers that exist come back, and where none does, `NoSolution` says why and what would help.
"""

from .case import Solution
from .layer import solve_layer_thickness, solve_overcure
from .light import solve_power, solve_scan_speed
from .limits import Limits
from .pattern import solve_beam_radius, solve_hatch_spacing, solve_passes

__all__ = ["Limits", "Solution", "solve_beam_radius", "solve_hatch_spacing", "solve_layer_thickness", "solve_overcure",
           "solve_passes", "solve_power", "solve_scan_speed"]  # fmt: skip
