"""Whole shops drawn: coupons of one day, a fit, a recipe on the machine's steps, and vectors followed by a moving beam. Vectorised.

What is true of a shop is worked out here alone: the beam's light summed over the time of the scan (Gauss-Legendre), layers summed,
light that comes in at an angle refracted by Snell and Fresnel. Only the coupons' line, the budget and the settings are the program's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from curecalc.jobs.lot import RESIN
from curecalc.jobs.machine import MACHINE
from curecalc.jobs.needs import NEEDS
from curecalc.recipe.assurance import Curve
from curecalc.recipe.inputs import gather
from curecalc.recipe.outcome import fastest_at
from curecalc.recipe.search import on_steps
from curecalc.statistics.line import ordinary_line

from .shops import curve_of_line

METER, SPOT, POWER, DAY_SPOT, SPEED, SPACING, RECOAT, GAUGE, TURN = 0.03, 0.03, 0.015, 0.015, 0.005, 0.005, 0.004, 0.003, 4.0
LAYER, BOND, SCATTER, INDEX = 0.10, 0.08, 0.006, 1.5
ACCELERATION, HEIGHT, HALF, LEAST = 2.0e6, 820.0, 120.0, 0.1
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True)
class Case:
    """What is asked of the recipe, and what the shop is like."""

    assurance: float
    single: bool
    same: bool
    coupons: int
    raster: bool
    run_up: str = "off"
    spot: str = "round"
    corner: bool = False
    coupon_rasters: bool = False
    radius: float = 0.10
    spacing: float = 0.10
    length: float = 12.0

    @property
    def ratio(self) -> float:
        """y radius over x radius of the spot."""
        return 1.0 if self.spot == "round" else 1.25


def cases() -> list[Case]:
    """Every assurance, single and mean, machine, number of coupons and pattern; the rest goes round."""
    found = []
    for assurance in (0.95, 0.99):
        for single in (True, False):
            for same in (True, False):
                for coupons in (4, 6, 8, 12):
                    for raster in (False, True):
                        n = len(found)
                        spot = ("round", "named", "any")[(n // 2 + n // 16) % 3]
                        run_up = ("off", "on", "follows speed")[(n + n // 6) % 3]
                        found.append(
                            Case(
                                assurance,
                                single,
                                same,
                                coupons,
                                raster,
                                run_up,
                                spot,
                                n // 4 % 2 == 1,
                                n // 3 % 2 == 1,
                                (0.08, 0.10, 0.13)[n % 3],
                                (0.06, 0.10, 0.12)[n // 5 % 3],
                                (4.0, 12.0, 45.0)[n // 7 % 3],
                            )
                        )
    return found


# ---------------------------------------------------------------- the program's part


def files(case: Case):
    """Machine, resin and needs as a shop writes them."""
    machine = f"""
schema = 1
name = "here"
[laser]
wavelength = "355 nm"
power = "240 mW +- {100 * POWER} %"
power_min = "{240 * LEAST} mW"
power_reading_date = 2026-01-01
power_reading_valid_for = "36500 d"
power_meter = "meter"
power_scale_uncertainty = "{100 * METER} %"
power_step = "1 mW"
[beam]
beam_radius_min = "0.05 mm"
beam_radius_max = "0.2 mm"
beam_radius_scale_uncertainty = "{100 * SPOT} %"
beam_radius_repeatability = "{100 * DAY_SPOT} %"
beam_radius_step = "0.005 mm"
radius_ratio = {case.ratio}
spot_angle = "{30 if case.spot != "round" else 0} deg +- {TURN if case.spot == "named" else 0} deg"
[scanner]
scan_speed_max = "20000 mm/s"
acceleration = "{ACCELERATION} mm/s^2"
run_up_beam = "{case.run_up}"
scan_speed_step = "10 mm/s"
scan_speed_uncertainty = "{100 * SPEED} %"
hatch_spacing_uncertainty = "{100 * SPACING} %"
hatch_spacing_step = "0.005 mm"
field_width = "{2 * HALF} mm"
field_length = "{2 * HALF} mm"
beam_height = "{HEIGHT} mm"
focus_held = true
[recoater]
layer_thickness_min = "0.05 mm"
layer_thickness_max = "0.15 mm"
layer_thickness_variation = "{RECOAT} mm"
recoat_time = "14 s"
"""
    there = "here" if case.same else "elsewhere"
    resin = f"""
