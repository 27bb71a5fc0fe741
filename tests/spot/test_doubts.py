"""What is wrong with a scan or a caustic must be named with its numbers, and good data must not be called bad.

Data come from `beam_simulator`, which imports nothing of the program; the slow test counts over all its kinds.
"""

import math
import tomllib

import beam_simulator as sim
import beam_survey as survey
import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.spot.caustic import caustic, coverage
from curecalc.spot.focus import caustic_beam
from curecalc.spot.knife import knife_edge
from curecalc.spot.openings import pinhole_beam, slit_beam
from curecalc.spot.profile import profile
from curecalc.spot.scans import knife_edge_beam
from curecalc.units import Quantity as Q


def beam(x, y, **options):
    return knife_edge_beam(position=Q(np.asarray(x), "mm"), reading=np.asarray(y), **options)


X = np.linspace(-0.3, 0.3, 31)
W = 0.1


def noisy(y, sd=0.003, seed=1):
    return y + sd * np.random.default_rng(seed).standard_normal(np.shape(y))


# ------------------------------------------------------------------ ends of the range


@pytest.mark.parametrize("turn", [1, -1])
def test_a_saturated_edge_is_named_and_fitted_from_what_is_left(turn):
    y = np.minimum(noisy(sim.edge(X, W)), 0.85)
    got = beam(turn * X, y)
    count = int((y == 0.85).sum())
    assert f"{count} of 31 readings stand at one top value" in got.warnings[0]
    assert got.details["readings_saturated"] == count
    assert got.radius_x.value.m_as("mm") == pytest.approx(W, abs=3 * got.radius_x.standard_uncertainty.m_as("mm"))
    plain = knife_edge(X, np.where(y == 0.85, 0.85 + 1e-9 * np.arange(31), y))  # ties broken: taken at their word
    assert plain.radius < 0.95 * W


def test_a_range_that_cuts_the_foot_is_named():
    y = np.maximum(noisy(sim.edge(X, W)) - 0.15, 0.0)
    got = beam(X, y)
    assert "readings stand at one bottom value" in got.warnings[0]
    assert got.radius_x.value.m_as("mm") == pytest.approx(W, rel=0.05)


def test_too_little_left_between_the_ends_is_refused_with_the_count():
    y = np.minimum(noisy(sim.edge(X, W)), 0.10)
    with pytest.raises(QuantityError, match=r"\d+ of 31 readings stand at full scale.*80 % of full scale"):
        beam(X, y)


def test_a_saturated_peak_is_named():
    y = np.minimum(noisy(np.exp(-2 * (X / W) ** 2)), 0.7)
    got = slit_beam(position=Q(X, "mm"), reading=y, slit_width=Q(1e-3, "mm"))
    assert "readings stand at one top value" in got.warnings[0]
    assert got.radius_x.value.m_as("mm") == pytest.approx(W, rel=0.03)


def test_a_plateau_on_the_steps_of_the_meter_is_not_saturation():
    y = np.round(sim.edge(X, W), 2)
    got = beam(X, y)
    assert "readings_saturated" not in got.details
    assert got.warnings == ()


def test_coarse_steps_are_named():
    got = beam(X, np.round(noisy(sim.edge(X, W)) * 15) / 15)
    assert any("steps of 6." in w for w in got.warnings)


# ------------------------------------------------------------------ single readings, positions, directions


@pytest.mark.parametrize("at", [3, 14, 15, 17, 28])
@pytest.mark.parametrize("size", [-0.5, 0.4, 20.0])
def test_one_wild_reading_is_left_out_and_named(at, size):
    y = noisy(sim.edge(X, W))
    clean = knife_edge(X, y).radius
    y[at] += size
    got = beam(X, y)
    assert got.details["readings_left_out"] == [at + 1]
    assert any(f"reading {at + 1} lies" in w for w in got.warnings)
    assert got.radius_x.value.m_as("mm") == pytest.approx(clean, rel=0.02)


