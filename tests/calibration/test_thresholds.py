"""Where each finding of a lot begins: data made to lie just on either side, by hand or by a general library, with the words in full."""

import math
import re

import numpy as np
import pytest
from scipy.special import chdtrc, chdtri, fdtrc, fdtri
from statsmodels.regression.linear_model import OLS
from statsmodels.tools.tools import add_constant

from curecalc.calibration.coupons import read_coupons
from curecalc.calibration.curve import fit_coupons, fit_working_curve
from curecalc.calibration.findings import chance, findings_of, gauge_step
from curecalc.calibration.verdict import robust_finding
from curecalc.errors import FileError
from curecalc.statistics.line import ordinary_line
from curecalc.units import Quantity as Q
from curecalc.units import micrometres

RARE = 0.008  # chance at which a clean lot gets any one Check, stated here apart from the code

DP, EC = 0.15, 8.0
FOUR = np.repeat([14.0, 25.0, 45.0, 80.0], 2)
# deviations that sum to nothing at every exposure: pure error alone
APART = np.tile([1.0, -1.0], 4)


def depth(exposure):
    return DP * np.log(np.asarray(exposure) / EC)


def fit(exposure, thickness, **more):
    return fit_working_curve(exposure=Q(np.asarray(exposure, float), "mJ/cm^2"), thickness=Q(np.asarray(thickness, float), "mm"), **more)


def found(exposure, thickness, code, **more):
    return {f.code: f.sentence for f in fit(exposure, thickness, **more).findings}.get(code)


def table(tmp_path, text, code):
    path = tmp_path / "lot.csv"
    path.write_text(text, encoding="utf-8")
    return {f.code: f.sentence for f in fit_coupons(read_coupons(path)).findings}.get(code)


@pytest.mark.parametrize(("n", "said"), [(3, "3 coupons leave 1 degree of freedom"), (4, None), (5, None)])
def test_few_coupons(n, said):
    """Student's t of 1 degree of freedom, two-sided 95 %: 12.706 (handbook table)."""
    e = np.geomspace(14, 80, n)
    sentence = found(e, depth(e) + 0.002 * (-1.0) ** np.arange(n), "few_coupons")
    if said is None:
        assert sentence is None
        return
    assert sentence == f"{said}, so intervals are 12.7 standard uncertainties wide each way instead of 2. Add coupons."


@pytest.mark.parametrize(
    ("coupons", "apart", "said"), [(4, 0.8484, True), (4, 0.8487, False), (3, 0.5, False), (8, 1.19, True), (8, 1.21, False)]
)
def test_readings_that_repeat_to_the_gauge_s_step(coupons, apart, said, tmp_path):
    """Readings of one coupon lie `apart` steps from each other, of all others alike: they repeat to apart/sqrt(2 n) steps; 0.3 is close."""
    e = np.geomspace(14.0, 80.0, coupons)
    thick = np.repeat(depth(e) + 0.02 * (-1.0) ** np.arange(coupons), 2)
    thick[1] += 0.002 * apart
    rows = "".join(f"c{k // 2},{1000.0 * y:.5f},{e[k // 2]:.6f}\n" for k, y in enumerate(thick))
    sentence = table(tmp_path, "# gauge_resolution = 2 um\ncoupon,thickness [um],exposure [mJ/cm^2]\n" + rows, "gauge_resolution")
    assert (sentence is not None and "repeat to the same step" in sentence) is said


def test_one_degree_of_freedom_and_many_readings():
    e = np.repeat([14.0, 33.0, 80.0], 3)
    y = depth(e) + np.tile([0.001, 0.0, -0.001], 3) + np.repeat([0.002, -0.003, 0.002], 3)
    sentence = found(e, y, "few_coupons", coupon=np.repeat(["a", "b", "c"], 3))
    assert sentence.startswith("3 coupons leave 1 degree of freedom, so intervals are 12.7 standard uncertainties")
    assert sentence.endswith("Many readings on a coupon do not replace coupons. Add coupons.")
    # two readings a coupon are not yet many
    two = np.repeat([True, True, False], 3).reshape(3, 3).T.ravel()
    assert "Many readings" not in found(e[two], y[two], "few_coupons", coupon=np.repeat(["a", "b", "c"], 2))