schema = 1
name = "invented"
source = "coupons"
refractive_index = {INDEX}
penetration_depth = "0.14 mm +- 0.001 mm"
critical_exposure = "10 mJ/cm^2 +- 0.1 mJ/cm^2"
correlation = 0.8
[fit]
date = "2026-01-01"
coupons = {case.coupons}
readings = {case.coupons}
degrees_of_freedom = {case.coupons - 2}
residual_sd = "{SCATTER} mm"
coupon_sd = "{SCATTER} mm"
centre_exposure = "50 mJ/cm^2"
centre_depth_sd = "0.001 mm"
slope_sd = "0.001 mm"
exposure_low = "20 mJ/cm^2"
exposure_high = "160 mJ/cm^2"
depth_low = "0.1 mm"
depth_high = "0.4 mm"
machine = "{there}"
power_meter = "{"meter" if case.same else "meter elsewhere"}"
power_scale_uncertainty = {METER}
beam_radius_scale_uncertainty = {SPOT}
thickness_bias_uncertainty = "{GAUGE} mm"
raster = {str(case.coupon_rasters).lower()}
"""
    given = f'hatch_spacing = "{case.spacing} mm"' if case.raster else ""
    needs = f"""
schema = 1
name = "invented"
layer_thickness = "{LAYER} mm"
assurance = {case.assurance}
assured_for = "{"single layer" if case.single else "mean"}"
[[vectors]]
kind = "vector"
pattern = "{"raster" if case.raster else "line"}"
overcure = "{BOND} mm"
beam_radius = "{case.radius} mm"
{given}
vector_length = "{case.length} mm"
{'track_angle = "0 deg"' if case.spot == "named" else ""}
{"hold_at_field_edge = true" if case.corner else ""}
"""
    return MACHINE.parse(machine, source="machine"), RESIN.parse(resin, source="resin"), NEEDS.parse(needs, source="needs")


def settings(case: Case, curve: Curve, shops: int):
    """Settings of every shop before and after they are put on the machine's steps, with how far each upper limit may be exceeded."""
    machine, lot, needs = files(case)
    task = gather(machine, lot, needs).tasks[0]
    bounds = replace(task.bounds, overcure=1e3, print_through=1e3, ripple=1e3, line_width_high=1e3)
    task = replace(task, curve=curve, bounds=bounds)
    radius, spacing = np.full(shops, case.radius), np.full(shops, case.spacing) if case.raster else None
    return task, fastest_at(task, radius, spacing), on_steps(task, radius, spacing)


# ---------------------------------------------------------------- what is true


@dataclass(frozen=True)
class Beam:
    """The light of one shop's vectors: arrays over shops; lengths in mm, mW, mm/s."""

    power: np.ndarray
    speed: np.ndarray
    across: tuple[np.ndarray, np.ndarray, np.ndarray]  # entries xx, xy, yy of the inverse of the spot's matrix
    area: np.ndarray
    reach: np.ndarray
    length: float
    run_up: str

    def dose(self, x, lines):
        """mJ/mm^2 at x along the vectors, y = 0, from lines at y = each of `lines` (lines, shops)."""
        half, total = 3.3 * self.reach, 0.0
        for low, high, s, lit in self._stretches(x - half, x + half):
            t = 0.5 * (low + high) + 0.5 * (high - low) * NODES[:, None]
            place, power = s(t), lit(t) * self.power * (0.5 * (high - low)) * WEIGHTS[:, None]
            along = x - place
            a, b, c = self.across
            for y in lines:
                total = total + (power * np.exp(-2.0 * (a * along**2 - 2.0 * b * along * y + c * y**2))).sum(0)
        return total * 2.0 / (math.pi * self.area)

    def _stretches(self, start, end):
        """Pieces of time in which the beam is near, with its place and power there."""
        v, a, length = self.speed, ACCELERATION, self.length
        if self.run_up == "off":
            yield np.clip(start, 0.0, length) / v, np.clip(end, 0.0, length) / v, lambda t: v * t, np.ones_like
            return
        way = np.minimum(v**2 / (2.0 * a), 0.5 * length)
        power = np.ones_like if self.run_up == "on" else lambda t: np.maximum(a * t / v, LEAST * 240.0 / self.power)

        def when(s):
            return np.sqrt(2.0 * np.clip(s, 0.0, way) / a)

        yield when(start), when(end), lambda t: 0.5 * a * t**2, power
        yield when(length - end), when(length - start), lambda t: length - 0.5 * a * t**2, power
        yield np.clip(start, way, length - way) / v, np.clip(end, way, length - way) / v, lambda t: v * t, np.ones_like


