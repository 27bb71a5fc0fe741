"""Error rates of the verdicts on two lots, kept in `reference/simulations/compare.toml` and printed in the command's help."""

import tomllib

import pytest
import verdicts

from curecalc.cli.compare import ERROR_RATES

KEPT = tomllib.loads(verdicts.KEPT.read_text(encoding="utf-8"))
CASES, EDGES = KEPT["case"], KEPT["edge"]


def test_the_help_tells_what_the_simulation_gave():
    at_the_edge = [e["proven"]["keep"] for e in EDGES]
    identical = [c["rates"]["change"] + c["rates"]["reject"] for c in CASES if c["difference"] == 0]
    assert {c["coupons"] for c in CASES} == {4, 6, 8, 12}
    assert "at most 5 of 100" in ERROR_RATES
    assert {e["coupons"] for e in EDGES} == {4, 6, 8, 12}
    assert max(at_the_edge) <= 0.05
    assert "less than 1 of 100" in ERROR_RATES
    assert max(identical) < 0.01


@pytest.mark.parametrize("edge", EDGES, ids=lambda e: f"{e['coupons']}-{e['tolerance']:g}-{e['difference']:g}")
def test_the_verdicts_are_what_is_proven(edge):
    """The program's share of keep is that of the many pairs, within chance (4 standard deviations)."""
    key = ("coupons", "tolerance", "difference")
    said = next(c["rates"]["keep"] for c in CASES if all(c[k] == edge[k] for k in key))
    share = edge["proven"]["keep"]
    assert said == pytest.approx(share, abs=4 * (share * (1 - share) / KEPT["pairs"]) ** 0.5)


@pytest.mark.slow
@pytest.mark.parametrize("n", [4, 12])
def test_the_program_gives_the_kept_rates(n):
    got = verdicts.rates(n, 2 * verdicts.SCATTER, 2 * verdicts.SCATTER, pairs=1000, seed=9)
    kept = next(c["rates"] for c in CASES if (c["coupons"], c["tolerance"], c["difference"]) == (n, 2.0, 2.0))
    for verdict, share in got.items():
        assert share == pytest.approx(kept[verdict], abs=0.04)
