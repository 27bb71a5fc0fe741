"""What settings bring with them, against the model of one setting and against sums done here."""

import math

import pytest

from curecalc.physics import raster, tilt
from curecalc.physics.laws import Plain
from curecalc.recipe import consequences
from curecalc.recipe.light import Pattern
from curecalc.recipe.search import best_settings
from curecalc.setting import model as settings

from .test_search import plain

HALF_DIAGONAL, HEIGHT, INDEX = 353.6, 1000.0, 1.5


def field_depth(best, theta):
    """Depth at the weakest place by the model of one setting, in the worst direction of the lines."""
    x = {"penetration_depth": 0.15, "critical_exposure": math.exp(best.task.curve.log_threshold)}
    form = settings.Form(Plain, incidence_angle=theta, refractive_index=INDEX)
    w = best.beam_radius / math.cos(theta)
    if best.task.pattern.raster:
        # the worst direction: lines along the tilt, whose spot is no longer across them
        ratio = min(float(raster.valley(best.hatch_spacing / w) / raster.valley(best.hatch_spacing / best.beam_radius)), 1.0)
    else:
        ratio = best.beam_radius / w
    return float(settings.cure_law(x, form).height(best.exposure_min * ratio))


@pytest.mark.parametrize("raster_lines", [True, False])
@pytest.mark.parametrize("half_diagonal", [10.0, HALF_DIAGONAL, 900.0])
def test_the_far_corner_of_the_field_is_that_of_the_setting_model(raster_lines, half_diagonal):
    best = best_settings(plain(pattern=Pattern(raster_lines)))
    edge = consequences.field_edge(best, half_diagonal, HEIGHT, INDEX)
    assert edge.incidence_angle == pytest.approx(math.atan(half_diagonal / HEIGHT))
    there, here = field_depth(best, edge.incidence_angle), field_depth(best, 0.0)
    assert edge.depth_change == pytest.approx(there - here, abs=1e-9)


def test_denser_light_in_the_tilted_beam_is_counted():
    """Without the 1/cos theta' the corner would be Dp cos theta' ln(1/cos theta') shallower."""
    best = best_settings(plain())
    theta = math.atan(HALF_DIAGONAL / HEIGHT)
    edge = consequences.field_edge(best, HALF_DIAGONAL, HEIGHT, INDEX)
    inside = math.asin(math.sin(theta) / INDEX)
    s = best.hatch_spacing / best.beam_radius
    across = min(math.log(float(raster.valley(s * math.cos(theta)) / raster.valley(s))), 0.0)
    depth = best.found["depth"] if "depth" in best.found else 0.15 * (best.log_exposure - best.task.curve.log_threshold)
    without = math.cos(inside) * (depth + 0.15 * (math.log(float(tilt.transmission_ratio(theta, INDEX))) + across)) - depth
    assert edge.depth_change - without == pytest.approx(0.15 * math.cos(inside) * math.log(1.0 / math.cos(inside)), rel=1e-6)


@pytest.mark.parametrize("raster_lines", [True, False])
def test_aiming_deeper_at_the_centre_reaches_the_depth_at_the_corner(raster_lines):
    needed = consequences.edge_depth_needed(0.18, Plain(0.15, 0.08), HALF_DIAGONAL, HEIGHT, INDEX, raster_lines=raster_lines)
    theta = math.atan(HALF_DIAGONAL / HEIGHT)
    x = {"penetration_depth": 0.15, "critical_exposure": 0.08}
    stretched = 1.0 if raster_lines else math.cos(theta)
    form = settings.Form(Plain, incidence_angle=theta, refractive_index=INDEX)
    flat = settings.Form(Plain)
    dose = float(settings.cure_law(x, flat).dose(needed)) * stretched
    assert needed > 0.18
    assert float(settings.cure_law(x, form).depth(dose)) == pytest.approx(0.18, abs=1e-12)


def test_between_contour_and_hatch_nothing_is_weaker_than_the_weaker_of_the_two():
    """The exposure of the contour's line and of all hatch lines, summed here, in between and just beyond the widest gap."""
    import math

    import numpy as np

    from curecalc.recipe.consequences import seam
    from curecalc.recipe.search import best_settings

    from .test_search import INFINITE, Pattern, plain

    hatch = best_settings(plain())
    contour = best_settings(plain(pattern=Pattern(False), ripple=INFINITE))
    found = seam(contour, hatch)
    assert found.first_line > 0.0
    peak = math.sqrt(2.0 / math.pi) * hatch.power / (hatch.beam_radius * hatch.scan_speed)

    def weakest(gap):
        y = np.linspace(0.0, gap, 2001)
        lines = gap + hatch.hatch_spacing * np.arange(60)
        total = contour.exposure_min * np.exp(-2.0 * (y / contour.beam_radius) ** 2)
        return (total + peak * np.exp(-2.0 * ((y[:, None] - lines) / hatch.beam_radius) ** 2).sum(1)).min()

    target = min(contour.exposure_min, hatch.exposure_min)
    assert weakest(found.first_line) >= target * (1.0 - 1e-3)
    assert weakest(1.05 * found.first_line) < target


def test_a_power_without_uncertainty_is_told(tmp_path, capsys):
    from pathlib import Path

    from curecalc.cli import main

    demo = Path(__file__).resolve().parents[2] / "demo"
    machine = tmp_path / "machine.toml"
    machine.write_text((demo / "machine.toml").read_text().replace("240 mW +- 1 %", "240 mW"))
    assert main(["recipe", "--machine", str(machine), "--resin", str(demo / "resin.toml"), "--needs", str(demo / "needs.toml")]) == 0
    assert "states no standard uncertainty" in capsys.readouterr().out