def light_of(case: Case, found, random, shops: int, scale, tracks: float, lean: float) -> tuple[Beam, np.ndarray]:
    """The beam of the day the vectors are built, and the true spacing."""
    nominal = found["beam_radius"]
    size = np.exp(scale + DAY_SPOT * random.standard_normal(shops))
    wx, wy = nominal * size, nominal * case.ratio * size
    turn = math.radians(30.0 if case.spot != "round" else 0.0)
    if case.spot == "named":
        turn = turn + math.radians(TURN) * random.standard_normal(shops)
    cos, sin = np.cos(turn - tracks), np.sin(turn - tracks)
    xx, xy, yy = (wx * cos) ** 2 + (wy * sin) ** 2, (wx**2 - wy**2) * cos * sin, (wx * sin) ** 2 + (wy * cos) ** 2
    if case.corner:  # the footprint is longer the way the beam leans
        longer = 1.0 / math.cos(math.atan(math.sqrt(2.0) * HALF / HEIGHT))
        m, n = 1.0 + (longer - 1.0) * math.cos(lean) ** 2, 1.0 + (longer - 1.0) * math.sin(lean) ** 2
        o = (longer - 1.0) * math.cos(lean) * math.sin(lean)
        xx, xy, yy = (
            m * m * xx + 2 * m * o * xy + o * o * yy,
            m * o * xx + (m * n + o * o) * xy + o * n * yy,
            o * o * xx + 2 * o * n * xy + n * n * yy,
        )
    area2 = xx * yy - xy**2
    power, speed = found["power"], found["scan_speed"] * np.exp(SPEED * random.standard_normal(shops))
    inverse = (yy / area2, xy / area2, xx / area2)
    beam = Beam(power + np.zeros(shops), speed, inverse, np.sqrt(area2), np.sqrt(np.maximum(xx, yy)), case.length, case.run_up)
    spacing = np.zeros(shops) if not case.raster else found["hatch_spacing"] * np.exp(SPACING * random.standard_normal(shops))
    return beam, spacing


def slant(case: Case) -> tuple[float, float]:
    """Share of the light that is taken up per depth, over that in the centre, and cos of the refracted angle."""
    if not case.corner:
        return 1.0, 1.0
    theta = math.atan(math.sqrt(2.0) * HALF / HEIGHT)
    inner = math.asin(math.sin(theta) / INDEX)
    s = (math.cos(theta) - INDEX * math.cos(inner)) / (math.cos(theta) + INDEX * math.cos(inner))
    p = (INDEX * math.cos(theta) - math.cos(inner)) / (INDEX * math.cos(theta) + math.cos(inner))
    through = (1.0 - 0.5 * (s * s + p * p)) / (1.0 - ((INDEX - 1.0) / (INDEX + 1.0)) ** 2)
    return through / math.cos(inner), math.cos(inner)


def places(case: Case, radius):
    """Places along a vector from one nominal radius inside its end to its middle."""
    return [np.minimum(k * radius, 0.5 * case.length) for k in (1.0, 1.25, 1.7, 2.6, 5.0)] + [np.full(np.shape(radius), 0.5 * case.length)]


