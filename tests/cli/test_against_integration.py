"""What the command line answers against the moving beam integrated in time, over random settings.

The outside here is a simulation: a spot of irradiance 2P/(pi Wx Wy) exp(-2 a^2/Wx^2 - 2 b^2/Wy^2) on its own axes is moved
along every track of the pattern and its irradiance summed over time at a point; light decays as exp(-path/Dp). Depths,
widths and speeds are then found by bracketing. No closed form of the library is used, and every number travels through the
text of an option and the text of the JSON. For a Gaussian the trapezoid rule over time is exact to rounding.
"""

import json
import math

import numpy as np
import pytest
from sampling import few
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from curecalc.cli import main

RTOL = 1e-7


class Shot:
    """One random setting, its options on the command line, and the simulation of it."""

    def __init__(self, seed, *, raster, crossed=False, passes=None, ellipse=False, tilt=False):
        rng = np.random.default_rng(seed)
        log = lambda a, b: float(10 ** rng.uniform(math.log10(a), math.log10(b)))  # noqa: E731
        self.power, self.w, self.v = log(1.0, 500.0), log(0.02, 0.3), log(50.0, 8000.0)
        self.h = self.w * log(0.1, 2.5) if raster else None
        self.passes = passes or 1
        self.crossed = crossed
        self.dp = log(0.03, 0.2)
        self.ratio = log(0.5, 2.0) if ellipse else 1.0
        self.spot, self.track = (float(x) for x in rng.uniform(-3.0, 3.0, 2)) if ellipse or tilt else (0.0, 0.0)
        self.theta, self.lean = (float(rng.uniform(0.05, 0.6)), float(rng.uniform(-3, 3))) if tilt else (0.0, 0.0)
        self.n = float(rng.uniform(1.35, 1.6))
        self.ec = self.surface(*self.weakest()) / log(1.3, 8.0)
        self.rng = rng

    # the simulation

    def irradiance(self, x, y):
        """On the resin at (x, y) from where the axis of the beam meets it; full power, as measured before the surface."""
        axis = np.array([math.sin(self.theta) * math.cos(self.lean), math.sin(self.theta) * math.sin(self.lean), -math.cos(self.theta)])
        # coordinates across the beam: the offset from its axis, turned upright about the line square to the lean
        s = x * math.cos(self.lean) + y * math.sin(self.lean)
        q = -x * math.sin(self.lean) + y * math.cos(self.lean)
        s = s * -axis[2]
        x, y = s * math.cos(self.lean) - q * math.sin(self.lean), s * math.sin(self.lean) + q * math.cos(self.lean)
        c, d = math.cos(self.spot), math.sin(self.spot)
        a, b = c * x + d * y, -d * x + c * y
        wy = self.w * self.ratio
        peak = 2.0 * self.power / (math.pi * self.w * wy)
        return peak * np.exp(-2.0 * (a / self.w) ** 2 - 2.0 * (b / wy) ** 2) * math.cos(self.theta)

    def reach(self):
        return 8.0 * self.w * max(self.ratio, 1.0) / math.cos(self.theta)

    def raster(self, x, y, angle, exponent=1.0):
        """Integral of irradiance^exponent over time at (x, y), all lines of one raster (or the one line), tracks at angle."""
        step = self.w * min(self.ratio, 1.0) / 7.0
        reach = self.reach() / math.sqrt(exponent)
        along = np.arange(-reach, reach, step)
        p = x * math.cos(angle) + y * math.sin(angle)
        q = -x * math.sin(angle) + y * math.cos(angle)
        if self.h is None:
            lines = np.array([0.0])
        else:
            k = np.arange(math.floor((q - reach) / self.h), math.ceil((q + reach) / self.h) + 1)
            lines = k * self.h
        d, o = np.meshgrid(along, q - lines)
        dx, dy = d * math.cos(angle) - o * math.sin(angle), d * math.sin(angle) + o * math.cos(angle)
        del p  # the time of passing does not matter: an endless track
        return float(np.sum(self.irradiance(dx, dy) ** exponent)) * step / self.v

    def surface(self, across, crossing=0.0, exponent=1.0):
        """Exposure at a distance across the tracks (and across those of the crossed raster), all passes."""
        angle = self.track
        x = -across * math.sin(angle) + crossing * math.cos(angle)
        y = across * math.cos(angle) + crossing * math.sin(angle)
        one = self.raster(x, y, angle, exponent)
        if self.crossed:
            one += self.raster(x, y, angle + 0.5 * math.pi, exponent)
        return math.fsum([one] * self.passes)

    def weakest(self):
        """On the axis of a line, half-way between the lines of a raster."""
        return (0.0, 0.0) if self.h is None else (0.5 * self.h, 0.5 * self.h)

    def loss(self, theta):
        """Unpolarised share reflected, from the conditions at the surface."""
        c1, c2 = math.cos(theta), math.sqrt(1.0 - (math.sin(theta) / self.n) ** 2)
        rs = np.linalg.solve([[-1.0, 1.0], [c1, self.n * c2]], [1.0, c1])[0]
        rp = np.linalg.solve([[c1, c2], [-1.0, self.n]], [c1, 1.0])[0]
        return 0.5 * (rs**2 + rp**2)

    def left(self, exposure, z):
        """Energy per area across the ray at depth z: what enters is squeezed into the narrower refracted beam, its way is longer."""
        inside = math.asin(math.sin(self.theta) / self.n)
        entered = exposure * (1.0 - self.loss(self.theta)) / (1.0 - self.loss(0.0))
        return entered / math.cos(inside) * math.exp(-z / math.cos(inside) / self.dp)

    def depth(self, exposure):
        if self.left(exposure, 0.0) <= self.ec:
            return 0.0
        return brentq(lambda z: math.log(self.left(exposure, z) / self.ec), 0.0, 60.0 * self.dp, xtol=1e-15, rtol=1e-14)

    # the command line

    def words(self, *unknown, width="radius"):
        """Options of this setting, each number with 17 digits in a unit picked at random, without the unknown."""

        def quantity(name, value, *units):
            unit, factor = units[self.rng.integers(len(units))]
            return [f"--{name}", f"{value / factor:.17g} {unit}"]

        lengths = (("mm", 1.0), ("um", 1e-3), ("cm", 10.0), ("in", 25.4))
        if width == "fwhm":
            w0 = brentq(lambda f: math.exp(-2.0 * (0.5 * f / self.w) ** 2) - 0.5, 0.0, 5.0 * self.w, xtol=1e-16, rtol=1e-15)
        else:
            w0 = self.w if width == "radius" else 2.0 * self.w
        words = {
            "power": quantity("power", self.power, ("mW", 1.0), ("W", 1e3), ("uW", 1e-3)),
            "beam_radius": quantity(f"beam-{width}", w0, *lengths),
            "scan_speed": quantity("scan-speed", self.v, ("mm/s", 1.0), ("m/s", 1e3), ("in/s", 25.4)),
            "penetration_depth": quantity("penetration-depth", self.dp, *lengths),
            "critical_exposure": quantity(
                "critical-exposure", self.ec, ("mJ/mm^2", 1.0), ("mJ/cm^2", 0.01), ("J/m^2", 1e-3), ("J/cm2", 10.0)
            ),
        }
        if self.h is not None:
            words["hatch_spacing"] = quantity("hatch-spacing", self.h, *lengths)
        if self.passes > 1:
            words["passes"] = ["--passes", str(self.passes)]
        if self.crossed:
            words["crossed"] = ["--cross-hatch"]
        if self.ratio != 1.0:
            words["ratio"] = ["--radius-ratio", f"{self.ratio:.17g}"]
            words["spot"] = ["--spot-angle", f"{self.spot:.17g} rad"]
        if self.ratio != 1.0 or self.theta:
            words["track"] = ["--track-angle", f"{math.degrees(self.track):.17g} deg"]
        if self.theta:
            words["tilt"] = [
                "--incidence-angle",
                f"{self.theta:.17g} rad",
                "--incidence-direction",
                f"{self.lean:.17g} rad",
                "--refractive-index",
                f"{self.n:.17g}",
            ]
        return [word for name, pair in words.items() if name not in unknown for word in pair]


