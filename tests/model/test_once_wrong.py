"""Numbers and sentences that once were wrong, each against a hand calculation or the moving beam integrated by itself."""

from __future__ import annotations

import json
from dataclasses import replace
from math import cos, erf, exp, expm1, log, log1p, pi, radians, sqrt

import pytest

from curecalc.cli import main
from curecalc.errors import NoSolution
from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import BleachingResin, PowerThresholdResin, Resin
from curecalc.formulas.scan import Scan
from curecalc.jobs.beam import BeamRecord, BudgetPart, read_beam, write_beam_record
from curecalc.setting.answer import MonteCarloOptions, evaluate
from curecalc.setting.solving import solve
from curecalc.units import ONE, Measured
from curecalc.units import Quantity as Q

from . import integration as oracle

B = ("--penetration-depth", "0.15mm", "--critical-exposure", "8mJ/cm2")
RESIN = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
BEAM = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"))
SCAN = Scan(scan_speed=Q(300.0, "mm/s"))


def told(capsys, *arguments, status=0):
    """The JSON object of a command."""
    assert main([*arguments, "--json"]) == status
    return json.loads(capsys.readouterr().out)


def refused(capsys, *arguments):
    """The one line of a command that has no answer inside the limits."""
    assert main(list(arguments)) == 3
    (line,) = capsys.readouterr().err.splitlines()
    return line


# ---------------------------------------------------------------- a leaning beam


def test_a_leaning_beam_on_a_resin_that_bleaches(capsys):
    """0.5734 mm: the bleaching exposure scales as the critical one does. The integration follows the light down."""
    setting = ("--power", "30mW", "--beam-radius", "0.125mm", "--scan-speed", "300mm/s", "--incidence-angle", "30deg")
    got = told(capsys, "depth", *B, *setting, "--bleaching-exposure", "20 mJ/cm^2")["cure_depth"]["value"]
    assert got == pytest.approx(0.5734, abs=5e-5)
    scan, law = oracle.Scan(power=30.0, speed=300.0), oracle.Bleaching(0.15, 0.08, 0.2)
    assert got == pytest.approx(oracle.local_depth((0.0, 0.0), oracle.Spot(0.125), scan, law, oracle.Tilt(30.0)), rel=1e-9)


@pytest.mark.parametrize("w", [0.5, 0.7, 1.4])
def test_a_leaning_beam_under_the_power_law(capsys, w):
    """The gain of light in the resin counts to the power w; counted plainly it would promise up to half a per cent more at 20 deg."""
    setting = ("--power", "30mW", "--beam-radius", "0.125mm", "--scan-speed", "300mm/s", "--incidence-angle", "20deg")
    law = ("--power-exponent", repr(w), "--reference-irradiance", "500 mW/mm^2")
    got = told(capsys, "depth", *B, *setting, *law)["cure_depth"]["value"]
    scan, tilt = oracle.Scan(power=30.0, speed=300.0), oracle.Tilt(20.0)
    value = oracle.dose_power((0.0, 0.0), w, 500.0, oracle.Spot(0.125), scan, tilt)
    assert got == pytest.approx(oracle.depth(value, oracle.Threshold(0.15, 0.08, w, 500.0), tilt), rel=1e-9)
    plainly = 0.15 / w * tilt.inner_cosine * log(tilt.gain() * value / 0.08)
    assert (plainly - got) * (1 - w) > 1e-4


def test_how_the_light_is_polarised_counts_and_is_said(capsys):
    """Fresnel's shares at 30 deg on n = 1.5, from the text-book amplitudes: s and p enter 0.9422 and 0.9747 of the light."""
    setting = ("--power", "30mW", "--beam-radius", "0.125mm", "--scan-speed", "300mm/s", "--incidence-angle", "30deg")
    inner = sqrt(1 - (0.5 / 1.5) ** 2)
    outer = cos(radians(30))
    shares = [((outer - 1.5 * inner) / (outer + 1.5 * inner)) ** 2, ((1.5 * outer - inner) / (1.5 * outer + inner)) ** 2]
    assert [1 - r for r in shares] == pytest.approx([0.9422, 0.9747], abs=1e-4)
    dose = sqrt(2 / pi) * 30 / (0.125 * 300)
    for s, note in ((None, True), ("1", False), ("0", False), ("0.5", True)):
        got = told(capsys, "depth", *B, *setting, *(() if s is None else ("--s-polarised-share", s)))
        share = 0.5 if s is None else float(s)
        enters = (1 - share * shares[0] - (1 - share) * shares[1]) / 0.96
        assert got["cure_depth"]["value"] == pytest.approx(0.15 * inner * log(dose * enters / inner / 0.08), rel=1e-9)
        assert got["inputs"]["s_polarised_share"] == share
        assert any("taken as unpolarised where the beam leans" in text for text in got["warnings"]) == note


def test_an_upright_beam_says_nothing_of_polarisation(capsys):
    got = told(capsys, "depth", *B, "--power", "30mW", "--beam-radius", "0.125mm", "--scan-speed", "300mm/s")
    assert not any("polarised" in text for text in got["warnings"])
    assert "s_polarised_share" not in got["inputs"]