def built(case: Case, task, found, random, shops: int, dp, ec, shared, scale):
    """Whether each shop's layer reaches its depth, and whether each upper limit that the settings name is kept."""
    direction = most = 0.0
    if case.spot == "any":  # the weakest direction: with the wider axis across for lines, the narrower for the valleys of rasters
        direction, most = (math.radians(a) for a in ((120.0, 30.0) if case.raster else (30.0, 120.0)))
    gain, cosine = slant(case)
    lean, day = 0.0 if case.raster else 0.5 * math.pi, random.bit_generator.state
    beam, spacing = light_of(case, found, random, shops, scale, direction, lean)
    random.bit_generator.state = day  # the same day, scanned the way that gets most
    fullest, _ = light_of(case, found, random, shops, scale, most, lean)
    common = gain * np.exp(shared)
    lines = np.array([[0.0]]) if not case.raster else np.arange(-_many(case), _many(case) + 1)[:, None] * spacing
    between = 0.5 * spacing if case.raster else 0.0
    deep = dp * cosine
    weak = np.array([common * beam.dose(x, lines + between) for x in places(case, found["beam_radius"] + np.zeros(shops))])
    scatter = SCATTER * random.standard_normal(shops) if case.single else 0.0
    recoat = RECOAT * random.standard_normal(shops) if case.single else 0.0
    depth = deep * np.log(weak / ec)
    kept = {"depth": depth.min(0) + scatter - recoat >= LAYER + BOND}
    if case.corner:  # upper limits are those of the centre
        return kept
    if case.spot == "any":
        full = [common * fullest.dose(x, lines + between) for x in places(case, found["beam_radius"] + np.zeros(shops))]
        depth = deep * np.log(np.array(full) / ec)
    kept["overcure"] = depth.max(0) + scatter - recoat <= found["depth_max"] + found["overcure_beyond"]
    at = int(np.argmax(weak.mean(1)))
    x = places(case, found["beam_radius"] + np.zeros(shops))[at]
    strong = common * beam.dose(x, lines) if case.raster else weak[at]
    if case.raster:
        mean = common * beam.power / (spacing * beam.speed)
        ripple = dp * np.log(strong / weak[at])
        kept["ripple"] = ripple <= found["ripple"] + found["ripple_beyond"]
    else:
        mean = common * beam.power / (found["beam_radius"] * beam.speed) * math.sqrt(2.0 / math.pi)
        width = np.zeros(shops)
        for side in (-1.0, 1.0):
            low, high = np.zeros(shops), 6.0 * beam.reach
            for _ in range(24):
                y = 0.5 * (low + high)
                cured = common * beam.dose(x, side * y[None]) > ec
                low, high = np.where(cured, y, low), np.where(cured, high, y)
            width = width + low
        kept["width"] = width <= found["line_width_max"] + found["width_beyond"]
    if case.raster:
        total = strong + mean * sum(np.exp(-k * LAYER / dp) for k in range(1, 200))
        through = dp * np.log(total / ec) - LAYER
        kept["print_through"] = through + scatter - recoat <= found["print_through"] + found["print_through_beyond"]
    return kept


def _many(case: Case) -> int:
    return math.ceil(3.5 * case.radius * case.ratio / case.spacing) + 1


def shares(case: Case, shops: int = 10_000, seed: int = 20261126) -> tuple[dict[str, float], dict[str, float]]:
    """Shares of shops that keep each promise: at the settings found, and at those on the machine's steps."""
    random = np.random.default_rng([seed, *(int(1000 * v) for v in _numbers(case))])

    def normal(*size):
        return random.standard_normal(size)

    dp, ec = random.uniform(0.11, 0.17, shops), random.uniform(0.06, 0.14, shops)
    stated = np.log(np.geomspace(0.2, 1.6, case.coupons))
    meter_then, spot_then, gauge = METER * normal(shops), SPOT * normal(shops), GAUGE * normal(shops)
    of_day = POWER * normal(shops) + (0.0 if case.coupon_rasters else -1.0) * (spot_then + DAY_SPOT * normal(shops))
    true = stated + (meter_then + of_day)[:, None]
    thickness = dp[:, None] * (true - np.log(ec)[:, None]) + gauge[:, None] + SCATTER * normal(shops, case.coupons)
    fit = ordinary_line(np.broadcast_to(stated, thickness.shape), thickness)
    curve = curve_of_line(fit, case.coupons)
    task, exact, stepped = settings(case, curve, shops)
    meter_now = meter_then if case.same else METER * normal(shops)
    scale_now = spot_then if case.same else SPOT * normal(shops)
    shared = meter_now + POWER * normal(shops)
    state = random.bit_generator.state
    out = []
    for found in (exact, stepped):
        random.bit_generator.state = state
        kept = built(case, task, found, random, shops, dp, ec, shared, scale_now)
        out.append({name: float(np.mean(one)) for name, one in kept.items()})
    return out[0], out[1]


def _numbers(case: Case):
    yield from (case.assurance, case.single, case.same, case.coupons, case.raster, case.radius, case.spacing, case.length, case.corner)
    yield from (("off", "on", "follows speed").index(case.run_up), ("round", "named", "any").index(case.spot), case.coupon_rasters)
