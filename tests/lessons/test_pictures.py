"""Figures of the lessons: every curve by its formula and the invented bench's numbers, worked out here; axes hold what they show."""

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn import data

from curecalc.lessons import invented_bench, lesson

DP, EC, W0, POWER, LAYER, OVER, SPACING = 0.142, 9.4, 0.110, 240.0, 0.1, 0.08, 0.1  # mm, mJ/cm^2, mW: of the invented bench


def drawn(name):
    (ax,) = lesson(name, invented_bench()).figure().axes
    return ax, [data(line) for line in ax.lines]


def words(ax):
    return {t.get_text() for t in ax.texts}


def same(value):
    return pytest.approx(value, rel=1e-6)


def test_a_square_centimetre():
    ax, lines = drawn("exposure")
    assert sorted((x[0], x[1], y[0], y[1]) for x, y in lines) == sorted(
        [*((k, k, 0, 10) for k in range(11)), *((0, 10, k, k) for k in range(11))]
    )
    box = ax.collections[0].get_paths()[0].get_extents()
    assert (box.x0, box.x1, box.y0, box.y1) == (4, 5, 5, 6)
    assert (ax.get_xlim(), ax.get_ylim()) == ((-0.3, 10.3), (-0.3, 10.3))
    assert ax.get_xticks().tolist() == ax.get_yticks().tolist() == [0, 2, 4, 6, 8, 10]
    (said,) = ax.texts
    assert (said.xy, said.xyann) == ((4.5, 5.5), (5.6, 7.6)), "led to from beside the square"


def test_light_fades_to_a_share_each_penetration_depth():
    ax, lines = drawn("absorption")
    z, left = lines[0]
    surface = left[0]
    assert left == same(surface * np.exp(-z / DP))
    assert z[-1] == same(4 * DP)
    area = ax.collections[0].get_paths()[0].vertices
    assert (area[:, 1].min(), area[:, 1].max()) == same((0.0, surface))
    for n, (dash, dot) in enumerate(zip(lines[1::2], lines[2::2], strict=True), 1):
        share = surface * math.exp(-n)
        assert dash == (same([n * DP] * 2), same([0.0, share]))
        assert dot == (same([n * DP]), same([share]))
    told = {t.get_text(): t.xy for t in ax.texts}
    shares = {f"{n} Dp: {share} %": same((n * DP, surface * math.exp(-n))) for n, share in ((1, "36.8"), (2, "13.5"), (3, "5.0"))}
    assert told == shares
    assert (ax.get_xlim(), ax.get_ylim()) == (same((0.0, 4 * DP)), same((0.0, 1.08 * surface)))


def test_each_doubling_adds_the_same_depth():
    ax, lines = drawn("working-curve")
    e, depth = lines[0]
    assert depth == pytest.approx(DP * np.log(e / EC), abs=1e-12)
    assert (e[0], e[-1]) == (same(EC), same(9.6 * EC))
    step = DP * math.log(2)
    for n, corner in enumerate(lines[1:4]):
        assert corner == (same([2**n * EC, 2 ** (n + 1) * EC, 2 ** (n + 1) * EC]), pytest.approx([n * step, n * step, (n + 1) * step]))
    told = [(t.get_text(), t.xy) for t in ax.texts]
    assert told == [
        *(
            (text, same(at))
            for n in range(3)
            for text, at in (("x 2", (2 ** (n + 0.5) * EC, n * step)), (f"+{step:.3f} mm", (2 ** (n + 1) * EC, (n + 0.5) * step)))
        ),
        ("Ec = 9.4", same((EC, 0.0))),
    ]
    assert (ax.get_xlim(), ax.get_ylim()) == (same((0.5 * EC, 13.5 * EC)), same((-0.18 * DP, 2.35 * DP)))
    assert lines[4] == (same([EC]), same([0.0]))