@pytest.mark.parametrize(("share", "warned"), [(0.97, False), (1.03, True)])
def test_lack_of_fit_begins_at_the_stated_chance(share, warned):
    """Deviations (+1, -1, -1, +1) d of an exposure's mean are square to the line: SS lack = 8 d^2 on 2, SS pure = 8 s^2 on 4."""
    e = np.repeat(np.geomspace(14, 80, 4), 2)
    s = 0.002
    critical = fdtri(2, 4, 1.0 - RARE)
    assert fdtri(2, 4, 0.99) == pytest.approx(18.00, abs=5e-3)  # handbook table
    d = s * math.sqrt(share * critical * 2 / 4)
    y = depth(e) + s * APART + d * np.repeat([1.0, -1.0, -1.0, 1.0], 2)
    sentence = found(e, y, "lack_of_fit")
    rare = chance(fdtrc(2, 4, share * critical))
    assert (sentence is not None) == warned
    if warned:
        assert sentence == (
            f"The points leave the line by more than coupons at the same exposure differ (F {share * critical:.3g} on 2 and 4, "
            f"{rare}). Look for one exposure that is off, or a curve instead of a line, before trusting Dp and Ec."
        )


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("share", "warned"), [(0.97, False), (1.03, True)])
def test_a_bend_begins_at_the_stated_chance(sign, share, warned):
    """Added quadratic term: t^2 = F of 1 and n - 3 = 5; replicates s apart, a parabola of d on (+1, -1, -1, +1)."""
    e = np.repeat(np.geomspace(14, 80, 4), 2)
    s = 0.002
    critical = fdtri(1, 5, 1.0 - RARE)
    assert fdtri(1, 5, 0.99) == pytest.approx(16.26, abs=5e-3)  # handbook table
    # at four equal steps (+1, -1, -1, +1) is the whole quadratic term: SS = 8 d^2 on 1, the rest 8 s^2 on 5
    d = s * math.sqrt(share * critical / 5)
    sentence = found(e, depth(e) + s * APART + sign * d * np.repeat([1.0, -1.0, -1.0, 1.0], 2), "curvature")
    rare = chance(fdtrc(1, 5, share * critical))
    assert (sentence is not None) == warned
    if warned:
        shape = {
            1.0: "steeper at high exposure, as when the initiator bleaches",
            -1.0: "flatter at high exposure, as when light scatters, the source is broad-band, or thick coupons lose material",
        }[sign]
        assert sentence == (
            f"The working curve bends: {shape} (added quadratic term, {rare}). A straight line then holds only "
            "near the middle of the exposures measured; Ec, which lies outside them, is off."
        )


@pytest.mark.parametrize(("share", "code"), [(0.93, None), (1.07, "stated_too_small")])
def test_stated_uncertainties_too_small_begin_at_the_stated_chance(share, code):
    """Chi-squared of 6 degrees of freedom: 16.812 at 1 % (handbook table), 17.37 at 0.8 %."""
    assert chdtri(6, 0.01) == pytest.approx(16.812, abs=5e-4)
    critical = chdtri(6, RARE)
    s = 0.002
    u = s * math.sqrt(8.0 / (critical * share))
    y = depth(FOUR) + s * APART
    codes = {f.code: f.sentence for f in fit(FOUR, y, thickness_uncertainty=Q(np.full(8, u), "mm")).findings}
    assert ("stated_too_small" in codes) == (code is not None)
    if code:
        assert codes[code].startswith(
            f"The coupons scatter {math.sqrt(critical * share / 6):.2g} times as much as the stated uncertainties allow "
            f"(chi-squared {critical * share:.3g} on 6, {chance(chdtrc(6, critical * share))})"
        )
        assert codes[code].endswith(
            "so the wider interval, from their own scatter, is used. Look at what that column holds. Never the scatter of readings on "
            "one coupon, a tolerance, or the gauge's error that all coupons share: leave it out then."
        )