@pytest.fixture
def ask(capsys):
    def ask(command, *words):
        status = main([command, *words, "--json"])
        out, err = capsys.readouterr()
        assert status == 0, err
        return json.loads(out)

    return ask


def value(record, name, unit):
    assert record[name]["unit"] == unit
    return record[name]["value"]


WIDTHS = ["radius", "diameter", "fwhm"]


def check_answer(shot, got, *, unit_exposure=0.01):
    low = shot.surface(*shot.weakest())
    if shot.h is None:
        assert value(got, "exposure_peak", "mJ/cm^2") * unit_exposure == pytest.approx(low, rel=RTOL, abs=0.0)
        assert value(got, "cure_depth", "mm") == pytest.approx(shot.depth(low), rel=RTOL, abs=0.0)
        edge = brentq(lambda y: math.log(shot.left(shot.surface(y), 0.0) / shot.ec), 0.0, shot.reach() * 0.7, xtol=1e-15)
        assert value(got, "line_width", "mm") == pytest.approx(2.0 * edge, rel=RTOL, abs=0.0)
        return
    high = shot.surface(0.0, 0.0)
    u = (np.arange(64) + 0.5) / 64 * shot.h
    rows = np.mean([shot.raster(-a * math.sin(shot.track), a * math.cos(shot.track), shot.track) for a in u])
    mean = rows * shot.passes * (2 if shot.crossed else 1)
    for name, want in (("min", low), ("mean", mean), ("max", high)):
        assert value(got, f"exposure_{name}", "mJ/cm^2") * unit_exposure == pytest.approx(want, rel=RTOL, abs=0.0)
        assert value(got, f"cure_depth_{name}", "mm") == pytest.approx(shot.depth(want), rel=RTOL, abs=0.0)


