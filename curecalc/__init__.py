"""Exposure settings for laser-scanned vat photopolymerization, from cure physics, with units and honest uncertainty.

What is public, by the job it serves. Each name stands at `curecalc.` and at its package: `curecalc.make_recipe` is
`curecalc.recipe.make_recipe`. Everything else may change without notice. Names load when first used.

CALCULATE (curecalc.formulas, curecalc.setting)
    Quantity, Measured, parse, parse_measured, show, to_json
    Beam, TopHatBeam, Scan, Resin, BleachingResin, PowerThresholdResin
    evaluate, evaluate_stack, solve and solve_... for each unknown, Limits, MonteCarloOptions: give Answer, StackAnswer, Solution
    depth_steps, solution_steps, stack_steps: an answer taken apart
    one formula each: beam_..., radius_..., scan_..., raster_..., cure_depth, exposure_for_depth, print_through, ...
KNOW THE BEAM (curecalc.spot, curecalc.jobs)
    measure_file, beam_power: give BeamMeasurement, PowerMeasurement; read_beam, beam_record, BeamRecord, write_beam_record
CALIBRATE A LOT (curecalc.calibration, curecalc.jobs)
    read_coupons (CouponSet of Coupon), fit_coupons, fit_working_curve: give Fit; fit_lots, LotFits;
    plan_coupons, Plan; compare_lots, lot_from_fit, LotComparison
    read_resin, save_fit, Lot
MAKE A RECIPE (curecalc.recipe, curecalc.jobs)
    read_machine, read_needs, make_recipe: give Machine, Needs (VectorNeeds), Recipe (VectorRecipe);
    retune (Retuned), process_window (Window), draw_depths, vector_steps
MAP REAL PATHS (curecalc.paths, curecalc.map)
    read_paths, open_paths, paths_from, study_paths, save_paths: Paths; exposure_field, part_field: give FieldAnswer
KEEP A LOGBOOK (curecalc.logbook)
    Logbook, shop_status (ShopState), drift_report (DriftReport), verify
TEACH (curecalc.lessons)
    Bench, invented_bench, lesson, Lesson, lesson_names, glossary
Pictures of all of these are drawn by curecalc.figures, each `NAME_figure(record)`; validate repeats every outside check.

>>> import curecalc
>>> from curecalc import Quantity as Q
>>> e = curecalc.scan_exposure(power=Q(20.0, "mW"), beam_radius=Q(100.0, "um"), scan_speed=Q(1.0, "m/s"))
>>> f"{e.m_as('mJ/cm^2'):.2f}"
'15.96'
"""

from __future__ import annotations

TYPE_CHECKING = False  # as typing has it; importing typing would double the time this module takes
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

__version__ = "0.2.0"

# package: module in it: public names
PUBLIC: dict[str, dict[str, str]] = {
    "units": {"": "Measured NoSolution Quantity QuantityError CurecalcError FileError parse parse_measured show to_json"},
    "formulas": {
        "resin": "BleachingResin PowerThresholdResin Resin bleaching_cure_depth bleaching_exposure_for_depth cure_depth exposure_at_depth "
        "exposure_for_depth initiation_rate penetration_depth_from_absorbance threshold_cure_depth threshold_exposure_for_depth",
        "beam": "Beam TopHatBeam beam_diameter beam_fwhm beam_irradiance defocus_for_radius enclosed_power perpendicular_radius radius_at "
        "radius_from_d4sigma radius_from_diameter radius_from_fwhm rayleigh_range top_hat_irradiance",
        "field": "footprint_factor fresnel_loss incidence_angle refraction_angle surface_speed transmission_ratio vertical_depth_factor",
        "scan": "Scan line_width power_for_depth scan_exposure scan_speed section_depth segment_exposure top_hat_exposure",
        "raster": "RasterExposure breakup_speed hatch_spacing_for_exposure light_limited_area_rate mean_exposure pulse_exposure "
        "raster_exposure raster_profile",
        "stack": "interface_exposure print_through stack_exposure",
    },
    "setting": {
        "answer": "Answer MonteCarloOptions evaluate",
        "layers": "StackAnswer evaluate_stack",
        "limits": "Limits",
        "solution": "Solution",
        "solving": "solve solve_beam_radius solve_hatch_spacing solve_layer_thickness solve_overcure solve_passes solve_power "
        "solve_scan_speed",
        "derivation": "depth_steps solution_steps stack_steps",
    },
    "spot": {"measure": "measure_file", "light": "PowerMeasurement beam_power", "measurement": "BeamMeasurement"},
    "calibration": {
        "coupons": "Coupon CouponSet read_coupons",
        "curve": "Fit fit_coupons fit_working_curve",
        "many": "LotFits fit_lots",
        "planning": "Plan plan_coupons",
        "comparing": "LotComparison compare_lots lot_from_fit",
    },
    "jobs": {
        "beam": "BeamRecord beam_record read_beam write_beam_record",
        "lot": "Lot read_resin",
        "fitted": "save_fit",
        "machine": "Machine read_machine",
        "needs": "Needs VectorNeeds read_needs",
    },
    "paths": {
        "reading": "read_paths",
        "stored": "open_paths",
        "study": "study_paths",
        "saving": "save_paths",
        "vectors": "Paths paths_from",
    },
    "map": {"answer": "FieldAnswer exposure_field part_field"},
    "recipe": {
        "recipe": "make_recipe",
        "record": "Recipe VectorRecipe",
        "retuning": "Retuned retune",
        "window": "Window process_window",
        "draws": "draw_depths",
        "steps": "vector_steps",
    },
    "logbook": {"book": "Logbook", "status": "ShopState shop_status", "drifting": "DriftReport drift_report", "verifying": "verify"},
    "lessons": {"bench": "Bench invented_bench", "telling": "Lesson glossary lesson lesson_names"},
    "figures": {
        "along": "along_figure",
        "section": "section_figure",
        "ripple": "ripple_figure",
        "setting_curve": "setting_curve_figure",
        "stack": "stack_figure",
        "spot": "spot_figure",
        "working_curve": "working_curve_figure",
        "comparison": "comparison_figure",
        "map": "map_figure part_figure",
        "window": "window_figure",
        "zones": "zones_figure",
        "drift": "drift_figure",
    },
    "validation": {"": "validate"},
}


def door(package: str) -> tuple[Callable[[str], Any], Callable[[], list[str]], list[str]]:
    """`__getattr__`, `__dir__` and `__all__` of a package (of all of them, for "") whose public names load when first used."""
    where = {
        name: ".".join(part for part in (__name__, room, module) if part)
        for room, modules in PUBLIC.items()
        if package in ("", room)
        for module, names in modules.items()
        for name in names.split()
    }

    def get(name: str) -> Any:
        from importlib import import_module
        from sys import modules

        if name not in where:
            owner = f"{__name__}.{package}" if package else __name__
            raise AttributeError(f"module {owner!r} has no attribute {name!r}")
        value = getattr(import_module(where[name]), name)
        setattr(modules[f"{__name__}.{package}" if package else __name__], name, value)
        return value

    return get, lambda: sorted(where), sorted(where)


__getattr__, __dir__, _names = door("")
__all__ = ["__version__", *_names]