@pytest.mark.parametrize(("share", "noted"), [(0.93, True), (1.07, False)])
def test_stated_uncertainties_too_large_begin_at_half_a_percent(share, noted):
    """Chi-squared of 6 degrees of freedom: 0.676 at 99.5 % (handbook table)."""
    s = 0.002
    u = s * math.sqrt(8.0 / (0.676 * share))
    sentence = found(FOUR, depth(FOUR) + s * APART, "stated_too_large", thickness_uncertainty=Q(np.full(8, u), "mm"))
    assert (sentence is not None) == noted
    if noted:
        assert sentence == (
            f"The coupons scatter only {math.sqrt(0.676 * share / 6):.2g} times what the stated uncertainties allow (chi-squared "
            f"{0.676 * share:.3g} on 6): the stated uncertainties look too large."
        )


@pytest.mark.parametrize(("leverage", "warned"), [(0.745, False), (0.757, True)])
def test_a_coupon_that_alone_sets_the_slope(leverage, warned):
    """Seven coupons close together and one far off: 1/8 + dx^2/Sxx, solved by hand for the distance."""
    near = np.array([-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3])
    inner = float((near**2).sum())
    # leverage = 1/8 + (7/8 a)^2/(inner + 7/8 a^2) for a coupon at distance a
    share = leverage - 0.125
    a = math.sqrt(share * inner / (49 / 64 - share * 7 / 8))
    x = np.append(near, a)
    y = DP * (x + 1.5) + 0.0005 * np.array([1, -1, 1, -1, 1, -1, 0, 0])
    whole = fit(EC * np.exp(x + 1.5), y)
    sentence = {f.code: f.sentence for f in whole.findings}.get("influence")
    if warned:
        assert sentence in whole.notes  # of the design, no fault of the lot
        assert sentence == (
            f"Coupon 8 alone sets the slope (leverage {leverage:.2f} of 1): it stands by itself far from the other exposures. Add a "
            "coupon near it."
        )
    else:
        assert sentence is None or "alone sets the slope" not in sentence


def test_coupons_that_set_the_slope_because_they_are_read_more_or_stated_better():
    """Leverages by a general library (weighted least squares); a note, whatever the leverage, and no Check."""
    e = np.repeat([14.0, 31.3, 70.0], 2)
    y = depth(e) + 0.001 * np.array([1, -1, 1, -1, 1, -1])
    u = np.array([1.0, 5, 5, 5, 5, 1])
    said = fit(e, y, thickness_uncertainty=Q(0.001 * u, "mm"))
    theirs = OLS(y / u, add_constant(np.log(e)) / u[:, None]).fit().get_influence()
    (note,) = said.notes
    assert note == (
        f"Coupons 1 and 6 set the slope (leverage {theirs.hat_matrix_diag.max():.2f} of 1): more readings or a smaller stated "
        "uncertainty make them count for more. Read all as often."
    )
    assert said.warnings == ()
    rows = said.to_dict()["coupon_table"]
    assert [row["leverage"] for row in rows] == pytest.approx(theirs.hat_matrix_diag.tolist(), rel=1e-9)
    assert [row["studentised_residual"] for row in rows] == pytest.approx(theirs.resid_studentized_external.tolist(), rel=1e-8)


def coupons_of(x, y):
    from curecalc.calibration.coupons import coupons_from_arrays

    return coupons_from_arrays(exposure=Q(EC * np.exp(x), "mJ/cm^2"), thickness=Q(y, "mm"))


@pytest.mark.parametrize(("ratio", "warned"), [(2.48, True), (2.52, False)])
def test_a_narrow_range(ratio, warned):
    e = np.repeat(np.geomspace(20.0, 20.0 * ratio, 4), 2)
    sentence = found(e, depth(e) + 0.001 * APART, "narrow_range")
    assert sentence == (
        "The largest exposure is only 2.5 times the smallest. Dp and Ec are then poorly known however good the readings: spread the "
        "exposures over a factor of 4 or more."
        if warned
        else None
    )


@pytest.mark.parametrize(
    ("levels", "said"), [(2, "2 different exposures cannot show whether the curve bends. Use three or more."), (3, None)]
)
def test_few_levels(levels, said):
    e = np.repeat(np.geomspace(14, 80, levels), 2)
    assert found(e, depth(e) + 0.001 * np.tile([1.0, -1.0], levels), "few_levels") == said


