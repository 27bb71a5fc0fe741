"""The beam over the field: the map finds what it was made from, its band holds the truth, optics and plan agree with hand values."""

import math
import tomllib

import numpy as np
import pytest
from field_survey import KINDS, RECORD, coverage, grid

from curecalc.spot.field import FieldMap, Place, optics_spot, parting, plan_places
from curecalc.spot.surface import surface


def places(spot, n=4, half=100.0, noise=0.0, rng=None):
    found = []
    for x, y in grid(n, half):
        rx, ry, angle = spot(x, y)
        k = noise * rng.standard_normal(2) if noise else (0.0, 0.0)
        found.append(Place(x=x, y=y, radius_x=rx * math.exp(k[0]), radius_y=ry * math.exp(k[1]), angle=angle, relative=noise))
    return tuple(found)


def test_a_plane_comes_back_exactly_and_says_so():
    x, y = np.array(grid(4)).T
    got = surface(x, y, 3.0 + 0.002 * x - 0.001 * y)
    value, u = got.at([33.0, -70.0], [12.0, 55.0])
    assert value == pytest.approx([3.0 + 0.066 - 0.012, 3.0 - 0.14 - 0.055], abs=1e-6)
    assert (u < 1e-5).all()


def test_evidence_bends_the_surface_only_where_readings_ask():
    rng = np.random.default_rng(1)
    x, y = np.array(grid(5)).T
    flat = surface(x, y, 1.0 + 0.001 * x + 0.01 * rng.standard_normal(x.size))
    bowl = surface(x, y, 1.0 + 0.2 * (x * x + y * y) / 1e4 + 0.01 * rng.standard_normal(x.size))
    x, y = np.array(grid(6)).T
    bump = surface(x, y, 0.4 * np.exp(-((x - 30) ** 2 + y * y) / 1500) + 0.003 * rng.standard_normal(x.size))
    assert bowl.curved > 0.95
    assert bump.plate > 0.95
    assert flat.at([50.0], [50.0])[1][0] < bump.at([50.0], [50.0])[1][0] * 3


def test_units_of_length_do_not_matter():
    x, y = np.array(grid(4)).T
    z = np.cos(x / 60) + 0.3 * y / 100
    a, b = surface(x, y, z).at([20.0], [-10.0]), surface(1e-3 * x, 1e-3 * y, z).at([0.02], [-0.01])
    assert a[0] == pytest.approx(b[0], rel=1e-6)
    assert a[1] == pytest.approx(b[1], rel=1e-4)


@pytest.mark.parametrize(("points", "words"), [([(0, 0), (1, 0), (0, 1), (1, 1)], "too few"), ([(k, 2 * k) for k in range(9)], "one line")])
def test_places_that_say_too_little_are_refused(points, words):
    x, y = np.array(points, dtype=float).T
    with pytest.raises(ValueError, match=words):
        surface(x, y, np.ones(x.size))


def test_an_ellipse_that_turns_over_the_field_is_followed():
    def spot(x, y):
        return 0.12, 0.10, math.radians(20.0 + 0.1 * x)

    got = FieldMap(places=places(spot, n=5)).at(30.0, -40.0)
    assert (got.radius_x, got.radius_y) == (pytest.approx(0.12, rel=2e-3), pytest.approx(0.10, rel=2e-3))
    assert math.degrees(got.angle) == pytest.approx(23.0, abs=0.5)
    assert not got.extrapolated
    assert got.covariance.shape == (4, 4)
    assert np.linalg.eigvalsh(got.covariance).min() > -1e-15


def test_extrapolation_is_named_and_the_band_grows():
    field = FieldMap(places=places(lambda x, y: (0.1, 0.1, 0.0), noise=0.01, rng=np.random.default_rng(2)))
    middle, out = field.at(0.0, 0.0), field.at(180.0, 0.0)
    assert not middle.extrapolated
    assert out.extrapolated
    assert out.relative > 1.5 * middle.relative


def test_common_uncertainty_moves_all_radii_together():
    ring = places(lambda x, y: (0.1, 0.1, 0.0))
    assert FieldMap(places=ring, common=0.02).at(0, 0).relative == pytest.approx(0.02, rel=1e-3)