def test_three_widths_of_a_spot():
    """Half the peak at W0 sqrt(ln 2 / 2) from the middle, 1/e^2 of it at W0."""
    ax, lines = drawn("spot")
    r, light = lines[0]
    top = 2 * POWER / (math.pi * W0**2)
    assert light == same(top * np.exp(-2 * (r / W0) ** 2))
    assert ax.collections[0].get_paths()[0].vertices[:, 1].min() == 0.0
    half = W0 * math.sqrt(math.log(2) / 2)
    bars = [data for line, data in zip(ax.lines, lines) if line.get_marker() == "|"]
    assert [x for x, _ in bars] == [same([0.0, W0]), same([-W0, W0]), same([-half, half])]
    assert [y for _, y in bars] == [same([0.30 * top] * 2), same([top * math.exp(-2)] * 2), same([0.5 * top] * 2)]
    assert {t.get_text(): t.get_position() for t in ax.texts} == {
        "radius W0 0.11 mm": same((1.04 * W0, 0.30 * top)),
        "diameter 0.22 mm": same((1.04 * W0, top * math.exp(-2))),
        f"FWHM {2 * half:.4g} mm": same((1.04 * W0, 0.5 * top)),
    }
    assert data(ax.lines[-1]) == (same([W0, W0]), same([0.0, 0.30 * top]))
    assert data(ax.lines[-2])[0] == pytest.approx([0.0, 0.0])
    assert (ax.get_xlim(), ax.get_ylim()) == (same((-1.9 * W0, 2.4 * W0)), same((0.0, 1.08 * top)))


def test_ridges_and_valleys():
    """Gaussian lines added one by one, at the bench's spacing and at the wide one; means dashed."""
    ax, lines = drawn("raster")
    (y, close), (_, wide), (_, mean), (_, low) = lines
    assert y[0] == -y[-1]
    far = y[-1] / 2
    for shown, spacing, level in ((close, SPACING, mean[0]), (wide, far, low[0])):
        k = np.arange(-60, 61)[:, None]
        peak = level * spacing / (W0 * math.sqrt(math.pi / 2))
        assert shown == same((peak * np.exp(-2 * ((y - k * spacing) / W0) ** 2)).sum(0))
    assert low[0] * far == same(mean[0] * SPACING)
    assert {f"spacing {SPACING:.4g} mm", f"spacing {far:.4g} mm"} == words(ax)
    assert ax.get_ylim() == same((0.0, 1.25 * close.max()))
    assert ax.get_xlim() == same((y[0], y[-1]))
    assert [t.get_position()[0] for t in ax.texts] == [0.0, 0.0]
    heights = {t.get_text(): t.get_position()[1] for t in ax.texts}
    assert heights[f"spacing {SPACING:.4g} mm"] == same(1.02 * close.max())
    assert heights[f"spacing {far:.4g} mm"] == pytest.approx(0.94 * wide.min(), rel=1e-3)


def test_print_through_of_more_and_more_layers():
    """The light of n layers adds at the face: Dp ln of its sum over Ec, less the layer."""
    ax, lines = drawn("stack")
    n, through = lines[0]
    assert n.tolist() == list(range(1, 16))
    sums = np.cumsum(np.exp(-np.arange(15) * LAYER / DP))
    assert through == same(OVER + DP * np.log(sums))
    end = OVER - DP * math.log(1 - math.exp(-LAYER / DP))
    assert lines[1][1] == same([end, end])
    assert words(ax) == {f"many layers: {end:.3g} mm"}
    assert (ax.get_xlim(), ax.get_ylim()) == ((0.3, 15.6), same((0.0, 1.12 * end)))
    assert ax.texts[0].get_position() == same((15.4, 0.9 * end))
    assert [s[0].tolist() for s in ax.collections[0].get_segments()] == [[k, 0.0] for k in range(1, 16)]
    assert [s[1].tolist() for s in ax.collections[0].get_segments()] == [[k, same(v)] for k, v in zip(range(1, 16), through)]


def test_the_line_of_the_coupons():
    ax, lines = drawn("coupons")
    by_name = {line.get_label(): data for line, data in zip(ax.lines, lines)}
    exposure, mean = by_name["coupon: mean of its readings"]
    each, readings = by_name["reading"]
    assert each.reshape(-1, 3) == same(exposure[:, None] * np.ones(3))
    assert readings.reshape(-1, 3).mean(1) == same(mean)
    slope, intercept = np.polyfit(np.log(exposure), mean, 1)
    e, depth = by_name["least-squares line"]
    assert depth == pytest.approx(intercept + slope * np.log(e), abs=1e-9)
    ec = math.exp(-intercept / slope)
    assert lines[-1] == (same([ec]), [0.0])
    assert (e[0], e[-1]) == (same(ec), same(1.15 * exposure.max()))
    assert (ax.get_xlim(), ax.get_ylim()) == (same((0.55 * ec, 1.3 * exposure.max())), same((0.0, 1.15 * readings.max())))
    assert [(t.get_text(), t.xy) for t in ax.texts] == [(f"Ec = {ec:.3g}", (same(ec), 0.0))]