@pytest.mark.parametrize("n", [6, 8, 12])
def test_three_exposures_show_a_bend_better_than_more_of_them(n):
    """Why three are not called few: the variance of the quadratic term, by a general library, grows with the number of exposures."""

    def variance(levels):
        x = np.linspace(-1.0, 1.0, levels)[np.arange(n) % levels]
        return np.polyfit(x, x**2, 2, cov="unscaled")[1][0, 0]

    assert variance(3) < variance(4) < variance(n)


def test_levels_closer_than_five_percent_are_one():
    e = np.array([14.0, 14.2, 14.0, 80.4, 80.0, 80.8])
    assert found(e, depth(e) + 0.001 * np.array([1, -1, 1, -1, 1, -1]), "few_levels").startswith("2 different exposures")
    e = np.array([14.0, 16.0, 14.0, 80.0, 88.0, 80.0])
    assert found(e, depth(e) + 0.001 * np.array([1, -1, 1, -1, 1, -1]), "few_levels") is None


@pytest.mark.parametrize(("share", "said"), [(0.295, "Coupons 1 and 2 are"), (0.305, None)])
def test_close_to_the_gel_threshold(share, said):
    """0.3 Dp, the slope being Dp where pairs lie evenly about the line."""
    e = np.repeat([EC * math.exp(share), 25.0, 45.0, 80.0], 2)
    sentence = found(e, depth(e) + 1e-5 * APART, "near_gel")
    assert sentence == (
        f"{said} thinner than 0.3 Dp, close to the gel threshold, where washing and handling change the thickness. They pull Ec; prefer "
        "thicker coupons."
        if said
        else None
    )


def test_names_of_coupons_in_a_sentence():
    one = np.array([EC * math.exp(0.2), 20.0, 25.0, 45.0, 60.0, 80.0])
    assert found(one, depth(one), "near_gel").startswith("Coupon 1 is thinner than 0.3 Dp")
    many = np.append(np.full(6, EC * math.exp(0.2)), [20.0, 40.0, 80.0, 160.0])
    assert found(many, depth(many), "near_gel").startswith("Coupons 1, 2, 3, 4, 5 and 6 are thinner")
    more = np.append(np.full(7, EC * math.exp(0.2)), [20.0, 40.0, 80.0, 160.0])
    assert found(more, depth(more), "near_gel").startswith("Coupons 1, 2, 3, 4, 5 and 2 more are thinner")


@pytest.mark.parametrize(("step", "scatter", "coarse"), [(0.010, 0.0085, True), (0.010, 0.0089, False)])
def test_a_coarse_gauge(step, scatter, coarse):
    """step/sqrt(12) against a third of the scatter: 0.010/3.4641 = 0.002887, three times that 0.00866."""
    x = np.log(FOUR / EC)
    y = np.round(DP * x / step) * step
    away = APART * scatter * math.sqrt(6 / 8)
    c = coupons_of(x, y + 1.0 * step)
    line = ordinary_line(x, DP * x + away)
    import dataclasses

    c = dataclasses.replace(c, gauge_resolution=step, thickness=line.y_mean + line.slope * (c.x - line.x_mean) + away)
    made = [f.sentence for f in findings_of(c, line, None, confidence=0.95) if f.code == "gauge_resolution"]
    assert bool(made) == coarse
    if coarse:
        assert made[0] == (
            f"The readings come in steps of 10 um, the gauge's resolution, which is a good part of the scatter ({micrometres(scatter)}). A "
            "finer gauge would make better use of the coupons."
        )


def test_readings_that_repeat_to_the_step():
    e = np.repeat([14.0, 25.0, 45.0, 80.0], 2)
    y = np.round(depth(e) / 0.002) * 0.002 + 0.02 * APART
    sentence = found(np.repeat(e, 2), np.repeat(np.round(y, 3), 2), "gauge_resolution", coupon=np.repeat(list("abcdefgh"), 2))
    assert sentence == (
        "The readings come in steps of 2 um, the gauge's resolution, and repeat to the same step: their scatter says little about the "
        "gauge. A finer gauge would make better use of the coupons."
    )


