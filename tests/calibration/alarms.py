"""False alarms and detection of the Checks of a lot, by simulated lots made apart from the code. Run as a script it writes
`reference/simulations/checks.toml`. Clean lots: Dp 0.15 mm, Ec 8 mJ/cm^2, coupons 4 um, readings 3 um, three readings, pairs of exposures
(speed varied; with order, temperature and power recorded where it says so: temperature 23 to 25 degC, power varied twofold). Coupons read
unequally are those of `shops.py`.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from shops import DP, EC, Shop, counts, exposures, models

KEPT = Path(__file__).resolve().parents[2] / "reference" / "simulations" / "checks.toml"
SD = np.hypot(0.004, 0.003 / np.sqrt(3))
SEED = 7102
USUAL = Shop()
UNEQUAL = {name: shop for name, shop in models().items() if "read once" in name or "unequal readings" in name}


def lot(rng, n, *, shop=USUAL, recorded=False, fault="", size=0.0, at=(), signs=None):
    """Arguments of `fit_working_curve` for one lot, with one fault of a size in coupon sigma where asked."""
    from curecalc.units import Quantity as Q

    e = exposures(n)
    x = np.log(e)
    more = {}
    if recorded:
        power = np.where(np.arange(n) % 2, 240.0, 120.0)
        order, warm = rng.permutation(n) + 1.0, rng.uniform(23.0, 25.0, n)
        more = {"power": power, "scan_speed": power * 1000.0 / e, "run_order": order, "temperature": warm}
    y = DP * np.log(e / EC) + rng.normal(0, shop.between, n)
    if fault == "coupons":
        y[list(at)] += size * SD * (np.ones(len(at)) if signs is None else signs)
    if fault == "bend":
        z = (x - x.mean()) / np.ptp(x) * 2
        y = y + size * SD * (z**2 - (z**2).mean())
    if fault == "drift":
        y = y + size * SD * (more["run_order"] - (n + 1) / 2) / (n / 2)
    if fault == "warm":
        y = y + size * SD * (more["temperature"] - 24.0)
    if fault == "level":
        y = y + size * SD * np.where(np.abs(e - e[n // 2]) < 1e-9, 1.0, 0.0)
    of = np.repeat(np.arange(n), counts(replace(shop, coupons=n), 1, rng)[0])
    readings = y[of] + rng.normal(0, shop.within, of.size)
    if fault == "reading":
        readings[np.flatnonzero(of == n // 2)[1]] += size * shop.within
    units = {"power": "mW", "scan_speed": "mm/s", "temperature": "degC"}
    given = {k: Q(v[of], units[k]) if k in units else v[of] for k, v in more.items()}
    return {"exposure": Q(e[of], "mJ/cm^2"), "thickness": Q(readings, "mm"), "coupon": of.astype(str), **given}


def alarm_rate(n, recorded, lots, seed, shop=USUAL):
    """Share of clean lots with any Check, and with any note."""
    from curecalc.calibration.curve import fit_working_curve

    rng = np.random.default_rng(seed + n)
    fits = [fit_working_curve(**lot(rng, n, recorded=recorded, shop=shop)) for _ in range(lots)]
    return sum(bool(f.warnings) for f in fits) / lots, sum(bool(f.notes) for f in fits) / lots


def found_rate(n, fault, size, lots, seed, pair=False, recorded=False):
    """Share of faulty lots in which the fault is named (for coupons: exactly those)."""
    from curecalc.calibration.curve import fit_working_curve

    rng = np.random.default_rng(seed + n)
    codes = {"bend": "curvature", "drift": "trend_order", "warm": "trend_temperature", "level": "lack_of_fit"}
    hits = 0
    for _ in range(lots):
        at = rng.choice(n, 2 if pair else 1, replace=False)
        fit = fit_working_curve(**lot(rng, n, recorded=recorded, fault=fault, size=size, at=at))
        if fault == "coupons":
            hits += {str(k) for k in at} <= {o.coupon for o in fit.outliers if o.kind == "coupon" and o.check}
        elif fault == "reading":
            hits += any(o.kind == "reading" for o in fit.outliers)
        else:
            hits += codes[fault] in {f.code for f in fit.findings}
    return hits / lots


FAULTS = {
    "one coupon, 4 sigma": ("coupons", 4.0, {}),
    "one coupon, 6 sigma": ("coupons", 6.0, {}),
    "one coupon, 8 sigma": ("coupons", 8.0, {}),
    "two coupons, 8 sigma": ("coupons", 8.0, {"pair": True}),
    "bend, 3 sigma": ("bend", 3.0, {}),
    "one level off, 5 sigma": ("level", 5.0, {}),
    "drift, 3 sigma end to end half": ("drift", 3.0, {"recorded": True}),
    "temperature, 3 sigma a degree": ("warm", 3.0, {"recorded": True}),
    "one reading, 8 sigma": ("reading", 8.0, {}),
}


def text(lots, seed):
    lines = [
        "# Checks of simulated lots, made with a seed at which no level was chosen.",
        "# Written by tests/calibration/alarms.py, where the lots and faults stand.",
        f"lots = {lots}",
        f"seed = {seed}",
    ]
    for recorded in (False, True):
        lines += ["", f"[clean_{'recorded' if recorded else 'plain'}]"]
        for n in (4, 5, 6, 8, 10, 12, 16, 20):
            check, note = alarm_rate(n, recorded, lots, seed)
            lines.append(f"{n} = {{ check = {check:.4f}, note = {note:.4f} }}")
    lines += ["", "[clean_unequal]"]
    for name, shop in UNEQUAL.items():
        check, note = alarm_rate(shop.coupons, False, lots, seed, shop)
        lines.append(f'"{name}" = {{ check = {check:.4f}, note = {note:.4f} }}')
    for n in (8, 12, 16):
        lines += ["", f"[found.{n}]"]
        for name, (fault, size, more) in FAULTS.items():
            lines.append(f'"{name}" = {found_rate(n, fault, size, lots, seed + 1000, **more):.4f}')
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    written = text(int(sys.argv[1]) if len(sys.argv) > 1 else 2000, int(sys.argv[2]) if len(sys.argv) > 2 else SEED)
    (Path(sys.argv[3]) if len(sys.argv) > 3 else KEPT).write_text(written)
    sys.stdout.write(written)
