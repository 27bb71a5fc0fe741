"""Figures of a beam: readings where the file has them, curves where the formulas put them, marks at what was found."""

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from drawn import data

from curecalc.figures.spot import _curve, _pair, spot_figure
from curecalc.spot import measure_file
from curecalc.units import Measured
from curecalc.units import Quantity as Q

DEMO = Path(__file__).parents[2] / "demo"


def table(name):
    """The numbers of an invented file, read without the package."""
    rows = [r for r in (DEMO / name).read_text(encoding="utf-8").splitlines() if r and r[0] not in "#" and " = " not in r]
    return [row.split(",") for row in rows[1:]]


def spans(ax):
    """Ends of shaded bands along x, and along y."""
    inside = ax.transData.inverted()
    boxes = [patch.get_extents().transformed(inside) for patch in ax.patches]
    return [tuple(box.intervalx) for box in boxes], [tuple(box.intervaly) for box in boxes]


def test_a_scan_over_an_edge_in_two_directions():
    """Each scan is a share of its own full reading, about its own centre; residuals are what is left, in per cent."""
    result = measure_file(DEMO / "beam_knife_edge.csv")
    top, low = spot_figure(result).axes
    assert [line.get_label() for line in top.lines] == ["fit x", "readings x", "fit y", "readings y"]
    for k, axis in enumerate("xy"):
        place, power = (np.array([float(r[c]) for r in table("beam_knife_edge.csv") if r[0] == axis]) for c in (1, 2))
        _, f, _, _ = result.fits[k]
        at, share = data(top.lines[2 * k + 1])
        assert at == pytest.approx(place - f.centre)
        assert share == pytest.approx((power - f.dark) / f.full)
        fine, curve = data(top.lines[2 * k])
        assert (fine[0], fine[-1]) == (pytest.approx(at[0]), pytest.approx(at[-1]))
        step = np.array([0.5 * (1 + math.erf(math.sqrt(2) * v / f.radius)) for v in fine])
        middle = (place[0] + place[-1]) / 2 - f.centre
        assert curve == pytest.approx((f.tilt * (fine - middle) + (f.full + f.drift * (fine - middle)) * step) / f.full, abs=1e-9)
        left = data(low.lines[k])
        assert left[0] == pytest.approx(at)
        assert left[1] == pytest.approx(100.0 * (share - np.interp(at, fine, curve)), abs=0.02)
    assert low.get_ylim()[0] == -low.get_ylim()[1]
    assert low.get_xlim() == top.get_xlim()
    assert low.get_xlabel() == "edge from the centre (mm)"


def test_a_scan_by_a_slit():
    result = measure_file(DEMO / "beam_slit.csv")
    top, low = spot_figure(result).axes
    place, signal = (np.array([float(r[c]) for r in table("beam_slit.csv")]) for c in (0, 1))
    _, f, _, _ = result.fits[0]
    readings = next(line for line in top.lines if line.get_label() == "readings")
    assert data(readings) == (pytest.approx(place), pytest.approx((signal - f.dark) / f.peak))
    assert spans(top)[0] == [pytest.approx((f.centre - f.radius, f.centre + f.radius))]
    assert data(top.lines[-1])[0] == pytest.approx([f.centre] * 2)
    assert low.get_xlabel() == "position of the slit (mm)"
    assert top.get_ylabel() == "share of peak reading"


def test_a_caustic():
    """w^2 = w0^2 (1 + (z - z0)^2 / zR^2), zR = pi w0^2 / (M^2 lambda): ISO 11146-1."""
    result = measure_file(DEMO / "beam_caustic.csv")
    (ax,) = spot_figure(result).axes
    rows = np.array(table("beam_caustic.csv"), float)
    by_name = {line.get_label(): data(line) for line in ax.lines}
    for k, name in enumerate("xy"):
        assert by_name[f"measured {name}"] == (pytest.approx(rows[:, 0]), pytest.approx(rows[:, k + 1] / 2))
        c = result.fits[k][1]
        z, w = by_name[f"fit {name}"]
        length = math.pi * c.waist_radius**2 / (c.beam_quality * 355e-6)
        assert w == pytest.approx(1e3 * c.waist_radius * np.hypot(1.0, (z - c.position) / length), rel=1e-6)
        assert (z[0], z[-1]) == (120.0, 304.0)
        if k == 0:
            assert spans(ax)[0] == [pytest.approx((c.position - length, c.position + length), rel=1e-6)]
            assert by_name["waist"] == (pytest.approx([c.position]), pytest.approx([1e3 * c.waist_radius]))
    assert ax.get_xlim() == pytest.approx((120.0 - 0.03 * 184.0, 304.0 + 0.03 * 184.0))
    assert ax.get_ylim() == pytest.approx((0.0, 1.08 * rows[:, 1:].max() / 2))