def test_power_is_a_share_of_its_mean():
    ring = tuple(Place(x=x, y=y, radius_x=0.1, power=200.0 * math.exp(0.0005 * x)) for x, y in grid(4))
    got = FieldMap(places=ring).at(60.0, 0.0)
    assert got.power_factor == pytest.approx(math.exp(0.03), rel=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_the_band_holds_the_true_surface(kind):
    assert 0.88 <= coverage(kind, 25, 11) <= 1.0


def test_the_kept_figures_say_95_percent_over_500_fields():
    kept = tomllib.loads(RECORD.read_text())
    assert kept["fields"] * len(KINDS) >= 500
    assert np.mean([kept["coverage"][kind] for kind in KINDS]) == pytest.approx(kept["coverage"]["all"], abs=1e-4)
    assert kept["coverage"]["all"] == pytest.approx(0.95, abs=0.02)


@pytest.mark.slow
def test_a_bump_that_the_noise_half_hides_stands_in_the_band():
    """Twenty-five places: the noise is up to a third of a bump that no quadratic follows."""
    assert 0.94 <= coverage("bump", 300, 12, sides=(5,)) <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_drawn_again_gives_the_kept_figure(kind):
    kept = tomllib.loads(RECORD.read_text())
    assert coverage(kind, kept["fields"], kept["seed"]) == pytest.approx(kept["coverage"][kind], abs=2e-3)


# ------------------------------------------------------------------ optics beside the map

OPTICS = {"waist_radius": 0.0625, "beam_quality": 1.3, "wavelength": 355e-6, "throw": 1000.0}


def test_optics_by_hand():
    # path hypot(1000, 300) = 1044.03, defocus 44.03; zR = pi 0.0625^2/(1.3 x 355e-6) = 26.59; W = 0.0625 hypot(1, 1.656) = 0.1209
    along, across, way = optics_spot(0.0, 300.0, **OPTICS)
    assert across == pytest.approx(0.1209, abs=5e-5)
    assert along == pytest.approx(0.1209 * 1.04403, abs=6e-5)
    assert way == pytest.approx(math.pi / 2)
    assert optics_spot(0.0, 300.0, focus_held=True, **OPTICS)[1] == pytest.approx(0.0625)
    assert optics_spot(0.0, 0.0, **OPTICS)[0] == pytest.approx(0.0625, rel=1e-9)  # the waist itself
    assert optics_spot(0.0, 0.0, focus_offset=26.59, **OPTICS)[0] == pytest.approx(0.0625 * math.sqrt(2), rel=1e-3)


def test_a_tilted_lens_and_a_wrong_focus_are_told_apart():
    def predicted(x, y):
        return optics_spot(x, y, focus_held=True, **OPTICS)

    def ideal(x, y):
        along, across, way = predicted(x, y)
        return along, across, way

    rng = np.random.default_rng(4)
    agree = parting(FieldMap(places=places(ideal, noise=0.005, rng=rng)), predicted)
    assert agree.sentences == ()
    tilted = parting(FieldMap(places=places(lambda x, y: (*(r * math.exp(6e-4 * x) for r in ideal(x, y)[:2]), 0.0))), predicted)
    assert tilted.slope[0] == pytest.approx(6e-4, rel=1e-3)
    assert any("tilted" in s for s in tilted.sentences)
    off = parting(FieldMap(places=places(lambda x, y: (*(r * 1.1 for r in ideal(x, y)[:2]), 0.0))), predicted)
    assert any("focus, waist or M^2" in s for s in off.sentences)
    assert not any("tilted" in s for s in off.sentences)


@pytest.mark.slow
def test_the_plan_grows_with_what_is_asked():
    few, reached = plan_places(size_x=200.0, size_y=200.0, relative=0.01, to=0.06)
    more, better = plan_places(size_x=200.0, size_y=200.0, relative=0.01, to=0.015)
    assert len(few) < len(more)
    assert reached <= 0.06
    assert better <= 0.015
    with pytest.raises(ValueError, match="Measure each place more exactly"):
        plan_places(size_x=200.0, size_y=200.0, relative=0.05, to=0.01)


# ------------------------------------------------------------------ kept in the beam record


def test_a_record_keeps_the_field_and_reads_it_back_the_same(tmp_path):
    from curecalc.jobs.beam import BeamRecord, read_beam_record, with_field, write_beam_record
    from curecalc.units import Measured
    from curecalc.units import Quantity as Q

    measured = places(lambda x, y: (0.12 + 1e-6 * x * x, 0.10, 0.3), noise=0.01, rng=np.random.default_rng(3))
    base = BeamRecord(radius_x=Measured(Q(0.12, "mm"), Q(0.001, "mm")), radius_y=Measured(Q(0.1, "mm"), Q(0.001, "mm")))
    file = tmp_path / "beam.toml"
    write_beam_record(file, with_field(base, measured))
    back = read_beam_record(file).field_map()
    assert base.field_map() is None
    here, there = FieldMap(places=measured).at(30.0, -20.0), back.at(30.0, -20.0)
    assert (there.radius_x, there.radius_y, there.angle) == pytest.approx((here.radius_x, here.radius_y, here.angle), rel=1e-6)
    assert there.covariance == pytest.approx(here.covariance, rel=1e-4, abs=1e-15)


# ------------------------------------------------------------------ at the command


def table(rng, n=4, head="place_x [mm],place_y [mm],beam_radius_x [um],beam_radius_y [um]"):
    rows = [head]
    for x, y in grid(n):
        r = 100 * (1 + 0.1 * (x * x + y * y) / 1e4) * (1 + 0.004 * rng.standard_normal(2))
        rows.append(f"{x},{y},{r[0]:.4f},{0.9 * r[1]:.4f}")
    return "\n".join(rows) + "\n"


def spot(capsys, *words):
    from curecalc.cli import main

    status = main(["spot", *map(str, words)])
    out, err = capsys.readouterr()
    return status, out, err


def test_a_table_of_places_becomes_a_map_in_the_beam_record(capsys, tmp_path):
    import json

    from curecalc.jobs.beam import read_beam_record

    file, beam, picture = tmp_path / "field.csv", tmp_path / "beam.toml", tmp_path / "map.png"
    file.write_text(table(np.random.default_rng(6)))
    status, out, err = spot(capsys, file, "--save", beam, "--figure", picture, "--json")
    assert status == 0, err
    got = json.loads(out)
    assert (got["kind"], got["places"]) == ("field", 16)
    assert got["beam_radius"]["x"]["interval"][0] < 0.1 < got["beam_radius"]["x"]["interval"][1]
    assert 0 < got["widest_band"] < 0.05
    assert picture.stat().st_size > 5000
    corner = read_beam_record(beam).field_map().at(90.0, 90.0)
    assert corner.radius_x == pytest.approx(0.1 * 1.162, abs=corner.factor * math.sqrt(corner.covariance[0, 0]) * 0.116)


def test_a_drawn_field_is_its_surface_in_micrometres_and_half_the_band_in_per_cent(tmp_path):
    """Half of a band of 95 % is Student's t at 97.5 % times the standard uncertainty, of the surface and of what all places share."""
    from scipy.stats import t

    from curecalc.figures.spot import spot_figure
    from curecalc.spot import measure_file

    file = tmp_path / "field.csv"
    file.write_text(table(np.random.default_rng(6)))
    result = measure_file(file)
    radius, band = spot_figure(result).axes
    ((_, field, x, y),) = result.fits
    size = field.surfaces["size"]
    at = np.meshgrid(np.linspace(x.min(), x.max()), np.linspace(y.min(), y.max()))
    value, u = size.at(*at)
    half = 100.0 * t.ppf(0.975, size.degrees_of_freedom) * np.hypot(u, field.common)
    for ax, wanted in ((radius, 1e3 * np.exp(value)), (band, half)):
        filled = next(c for c in ax.collections if getattr(c, "filled", False))
        assert (filled.zmin, filled.zmax) == pytest.approx((wanted.min(), wanted.max()), rel=1e-6)
        assert ax.get_aspect() == 1.0
        assert (ax.lines[0].get_xdata().tolist(), ax.lines[0].get_ydata().tolist()) == (x.tolist(), y.tolist())


def test_one_file_a_place(capsys, tmp_path):
    import json

    from curecalc.spot.knife import knife_edge_power

    files, at = [], []
    for k, (x, y) in enumerate([(0, 0), (80, 80), (-80, 80), (80, -80), (-80, -80), (0, 80)]):
        edge, w = np.linspace(-0.3, 0.3, 31), 0.1 + 1e-6 * (x * x + y * y)
        rows = "\n".join(f"{a:.6g},{b:.8g}" for a, b in zip(edge, 90 * knife_edge_power(edge, w, 0.0), strict=True))
        (tmp_path / f"{k}.csv").write_text(f"position [mm],power [mW]\n{rows}\n")
        files.append(tmp_path / f"{k}.csv")
        at += ["--at", f"{x} mm, {y} mm"]
    status, out, err = spot(capsys, *files, *at, "--json")
    assert status == 0, err
    assert json.loads(out)["places"] == 6
    status, out, err = spot(capsys, *files, *at[:4])
    assert (status, out) == (2, "")
    assert "6 files and 2 places" in err


FIELD_FAULTS = {
    "four places": ("place_x [mm],place_y [mm],beam_radius [um]\n0,0,100\n1,0,100\n0,1,100\n1,1,100\n", "too few for a map"),
    "a line": ("place_x [mm],place_y [mm],beam_radius [um]\n" + "".join(f"{k},{k},100\n" for k in range(8)), "on one line"),
    "a hole": ("place_x [mm],place_y [mm],beam_radius [um]\n0,0,100\n1,0,\n0,1,100\n1,1,100\n2,1,100\n", "states no radius"),
    "no y": ("place_x [mm],beam_radius [um]\n0,100\n", "fit no kind"),
    "no unit": ("place_x,place_y [mm],beam_radius [um]\n0,0,100\n", "unit"),
}


@pytest.mark.parametrize("name", FIELD_FAULTS)
def test_bad_tables_of_places_end_in_one_line(capsys, tmp_path, name):
    text, words = FIELD_FAULTS[name]
    file = tmp_path / "f.csv"
    file.write_text(text)
    status, out, err = spot(capsys, file)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert words in err
