"""Error rates of the verdicts on two lots, by simulated lots made apart from the code. Writes `reference/simulations/compare.toml`."""

import sys
from collections import Counter
from pathlib import Path

import numpy as np
from shops import DEPTH, DP, EC, exposures

KEPT = Path(__file__).resolve().parents[2] / "reference" / "simulations" / "compare.toml"
SCATTER = 0.0045
SEED = 9001


def lines(rng, n, difference, pairs):
    """Old and new lots as lines, with leading axes; the new lot's depth at the old settings differs by `difference` (mm)."""
    from curecalc.statistics.line import ordinary_line

    x = np.log(exposures(n))
    return [ordinary_line(x, DP * (x - np.log(ec)) + rng.normal(0, SCATTER, (pairs, n))) for ec in (EC, EC * np.exp(-difference / DP))]


def edge(n, tolerance, difference, pairs=400_000, seed=SEED):
    """Shares proven inside and proven outside the tolerance, over so many pairs that chance is below a thousandth."""
    from curecalc.statistics.lines import difference_at
    from curecalc.statistics.working_line import log_threshold

    old, new = lines(np.random.default_rng(seed + n), n, difference, pairs)
    d = difference_at(old, new, log_threshold(old) + DEPTH / old.slope, tolerance=tolerance, confidence=0.95)
    return {"keep": float(np.mean(d.equivalent)), "change": float(np.mean((d.low > tolerance) | (d.high < -tolerance)))}


def rates(n, tolerance, difference, pairs=2000, seed=SEED):
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
    written = [
        "# Verdicts on simulated pairs of lots. Written by tests/calibration/verdicts.py. Tolerance and true difference in coupon sigma.",
        "# case: the program's verdicts. edge: what is proven of a lot at the edge of the tolerance, over 400000 pairs.",
        f"pairs = {pairs}",
        f"seed = {SEED}",
    ]
    for n, t, d in CASES:
        found = rates(n, t * SCATTER, d * SCATTER, pairs)
        inner = ", ".join(f'"{k}" = {v:.4f}' for k, v in found.items())
        written += ["", "[[case]]", f"coupons = {n}", f"tolerance = {t}", f"difference = {d}", f"rates = {{ {inner} }}"]
    for n, t, d in CASES:
        if abs(d) == t:
            found = ", ".join(f"{k} = {v:.5f}" for k, v in edge(n, t * SCATTER, d * SCATTER).items())
            written += ["", "[[edge]]", f"coupons = {n}", f"tolerance = {t}", f"difference = {d}", f"proven = {{ {found} }}"]
    return "\n".join(written) + "\n"


if __name__ == "__main__":
    KEPT.write_text(text(int(sys.argv[1]) if len(sys.argv) > 1 else 2000))
    sys.stdout.write(KEPT.read_text())
