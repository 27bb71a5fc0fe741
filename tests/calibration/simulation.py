"""Simulated lots whose truth is known. Run as a script, it writes the kept figures of `reference/simulations/`.

Truth: Dp 0.15 mm, Ec 8 mJ/cm^2, wanted depth 0.15 mm; coupons differ by 4 um, readings on one coupon by 3 um (standard
deviations), three readings a coupon, exposures from 14 to 70 mJ/cm^2 in pairs (four single ones for four coupons).
"""

import sys
from pathlib import Path

import numpy as np

from curecalc.calibration.design import expected
from curecalc.calibration.many import fit_lots
from curecalc.calibration.prior import prior_from_lots
from curecalc.calibration.prior_use import line_with_prior
from curecalc.statistics.intervals import inverse, t_factor
from curecalc.statistics.line import ordinary_line, weighted_line, york_line
from curecalc.statistics.working_line import covariance, log_threshold
from curecalc.units import Quantity as Q

DP, EC, DEPTH = 0.15, 8.0, 0.15
LEC = np.log(EC)
BETWEEN, WITHIN, READINGS = 0.004, 0.003, 3
COUPONS = (4, 6, 8, 12)
LOTS = 100_000
SD = np.sqrt(BETWEEN**2 + WITHIN**2 / READINGS)
KEPT = Path(__file__).resolve().parents[2] / "reference" / "simulations" / "lot_intervals.toml"


def exposures(n):
    return np.geomspace(14, 70, 4) if n == 4 else np.repeat(np.geomspace(14, 70, n // 2), 2)


def readings(rng, n, lots):
    x = np.log(exposures(n))
    depth = DP * (x - LEC) + rng.normal(0, BETWEEN, (lots, n))
    return depth[..., None] + rng.normal(0, WITHIN, (lots, n, READINGS))


def inside(interval, value):
    low, high = (q.m for q in interval)
    return float(np.mean((low <= value) & (value <= high)))


def coverage(n, lots=LOTS, seed=20260101):
    """Share of lots whose 95 % interval holds the truth: readings averaged, and readings counted as coupons."""
    rng = np.random.default_rng(seed + n)
    y = readings(rng, n, lots)
    future = rng.normal(0, SD, lots)
    wanted = EC * np.exp(DEPTH / DP)
    next_one = np.exp(LEC + (DEPTH - future) / DP)  # exposure at which the next coupon would come out at the depth
    out = {}
    for name, e, t in (("", exposures(n), y), ("readings_as_coupons_", np.repeat(exposures(n), READINGS), y.reshape(lots, -1))):
        fit = fit_lots(exposure=Q(e, "mJ/cm^2"), thickness=Q(np.maximum(t, 1e-6), "mm"), at_depth=Q(DEPTH, "mm"))
        out |= {
            f"{name}penetration_depth": inside(fit.penetration_depth_interval, DP),
            f"{name}critical_exposure": inside(fit.critical_exposure_interval, EC),
            f"{name}exposure_for_depth": inside(fit.mean_interval, wanted),
            f"{name}next_coupon": inside(fit.next_coupon_interval, next_one),
        }
    return out


def stated_coverage(lots=LOTS, seed=7):
    """The same for lines with stated uncertainties: thickness alone, and both axes (1 % of exposure)."""
    rng = np.random.default_rng(seed)
    x = np.log(exposures(8))
    sigma = rng.uniform(0.003, 0.006, 8)
    y = DP * (x - LEC) + sigma * rng.normal(size=(lots, 8))
    z = t_factor(0.95, np.inf)
    one = weighted_line(x, y, sigma)
    seen = x + 0.01 * rng.normal(size=(lots, 8))
    both = york_line(seen, y, 0.01, sigma)
    return {
        "weighted": float(np.mean(np.abs(one.slope - DP) <= z * one.slope_sd)),
        "both_axes": float(np.mean(np.abs(both.slope - DP) <= z * both.slope_sd)),
    }


def plan_against_simulation(n, lots=LOTS, seed=3):
    """Expected standard uncertainties of a plan over those of simulated fits, and the expected over the mean half-width."""
    rng = np.random.default_rng(seed + n)
    x = np.log(exposures(n))
    fit = ordinary_line(x, readings(rng, n, lots).mean(-1))
    plan = expected(x, slope=DP, log_threshold=LEC, scatter=SD, depth=DEPTH)
    threshold = fit.x_mean - fit.y_mean / fit.slope
    at = fit.x_mean + (DEPTH - fit.y_mean) / fit.slope
    half = t_factor(0.95, n - 2) * fit.slope_sd
    return {
        "penetration_depth": float(plan.slope / fit.slope.std()),
        "critical_exposure": float(plan.log_threshold / threshold.std()),
        "exposure_for_depth": float(plan.log_exposure / at.std()),
        "half_width": float(plan.half_width_factor * plan.slope / half.mean()),
    }


def prior_savings(counts=(6, 8, 12), lots=20_000, seed=11, earlier=3):
    """Root mean square error of ln exposure for the depth, and median half-width, with and without three earlier lots of 8 coupons.

    Lots differ by 3 % in Dp and 10 % in Ec (standard deviations), which is also what the prior is told.
    """
    rng = np.random.default_rng(seed)
    out = {}
    for n in counts:
        x8, x = (np.log(exposures(k)) for k in (8, n))
        old = [DP * (1 + 0.03 * rng.normal(size=(lots, earlier))), LEC + 0.10 * rng.normal(size=(lots, earlier))]
        fits = ordinary_line(x8, old[0][..., None] * (x8 - old[1][..., None]) + rng.normal(0, SD, (lots, earlier, 8)))
        prior = prior_from_lots(
            fits.slope,
            log_threshold(fits),
            covariance(fits),
            fits.residual_sd,
            np.full((lots, earlier), 6.0),
            slope_between=0.03,
            log_threshold_between=0.10,
        )
        dp, lec = DP * (1 + 0.03 * rng.normal(size=lots)), LEC + 0.10 * rng.normal(size=lots)
        own = ordinary_line(x, dp[:, None] * (x - lec[:, None]) + rng.normal(0, SD, (lots, n)))
        out[n] = {}
        for word, line in (("with", line_with_prior(own, prior)[0]), ("without", own)):
            found = inverse(line, DEPTH)
            out[n] |= {
                f"error_{word}": float(np.sqrt(np.mean((found.value - lec - DEPTH / dp) ** 2))),
                f"half_width_{word}": float(np.median(found.half_width)),
            }
    return out


def figures():
    """Everything that is kept, as (table, key, value)."""
    yield from ((f"coverage.{n}", k, v) for n in COUPONS for k, v in coverage(n).items())
    yield from (("coverage.stated", k, v) for k, v in stated_coverage().items())
    yield from ((f"plan.{n}", k, v) for n in COUPONS for k, v in plan_against_simulation(n).items())
    yield from ((f"prior.{n}", k, v) for n, row in prior_savings().items() for k, v in row.items())


def text():
    lines = [
        "# Simulated lots: share of 95 % intervals that hold the truth, plan against simulation, what earlier lots save.",
        f"# Written by tests/calibration/simulation.py; the truth and the noise stand there. {LOTS} lots a number, prior 20000.",
    ]
    table = None
    for name, key, value in figures():
        if name != table:
            lines += ["", f"[{name}]"]
            table = name
        lines.append(f"{key} = {value:.5f}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    KEPT.parent.mkdir(exist_ok=True)
    KEPT.write_text(text())
    sys.stdout.write(KEPT.read_text())
