"""The invented scenario: a machine and a resin that do not exist, from settings to figures."""

from __future__ import annotations

from pathlib import Path

from .beam import Beam
from .resin import Resin
from .scan import Scan
from .units import Measured, Quantity, show

__all__ = ["demo_beam", "demo_resin", "run_demo"]


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


def run_demo(folder: Path) -> str:
    """Solve for the speed of a layer, draw its section and the stack; returns the text to print."""
    from .figures.section import section_figure
    from .figures.stack import stack_figure
    from .figures.style import save
    from .solve import solve_scan_speed
    from .stacking import evaluate_stack

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
            "Invented data: this machine and this resin do not exist.",
            f"hatch at {show(Quantity(0.1, 'mm'))} spacing, layer {show(layer)}, overcure {show(overcure)}",
            f"scan speed      {show(solution.value, solution.standard_uncertainty[0])}",
            f"weakest depth   {answer.text('cure_depth_min')}",
            f"print-through   {show(stack.print_through)}; leave out {stack.compensation_layers} layers at a down-facing face",
            f"wrote           {folder / 'section.png'} and {folder / 'stack.png'}",
        )
    )
