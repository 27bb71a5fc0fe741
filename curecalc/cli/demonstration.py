"""The invented scenario: a machine and a resin that do not exist, from settings to figures."""

from __future__ import annotations

from pathlib import Path

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..formulas.scan import Scan
from ..symbols import percent
from ..units import Measured, Quantity, show

__all__ = ["calibrate_demo_lot", "demo_beam", "demo_resin", "speed_demo"]


def demo_beam() -> Beam:
    """The invented machine's beam: 355 nm, 240 mW at the surface, 1/e^2 radius 0.11 mm."""
    return Beam(
        power=Measured(Quantity(240.0, "mW"), Quantity(4.8, "mW")),
        radius_x=Measured(Quantity(0.110, "mm"), Quantity(0.003, "mm")),
        wavelength=Quantity(355.0, "nm"),
        name="invented machine, bay 2",
    )


def demo_resin() -> Resin:
    """The invented resin: Dp 0.142 mm, Ec 9.4 mJ/cm^2."""
    return Resin(
        penetration_depth=Measured(Quantity(0.142, "mm"), Quantity(0.003, "mm")),
        critical_exposure=Measured(Quantity(9.4, "mJ/cm^2"), Quantity(0.5, "mJ/cm^2")),
        correlation=0.9,
        wavelength=Quantity(355.0, "nm"),
        name="invented resin, lot 7",
    )


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

    depth = Quantity(0.180, "mm")
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
        power=Quantity(240.0, "mW"),
        hatch_spacing=Quantity(0.1, "mm"),
        scan_speed_max=Quantity(14.0, "m/s"),
    )
    write_bytes(folder / "plan_lot_7.csv", coupon_csv(plan, names={"lot": "7"}), overwrite=True)
    write_bytes(folder / "plan_lot_7.html", run_sheet_html(plan, title="Coupons of lot 7"), overwrite=True)
    save(working_curve_figure(first), folder / "lot_7_first_readings.png")
    save(working_curve_figure(fit), folder / "lot_7.png")
    save_fit(folder / "resin_lot_7.toml", fit, overwrite=True)
    verdict = compare_lots(lots=[lot_from_fit("lot 6", old), lot_from_fit("lot 7", fit)], cure_depth=depth, tolerance=Quantity(8.0, "um"))
    half = plan.relative_half_width(plan.expected) or 0.0
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

    beam, resin = demo_beam(), demo_resin()
    layer, overcure = Quantity(0.100, "mm"), Quantity(0.080, "mm")
    pattern = Scan(scan_speed=Quantity(1.0, "m/s"), hatch_spacing=Quantity(0.100, "mm"))
    solution = solve_scan_speed(beam=beam, resin=resin, scan=pattern, layer_thickness=layer, overcure=overcure)
    answer = solution.answer
    stack = evaluate_stack(beam=beam, resin=resin, scan=answer.scan, layer_thickness=layer)
    save(section_figure(answer), folder / "section.png")
    save(stack_figure(stack), folder / "stack.png")
    return "\n".join(
        (
            f"hatch at {show(Quantity(0.1, 'mm'))} spacing, layer {show(layer)}, overcure {show(overcure)}",
            f"scan speed      {show(solution.value, solution.standard_uncertainty[0])}",
            f"weakest depth   {answer.text('cure_depth_min')}",
            f"print-through   {show(stack.print_through)}; leave out {stack.compensation_layers} layers at a down-facing face",
            f"wrote           {folder / 'section.png'} and {folder / 'stack.png'}",
        )
    )
