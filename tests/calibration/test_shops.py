"""Intervals that hold the truth in shops as they are, by the simulator of `shops.py`; the figures are kept in `reference/simulations/`."""

import math
import tomllib

import numpy as np
import pytest
import shops

from curecalc.calibration.curve import fit_working_curve
from curecalc.calibration.many import fit_lots
from curecalc.units import Quantity as Q

KEPT = tomllib.loads(shops.KEPT.read_text(encoding="utf-8"))
MODELS = shops.models()


def test_at_least_forty_shops_are_kept_and_none_has_changed_its_name():
    assert len(MODELS) >= 40
    assert list(KEPT) == list(MODELS)


@pytest.mark.parametrize("name", KEPT)
def test_kept_shares_keep_the_promise(name):
    """95 % asked: at least 93.5 % in every shop; at most what `shops.most` says."""
    shares = KEPT[name].values()
    assert min(shares) >= 0.935
    assert max(shares) <= shops.most(MODELS[name])


@pytest.mark.slow
@pytest.mark.parametrize("name", list(MODELS))
def test_the_program_gives_the_kept_shares(name):
    """4,000 fresh lots a shop."""
    got = shops.coverage(MODELS[name], lots=4000, seed=2)
    for answer, share in got.items():
        assert share == pytest.approx(KEPT[name][answer], abs=4.5 * math.sqrt(0.0475 / 4000))


@pytest.mark.parametrize(
    "name", ["unequal readings, ratio 1, 8", "middle read once, ratio 5, 6", "stated 0.5, 8", "ideal, stated truly, 8"]
)
def test_one_lot_is_judged_as_many_are(name):
    shop = MODELS[name]
    s = shops.simulate(shop, 12, 5)
    stated = None if s["stated"] is None else Q(s["stated"], "mm")
    freedom = (s["counts"] - 1).sum(-1)
    many = fit_lots(
        exposure=Q(np.exp(s["x"]), "mJ/cm^2"),
        thickness=Q(s["y"], "mm"),
        at_depth=Q(0.15, "mm"),
        readings=s["counts"],
        repeatability=Q(np.sqrt(s["within_squares"] / freedom), "mm"),
        thickness_uncertainty=stated,
    )
    for lot in range(12):
        # readings on each coupon with the same mean and the same pooled squares
        spread = np.sqrt(s["within_squares"][lot] / max(np.sum(s["counts"][lot] > 1), 1))
        labels, values = [], []
        for k, m in enumerate(s["counts"][lot]):
            z = np.arange(m) - (m - 1) / 2.0
            labels += [str(k)] * m
            values += list(s["y"][lot, k] + (spread * z / np.sqrt((z**2).sum()) if m > 1 else 0.0 * z))
        labels = np.array(labels)
        one = fit_working_curve(
            exposure=Q(np.exp(s["x"][lot])[labels.astype(int)], "mJ/cm^2"),
            thickness=Q(np.array(values), "mm"),
            coupon=labels,
            thickness_uncertainty=None if stated is None else stated[lot][labels.astype(int)],
            at_depth=Q(0.15, "mm"),
        )
        ours = [q.m for q in one.exposure_for_depth[0].next_interval]
        assert ours == pytest.approx([float(q.m[lot]) for q in many.next_coupon_interval], rel=1e-6)
        assert [q.m for q in one.penetration_depth_interval] == pytest.approx(
            [float(q.m[lot]) for q in many.penetration_depth_interval], rel=1e-6
        )
