"""The invented scenario: a machine and a resin that do not exist, from settings to figures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..formulas.scan import Scan
from ..lessons.bench import invented_bench
from ..symbols import percent
from ..units import Quantity, show

__all__ = ["calibrate_demo_lot", "speed_demo"]


def calibrate_demo_lot(folder: Path) -> str:
    """Plan, fit, diagnose, read again, compare with the earlier lot, save; returns the text to print.

    The coupon tables are invented with a stated truth (`calibration.invented`); a mis-measured coupon and a typing slip
    are found, and both are kept in the files beside the readings taken again.
    """
    from ..calibration.comparing import compare_lots, lot_from_fit
    from ..calibration.coupons import read_coupons
    from ..calibration.curve import fit_coupons
    from ..calibration.invented import EARLIER_LOT, NEW_LOT, corrected_table, coupon_table
    from ..calibration.planning import plan_coupons
    from ..figures.style import save
    from ..figures.working_curve import working_curve_figure
    from ..files.disk import write_bytes
    from ..jobs.fitted import save_fit
    from ..sheets.run_sheet import coupon_csv, run_sheet_html

    here = invented_bench()
    depth = here.cure_depth
    tables = {
        "coupons_lot_6.csv": coupon_table(EARLIER_LOT),
        "coupons_lot_7.csv": coupon_table(NEW_LOT),
        "coupons_lot_7_read_again.csv": corrected_table(),
    }
    for name, text in tables.items():
        write_bytes(folder / name, text, overwrite=True)
    old, first, fit = (fit_coupons(read_coupons(folder / name), at_depth=depth) for name in tables)
    plan = plan_coupons(
        penetration_depth=old.penetration_depth,
        critical_exposure=old.critical_exposure,
        at_depth=depth,
        to=Quantity(3.0, "percent"),
        coupon_sd=old.residual_sd,
        thickness_repeatability=Quantity(0.0, "mm"),
        power=here.power,
        hatch_spacing=here.hatch_spacing,
        scan_speed_max=Quantity(14.0, "m/s"),
    )
    write_bytes(folder / "plan_lot_7.csv", coupon_csv(plan, names={"lot": "7"}), overwrite=True)
    write_bytes(folder / "plan_lot_7.html", run_sheet_html(plan, title="Coupons of lot 7"), overwrite=True)
    save(working_curve_figure(first), folder / "lot_7_first_readings.png")
    save(working_curve_figure(fit), folder / "lot_7.png")
    save_fit(folder / "resin_lot_7.toml", fit, overwrite=True)
    verdict = compare_lots(lots=[lot_from_fit("lot 6", old), lot_from_fit("lot 7", fit)], cure_depth=depth, tolerance=Quantity(8.0, "um"))
    half = plan.relative_half_width(plan.expected)
    assert half is not None  # a depth was asked for
    wanted = fit.exposure_for_depth[0]
    return "\n".join(
        (
            f"plan            {len(plan.coupons)} coupons are expected to give the speed for {show(depth)} to {percent(half, '.1f')}",
            f"first readings  Dp {show(first.penetration_depth)}, Ec {show(first.critical_exposure)}",
            *(f"   check        {sentence}" for sentence in first.warnings),
            f"read again      Dp {show(fit.penetration_depth)}, Ec {show(fit.critical_exposure)}",
            f"{show(depth)} needs   {show(wanted.exposure, wanted.mean_standard_uncertainty)}",
            f"against lot 6   {verdict.sentence}",
            f"wrote           {folder / 'resin_lot_7.toml'}, {folder / 'lot_7.png'}, {folder / 'plan_lot_7.html'} and the tables",
        )
    )


def speed_demo(folder: Path) -> str:
    """Solve for the speed of a layer, draw its section and the stack."""
    from ..figures.section import section_figure
    from ..figures.stack import stack_figure
    from ..figures.style import save
    from ..setting.layers import evaluate_stack
    from ..setting.solving import solve_scan_speed

    here = invented_bench()
    pattern = Scan(hatch_spacing=here.hatch_spacing)
    light: dict[str, Any] = {"beam": here.beam, "resin": here.resin, "layer_thickness": here.layer_thickness}
    solution = solve_scan_speed(**light, scan=pattern, overcure=here.overcure)
    answer = solution.answer
    stack = evaluate_stack(**light, scan=answer.scan)
    save(section_figure(answer), folder / "section.png")
    save(stack_figure(stack), folder / "stack.png")
    return "\n".join(
        (
            f"hatch at {show(here.hatch_spacing)} spacing, layer {show(here.layer_thickness)}, overcure {show(here.overcure)}",
            f"scan speed      {show(solution.value, solution.standard_uncertainty[0])}",
            f"weakest depth   {answer.text('cure_depth_min')}",
            f"print-through   {show(stack.print_through)}; leave out {stack.compensation_layers} layers at a down-facing face",
            f"wrote           {folder / 'section.png'} and {folder / 'stack.png'}",
        )
    )