# ---------------------------------------------------------------- both radii share one cause


@pytest.mark.parametrize("ratio", [(), ("--radius-ratio", "1.0001")])
def test_a_common_error_of_both_radii_counts_once_through_depth_and_speed(capsys, ratio):
    """E goes as 1/W: 5 % of it is 0.05 Dp = 0.0075 mm of depth and 5 % of the speed, round or nearly so."""
    spot = ("--power", "30mW", "--beam-radius", "0.125 mm +- 5 %", "--track-angle", "45deg", *ratio)
    got = told(capsys, "depth", *B, *spot, "--scan-speed", "300mm/s", "--monte-carlo", "200000")["cure_depth"]
    assert got["standard_uncertainty"] == pytest.approx(0.0075, rel=2e-4)
    assert got["monte_carlo"]["standard_uncertainty"] == pytest.approx(0.0075, rel=0.01)
    got = told(capsys, "solve", "--for", "scan_speed", *B, *spot, "--cure-depth", "0.15mm", "--monte-carlo", "200000")["scan_speed"]
    assert got["value"] == pytest.approx(sqrt(2 / pi) * 30 / (0.125 * 0.08 * exp(1)), rel=2e-4)
    assert got["standard_uncertainty"] == pytest.approx(0.05 * got["value"], rel=2e-4)
    assert got["monte_carlo"]["standard_uncertainty"] == pytest.approx(0.05 * got["value"], rel=0.02)


@pytest.mark.parametrize(("name", "u"), [("common: length scale", 0.0075), ("scatter", 0.0075 / sqrt(2))])
def test_a_saved_beam_says_what_its_radii_share(tmp_path, name, u):
    """Two radii of 5 % each at 45 deg, ln W_perp their mean: 0.05 Dp where one cause moves both, 0.05 Dp/sqrt(2) where two do."""
    radius = Measured(Q(0.125, "mm"), Q(0.00625, "mm"))
    parts = tuple(BudgetPart(of=of, name=name, relative_standard_uncertainty=0.05) for of in ("radius_x", "radius_y"))
    record = BeamRecord(name="invented beam", radius_x=radius, radius_y=radius, power=Measured(Q(30.0, "mW"), Q(0.0, "mW")), budget=parts)
    path = tmp_path / "beam.toml"
    write_beam_record(path, record)
    answer = evaluate(beam=read_beam(path), resin=RESIN, scan=replace(SCAN, track_angle=Q(45.0, "deg")))
    assert answer.standard_uncertainty["cure_depth"].m_as("mm") == pytest.approx(u, rel=1e-5)


# ---------------------------------------------------------------- ways out


def test_the_speed_named_beside_a_power_limit_is_right(capsys):
    """20 mW/(v 0.1 mm) (1 - 2 q) = 8 e mJ/cm^2 with q = exp(-pi^2 0.125^2/(2 0.1^2)); pulses 15 um apart change nothing."""
    v = 20 / (0.1 * 0.08 * exp(1)) * (1 - 2 * exp(-(pi**2) * 1.25**2 / 2))
    assert v == pytest.approx(918.9, abs=0.05)
    setting = ("--beam-radius", "0.125mm", "--scan-speed", "2000mm/s", "--cure-depth", "0.15mm", "--pulse-rate", "60kHz")
    line = refused(capsys, "solve", "--for", "power", *B, *setting, "--hatch-spacing", "0.1mm", "--power-max", "20mW")
    assert "lower the speed to 918.9 mm/s" in line


def test_a_flat_function_of_the_radius_is_one_answer(capsys):
    """Once 174 radii: with lines so close the valley is the mean, whatever the spot; the interval is told as one."""
    setting = ("--power", "200mW", "--scan-speed", "18824.63824451263mm/s", "--hatch-spacing", "0.04mm", "--layer-thickness", "0.1mm")
    got = told(capsys, "solve", "--for", "beam_radius", *B, *setting, "--overcure", "0.08mm")
    low, high = got["beam_radius"]["range_of_answers"]
    assert got["beam_radius"]["value"] == low
    assert high == pytest.approx(100.0)
    # flat to 1e-11 in ln dose: 2 q = 1e-11, q = exp(-pi^2 W^2/(2 h^2))
    assert low == pytest.approx(0.04 / pi * sqrt(2 * log(2e11)), rel=0.02)
    assert any(text.startswith("Every beam radius from") and "does alike" in text for text in got["warnings"])


def test_a_spacing_no_scanner_has_is_refused():
    """The mean alone, P/(v h) = 8 e mJ/cm^2, asks for lines 3e-7 mm apart."""
    speed = 30 / (0.08 * exp(1) * 3e-7)
    with pytest.raises(NoSolution, match=r"The lines would have to lie closer than 0\.0001 mm, beyond any scanner\.") as found:
        solve("hatch_spacing", beam=BEAM, resin=RESIN, scan=Scan(scan_speed=Q(speed, "mm/s")), cure_depth=Q(0.15, "mm"))
    assert "Slow the scan or raise the power." in str(found.value.remedy)