@pytest.mark.slow
def test_positions_that_are_not_sharp_widen_the_interval():
    inside, plain = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        y = sim.edge(X + 0.05 * W * rng.standard_normal(31), W) + 0.001 * rng.standard_normal(31)
        stated = beam(X, y, position_uncertainty=Q(0.05 * W, "mm"))
        low, high = (e.m_as("mm") for e in stated.radius_x.interval)
        inside.append(low < W < high)
        low, high = (e.m_as("mm") for e in beam(X, y).radius_x.interval)
        plain.append(low < W < high)
    assert np.mean(inside) >= 0.90
    assert np.mean(plain) >= 0.85
    assert any("positions were uncertain" in n for n in stated.notes)


def test_backlash_is_found_where_both_directions_are_given():
    there = np.linspace(-0.3, 0.3, 25)
    x = np.concatenate([there, there[::-1]])
    lag = np.where(np.arange(50) < 25, 0.5, -0.5) * 0.012
    y = noisy(sim.edge(x - lag, W), 0.002)
    got = beam(x, y)
    assert got.details["backlash"].m_as("mm") == pytest.approx(0.012, abs=0.002)
    assert any("backlash" in w for w in got.warnings)
    assert got.radius_x.value.m_as("mm") == pytest.approx(W, rel=0.02)
    assert "backlash" not in beam(x, noisy(sim.edge(x, W), 0.002)).details


def test_drift_is_kept_with_nine_readings_and_said_below():
    x = np.linspace(-0.25, 0.25, 9)
    y = 0.1 + sim.edge(x, W) * (1 - 0.4 * x)
    assert knife_edge(x, y).with_drift
    assert knife_edge(x, y).radius == pytest.approx(W, rel=1e-6)
    few = beam(np.linspace(-0.18, 0.18, 8), sim.edge(np.linspace(-0.18, 0.18, 8), W))
    assert any("drift of source and dark level is left out" in n for n in few.notes)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 1.3, 1.6])
def test_a_wide_pinhole_is_taken_out_exactly(ratio):
    x = np.linspace(-0.35, 0.35, 41)
    d = ratio * W
    assert profile(x, 0.1 + 3 * sim.pinhole_profile(x, W, d), pinhole_diameter=d).radius == pytest.approx(W, rel=1e-6)
    got = pinhole_beam(position=Q(x, "mm"), reading=noisy(sim.pinhole_profile(x, W, d)), pinhole_diameter=Q(d, "mm"))
    assert got.warnings == ()


@pytest.mark.parametrize("seed", [47, 52, 65])
def test_an_edge_of_a_top_hat_is_told_though_its_few_readings_prove_little(seed):
    """The radius comes out a sixth too large or more; chance leaves such residuals three or four times in a thousand."""
    x, y, true, _ = sim.scan(np.random.default_rng(seed), "knife-edge", "top hat")
    got = beam(x, y)
    assert got.radius_x.value.m_as("mm") > 1.15 * true
    assert any("the residuals follow a pattern" in w for w in got.warnings)


# ------------------------------------------------------------------ caustic