@pytest.mark.parametrize(
    ("readings", "step"),
    [
        ([0.100, 0.150, 0.200], 0.05),
        ([0.100, 0.120, 0.140], 0.02),
        ([0.110, 0.120, 0.150], 0.01),
        ([0.115, 0.120, 0.150], 0.005),
        ([0.112, 0.120, 0.150], 0.002),
        ([0.111, 0.120, 0.150], 0.001),
        ([0.1115, 0.120, 0.150], 0.0005),
        ([0.1112, 0.120, 0.150], 0.0002),
        ([0.1111, 0.120, 0.150], 0.0001),
        ([0.11113, 0.120, 0.150], None),
    ],
)
def test_step_of_a_gauge(readings, step):
    assert gauge_step(np.array(readings)) == (None if step is None else pytest.approx(step))


def trend(per, key, values, share):
    """Six-level data with an added term whose t^2 is `share` times its 0.8 % point; by a general library."""
    x = np.log(np.geomspace(14, 80, 8) / EC)
    noise = 0.002 * np.array([1, -1, -1, 1, 1, -1, -1, 1.0])
    z = np.asarray(values, float)

    def t_squared(slope):
        model = OLS(DP * x + noise + slope * z, add_constant(np.column_stack([x, z]))).fit()
        return model.tvalues[2] ** 2

    low, high = 0.0, per
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if t_squared(middle) < share * fdtri(1, 5, 1.0 - RARE) else (low, middle)
    y = DP * x + noise + high * z
    slope = OLS(y, add_constant(np.column_stack([x, z]))).fit().params[2]
    return EC * np.exp(x), y - y.min() + 0.06, slope, key


ORDER = [3, 7, 1, 5, 8, 2, 6, 4]


@pytest.mark.parametrize(("share", "warned"), [(0.97, False), (1.03, True)])
def test_a_drift_with_the_order_begins_at_the_stated_chance(share, warned):
    e, y, slope, _ = trend(0.05, "order", ORDER, share)
    sentence = found(e, y, "trend_order", run_order=np.array(ORDER))
    rare = chance(fdtrc(1, 5, share * fdtri(1, 5, 1.0 - RARE)))
    assert (sentence is not None) == warned
    if warned:
        assert sentence == (
            f"Thickness rises by {micrometres(slope)} from one coupon to the next in the order they were exposed ({rare}): "
            "something drifted, such as power, temperature or the resin surface. Read the power before and after, and repeat in "
            "random order."
        )


@pytest.mark.parametrize(("share", "warned"), [(0.97, False), (1.03, True)])
def test_a_slope_with_temperature_begins_at_the_stated_chance(share, warned):
    degrees = 24.0 + 0.1 * np.array(ORDER)
    e, y, slope, _ = trend(0.5, "temperature", degrees, share)
    sentence = found(e, y, "trend_temperature", temperature=Q(degrees, "degC"))
    rare = chance(fdtrc(1, 5, share * fdtri(1, 5, 1.0 - RARE)))
    assert (sentence is not None) == warned
    if warned:
        assert sentence == (
            f"Thickness rises by {micrometres(slope)} per degC of resin temperature ({rare}). Expose coupons at the "
            "temperature the parts are built at."
        )


@pytest.mark.parametrize(("span", "noted"), [(2.95, False), (3.1, True)])
def test_a_wide_range_of_temperature(span, noted):
    said = "The resin temperature ranged over 3.1 degC between coupons. Hold it steady." if noted else None
    degrees = 24.0 + span * np.array([0, 1, 1, 0, 0, 1, 1, 0.0])
    assert found(FOUR, depth(FOUR) + 0.001 * APART, "temperature_range", temperature=Q(degrees, "degC")) == said


HEAD = "# power = 300 mW, beam_radius = 0.1 mm, hatch_spacing = {h} mm\ncoupon,scan speed [mm/s],thickness [um]\n"


