"""Simulated shops, apart from the code they judge: truth, coupons, readings, gauges, meters and earlier lots are made here.

Run as a script it writes `reference/simulations/shops.toml`: for each model of a shop the share of 95 % intervals that hold the truth
(Dp, Ec, exposure for a depth, next coupon). Truth: Dp 0.15 mm, Ec 8 mJ/cm^2, depth 0.15 mm, exposures 14 to 70 mJ/cm^2 in pairs.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

DP, EC, DEPTH = 0.15, 8.0, 0.15
KEPT = Path(__file__).resolve().parents[2] / "reference" / "simulations" / "shops.toml"
ANSWERS = ("penetration_depth", "critical_exposure", "exposure_for_depth", "next_coupon")


@dataclass(frozen=True)
class Shop:
    """One model of a shop. Scatters in mm; `between` of coupons, `within` of readings on one coupon."""

    coupons: int = 8
    between: float = 0.004
    within: float = 0.003
    readings: str = "3"
    gauge: float = 0.0
    stated: str = ""
    exposure_scatter: float = 0.0
    meter: float = 0.0
    bias: float = 0.0
    earlier: int = 0
    spread: tuple = (0.03, 0.10)
    wilder: float = 1.0


def mixed(n, ratio, readings="3"):
    """A shop whose readings scatter `ratio` times as much as its coupons, and three of them on a coupon as much as ever."""
    size = 0.0045 / np.hypot(1.0, ratio / np.sqrt(3))
    return Shop(n, between=size, within=ratio * size, readings=readings)


def exposures(n):
    return np.geomspace(14, 70, 4) if n == 4 else np.repeat(np.geomspace(14, 70, (n + 1) // 2), 2)[:n]


def counts(shop, lots, rng):
    n = shop.coupons
    if shop.readings == "random":
        return rng.integers(1, 9, (lots, n))
    if shop.readings == "first half once":
        return np.broadcast_to(np.r_[[1] * (n // 2), [8] * (n - n // 2)], (lots, n))
    if shop.readings == "ends once":
        return np.broadcast_to(np.r_[1, [8] * (n - 2), 1], (lots, n))
    if shop.readings == "middle once":
        return np.broadcast_to(np.r_[8, [1] * (n - 2), 8], (lots, n))
    return np.full((lots, n), int(shop.readings))


def rounded(values, step):
    return values if step == 0 else np.round(values / step) * step


def coupons(shop, dp, lec, n, m, rng, x=None):
    """Mean and sum of squares of the readings of each coupon, as a gauge shows them."""
    between, within = shop.between * shop.wilder, shop.within * shop.wilder
    lots = m.shape[0]
    true = dp[:, None] * (x - lec[:, None]) + between * rng.normal(size=(lots, n))
    each = rounded(true[..., None] + within * rng.normal(size=(lots, n, 8)), shop.gauge)
    used = np.arange(8) < m[..., None]
    mean = np.where(used, each, 0).sum(-1) / m
    squares = np.where(used, (each - mean[..., None]) ** 2, 0).sum(-1)
    return mean, squares


def simulate(shop, lots, seed):
    """What the shop sees, and what is true: a dict of arrays over lots."""
    rng = np.random.default_rng(seed)
    n = shop.coupons
    b, c = shop.spread
    vary = shop.earlier > 0
    dp = DP * (1 + (b * rng.normal(size=lots) if vary else 0) + np.zeros(lots))
    lec = np.log(EC) + (c * rng.normal(size=lots) if vary else 0) + np.zeros(lots)
    x = np.broadcast_to(np.log(exposures(n)), (lots, n))
    m = counts(shop, lots, rng)
    lit = x + shop.exposure_scatter * rng.normal(size=(lots, n))  # what each coupon really got
    y, squares = coupons(shop, dp, lec, n, m, rng, lit)
    y = y + shop.bias * rng.normal(size=(lots, 1))
    shown = x + shop.meter * rng.normal(size=(lots, 1))  # the meter's scale, one a lot
    future = np.take_along_axis(m, rng.integers(0, n, (lots, 1)), 1)
    at = lec + DEPTH / dp
    one = coupons(shop, dp, lec, 1, future, rng, (at + shop.exposure_scatter * rng.normal(size=lots))[:, None])[0][:, 0]
    own = np.sqrt(shop.between**2 + shop.within**2 / m) * shop.wilder
    stated = None
    if shop.stated == "true":
        stated = own
    elif shop.stated == "readings only":  # s/sqrt(m) of each coupon's own readings
        stated = np.sqrt(np.maximum(squares, 1e-12) / np.maximum(m - 1, 1) / m)
    elif shop.stated:
        stated = own * float(shop.stated)
    old = []
    for _ in range(shop.earlier):
        od, ol = DP * (1 + b * rng.normal(size=lots)), np.log(EC) + c * rng.normal(size=lots)
        ox = np.broadcast_to(np.log(exposures(8)), (lots, 8))
        calm = Shop(between=shop.between, within=shop.within)
        old.append((ox, coupons(calm, od, ol, 8, np.full((lots, 8), 3), rng, ox)[0]))
    return {
        "x": shown, "y": y, "counts": m, "within_squares": squares.sum(-1), "stated": stated, "earlier": old,
        "dp": dp, "lec": lec, "at": at, "next": one,
    }  # fmt: skip


def most(shop):
    """Greatest share a shop may reach: 97 % from six coupons with steps up to one sigma, true statements, scatter as before or more."""
    scatter = np.hypot(shop.between, shop.within / np.sqrt(3))
    if shop.coupons < 6 or shop.gauge > 1.001 * scatter or shop.stated not in ("", "true") or shop.wilder < 1:
        return 1.0
    return 0.97


def coverage(shop, lots=20_000, seed=1):
    """Share of the program's 95 % intervals that hold the truth."""
    from curecalc.calibration.many import fit_lots
    from curecalc.calibration.prior import prior_from_lots
    from curecalc.units import Quantity as Q

    s = simulate(shop, lots, seed)
    prior = None
    if s["earlier"]:
        from curecalc.statistics.line import ordinary_line
        from curecalc.statistics.working_line import covariance, log_threshold

        fits = [ordinary_line(x, y) for x, y in s["earlier"]]
        prior = prior_from_lots(
            np.stack([f.slope for f in fits], -1),
            np.stack([log_threshold(f) for f in fits], -1),
            np.stack([covariance(f) for f in fits], -3),
            np.stack([f.residual_sd for f in fits], -1),
            np.full((lots, len(fits)), 6.0),
            slope_between=shop.spread[0],
            log_threshold_between=shop.spread[1],
        )
    freedom = (s["counts"] - 1).sum(-1)
    fit = fit_lots(
        exposure=Q(np.exp(s["x"]), "mJ/cm^2"),
        thickness=Q(np.maximum(s["y"], 1e-6), "mm"),
        at_depth=Q(DEPTH, "mm"),
        readings=s["counts"],
        repeatability=Q(np.sqrt(s["within_squares"] / np.maximum(freedom, 1)), "mm"),
        gauge_resolution=Q(shop.gauge, "mm") if shop.gauge else None,
        thickness_uncertainty=None if s["stated"] is None else Q(s["stated"], "mm"),
        exposure_uncertainty=Q(shop.exposure_scatter * np.exp(s["x"]), "mJ/cm^2")
        if shop.exposure_scatter and s["stated"] is not None
        else None,
        prior=prior,
        power_scale_uncertainty=shop.meter or None,
        thickness_bias_uncertainty=Q(shop.bias, "mm") if shop.bias else None,
        same_machine=not shop.meter,
        same_gauge=not shop.bias,
    )

    def holds(interval, truth):
        low, high = (q.m for q in interval)
        return float(np.mean((low <= truth) & (truth <= high)))

    lec, dp = s["lec"], s["dp"]
    shift = np.exp(s["at"] + (DEPTH - s["next"]) / dp)  # exposure at which the next coupon would have come out at the depth
    return dict(
        zip(
            ANSWERS,
            (
                holds(fit.penetration_depth_interval, dp),
                holds(fit.critical_exposure_interval, np.exp(lec)),
                holds(fit.mean_interval, np.exp(s["at"])),
                holds(fit.next_coupon_interval, shift),
            ),
        )
    )


