"""What settings bring with them, against the model of one setting and against sums done here."""

import math
from dataclasses import replace

import numpy as np
import pytest

from curecalc.physics import raster, tilt
from curecalc.physics.laws import Plain
from curecalc.recipe import consequences
from curecalc.recipe.bounds import Hold, RunUp
from curecalc.recipe.light import Pattern
from curecalc.recipe.search import best_settings
from curecalc.setting import model as settings

from .test_search import INFINITE, plain

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


def leaning(theta, out_of_focus=0.0, divergence=0.0):
    """A place where the beam leans, from Fresnel's and Snell's laws written out."""
    inside = math.asin(math.sin(theta) / INDEX)
    c, d = math.cos(theta), math.cos(inside)
    enters = 1.0 - 0.5 * (((c - INDEX * d) / (c + INDEX * d)) ** 2 + ((INDEX * c - d) / (INDEX * c + d)) ** 2)
    gain = enters / (1.0 - ((INDEX - 1.0) / (INDEX + 1.0)) ** 2) / d
    return Hold(gain, d, 1.0 / c, out_of_focus, divergence, angle=theta)


@pytest.mark.parametrize("raster_lines", [True, False])
@pytest.mark.parametrize("half_diagonal", [10.0, HALF_DIAGONAL, 900.0])
def test_the_far_corner_of_the_field_is_that_of_the_setting_model(raster_lines, half_diagonal):
    best = best_settings(plain(pattern=Pattern(raster_lines)))
    theta = math.atan(half_diagonal / HEIGHT)
    edge = consequences.field_edge(best, leaning(theta))
    there, here = field_depth(best, edge.incidence_angle), field_depth(best, 0.0)
    assert edge.depth_change == pytest.approx(there - here, abs=1e-9)


def test_denser_light_in_the_tilted_beam_is_counted():
    """Without the 1/cos theta' the corner would be Dp cos theta' ln(1/cos theta') shallower."""
    best = best_settings(plain())
    theta = math.atan(HALF_DIAGONAL / HEIGHT)
    edge = consequences.field_edge(best, leaning(theta))
    inside = math.asin(math.sin(theta) / INDEX)
    s = best.hatch_spacing / best.beam_radius
    across = min(math.log(float(raster.valley(s * math.cos(theta)) / raster.valley(s))), 0.0)
    depth = best.found["depth"] if "depth" in best.found else 0.15 * (best.log_exposure - best.task.curve.log_threshold)
    without = math.cos(inside) * (depth + 0.15 * (math.log(float(tilt.transmission_ratio(theta, INDEX))) + across)) - depth
    assert edge.depth_change - without == pytest.approx(0.15 * math.cos(inside) * math.log(1.0 / math.cos(inside)), rel=1e-6)


@pytest.mark.parametrize("raster_lines", [True, False])
def test_aiming_deeper_at_the_centre_reaches_the_depth_at_the_corner(raster_lines):
    theta = math.atan(HALF_DIAGONAL / HEIGHT)
    task = plain(pattern=Pattern(raster_lines), ripple=INFINITE)
    needed = float(replace(task, depth=0.18, hold=leaning(theta)).depth_for(0.1))
    x = {"penetration_depth": 0.15, "critical_exposure": 0.08}
    stretched = 1.0 if raster_lines else math.cos(theta)
    form = settings.Form(Plain, incidence_angle=theta, refractive_index=INDEX)
    flat = settings.Form(Plain)
    dose = float(settings.cure_law(x, flat).dose(needed)) * stretched
    assert needed > 0.18
    assert float(settings.cure_law(x, form).depth(dose)) == pytest.approx(0.18, abs=1e-12)


def test_between_contour_and_hatch_nothing_is_weaker_than_the_weaker_of_the_two():
    """The exposure of the contour's line and of all hatch lines, summed here, in between and just beyond the widest gap."""
    from curecalc.recipe.consequences import seam
    from curecalc.recipe.search import best_settings

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