@pytest.mark.parametrize(("spacing", "warned"), [(0.119, False), (0.125, True)])
def test_ripple_between_lines(tmp_path, spacing, warned):
    """ln(ridge/valley) = ln((1 + 2q)/(1 - 2q)), q = exp(-pi^2 W^2/(2 h^2)): 0.05 at q = 0.0125, h/W = 1.0612 (two-term sum by hand)."""
    assert math.pi / math.sqrt(-2 * math.log(0.0125)) == pytest.approx(1.0612, abs=5e-5)
    h = spacing / 0.119 * 0.1055  # 1.055 and 1.108 radii
    q = math.exp(-((math.pi * 0.1 / h) ** 2) / 2)
    swing = math.log((1 + 2 * q) / (1 - 2 * q))
    assert (swing > 0.05) == warned
    rows = "".join(f"c{i},{v},{1000 * DP * math.log(30000 / (v * h) / EC):.1f}\n" for i, v in enumerate([2000, 3500, 6000, 9000, 12000]))
    sentence = table(tmp_path, HEAD.format(h=h) + rows, "ripple")
    if not warned:
        assert sentence is None
        return
    assert re.sub(r"c\d", "c0", sentence) == (
        f"Coupon c0 has a hatch spacing of {h / 0.1:.2g} beam radii: its depth ripples by {swing:.2g} Dp between lines, so the mean "
        "exposure does not describe what a gauge touches. Use a spacing of one beam radius or less."
    )


@pytest.mark.parametrize(("factor", "said"), [(1.019, None), (0.981, None), (1.021, "1.02"), (2.2, "2.2")])
def test_stated_exposures_that_disagree_with_the_settings(tmp_path, factor, said):
    """Raster mean P/(v h)."""
    speeds = [2000, 3500, 6000, 9000, 12000]
    rows = "".join(
        f"c{i},{v},{1000 * DP * math.log(30000 / (v * 0.1) / EC):.1f},{factor * 30000 / (v * 0.1):.8g}\n" for i, v in enumerate(speeds)
    )
    head = "# power = 300 mW, beam_radius = 0.1 mm, hatch_spacing = 0.1 mm\ncoupon,scan speed [mm/s],thickness [um],exposure [mJ/cm^2]\n"
    sentence = table(tmp_path, head + rows, "exposure_disagrees")
    if said is None:
        assert sentence is None
    else:
        assert sentence.partition(" is ")[2] == f"{said} times what its settings give. The stated exposures were used."


@pytest.mark.parametrize(
    ("factor", "said"), [(1.92, "2 times.*diameter"), (0.51, "0.5 times.*diameter"), (100.0, "100 times.*per mm"), (0.001, "0.001 times")]
)
def test_stated_exposures_off_by_the_factor_of_a_unit_are_refused(tmp_path, factor, said):
    with pytest.raises(FileError, match=said):
        test_stated_exposures_that_disagree_with_the_settings(tmp_path, factor, None)


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (9e-7, "not by chance: less than one in a million"),
        (1.1e-6, "by chance once in 909091"),
        (0.0099, "by chance once in 101"),
        (0.0101, "by chance 1 times in 100"),
        (0.049, "by chance 4.9 times in 100"),
    ],
)
def test_chance_in_words(p, said):
    assert chance(p) == said


@pytest.mark.parametrize(("away", "noted"), [(2.4, False), (2.6, True)])
def test_a_robust_line_that_differs(away, noted):
    """2.5 standard uncertainties of the slope, and more than a fiftieth of it."""
    from types import SimpleNamespace

    line = SimpleNamespace(slope=0.150, slope_sd=0.003)
    made = robust_finding(SimpleNamespace(slope=0.150 + away * 0.003), line)
    assert bool(made) == noted
    if noted:
        assert made[0].sentence == (
            "The robust line (median of slopes) has Dp 157.8 um against 150 um: a few coupons pull the line. See the outliers."
        )
    assert bool(robust_finding(SimpleNamespace(slope=0.1535), SimpleNamespace(slope=0.150, slope_sd=0.0001)))
    assert not robust_finding(SimpleNamespace(slope=0.1525), SimpleNamespace(slope=0.150, slope_sd=0.0001))