def models():
    """Name to shop."""
    out = {}
    for n in (4, 5, 6, 8, 12, 20):
        out[f"ideal, {n} coupons"] = Shop(n)
    for ratio in (0.2, 1.0, 5.0):
        for n in (4, 6, 12):
            out[f"ideal, scatter ratio {ratio:g}, {n}"] = mixed(n, ratio)
    for n in (4, 6, 8, 12):
        for ratio in (0.2, 1.0, 5.0):
            out[f"unequal readings, ratio {ratio:g}, {n}"] = mixed(n, ratio, "random")
    for n in (6, 8, 12):
        for ratio in (0.2, 1.0, 5.0):
            for which in ("first half", "ends", "middle"):
                out[f"{which} read once, ratio {ratio:g}, {n}"] = mixed(n, ratio, f"{which} once")
    scatter = np.hypot(0.004, 0.003 / np.sqrt(3))
    for step in (0.5, 1.0, 2.0, 3.0):
        for n in (4, 6, 12):
            out[f"{'ideal, ' if step <= 1 else ''}gauge step {step:g} sigma, {n}"] = Shop(n, gauge=step * scatter)
    for n in (4, 6, 8, 12):
        out[f"{'ideal, ' if n >= 6 else ''}stated truly, {n}"] = Shop(n, stated="true", readings="random")
        for wrong in ("0.7", "0.5", "0.33", "readings only"):
            out[f"stated {wrong}, {n}"] = Shop(n, stated=wrong)
    for n in (6, 12):
        out[f"ideal, both axes, {n}"] = Shop(n, exposure_scatter=0.015, stated="true")
        out[f"ideal, meter scale 5 %, {n}"] = Shop(n, meter=0.05)
        out[f"ideal, thickness bias 5 um, {n}"] = Shop(n, bias=0.005)
    for lots in (1, 3):
        for n in (4, 6, 8, 12):
            for wilder in (0.5, 1.0, 1.7, 2.5):
                fair = "ideal, " if n >= 6 and wilder >= 1 else ""
                out[f"{fair}{lots} earlier, {n}, scatter x{wilder:g}"] = Shop(n, earlier=lots, wilder=wilder)
    return out


def text(lots=20_000, seed=8001):
    lines = [
        "# Simulated shops: share of 95 % intervals that hold the truth. Written by tests/calibration/shops.py, where the shops stand.",
        f"# {lots} lots a model, seed {seed}, which no choice in the code was made by.",
    ]
    for name, shop in models().items():
        lines += ["", f'["{name}"]'] + [f"{key} = {value:.4f}" for key, value in coverage(shop, lots, seed).items()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    KEPT.write_text(text())
    sys.stdout.write(KEPT.read_text())