def test_a_corner_out_of_focus_widens_the_spot_and_costs_depth():
    """W(z) = W0 sqrt(1 + (M^2 lambda z/(pi W0^2))^2): 0.055 mm, M^2 1.3, 355 nm, 17.4 mm out of focus give 0.072 mm."""
    divergence = 1.3 * 355e-6 / math.pi
    place = leaning(math.atan(170.0 / 820.0), 820.0 * (1.0 / math.cos(math.atan(170.0 / 820.0)) - 1.0), divergence)
    assert 0.055 * float(place.growth(0.055)) == pytest.approx(0.072, abs=5e-4)
    best = best_settings(plain(pattern=Pattern(False), ripple=INFINITE, beam_radius_low=0.055, beam_radius_high=0.055))
    theta = math.atan(170.0 / 820.0)
    held = consequences.field_edge(best, leaning(theta)).depth_change
    lost = consequences.field_edge(best, place).depth_change
    # a line's exposure goes as one over its width: what focus costs is Dp' ln of the growth
    assert held - lost == pytest.approx(0.15 * place.slant * math.log(float(place.growth(0.055))), rel=1e-9)
    aimed = replace(best.task, hold=place)
    again = best_settings(aimed)
    assert float(again.depth) + consequences.field_edge(again, place).depth_change >= best.task.depth - 1e-9


def on_the_way(s, length, v, a, w0, beam):
    """Dose at s over that of the steady line: the moving spot added up in many moments."""
    n = 100_000
    if beam == "off":
        t = (np.arange(n) + 0.5) / n * length / v
        x, share = v * t, np.ones(n)
    else:
        ramp = v / a
        total = length / v + v / a
        t = (np.arange(n) + 0.5) / n * total
        t_end = total - t
        early, late = 0.5 * a * t**2, length - 0.5 * a * t_end**2
        x = np.where(t < ramp, early, np.where(t_end < ramp, late, 0.5 * v * ramp + v * (t - ramp)))
        speed = np.minimum(np.minimum(a * t, a * t_end), v)
        share = speed / v if beam == "follows speed" else np.ones(n)
    dt = t[1] - t[0]
    return (share * np.exp(-2.0 * ((x - s) / w0) ** 2)).sum() * dt * v / (math.sqrt(0.5 * math.pi) * w0)


@pytest.mark.parametrize(("beam", "follows"), [("off", None), ("on", 0.0), ("follows speed", 1.0)])
@pytest.mark.parametrize("length", [1.5, *(pytest.param(mm, marks=pytest.mark.slow) for mm in (4.0, 45.0))])
def test_weakest_and_strongest_place_along_a_vector(beam, follows, length):
    """Against the spot followed through the whole vector; places from one radius inside each end."""
    from curecalc.recipe.ends import along

    v, a, w0 = 1000.0, 2e6, 0.08
    task = replace(plain(pattern=Pattern(False), ripple=INFINITE), run_up=RunUp(follows), vector_length=length, acceleration=a)
    low, high = along(task, 100.0, w0, v)
    seen = [on_the_way(s, length, v, a, w0, beam) for s in np.linspace(w0, 0.5 * length, 25)]
    assert float(low) == pytest.approx(min(seen), rel=2e-3)
    assert float(high) == pytest.approx(max(seen), rel=2e-3)


@pytest.mark.parametrize("margin", [0.0, 0.2, 0.5])
def test_the_strongest_place_of_vectors_judged_from_nearer_their_ends(margin):
    from curecalc.recipe.ends import along

    v, a, w0 = 1000.0, 1e7, 0.08
    task = replace(plain(pattern=Pattern(False), ripple=INFINITE), run_up=RunUp(0.0, margin=margin), vector_length=4.0, acceleration=a)
    seen = [on_the_way(s, 4.0, v, a, w0, "on") for s in margin * w0 + np.linspace(0.0, 1.0, 41) * w0]
    assert float(along(task, 100.0, w0, v)[1]) == pytest.approx(max(seen), rel=1e-2)