def test_a_picture_of_the_spot():
    """The ellipse at 1/e^2 with its own axes, and the cuts along rows and columns under the fitted Gaussian."""
    result = measure_file(DEMO / "beam_image.png", pixel_size=Q(5.0, "um"))
    whole, cut = spot_figure(result).axes
    spot = result.fits[0][1]
    a, b = spot.axes.radius_x, spot.axes.radius_y
    x, y = data(whole.lines[0])
    turn = spot.axes.angle
    own_x, own_y = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    assert (own_x / a) ** 2 + (own_y / b) ** 2 == pytest.approx(np.ones(x.size))
    assert (x[0], y[0]) == (pytest.approx(x[-1]), pytest.approx(y[-1]))
    assert [np.hypot(*np.diff(np.array(data(line))).ravel()) for line in whole.lines[1:]] == pytest.approx([2 * a, 2 * b])
    names = {t.get_text(): np.hypot(*t.xy) for t in whole.texts}
    assert names == pytest.approx({"x": 1.25 * a, "y": 1.25 * b})
    (picture,) = whole.images
    left, right, bottom, top = picture.get_extent()
    rows, columns = picture.get_array().shape
    assert (right - left) / columns == pytest.approx(0.005)
    assert (bottom - top) / rows == pytest.approx(0.005)  # rows count downwards
    # along a line through the middle of a turned Gaussian: exp(-2 q^2 (cos^2/a^2 + sin^2/b^2)), and along y with both changed about
    for line, (p, r), lift in ((cut.lines[1], (a, b), 0.0), (cut.lines[3], (b, a), 1.3)):
        q, values = data(line)
        bell = spot.bell
        det = bell.variance[0] * bell.variance[2] - bell.variance[1] ** 2
        own = bell.variance[2 if lift == 0.0 else 0] / det
        assert values - lift == pytest.approx(np.exp(-0.5 * own * q * q), abs=1e-12)
        steep = 4.0 * (np.cos(turn) ** 2 / p**2 + np.sin(turn) ** 2 / r**2)
        assert own == pytest.approx(steep, rel=0.1)  # moments and fit see nearly the same ellipse
    for line, lift in ((cut.lines[0], 0.0), (cut.lines[2], 1.3)):
        assert data(line)[1].max() - lift == pytest.approx(1.0, abs=0.15)
    assert cut.get_ylim() == (-0.2, 2.6)
    told = {t.get_text(): t.get_position() for t in cut.texts}
    assert told == {
        f"along {name}": pytest.approx((q.min(), y)) for name, q, y in (("x", spot.profile_x, 1.02), ("y", spot.profile_y, 2.32))
    }
    assert cut.get_yticks().tolist() == [0.0, 0.5, 1.0, 1.3, 1.8, 2.3]
    assert [t.get_text() for t in cut.get_yticklabels()] == ["0", "0.5", "1"] * 2


def test_cured_lines():
    """Lw^2 = 2 W0^2 ln(v0/v) and Cd = Dp ln(v0/v): both straight over ln v, both zero at v0."""
    result = measure_file(DEMO / "beam_cured_lines.csv")
    wide, deep = spot_figure(result).axes
    f = result.fits[0][1]
    rows = np.array([[float(v) for v in r] for r in table("beam_cured_lines.csv")])
    for ax, fitted in ((wide, 2 * f.radius**2), (deep, f.penetration_depth)):
        v, curve = data(ax.lines[0])
        assert curve == pytest.approx(fitted * np.log(f.vanishing_speed / v), abs=1e-12)
        assert (v[0], v[-1]) == (pytest.approx(rows[:, 0].min()), pytest.approx(f.vanishing_speed))
        assert ax.get_xlim() == pytest.approx((0.85 * v[0], 1.15 * v[-1]))
        assert ax.get_ylim()[0] == 0.0
    width, depth = (data(ax.lines[1]) for ax in (wide, deep))
    assert width[0] == pytest.approx(rows[:, 0])
    by_column = [np.sqrt(width[1]), depth[1]]
    for values, scale in zip(by_column, (1e-3, 1e-3), strict=True):
        assert any(np.allclose(values, scale * rows[:, c]) or np.allclose(values, rows[:, c]) for c in range(1, rows.shape[1]))


