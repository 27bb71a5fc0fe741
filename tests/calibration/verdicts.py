"""Error rates of the verdicts on two lots, by simulated lots made apart from the code. Writes `reference/simulations/compare.toml`."""

import sys
from collections import Counter
from pathlib import Path

import numpy as np
from shops import DEPTH, DP, EC, exposures

KEPT = Path(__file__).resolve().parents[2] / "reference" / "simulations" / "compare.toml"
SCATTER = 0.0045


def rates(n, tolerance, difference, pairs=2000, seed=1):
    """Share of each verdict when the new lot's depth at the old settings differs by `difference` (mm) and coupons scatter by 4.5 um."""
    from curecalc.calibration.comparing import Lot, compare_lots
    from curecalc.statistics.line import ordinary_line
    from curecalc.units import Quantity as Q

    rng = np.random.default_rng(seed + n)
    x = np.log(exposures(n))
    said = Counter()
    for _ in range(pairs):
        lots = []
        for name, ec in (("old", EC), ("new", EC * np.exp(-difference / DP))):
            y = DP * (x - np.log(ec)) + rng.normal(0, SCATTER, n)
            line = ordinary_line(x, y)
            lots.append(Lot(name, line, line, float(y.min()), float(y.max()), float(x.min()), float(x.max())))
        said[compare_lots(lots=lots, cure_depth=Q(DEPTH, "mm"), tolerance=Q(tolerance, "mm")).verdict] += 1
    return {verdict: said[verdict] / pairs for verdict in ("keep", "change", "keep for now", "reject")}


CASES = [(n, t, d) for n in (4, 6, 8, 12) for t in (1.0, 2.0, 3.0) for d in (0.0, t, -t, 2 * t)]


def text(pairs):
    lines = [
        "# Verdicts on simulated pairs of lots. Written by tests/calibration/verdicts.py. Tolerance and true difference in coupon sigma.",
        f"pairs = {pairs}",
    ]
    for n, t, d in CASES:
        found = rates(n, t * SCATTER, d * SCATTER, pairs)
        inner = ", ".join(f'"{k}" = {v:.4f}' for k, v in found.items())
        lines += ["", "[[case]]", f"coupons = {n}", f"tolerance = {t}", f"difference = {d}", f"rates = {{ {inner} }}"]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    KEPT.write_text(text(int(sys.argv[1]) if len(sys.argv) > 1 else 2000))
    sys.stdout.write(KEPT.read_text())
