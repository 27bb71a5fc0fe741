"""Lots exposed in batches until the interval is narrow enough, simulated apart from the code. Writes `reference/simulations/batches.toml`.

Eight coupons, then two more at a time until the 95 % interval of the exposure for 0.15 mm is no wider than the aim, or forty stand.
"""

import sys
from pathlib import Path

import numpy as np
from scipy.special import stdtrit
from shops import DEPTH, DP, EC

KEPT = Path(__file__).resolve().parents[2] / "reference" / "simulations" / "batches.toml"
SCATTER, SEED, MOST = 0.0045, 9101, 40
AIMS = (0.015, 0.02, 0.025, 0.03, 0.04, 0.05)


def stopped(aim, lots=40_000, seed=SEED):
    """Share of lots whose interval holds the truth when the exposing stops, and the mean number of coupons."""
    rng = np.random.default_rng(seed)
    x = np.log(np.r_[np.repeat(np.geomspace(14, 70, 4), 2), np.tile([14, 70, 31.3, 31.3], 20)])[:MOST]
    y = DP * (x - np.log(EC)) + SCATTER * rng.normal(size=(lots, MOST))
    at = np.log(EC) + DEPTH / DP
    done, holds, coupons = np.zeros(lots, bool), np.zeros(lots, bool), np.zeros(lots)
    for n in range(8, MOST + 1, 2):
        dx = x[:n] - x[:n].mean()
        slope, level = y[:, :n] @ dx / (dx @ dx), y[:, :n].mean(-1)
        left = y[:, :n] - level[:, None] - slope[:, None] * dx
        reach = stdtrit(n - 2, 0.975) * np.sqrt((left**2).sum(-1) / (n - 2))
        half = reach / slope * np.sqrt(1 / n + ((DEPTH - level) / slope) ** 2 / (dx @ dx))
        new = ~done & ((half <= aim) | (n + 2 > MOST))
        true = at - x[:n].mean()
        holds[new] = (np.abs(level + slope * true - DEPTH) <= reach * np.sqrt(1 / n + true**2 / (dx @ dx)))[new]
        coupons[new], done = n, done | new
    return float(holds.mean()), float(coupons.mean())


def text():
    lines = ["# Lots exposed in batches until the interval is narrow enough. Written by tests/calibration/batches.py.", "[stopped]"]
    lines += [f'"{aim}" = {{ holds = {holds:.4f}, coupons = {n:.1f} }}' for aim in AIMS for holds, n in (stopped(aim),)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    KEPT.write_text(text())
    sys.stdout.write(KEPT.read_text())