PATTERNS = {
    "line": {"raster": False},
    "line-passes": {"raster": False, "passes": 3},
    "line-ellipse": {"raster": False, "ellipse": True},
    "line-tilt": {"raster": False, "tilt": True},
    "line-ellipse-tilt": {"raster": False, "ellipse": True, "tilt": True},
    "raster": {"raster": True},
    "raster-passes": {"raster": True, "passes": 2},
    "raster-crossed": {"raster": True, "crossed": True},
    "raster-crossed-passes": {"raster": True, "crossed": True, "passes": 3},
    "raster-ellipse": {"raster": True, "ellipse": True},
    "raster-ellipse-crossed-tilt": {"raster": True, "ellipse": True, "crossed": True, "tilt": True},
}


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("pattern", few(PATTERNS, 3))
def test_depth(ask, pattern, width):
    for seed in range(3):
        shot = Shot(1000 + seed + 10 * len(pattern) + 100 * WIDTHS.index(width), **PATTERNS[pattern])
        check_answer(shot, ask("depth", *shot.words(width=width)))


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("pattern", few(PATTERNS, 3))
def test_speed(ask, pattern, width):
    for seed in range(3):
        shot = Shot(2000 + seed + 10 * len(pattern) + 100 * WIDTHS.index(width), **PATTERNS[pattern])
        wanted, layer = 1.3 * shot.dp, 0.8 * shot.dp
        got = ask(
            "speed",
            *shot.words("scan_speed", width=width),
            "--layer-thickness",
            f"{layer:.17g} mm",
            "--overcure",
            f"{1e3 * (wanted - layer):.17g} um",
        )
        shot.v = value(got, "scan_speed", "mm/s")
        assert shot.depth(shot.surface(*shot.weakest())) == pytest.approx(wanted, rel=RTOL, abs=0.0)
        check_answer(shot, got)
        assert value(got, "overcure", "mm") == pytest.approx(wanted - layer, rel=RTOL, abs=0.0)


