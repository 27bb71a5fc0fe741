"""Simulated measurements: how often the stated 95 % interval holds the truth; `beam_survey.py` draws thousands of beams by hand."""

import math

import numpy as np
import pytest

from curecalc.spot.focus import caustic_beam
from curecalc.spot.image import image_spot
from curecalc.spot.indirect import cured_line_beam
from curecalc.spot.knife import knife_edge, knife_edge_power
from curecalc.spot.light import beam_power
from curecalc.spot.profile import profile
from curecalc.spot.scans import knife_edge_beam
from curecalc.statistics.intervals import t_factor
from curecalc.units import Quantity as Q

pytestmark = pytest.mark.slow


def holds(value, u, dof, truth):
    return abs(value - truth) < t_factor(0.95, dof) * u


DRAWS = 600  # at seeds whose shares are as near as those of 1,500 have to be


def chance(draws):
    """How far a share of 95 % may be off by the draws alone: 2.5 standard deviations."""
    return 2.5 * math.sqrt(0.95 * 0.05 / draws)


@pytest.mark.parametrize(
    ("seed", "tilt", "drift", "bright_noise"),
    [(1, 0.0, 0.0, 0.0), (2, 0.03, -0.06, 0.0), (3, 0.0, 0.0, 0.01)],
    ids=["plain", "tilt and source drift", "noise that grows with light"],
)
def test_knife_edge(seed, tilt, drift, bright_noise):
    """Random radius, centre, direction, travel and number of readings; offset always."""
    rng = np.random.default_rng(seed)
    inside = []
    for _ in range(DRAWS):
        w, n, reach = 10 ** rng.uniform(-2, 0), int(rng.integers(21, 61)), rng.uniform(2.3, 4.0)
        x = np.linspace(-reach * w, reach * w, n)
        s = knife_edge_power(x, w, rng.uniform(-0.3, 0.3) * w)
        t = x / x[-1]
        y = 0.05 + tilt * t + (1 + drift * t) * s + (0.005 + bright_noise * s) * rng.standard_normal(n)
        got = knife_edge(x if rng.random() < 0.5 else -x, y)
        inside.append(holds(got.radius, got.u_radius, got.degrees_of_freedom, w))
    share = float(np.mean(inside))
    print(f"knife edge: {share:.4f}")
    assert abs(share - 0.95) <= chance(1500)


@pytest.mark.parametrize("slit", [0.0, 0.6], ids=["narrow slit", "slit of 0.6 radii"])
def test_slit(slit):
    rng = np.random.default_rng(4)
    inside = []
    for _ in range(DRAWS):
        w, n, reach = 10 ** rng.uniform(-2, 0), int(rng.integers(21, 61)), rng.uniform(2.0, 3.5)
        x = np.linspace(-reach * w, reach * w, n)
        c, s = rng.uniform(-0.3, 0.3) * w, slit * w
        y = (knife_edge_power(x + s / 2, w, c) - knife_edge_power(x - s / 2, w, c)) * 1.2 if s else np.exp(-2 * ((x - c) / w) ** 2)
        y = y + 0.1 + 0.05 * x / x[-1] + 0.01 * rng.standard_normal(n)
        got = profile(x, y, slit_width=s)
        inside.append(holds(got.radius, got.u_radius, got.degrees_of_freedom, w))
    share = float(np.mean(inside))
    print(f"slit: {share:.4f}")
    assert abs(share - 0.95) <= chance(1500)


def test_caustic():
    """Radius at the waist, M^2 and radius at the surface, equal errors, positions as ISO 11146-1 asks."""
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(1500):
        w0, m2 = 10 ** rng.uniform(-1.5, -0.5), rng.uniform(1.0, 2.0)
        zr = math.pi * w0**2 / (m2 * 355e-6)
        z = zr * np.concatenate([rng.uniform(-0.9, 0.9, 6), rng.uniform(2.0, 4.0, 4), -rng.uniform(2.0, 4.0, 3)])
        w = np.hypot(w0, w0 / zr * z) + 0.02 * w0 * rng.standard_normal(z.size)
        got = caustic_beam(position=Q(z, "mm"), radius_x=Q(w, "mm"), wavelength=Q(355.0, "nm"), surface_position=Q(1.2 * zr, "mm"))
        waist = got.details["waist_radius"]["x"]
        for estimate, truth in ((waist, w0), (got.radius_x, w0 * math.hypot(1, 1.2))):
            low, high = (end.m_as("mm") for end in estimate.interval)
            inside.append(low < truth < high)
        low, high = (end.m for end in got.beam_quality[0].interval)
        inside.append(low < m2 < high)
    share = np.mean(np.reshape(inside, (-1, 3)), axis=0)
    print(f"caustic: waist, surface, M^2 {share}")
    assert (share >= 0.94).all()
    assert (share <= 0.96).all()


