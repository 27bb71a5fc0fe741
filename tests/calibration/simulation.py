"""Simulated lots whose truth is known. Run as a script, it writes the kept figures of `reference/simulations/`.

Truth: Dp 0.15 mm, Ec 8 mJ/cm^2, wanted depth 0.15 mm; coupons differ by 4 um, readings on one coupon by 3 um (standard
deviations), three readings a coupon, exposures from 14 to 70 mJ/cm^2 in pairs (four single ones for four coupons).
"""

import sys
from pathlib import Path

import numpy as np

from curecalc.calibration.design import expected
from curecalc.calibration.many import fit_lots
from curecalc.calibration.prior import conjugate_line, prior_from_lots
from curecalc.statistics.intervals import t_factor
from curecalc.statistics.line import ordinary_line, weighted_line, york_line
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


def prior_savings(counts=(3, 4, 5, 6, 8), lots=3000, seed=11, earlier=3):
    """Root mean square error of ln exposure for the depth, and coverage, with and without three earlier lots of 8 coupons.

    Lots differ by 3 % in Dp and 10 % in Ec (standard deviations), which is also what the prior is told.
    """
    rng = np.random.default_rng(seed)
    spread = np.array([0.03 * DP, 0.10])
    out = {}
    for n in counts:
        x8 = np.log(exposures(8))
        x = np.log(np.geomspace(14, 70, n))
        errors, widths, held, plain_errors, plain_widths = [], [], 0, [], []
        for _ in range(lots):
            old = np.array([DP, LEC]) + spread * rng.normal(size=(earlier, 2))
            fits = ordinary_line(x8, old[:, :1] * (x8 - old[:, 1:]) + rng.normal(0, SD, (earlier, 8)))
            thresholds = fits.x_mean - fits.y_mean / fits.slope
            away = fits.x_mean - thresholds
            cross = away / fits.slope * fits.slope_sd**2
            own = (fits.scale / 8 + away**2 * fits.slope_sd**2) / fits.slope**2
            within = np.stack([np.stack([fits.slope_sd**2, cross], -1), np.stack([cross, own], -1)], -2)
            prior = prior_from_lots(
                fits.slope, thresholds, within, fits.residual_sd, np.full(earlier, 6.0), slope_between=0.03, log_threshold_between=0.10
            )
            dp, lec = np.array([DP, LEC]) + spread * rng.normal(size=2)
            y = dp * (x - lec) + rng.normal(0, SD, n)
            truth = lec + DEPTH / dp
            for line, store, width in (
                (conjugate_line(x, y, prior.mean, prior.spread, prior.a, prior.b, prior.origin).line, errors, widths),
                (ordinary_line(x, y), plain_errors, plain_widths),
            ):
                at = line.x_mean + (DEPTH - line.y_mean) / line.slope
                sd = np.sqrt(line.scale / line.weight_sum + (at - line.x_mean) ** 2 * line.scale / line.sxx) / line.slope
                half = t_factor(0.95, line.t_degrees_of_freedom) * sd
                store.append(at - truth)
                width.append(half)
                if store is errors:
                    held += abs(at - truth) <= half
        out[n] = {
            "error_with": float(np.sqrt(np.mean(np.square(errors)))),
            "error_without": float(np.sqrt(np.mean(np.square(plain_errors)))),
            "half_width_with": float(np.median(widths)),
            "half_width_without": float(np.median(plain_widths)),
            "coverage_with": held / lots,
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
        f"# Written by tests/calibration/simulation.py; the truth and the noise stand there. {LOTS} lots a number, prior 3000.",
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