@pytest.mark.parametrize("pattern", ["line", "line-ellipse-tilt", "raster-passes", "raster-ellipse-crossed-tilt"])
@pytest.mark.parametrize("unknown", ["power", "hatch_spacing", "beam_radius", "layer_thickness", "overcure"])
def test_solve(ask, pattern, unknown):
    if unknown == "hatch_spacing" and pattern.startswith("line"):
        pytest.skip("a line has no spacing")
    for seed in range(2):
        shot = Shot(3000 + seed + 10 * len(pattern), **PATTERNS[pattern])
        if unknown == "beam_radius" and shot.h is not None:
            # far closer together the valley hardly knows the radius, and no root could be told to 1e-6
            shot.h = 1.2 * shot.w
            shot.ec = shot.surface(*shot.weakest()) / 3.0
        deep = shot.depth(shot.surface(*shot.weakest()))
        words = shot.words(unknown, width="radius")
        if unknown == "layer_thickness":
            got = ask("solve", "--for", unknown, *words, "--overcure", f"{0.3 * deep:.17g} mm")
            assert value(got, unknown, "mm") == pytest.approx(0.7 * deep, rel=RTOL, abs=0.0)
            continue
        if unknown == "overcure":
            got = ask("solve", "--for", unknown, *words, "--layer-thickness", f"{0.7 * deep:.17g} mm")
            assert value(got, unknown, "mm") == pytest.approx(0.3 * deep, rel=RTOL, abs=0.0)
            continue
        got = ask("solve", "--for", unknown, *words, "--cure-depth", f"{deep:.17g} mm")
        found = got[unknown] if isinstance(got[unknown], list) else [got[unknown]]
        attribute, truth = {"power": ("power", shot.power), "hatch_spacing": ("h", shot.h), "beam_radius": ("w", shot.w)}[unknown]
        numbers = [one["value"] for one in found]
        assert min(abs(x / truth - 1.0) for x in numbers) < 1e-6, "the setting it came from is among the answers"
        for x in numbers:
            setattr(shot, attribute, x)
            assert shot.depth(shot.surface(*shot.weakest())) == pytest.approx(deep, rel=RTOL, abs=0.0)


def test_solve_passes(ask):
    for seed in range(4):
        shot = Shot(4000 + seed, raster=True)
        wanted = 2.2 * shot.depth(shot.surface(*shot.weakest()))
        got = ask("solve", "--for", "passes", *shot.words("passes"), "--cure-depth", f"{wanted:.17g} mm")
        assert got["passes"] >= 2
        for passes, enough in ((got["passes"] - 1, False), (got["passes"], True)):
            shot.passes = passes
            assert (shot.depth(shot.surface(*shot.weakest())) >= wanted) == enough


@pytest.mark.parametrize("raster", [False, True])
def test_power_threshold_law(ask, raster):
    """Solid where the integral of I^w over time reaches what I_ref gives in the time Ec/I_ref."""
    for seed in range(3):
        shot = Shot(5000 + seed, raster=raster, ellipse=True, passes=2)
        w, i_ref = float(shot.rng.uniform(0.7, 1.2)), float(shot.rng.uniform(1.0, 100.0))
        dose = shot.surface(*shot.weakest(), exponent=w)
        shot.ec = dose / 4.0 / i_ref ** (w - 1.0)
        needed = i_ref**w * (shot.ec / i_ref)
        tip = brentq(lambda z: math.log(dose * math.exp(-w * z / shot.dp) / needed), 0.0, 60 * shot.dp, xtol=1e-15)  # noqa: B023
        got = ask("depth", *shot.words(), "--power-exponent", f"{w:.17g}", "--reference-irradiance", f"{i_ref:.17g} mW/mm^2")
        assert value(got, "cure_depth_min" if raster else "cure_depth", "mm") == pytest.approx(tip, rel=RTOL, abs=0.0)
        if not raster:
            edge = brentq(lambda y: math.log(shot.surface(y, exponent=w) / needed), 0.0, shot.reach() * 0.7, xtol=1e-15)  # noqa: B023
            assert value(got, "line_width", "mm") == pytest.approx(2.0 * edge, rel=RTOL, abs=0.0)