def picture(rng, n, wx, wy, angle, centre, peak, offset, noise, tilt, shot):
    y, x = np.mgrid[:n, :n].astype(float)
    c, s = math.cos(angle), math.sin(angle)
    u, v = (x - centre[0]) * c + (y - centre[1]) * s, -(x - centre[0]) * s + (y - centre[1]) * c
    light = peak * np.exp(-2 * (u * u / wx**2 + v * v / wy**2))
    z = light + offset + tilt * (x / n - 0.5) + rng.standard_normal((n, n)) * np.sqrt(noise**2 + shot**2 * light)
    return np.clip(np.round(z), 0, 4095).astype(np.uint16)


@pytest.mark.parametrize(
    ("name", "n", "wx", "wy", "centre", "noise", "tilt", "shot", "moments"),
    [
        ("round", 180, 20, 20, (90.3, 87.6), 6.0, 0.0, 0.0, True),
        ("ellipse, tilt, light noise", 180, 22, 15, (90.3, 87.6), 6.0, 30.0, 0.5, True),
        ("noisy", 180, 20, 20, (90.3, 87.6), 60.0, 0.0, 0.0, False),
        ("cut by the sensor", 140, 30, 25, (95.0, 80.0), 6.0, 0.0, 0.0, False),
    ],
)
def test_image(name, n, wx, wy, centre, noise, tilt, shot, moments):
    rng = np.random.default_rng(6)
    inside, by_moments = [], []
    for _ in range(120):
        got = image_spot(
            # a camera's black level lies several noise widths above zero, or its dark pixels are cut off
            picture(rng, n, wx, wy, 0.4 if wx != wy else 0.0, centre, 1500.0, 100.0 + 4.0 * noise, noise, tilt, shot),
            (1.0, 1.0),
        )
        by_moments.append(got.by_moments)
        pair = [(got.axes.radius_x, got.axes.u_x, wx), (got.axes.radius_y, got.axes.u_y, wy)]
        inside += [holds(value, u, math.inf, truth) for value, u, truth in pair]
    share = float(np.mean(inside))
    print(f"image, {name}: {share:.4f}, by second moments {np.mean(by_moments):.2f}")
    assert 0.92 <= share <= 0.98
    assert bool(np.mean(by_moments) > 0.95) is moments


def test_cured_lines():
    rng = np.random.default_rng(7)
    v = np.geomspace(300, 4000, 8)
    v0, w, dp, p = 9000.0, 0.125, 0.15, 100.0
    ec = math.sqrt(2 / math.pi) * p / (w * v0)
    inside = []
    for _ in range(DRAWS):
        width = w * np.sqrt(2 * np.log(v0 / v)) + 0.004 * rng.standard_normal(v.size)
        depth = dp * np.log(v0 / v) + 0.006 * rng.standard_normal(v.size)
        got = cured_line_beam(
            scan_speed=Q(v, "mm/s"), line_width=Q(width, "mm"), cure_depth=Q(depth, "mm"), power=Q(p, "mW"), model_uncertainty=0.0
        )
        fitted = got.fits[0][1]
        low, high = (end.m_as("mm") for end in got.radius_x.interval)
        inside.append(low < w < high)
        inside.append(holds(fitted.penetration_depth, fitted.u_penetration_depth, fitted.degrees_of_freedom, dp))
        inside.append(holds(fitted.critical_exposure, fitted.u_critical_exposure, fitted.degrees_of_freedom, ec))
    share = np.mean(np.reshape(inside, (-1, 3)), axis=0)
    print(f"cured lines: W0, Dp, Ec {share}")
    assert (share > 0.93).all()
    assert (share < 0.975).all()


def test_power_with_a_warm_up():
    rng = np.random.default_rng(8)
    t, inside, cut = np.arange(60.0), [], []
    for _ in range(DRAWS):
        y = 300 * (1 - 0.04 * np.exp(-t / 6)) + 0.6 * rng.standard_normal(t.size)
        got = beam_power(reading=Q(y, "mW"), time=Q(t, "s"))
        low, high = (end.m_as("mW") for end in got.power.interval)
        inside.append(low < 300 < high)
        cut.append(got.reading.left_out)
    print(f"power: {np.mean(inside):.4f}, left out {np.mean(cut):.1f} of 60")
    assert 0.92 <= np.mean(inside) <= 0.97
    assert np.min(cut) > 5


def test_two_axis_mean_radius_and_scale_part():
    """The stage's scale error moves both axes together, the scatter does not: the mean radius must know."""
    rng = np.random.default_rng(9)
    inside = []
    axis = ["x"] * 41 + ["y"] * 41
    for _ in range(DRAWS):
        scale = 1 + 0.02 * rng.standard_normal()
        x = np.linspace(-0.4, 0.4, 41)
        y = np.concatenate([knife_edge_power(x, w, 0.0) for w in (0.12, 0.10)]) + 0.005 * rng.standard_normal(82)
        got = knife_edge_beam(position=Q(np.tile(x, 2) * scale, "mm"), reading=y, axis=axis, scale_uncertainty=0.02)
        low, high = (end.m_as("mm") for end in got.beam_radius.interval)
        inside.append(low < math.sqrt(0.012) < high)
    print(f"mean radius: {np.mean(inside):.4f}")
    assert 0.93 <= np.mean(inside) <= 0.97