def test_the_larger_doubt_rules():
    """Dp times the relative uncertainties of the bench's power, 2 %, and beam radius, 3 um of 110."""
    ax, _ = drawn("uncertainty")
    power, radius = 1000 * DP * 0.02, 1000 * DP * 3 / 110
    both = math.hypot(power, radius)
    bars = {round(b.get_y() + b.get_height() / 2): b.get_width() for b in ax.patches}
    assert bars == {0: same(both), 1: same(radius), 2: same(power)}
    assert (ax.get_xlim(), ax.get_ylim()) == (same((0.0, 1.2 * both)), (-0.6, 2.8))
    assert {t.get_text(): t.get_position() for t in ax.texts} == {
        f"both together: {both:.2g} um": (0.0, 0.3),
        f"beam radius: {radius:.2g} um": (0.0, 1.3),
        f"power: {power:.2g} um": (0.0, 2.3),
    }


def test_a_fading_laser():
    """A share exp(-0.25 w/24) of the power after w weeks; retuned every fourth week."""
    ax, lines = drawn("drift")
    (weeks, alone), (_, tuned), _ = lines
    depth = alone[0]
    assert depth == pytest.approx(LAYER + OVER, rel=5e-3)  # at the round speed that the lesson found
    assert alone == same(depth - DP * 0.25 * weeks / 24)
    assert tuned == same(depth - DP * 0.25 * (weeks - 4 * np.floor(weeks / 4)) / 24)
    assert 1 - math.exp(-0.25) == pytest.approx(0.22, abs=0.005)  # what the axis says
    assert "loses 22 % in 24" in ax.get_xlabel()
    assert weeks == pytest.approx(sorted([*range(25), 4, 8, 12, 16, 20])), "each retuning twice, before and after"
    assert ax.texts[0].get_position() == (24, same(LAYER))
    assert lines[2][1] == same([LAYER, LAYER])
    assert (ax.get_xlim(), ax.get_ylim()) == ((0.0, 24.0), same((0.9 * LAYER, 1.12 * depth)))


def test_why_the_cover_stays_closed():
    ax, _ = drawn("safety")
    peak = 2 * POWER / (math.pi * W0**2)
    bars = {b.get_y() + b.get_height() / 2: b.get_width() for b in ax.patches}
    assert bars == {0.0: 1.0, 1.0: same(peak)}
    assert words(ax) == {"bright sun (from memory): 1 mW/mm^2", f"this spot's middle: {peak:.3g} mW/mm^2"}
    assert ax.get_xlim() == same((0.1, 10 ** math.ceil(math.log10(1.5 * peak))))
    assert [t.get_position() for t in ax.texts] == [(0.13, 0.33), (0.13, 1.33)]
    assert ax.get_ylim() == (-0.5, 1.8)


def test_one_slurry_and_three_lines():
    from curecalc.lessons.examples import SLURRY

    ax, lines = drawn("beyond")
    assert [t.get_text() for t in ax.get_legend().get_texts()] == [f"{varied} varied" for varied in SLURRY]
    for (e, depth), (dp, ec) in zip(lines, SLURRY.values(), strict=True):
        assert depth == pytest.approx(dp * np.log(e / ec) / 1000, abs=1e-12)
        assert (e[0], e[-1]) == (same(ec), same(450.0))
    assert (ax.get_xlim(), ax.get_ylim()) == ((10.0, 500.0), (0.0, 0.30))


def test_an_axis_of_decades_ends_above_half_as_much_again():
    plain = invented_bench()
    for times, end in ((4.0, 1e5), (6.0, 1e6)):  # 5.1e4 and 7.6e4 mW/mm^2
        bench = plain.replaced(beam=replace(plain.beam, power=times * plain.power))
        assert lesson("safety", bench).figure().axes[0].get_xlim() == same((0.1, end))