def test_lines_that_end_at_the_contour_leave_no_place_weaker():
    """Contour and fading hatch ends added up here: erf for the end of a vector, the valley between its lines."""
    from scipy.special import erf

    hatch = best_settings(replace(plain(), run_up=RunUp(None), vector_length=40.0, acceleration=2e6))
    contour = best_settings(
        replace(plain(pattern=Pattern(False), ripple=INFINITE), run_up=RunUp(None), vector_length=40.0, acceleration=2e6)
    )
    found = consequences.seam(contour, hatch)

    def weakest(gap):
        y = np.linspace(0.0, abs(gap) + 3.0 * hatch.beam_radius, 3001)
        line = contour.exposure_min * np.exp(-2.0 * (y / contour.beam_radius) ** 2)
        fading = 0.5 * (1.0 + erf(math.sqrt(2.0) * (y - gap) / hatch.beam_radius))
        return (line + hatch.exposure_min / hatch.along_min * fading).min()

    target = min(contour.exposure_min, hatch.exposure_min)
    assert weakest(found.line_ends) >= target * (1.0 - 2e-3)
    assert weakest(found.line_ends + 0.01) < target
    assert found.line_ends_depth == pytest.approx(0.15 * math.log(weakest(found.line_ends) / 0.08), abs=5e-4)


def test_hatch_shifted_by_half_a_spacing_from_layer_to_layer():
    """Layers counted one by one: a ridge under valleys and ridges in turn."""
    best = best_settings(plain())
    through, bond = consequences.shifted(best)
    t, dp = best.task.layer_thickness, 0.15
    alternate = [(best.dose_min if k % 2 else best.dose_max) * math.exp(-k * t / dp) for k in range(400)]
    assert through == pytest.approx(dp * math.log(sum(alternate) / 0.08) - t, rel=1e-9)
    other = [(best.dose_max if k % 2 else best.dose_min) * math.exp(-k * t / dp) for k in range(400)]
    assert bond == pytest.approx(sum(other) * math.exp(-t / dp), rel=1e-9)


def test_a_corner_as_the_machine_takes_it():
    """10.8787 for a full stop with the beam on (2 m/s, 1e6 mm/s^2, 0.1 mm: integrated in time); 1 where the beam is off or follows."""
    base = plain(
        pattern=Pattern(False), ripple=INFINITE, beam_radius_low=0.1, beam_radius_high=0.1, scan_speed_low=2000.0, scan_speed_high=2000.0
    )
    for follows, factor in ((0.0, 10.8787), (None, 1.0), (1.0, 1.0)):
        best = best_settings(replace(base, run_up=RunUp(follows, 0.0), vector_length=60.0, acceleration=1e6))
        assert consequences.corner(best).exposure_factor == pytest.approx(factor, abs=1e-4)
    slowed = best_settings(replace(base, run_up=RunUp(0.0, 0.0), vector_length=60.0, acceleration=1e6, corner_speed=1000.0))
    v, a, w0, slow = 2000.0, 1e6, 0.1, 1000.0
    x = np.linspace(0.0, 6.0 * w0, 200_001)
    dose = 2.0 * np.trapezoid(v / np.minimum(np.sqrt(slow**2 + 2.0 * a * x), v) * np.exp(-2.0 * (x / w0) ** 2), x)
    assert consequences.corner(slowed).exposure_factor == pytest.approx(dose / (math.sqrt(0.5 * math.pi) * w0), rel=1e-6)


def test_settings_on_the_machines_steps_still_reach_the_depth_as_surely():
    from curecalc.recipe.recipe import state_of
    from curecalc.recipe.search import rounded

    for steps in (
        {"scan_speed_step": 50.0},
        {"power_step": 7.0},
        {"beam_radius_step": 0.013, "hatch_spacing_step": 0.009, "power_step": 3.0},
    ):
        best = rounded(best_settings(plain(**steps)))
        for name in ("power", "scan_speed", "beam_radius", "hatch_spacing"):
            step = steps.get(f"{name}_step")
            if step:
                assert best.found[name] / step == pytest.approx(round(best.found[name] / step), abs=1e-9)
        assert state_of(best)["assurance"] >= 0.95 - 1e-9
