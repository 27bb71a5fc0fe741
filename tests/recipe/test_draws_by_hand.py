"""Monte Carlo of a recipe against closed forms: each error by itself, what cancels, the coupons' t distribution, shares that reach."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from curecalc.errors import QuantityError
from curecalc.physics.laws import Threshold
from curecalc.physics.light import Gaussian
from curecalc.recipe.assurance import Curve, Errors
from curecalc.recipe.draws import draw_depths
from curecalc.recipe.light import Pattern

from .test_notes_by_hand import KNOWN, LINE
from .test_places_by_hand import settings

N = 20_000
DEPTH = 0.15 * math.log(math.sqrt(2.0 / math.pi) * 100.0 / (0.1 * 1000.0) / 0.08)
RASTER = replace(LINE, pattern=Pattern(True))


def drawn(task, spacing=None, **more):
    (one,) = draw_depths([settings(task, spacing=spacing)], draws=N, **more)
    return one


@pytest.mark.parametrize(
    ("errors", "u"),
    [
        ({"power": 0.02}, 0.003),
        ({"exposure_scale": 0.02}, 0.003),
        ({"scan_speed": 0.02}, 0.003),
        ({"beam_radius": 0.02}, 0.003),
        ({"beam_radius_scale": 0.02}, 0.003),
        ({"beam_radius_scale": 0.02, "coupon_radius_power": -1.0}, 0.0),  # the coupons' own spot
        ({"beam_radius_scale": 0.02, "coupon_radius_power": 1.0}, 0.006),
        ({"depth_bias": 0.004}, 0.004),
        ({"power": 0.02, "scan_speed": 0.02, "depth_bias": 0.002}, math.sqrt(2 * 9e-6 + 4e-6)),
        ({"hatch_spacing": 0.1}, 0.0),
    ],
)
def test_each_error_moves_the_depth_of_a_line_by_its_own_share(errors, u):
    """Depth as Dp ln(P/(W v)): 2 % of any is 3 um."""
    one = drawn(replace(LINE, errors=Errors(**errors)))
    assert one.mean == pytest.approx(DEPTH, abs=4.0 * u / math.sqrt(N) + 1e-12)
    assert one.standard_uncertainty == pytest.approx(u, rel=0.03, abs=1e-12)
    assert one.interval == pytest.approx((DEPTH - 1.96 * u, DEPTH + 1.96 * u), abs=0.06 * u + 1e-12)


def test_a_close_raster_does_not_feel_its_spot_but_its_spacing():
    for errors, u in (({"beam_radius": 0.05}, 0.0), ({"hatch_spacing": 0.02}, 0.003), ({"power": 0.02}, 0.003)):
        one = drawn(replace(RASTER, errors=Errors(**errors)), spacing=0.04)
        assert one.standard_uncertainty == pytest.approx(u, rel=0.03, abs=1e-6)


def test_what_the_coupons_say_is_drawn_as_a_t_distribution():
    """One scale for height, slope and scatter: standard deviations grow by sqrt(nu/(nu - 2)); recoating and law are drawn apart."""
    nu = 10.0
    wider = math.sqrt(nu / (nu - 2.0))
    x = DEPTH / 0.15  # over ln Ec; the centre lies at 1
    for changes, single, u in (
        ({"centre_variance": 9e-6}, False, 0.003 * wider),
        ({"slope_variance": 9e-6}, False, 0.003 * (x - 1.0) * wider),
        ({"layer_variance": 9e-6}, True, 0.003 * wider),
        ({"layer_variance": 9e-6}, False, 0.0),
    ):
        curve = replace(KNOWN, degrees_of_freedom=nu, **changes)
        one = drawn(replace(LINE, errors=Errors(), curve=curve, single=single))
        assert one.standard_uncertainty == pytest.approx(u, rel=0.04, abs=1e-12)
        assert one.mean == pytest.approx(DEPTH, abs=4.0 * u / math.sqrt(N) + 1e-12)
    known = replace(KNOWN, centre_variance=9e-6)
    assert drawn(replace(LINE, errors=Errors(), curve=known)).standard_uncertainty == pytest.approx(0.003, rel=0.03)
    few = drawn(replace(LINE, errors=Errors(), curve=replace(KNOWN, centre_variance=9e-6, degrees_of_freedom=3.0)))
    assert few.interval[1] - DEPTH == pytest.approx(stats.t.ppf(0.975, 3) * 0.003, rel=0.06)


def test_the_share_of_layers_that_reach_their_depth():
    """Asked for one standard uncertainty less than what is cured: 84.1 %; recoating moves the layer itself, single layers alone."""
    for errors, single, share in (
        ({"power": 0.02}, True, stats.norm.cdf(1.0)),
        ({"layer_thickness": 0.003}, True, stats.norm.cdf(1.0)),
        ({"layer_thickness": 0.003}, False, 1.0),
    ):
        one = drawn(replace(LINE, errors=Errors(**errors), single=single, depth=DEPTH - 0.003))
        assert one.reached == pytest.approx(share, abs=0.01)
    known = drawn(replace(LINE, errors=Errors()))
    assert drawn(replace(LINE, errors=Errors(), depth=known.mean)).reached == 1.0  # just reached is reached
    told = one.to_dict()
    assert (told["kind"], told["draws"], told["cure_depth"]["confidence"], told["share_that_bonds"]) == ("line", N, 0.95, 1.0)


def test_shared_errors_are_drawn_once_and_scatter_for_each_kind():
    both = replace(LINE, errors=Errors(power=0.02))
    a, b = draw_depths([settings(both)] * 2, draws=1000)
    assert a == b
    apart = replace(LINE, errors=Errors(), curve=replace(KNOWN, layer_variance=1e-5))
    a, b = draw_depths([settings(apart)] * 2, draws=1000)
    assert a.mean != b.mean
    assert drawn(both) == drawn(both, seed=1) != drawn(both, seed=2)


def test_a_turned_ellipse_and_an_unsure_exponent():
    oval = Pattern(False, spot=Gaussian(1.0, 2.0, 0.25 * math.pi), turned=0.02)
    one = drawn(replace(LINE, pattern=oval, errors=Errors()))
    # across = sqrt(sin^2 + 4 cos^2) at 45 deg: d ln across/d angle = 3 sin cos/(sin^2 + 4 cos^2) = 0.6
    assert one.standard_uncertainty == pytest.approx(0.15 * 0.6 * 0.02, rel=0.05)
    law = Threshold(0.15, 0.08, 0.8, 5.0)
    curve = Curve(0.15 / 0.8, KNOWN.log_threshold, KNOWN.centre, 0.0, 0.0, 0.0, math.inf, law=law)
    bent = replace(LINE, pattern=Pattern(False, exponent=0.8, reference=5.0), errors=Errors(power=0.02), curve=curve)
    assert drawn(bent).standard_uncertainty == pytest.approx(0.15 * 0.02, rel=0.03)  # P^w, depth Dp/w ln: w goes out


@pytest.mark.parametrize(("draws", "taken"), [(999, False), (1000, True), (20_000_000, True), (20_000_001, False)])
def test_how_many_draws_there_may_be(monkeypatch, draws, taken):
    def begun(seed):
        raise LookupError

    monkeypatch.setattr(np.random, "default_rng", begun)
    if taken:
        with pytest.raises(LookupError):
            draw_depths([settings(LINE)], draws=draws)
        return
    with pytest.raises(QuantityError, match=f"from 1000 to 20000000, got {draws}"):
        draw_depths([settings(LINE)], draws=draws)