@pytest.mark.parametrize("raster", [False, True])
def test_bleaching(ask, raster):
    """dX/dz = -(Eb/Dp)(1 - exp(-X/Eb)) for the exposure X that has passed depth z, integrated down from the surface."""
    for seed in range(3):
        shot = Shot(6000 + seed, raster=raster)
        e = shot.surface(*shot.weakest())
        eb = e / float(shot.rng.uniform(0.3, 5.0))
        stop = lambda z, x: x[0] - shot.ec  # noqa: B023, E731
        stop.terminal = True
        falls = lambda z, x: -eb / shot.dp * -np.expm1(-x / eb)  # noqa: B023, E731
        run = solve_ivp(falls, (0, 100 * shot.dp), [e], events=stop, rtol=1e-12, atol=1e-18, method="DOP853")
        got = ask("depth", *shot.words(), "--bleaching-exposure", f"{eb:.17g} mJ/mm^2")
        depth = value(got, "cure_depth_min" if raster else "cure_depth", "mm")
        assert depth == pytest.approx(run.t_events[0][0], rel=RTOL, abs=0.0)


def test_pulsed_line(ask):
    """Pulses v/f apart: on the axis the least and greatest of the sum of whole spots."""
    for seed in range(4):
        shot = Shot(7000 + seed, raster=False, ellipse=True)
        shot.ec /= 30.0
        pitch = float(shot.rng.uniform(0.3, 1.8)) * shot.w
        rate = shot.v / pitch
        k = np.arange(-300, 301) * pitch
        along = lambda s: (s * math.cos(shot.track), s * math.sin(shot.track))  # noqa: B023, E731
        low, high = (float(np.sum(shot.irradiance(*along(k + shift)))) / rate for shift in (0.5 * pitch, 0.0))
        got = ask("depth", *shot.words(), "--pulse-rate", f"{rate / 1e3:.17g} kHz")
        assert value(got, "exposure_min", "mJ/cm^2") == pytest.approx(100 * low, rel=RTOL, abs=0.0)
        assert value(got, "exposure_max", "mJ/cm^2") == pytest.approx(100 * high, rel=RTOL, abs=0.0)
        assert value(got, "cure_depth", "mm") == pytest.approx(shot.depth(low), rel=RTOL, abs=0.0)


@pytest.mark.parametrize("layers", [1, 4, None])
@pytest.mark.parametrize("raster", [False, True])
def test_stack_layer_by_layer(ask, raster, layers):
    """Every layer irradiates what lies below its own surface; solid below the nominal face, a layer under the first top."""
    for seed in range(2):
        shot = Shot(8000 + seed, raster=raster)
        t = float(shot.rng.uniform(0.3, 1.2)) * shot.dp
        e = shot.surface(*shot.weakest())
        if raster:
            e = shot.power / (shot.v * shot.h)
        n = layers or 400
        total = lambda z: math.fsum(e * math.exp(-(z + k * t) / shot.dp) for k in range(n))  # noqa: B023, E731
        tip = brentq(lambda z: math.log(total(z) / shot.ec), -60 * shot.dp, 60 * shot.dp, xtol=1e-15)  # noqa: B023
        got = ask("stack", *shot.words(), "--layer-thickness", f"{t:.17g} mm", *(["--layers", str(layers)] if layers else []))
        assert value(got, "print_through", "mm") == pytest.approx(tip - t, rel=RTOL, abs=1e-9 * t)
        weakest = math.fsum(shot.surface(*shot.weakest()) * math.exp(-(t + k * t) / shot.dp) for k in range(n))
        assert value(got, "interface_exposure", "mJ/cm^2") == pytest.approx(100 * weakest, rel=RTOL, abs=0.0)
        own = shot.surface(*shot.weakest()) * math.exp(-t / shot.dp)
        assert value(got, "interface_exposure_own_layer", "mJ/cm^2") == pytest.approx(100 * own, rel=RTOL, abs=0.0)


def test_nothing_cures_below_the_critical_exposure(ask):
    shot = Shot(9000, raster=False)
    shot.ec = shot.surface(0.0) * (1.0 + 1e-9)
    got = ask("depth", *shot.words())
    assert value(got, "cure_depth", "mm") == 0.0
    assert value(got, "line_width", "mm") == 0.0
    assert any("cure" in text for text in got["warnings"])