def test_readings_of_power():
    result = measure_file(DEMO / "beam_power.csv")
    (ax,) = spot_figure(result).axes
    rows = np.array([[float(v) for v in r[:2]] for r in table("beam_power.csv")])
    by_name = {line.get_label(): data(line) for line in ax.lines}
    cut = result.reading.left_out
    assert cut > 0
    assert by_name["left out as warm-up"] == (pytest.approx(rows[:cut, 0]), pytest.approx(rows[:cut, 1]))
    assert by_name["used"] == (pytest.approx(rows[cut:, 0]), pytest.approx(rows[cut:, 1]))
    mean = rows[cut:, 1].mean()
    assert by_name["mean of those used"][1] == pytest.approx([mean] * 2, rel=1e-4)
    assert spans(ax)[1] == [pytest.approx((mean - 2 * result.reading.type_a, mean + 2 * result.reading.type_a), rel=1e-4)]
    assert ax.get_xlabel() == "time (s)"
    (band,) = ax.patches
    assert band.get_width() == pytest.approx(1.0)  # of the axes
    assert [line.get_label() for line in ax.lines] == ["used", "left out as warm-up", "mean of those used"]


def test_readings_of_power_without_a_warm_up(tmp_path):
    file = tmp_path / "p.csv"
    file.write_text("power [mW]\n" + "".join(f"{240.0 + 0.1 * (-1) ** k}\n" for k in range(12)))
    result = measure_file(file)
    assert result.reading.left_out == 0
    (ax,) = spot_figure(result).axes
    assert [line.get_label() for line in ax.lines] == ["used", "mean of those used"]
    assert data(ax.lines[0])[1] == pytest.approx(result.readings)
    assert ax.get_xlabel() == "reading number"


def test_a_resin_surface_beside_a_caustic():
    result = measure_file(DEMO / "beam_caustic.csv")
    for at, ends in ((350.0, (120.0, 350.0)), (100.0, (100.0, 304.0)), (200.0, (120.0, 304.0))):
        moved = replace(result, details=result.details | {"surface_position": Q(at, "mm")})
        (ax,) = spot_figure(moved).axes
        (surface,) = (line for line in ax.lines if line.get_label() == "resin surface")
        assert data(surface)[0] == pytest.approx([at, at])
        room = 0.03 * (ends[1] - ends[0])
        assert ax.get_xlim() == pytest.approx((ends[0] - room, ends[1] + room))
    labels = [line.get_label() for line in ax.lines]
    assert labels.count("waist") == 1
    assert labels[:2] == ["fit x", "measured x"]


def test_residuals_stand_about_zero_and_a_lone_scan_where_it_was_read():
    result = measure_file(DEMO / "beam_slit.csv")
    top, low = spot_figure(result).axes
    ((_, f, x, _),) = result.fits
    marks, ground = low.lines
    assert data(marks) == (pytest.approx(x), pytest.approx(100.0 * f.residuals / f.peak))
    assert data(ground)[1] == pytest.approx([0.0, 0.0])
    assert [bar[:, 1].tolist() for bar in low.collections[0].get_segments()] == [[0.0, pytest.approx(v)] for v in data(marks)[1]]
    assert [line.get_label() for line in top.lines[:2]] == ["fit", "readings"]
    order = np.argsort(x, kind="stable")
    assert data(top.lines[0]) == (pytest.approx(x[order]), pytest.approx((f.fitted[order] - f.dark) / f.peak))


def test_one_knife_edge_and_cured_lines_without_depths(tmp_path):
    rows = (DEMO / "beam_knife_edge.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    file = tmp_path / "edge.csv"
    file.write_text("".join(row for row in rows if not row.startswith("y,")), encoding="utf-8")
    top, low = spot_figure(measure_file(file)).axes
    assert low.get_xlabel() == "position of the edge (mm)"
    assert top.get_ylabel() == "share of full reading"
    lines = table("beam_cured_lines.csv")
    result = measure_file(DEMO / "beam_cured_lines.csv")
    ((name, found, speed, (width, _)),) = result.fits
    (ax,) = spot_figure(replace(result, fits=((name, found, speed, (width, None)),))).axes
    assert ax.get_ylabel() == "line width squared (mm^2)"
    assert len(data(ax.lines[1])[0]) == len(lines)


def test_two_radii_are_told_in_four_digits_and_one_unit():
    one, other = (Measured(Q(value, "mm"), Q(0.001, "mm")) for value in (0.123456, 0.234567))
    assert _pair([one, other]) == "0.1235 and 0.2346 mm"
    assert _pair([one]) == "0.1235 mm"


@pytest.mark.parametrize("rising", [True, False])
def test_an_edge_lets_the_light_in_or_takes_it_away(rising):
    f = SimpleNamespace(centre=1.0, radius=0.5, rising=rising, dark=0.1, tilt=0.02, full=2.0, drift=0.3)
    fine, curve = _curve("knife-edge", f, np.array([0.0, 3.0]))
    for x, value in zip(fine, curve):
        open_share = 0.5 * math.erfc((-1 if rising else 1) * math.sqrt(2.0) * (x - 1.0) / 0.5)
        assert value == pytest.approx(0.1 + 0.02 * (x - 1.5) + (2.0 + 0.3 * (x - 1.5)) * open_share)