def test_a_resin_that_bleaches_is_reached_beyond_sixty_penetration_depths():
    """Its front goes on in proportion to the dose: E = Eb ln[1 + e^70 (e^(Ec/Eb) - 1)]; the plain curve has no such dose."""
    eb = 0.2
    resin = BleachingResin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"), bleaching_exposure=Q(eb, "mJ/mm^2"))
    found = solve("scan_speed", beam=BEAM, resin=resin, scan=SCAN, cure_depth=Q(70 * 0.15, "mm"))
    dose = eb * log1p(exp(70) * expm1(0.08 / eb))
    assert found.value.m_as("mm/s") == pytest.approx(sqrt(2 / pi) * 30 / (0.125 * dose), rel=1e-9)
    with pytest.raises(ValueError, match=r"70 penetration depths of 0\.15 mm: no exposure reaches it"):
        solve("scan_speed", beam=BEAM, resin=RESIN, scan=SCAN, cure_depth=Q(70 * 0.15, "mm"))


# ---------------------------------------------------------------- draws


def test_a_badly_known_threshold_is_drawn_by_its_ratio():
    """Dp ln(E/Ec) is normal where ln Ec is: standard deviation Dp 25 % = 0.0375 mm, interval symmetric about the depth."""
    resin = replace(RESIN, critical_exposure=Measured(Q(8.0, "mJ/cm^2"), Q(2.0, "mJ/cm^2")))
    answer = evaluate(beam=BEAM, resin=resin, scan=SCAN, monte_carlo=MonteCarloOptions(draws=400_000))
    drawn, depth = answer.monte_carlo["cure_depth"], answer.cure_depth.m_as("mm")
    assert drawn.standard_uncertainty == pytest.approx(0.0375, rel=0.005)
    assert drawn.mean == pytest.approx(depth, abs=4 * 0.0375 / sqrt(4e5))
    low, high = drawn.interval
    assert (depth - low, high - depth) == pytest.approx((1.95996 * 0.0375,) * 2, rel=0.01)


def test_draws_lost_at_a_fold_are_said():
    """Lw = W sqrt(2 ln(a/W)) is widest, a e^(-1/2), at W = a e^(-1/2), a = sqrt(2/pi) P/(v Ec): just below, weaker half of draws fails."""
    widest = sqrt(2 / pi) * 30 / (300 * 0.08) * exp(-0.5)
    beam = Beam(power=Measured(Q(30.0, "mW"), Q(0.6, "mW")))
    found = solve(
        "beam_radius", beam=beam, resin=RESIN, scan=SCAN, line_width=Q(0.998 * widest, "mm"), monte_carlo=MonteCarloOptions(draws=20_000)
    )
    assert len(found.values) == 2
    assert found.monte_carlo == (None, None)
    notes = [text for text in found.notes if "of the draws have no such beam radius" in text]
    assert notes
    share = 50 * (1 + erf(-0.002 / 0.02 / sqrt(2)))  # of draws with a power below 0.998 of 30 mW
    for text in notes:
        assert float(text.split()[2]) == pytest.approx(share, abs=2.0)
        assert text.endswith("no interval is given.")


def test_the_uncertainty_of_the_exponent_counts():
    """depth = (Dp/w) ln(S/Ec), ln S = w ln(I0/I_ref) - ln(w)/2 + ...: d depth/dw by hand."""
    w, u = 0.7, 0.02
    resin = PowerThresholdResin(
        penetration_depth=Q(0.15, "mm"),
        critical_exposure=Q(8.0, "mJ/cm^2"),
        exponent=Measured(Q(w, ONE), Q(u, ONE)),
        reference_irradiance=Q(500.0, "mW/mm^2"),
    )
    answer = evaluate(beam=BEAM, resin=resin, scan=SCAN, monte_carlo=MonteCarloOptions(draws=200_000))
    peak = 2 * 30 / (pi * 0.125**2)
    depth = oracle.local_depth((0.0, 0.0), oracle.Spot(0.125), oracle.Scan(power=30.0, speed=300.0), oracle.Threshold(0.15, 0.08, w, 500.0))
    slope = -depth / w + 0.15 / w * (log(peak / 500) - 1 / (2 * w))
    assert answer.standard_uncertainty["cure_depth"].m_as("mm") == pytest.approx(abs(slope) * u, rel=1e-6)
    assert answer.monte_carlo["cure_depth"].standard_uncertainty == pytest.approx(abs(slope) * u, rel=0.02)


def test_the_uncertainty_of_the_exponent_counts_on_the_command_line(capsys):
    setting = ("--power", "30mW", "--beam-radius", "0.125mm", "--scan-speed", "300mm/s", "--reference-irradiance", "500 mW/mm^2")
    got = told(capsys, "depth", *B, *setting, "--power-exponent", "0.7 +- 0.02")["cure_depth"]
    assert got["standard_uncertainty"] > 0.001
    assert "standard_uncertainty" not in told(capsys, "depth", *B, *setting, "--power-exponent", "0.7")["cure_depth"]