def curve(n_near, n_far, zr=26.0, w0=0.06):
    z = zr * np.concatenate([np.linspace(-0.9, 0.9, n_near), np.linspace(2.1, 4.0, n_far - n_far // 2), -np.linspace(2.1, 4.0, n_far // 2)])
    return z, np.hypot(w0, w0 / zr * z)


def test_understated_uncertainties_are_found_and_the_interval_widened():
    z, w = curve(6, 6)
    w = w + 5e-4 * np.random.default_rng(3).standard_normal(12)
    honest = caustic_beam(position=Q(z, "mm"), radius_x=Q(w, "mm"), wavelength=Q(355.0, "nm"), standard_uncertainty=Q(5e-4, "mm"))
    small = caustic_beam(position=Q(z, "mm"), radius_x=Q(w, "mm"), wavelength=Q(355.0, "nm"), standard_uncertainty=Q(1e-4, "mm"))
    free = caustic_beam(position=Q(z, "mm"), radius_x=Q(w, "mm"), wavelength=Q(355.0, "nm"))
    assert honest.warnings == ()
    assert any("chi-squared" in t for t in small.warnings)
    assert small.beam_quality[0].relative == pytest.approx(free.beam_quality[0].relative, rel=1e-6)
    assert small.beam_quality[0].degrees_of_freedom == pytest.approx(9)


def test_position_uncertainty_counts_by_the_slope():
    z, w = curve(6, 6)
    u = np.full(12, 1e-4)
    bare = caustic(position=z, radius=w, wavelength=355e-6, u_radius=u)
    more = caustic(position=z, radius=w, wavelength=355e-6, u_radius=u, u_position=0.5)
    assert more.u_beam_quality > 2 * bare.u_beam_quality


def test_one_wild_width_is_named():
    z, w = curve(6, 6)
    w = w + 2e-4 * np.random.default_rng(3).standard_normal(12)
    w[8] *= 1.2
    got = caustic_beam(position=Q(z, "mm"), radius_x=Q(w, "mm"), wavelength=Q(355.0, "nm"))
    assert any("width 9 lies" in t for t in got.warnings)


@pytest.mark.parametrize(
    ("near", "between", "far", "meets"),
    [
        (5, 0, 5, True),
        (9, 0, 16, True),
        (9, 6, 10, True),
        (5, 10, 5, True),
        (4, 0, 6, True),
        (3, 0, 7, False),
        (5, 0, 4, False),
        (9, 3, 0, False),
        (4, 0, 40, False),
    ],
)
def test_zone_rule_of_iso_11146_as_written(near, between, far, meets):
    # ISO 11146-1: at least ten positions, about half within one Rayleigh length, about half beyond two
    z = np.concatenate([np.linspace(-0.9, 0.9, near), np.linspace(1.2, 1.8, between), np.linspace(2.1, 4, far)])
    assert coverage(z, 0.0, 1.0).complete is meets


# ------------------------------------------------------------------ counts


RECORD = tomllib.loads(survey.RECORD.read_text())


def test_the_kept_survey_says_what_is_promised():
    """At least a thousand beams, forty a kind; 95 % intervals where nothing is called out, Checks on faults, few on good data."""
    kinds = list(survey.cases())
    assert RECORD["each"] >= 40
    assert RECORD["each"] * len(kinds) >= 1000
    rows = {(kind, fault): RECORD[kind][fault] for kind, fault, _ in kinds}
    inside, judged, biased, silent = (sum(row[n] for row in rows.values()) for n in ("inside", "judged", "biased", "silent"))
    assert RECORD["all"]["coverage"] == pytest.approx(inside / judged, abs=1e-4)
    assert 0.93 <= RECORD["all"]["coverage"] <= 0.97
    assert RECORD["all"]["good_called"] <= 0.05
    assert RECORD["all"]["biased_called"] >= 0.95
    assert silent <= 0.05 * biased
    called = [rows[kind, fault]["checked"] + rows[kind, fault]["refused"] for kind, fault, good in kinds if good]
    assert RECORD["all"]["good_called"] == pytest.approx(np.mean(called), abs=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("case", ["knife-edge few readings", "slit wild reading", "image gaussian 8 bit", "image halo", "caustic stated"])
def test_a_kind_drawn_again_gives_the_kept_figures(case):
    kind, fault = case.split(" ", 1)
    again, _ = survey.run(kind, fault, RECORD["each"], RECORD["seed"])
    for name, kept in RECORD[kind][fault].items():
        assert again[name] == pytest.approx(kept, abs=1.5 / RECORD["each"] if kept < 1 else 1.5), name  # libraries round apart


@pytest.mark.slow
def test_beams_of_another_seed_keep_the_promise():
    rows, _ = survey.table(12, 20, "knife-edge")
    good = [fault for kind, fault, fine in survey.cases() if fine and kind == "knife-edge"]
    inside, judged = (sum(rows["knife-edge", fault][n] for fault in good) for n in ("inside", "judged"))
    assert abs(inside - 0.95 * judged) < 3.0 * math.sqrt(judged * 0.95 * 0.05)
