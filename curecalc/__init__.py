"""Exposure settings for laser-scanned vat photopolymerization, from cure physics, with units and honest uncertainty.

Names load when first used, so that `import curecalc` stays light.

>>> import curecalc
>>> from curecalc import Quantity as Q
>>> e = curecalc.scan_exposure(power=Q(20.0, "mW"), beam_radius=Q(100.0, "um"), scan_speed=Q(1.0, "m/s"))
>>> f"{e.m_as('mJ/cm^2'):.2f}"
'15.96'
"""

from __future__ import annotations

TYPE_CHECKING = False  # as typing has it; importing typing would double the time this module takes
if TYPE_CHECKING:
    from typing import Any

__version__ = "0.1.0"

# public name: the module that holds it
_WHERE = {
    "units": "units Measured NoSolution Quantity QuantityError CurecalcError FileError parse parse_measured show to_json",
    "formulas.resin": (
        "BleachingResin PowerThresholdResin Resin bleaching_cure_depth bleaching_exposure_for_depth cure_depth "
        "exposure_at_depth exposure_for_depth initiation_rate penetration_depth_from_absorbance threshold_cure_depth "
        "threshold_exposure_for_depth"
    ),
    "formulas.beam": (
        "Beam TopHatBeam beam_diameter beam_fwhm beam_irradiance defocus_for_radius enclosed_power perpendicular_radius radius_at "
        "radius_from_d4sigma radius_from_diameter radius_from_fwhm rayleigh_range top_hat_irradiance"
    ),
    "formulas.field": (
        "footprint_factor fresnel_loss incidence_angle refraction_angle surface_speed transmission_ratio vertical_depth_factor"
    ),
    "formulas.scan": ("Scan line_width power_for_depth scan_exposure scan_speed section_depth segment_exposure top_hat_exposure"),
    "formulas.raster": (
        "RasterExposure breakup_speed hatch_spacing_for_exposure light_limited_area_rate mean_exposure pulse_exposure "
        "raster_exposure raster_profile"
    ),
    "formulas.stack": "interface_exposure print_through stack_exposure",
    "setting.layers": "StackAnswer evaluate_stack",
    "setting.answer": "Answer MonteCarloOptions evaluate",
    "setting.limits": "Limits",
    "setting.solution": "Solution",
    "setting.solve": (
        "solve solve_beam_radius solve_hatch_spacing solve_layer_thickness solve_overcure solve_passes solve_power solve_scan_speed"
    ),
    "calibration.coupons": "Coupon read_coupons",
    "calibration.curve": "Fit fit_coupons fit_working_curve",
    "calibration.many": "LotFits fit_lots",
    "calibration.planning": "Plan plan_coupons",
    "calibration.comparing": "LotComparison compare_lots lot_from_fit",
    "jobs.resin_file": "LotResin read_resin save_fit",
    "validation": "validate",
}
_HOME = {name: module for module, names in _WHERE.items() for name in names.split() if name != module}

__all__ = ["__version__", *sorted(_HOME)]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name in _HOME:
        value = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
