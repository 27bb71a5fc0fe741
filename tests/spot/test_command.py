"""`curecalc spot` from the files of the demo folder: the contract's keys, records, figures, and what is refused."""

import json
from pathlib import Path

import numpy as np
import pytest
from sampling import few

from curecalc.cli import main
from curecalc.jobs.beam import read_beam, read_beam_record

DEMO = Path(__file__).parents[2] / "demo"
REFERENCE = Path(__file__).parents[2] / "reference" / "data"
# file: (extra options, truth x, truth y), radii in mm as demo/make_beam_files.py states them
FILES = {
    "beam_knife_edge.csv": ([], 0.1147, 0.1055),
    "beam_slit.csv": ([], 0.1147, None),
    "beam_caustic.csv": ([], 0.060, 0.060),
    "beam_image.png": (["--pixel-size", "4.4um"], 0.116, 0.104),
    "beam_cured_lines.csv": ([], 0.110, None),
}


def run(capsys, *words):
    status = main(["spot", *map(str, words)])
    out, err = capsys.readouterr()
    return status, out, err


def answer(capsys, *words):
    status, out, err = run(capsys, *words, "--json")
    assert status == 0, err
    assert err == ""
    return json.loads(out)


@pytest.mark.parametrize("name", FILES)
def test_truth_is_inside_the_stated_interval(capsys, name):
    extra, x, y = FILES[name]
    got = answer(capsys, DEMO / name, *extra)
    for axis, truth in (("x", x), ("y", y)):
        radius = got["beam_radius"][axis]
        if truth is None:
            assert radius is None
            continue
        assert radius["unit"] == "mm"
        assert radius["interval"][0] < truth < radius["interval"][1]
        assert radius["confidence"] == 0.95
        assert radius["standard_uncertainty"] > 0
    assert got["beam_radius"]["value"] == pytest.approx((x * (y or x)) ** 0.5, rel=0.1)
    assert len(got["data_sha256"]) == 64
    assert any("class 4" in text for text in got["cautions"])


@pytest.mark.parametrize("name", few([*FILES, "beam_power.csv"], 3))
def test_text_ends_with_the_safety_caution_and_explains(capsys, name):
    status, out, _ = run(capsys, DEMO / name, *FILES.get(name, ([],))[0], "--explain")
    assert status == 0
    assert "class 4 (IEC 60825-1" in out
    assert "laser safety officer" in out
    assert "\n1. " in out


def test_caustic_keys(capsys):
    got = answer(capsys, DEMO / "beam_caustic.csv", "--wanted-radius", "0.11mm", "--surface-position", "250mm")
    quality = got["beam_quality"]
    assert quality["x"]["interval"][0] < 1.2 < quality["x"]["interval"][1]
    assert quality["value"] == pytest.approx(1.2, abs=0.03)
    assert got["coverage"]["x"]["complete"]
    assert got["wavelength"] == {"value": 355.0, "unit": "nm"}
    defocus = got["defocus"]["x"]
    near, far = (end["value"] for end in defocus["range"])
    assert near < defocus["distance"]["value"] < far
    assert got["beam_radius"]["x"]["value"] > got["waist_radius"]["x"]["value"] * 1.5


def test_published_caustics_come_out_to_their_digits(capsys, tmp_path):
    # 633 nm, M^2 1.0108(60), d0 252.89 um, z0 248.20 mm
    source = np.loadtxt(REFERENCE / "caustic_633nm_table_x.csv", delimiter=",", skiprows=1)
    file = tmp_path / "x.csv"
    file.write_text("z [mm];d4sigma [um]\n" + "\n".join(f"{a};{b}" for a, b in source) + "\n")
    got = answer(capsys, file, "--wavelength", "633nm")
    assert got["beam_quality"]["value"] == pytest.approx(1.0108, abs=5e-5)
    assert got["beam_quality"]["standard_uncertainty"] == pytest.approx(0.0060, abs=5e-5)
    assert 2000 * got["waist_radius"]["x"]["value"] == pytest.approx(252.89, abs=0.005)
    assert got["waist_position"]["x"]["value"] == pytest.approx(248.20, abs=0.005)


def test_published_caustic_with_bad_coverage_is_called_out(capsys, tmp_path):
    source = np.loadtxt(REFERENCE / "caustic_633nm_noncompliant.csv", delimiter=",", skiprows=1)
    file = tmp_path / "x.csv"
    file.write_text("z [mm],d4sigma [um]\n" + "\n".join(f"{a},{b}" for a, b in source) + "\n")
    got = answer(capsys, file, "--wavelength", "632.8nm")
    assert got["coverage"]["x"] == {"positions": 12, "within_one_rayleigh_length": 9, "beyond_two_rayleigh_lengths": 0, "complete": False}
    assert any("9 within one Rayleigh length" in text and "0 beyond two" in text for text in got["warnings"])


def test_published_knife_edge_in_metres_and_volts(capsys, tmp_path):
    source = np.loadtxt(REFERENCE / "knife_edge_regenerated_w452um.csv", delimiter=",", skiprows=1)
    file = tmp_path / "k.csv"
    file.write_text("x [m],voltage [V]\n" + "\n".join(f"{a},{b}" for a, b in source) + "\n")
    got = answer(capsys, file)
    assert got["kind"] == "knife-edge"
    assert got["beam_radius"]["value"] == pytest.approx(0.452, abs=1e-9)
    assert got["clip_estimate"]["value"] == pytest.approx(0.452, rel=0.02)


def test_power_readings_leave_the_warm_up_out_with_a_sentence(capsys):
    got = answer(capsys, DEMO / "beam_power.csv", "--meter-uncertainty", "1.5 %", "--loss", "window = 4 % +- 0.3 %")
    assert got["left_out"] > 10
    assert "left out as warm-up" in got["warnings"][0]
    low, high = got["power"]["interval"]
    assert low < 240.0 < high
    assert [p["name"] for p in got["budget"]] == ["readings (Type A)", "meter calibration (Type B)", "loss window (Type B)"]
    all_kept = answer(capsys, DEMO / "beam_power.csv", "--keep-warm-up")
    assert all_kept["left_out"] == 0


@pytest.mark.parametrize("name", [*FILES, "beam_power.csv"])
@pytest.mark.parametrize("ending", few(["png", "svg"], 2))
def test_figures(capsys, tmp_path, name, ending):
    path = tmp_path / f"f.{ending}"
    status, _, err = run(capsys, DEMO / name, *FILES.get(name, ([],))[0], "--figure", path)
    assert status == 0
    assert path.stat().st_size > 5000
    assert f"wrote {path}" in err


# ------------------------------------------------------------------ records


def test_a_measured_beam_goes_into_depth_and_its_power_is_renewed(capsys, tmp_path):
    beam = tmp_path / "beam.toml"
    words = (DEMO / "beam_image.png", "--pixel-size", "4.4um", "--camera-angle", "0deg", "--wavelength", "355nm")
    status, out, err = run(capsys, *words, "--power", "240mW +- 5mW", "--save", beam, "--date", "2026-03-04", "--record-name", "invented")
    assert status == 0, err
    assert "--beam" in out
    record = read_beam_record(beam)
    assert record.method == "image"
    assert record.measured_on.isoformat() == "2026-03-04"
    assert record.data_sha256 == answer(capsys, *words)["data_sha256"]
    assert {part.of for part in record.budget} == {"radius_x", "radius_y"}
    assert read_beam(beam).wavelength.m_as("nm") == 355.0

    setting = ["--scan-speed", "3000 mm/s", "--penetration-depth", "0.142 mm", "--critical-exposure", "9.4 mJ/cm^2"]
    assert main(["depth", "--beam", str(beam), *setting, "--json"]) == 0
    along = json.loads(capsys.readouterr().out)
    assert main(["depth", "--beam", str(beam), *setting, "--track-angle", "90deg", "--json"]) == 0
    across = json.loads(capsys.readouterr().out)
    assert across["cure_depth"]["value"] != pytest.approx(along["cure_depth"]["value"], rel=1e-4)
    assert along["cure_depth"]["standard_uncertainty"] > 0

    status, _, err = run(capsys, DEMO / "beam_power.csv", "--meter-uncertainty", "2 %", "--beam", beam, "--save", beam, "--overwrite")
    assert status == 0, err
    renewed = read_beam_record(beam)
    assert renewed.power.value.m_as("mW") == pytest.approx(250, abs=1)
    assert renewed.radius_x == record.radius_x
    assert ("power", "meter calibration (Type B)") in [(part.of, part.name) for part in renewed.budget]


def test_a_record_is_never_replaced_unasked(capsys, tmp_path):
    beam = tmp_path / "beam.toml"
    assert run(capsys, DEMO / "beam_slit.csv", "--save", beam)[0] == 0
    before = beam.read_bytes()
    status, out, err = run(capsys, DEMO / "beam_slit.csv", "--save", beam)
    assert (status, out) == (2, "")
    assert "stands already" in err
    assert beam.read_bytes() == before


def test_a_beam_file_without_power_asks_for_it(capsys, tmp_path):
    beam = tmp_path / "beam.toml"
    run(capsys, DEMO / "beam_slit.csv", "--save", beam)
    setting = ["--scan-speed", "3000 mm/s", "--penetration-depth", "0.142 mm", "--critical-exposure", "9.4 mJ/cm^2"]
    assert main(["depth", "--beam", str(beam), *setting]) == 2
    assert "--power" in capsys.readouterr().err
    assert main(["depth", "--beam", str(beam), *setting, "--power", "240 mW"]) == 0
    assert main(["solve", "--for", "power", "--beam", str(beam), *setting, "--cure-depth", "0.15mm"]) == 0


# ------------------------------------------------------------------ refusals


def scan(x, y, head="position [mm],power [mW]", above=""):
    return above + head + "\n" + "\n".join(f"{a:.6g},{b:.6g}" for a, b in zip(x, y, strict=True)) + "\n"


def edge(x, w=0.1):
    from curecalc.spot.knife import knife_edge_power

    return 100 * knife_edge_power(np.asarray(x), w, 0.0)


NOISE = np.random.default_rng(3).standard_normal(60)
WIDE = np.linspace(-0.3, 0.3, 31)
TABLES = {
    "travel too short": (
        scan(np.linspace(-0.3, 0.05, 21), edge(np.linspace(-0.3, 0.05, 21))),
        ["--kind", "knife-edge"],
        "knife travel is too short",
        "Scan from dark to full light",
    ),
    "steps too coarse": (
        scan([-0.9, -0.6, -0.3, 0.02, 0.3, 0.6, 0.9], edge([-0.9, -0.6, -0.3, 0.02, 0.3, 0.6, 0.9])),
        [],
        "fall on the edge|no edge",
        "Step the stage|scan again",
    ),
    "few readings": (scan([-0.2, 0.0, 0.2], edge([-0.2, 0.0, 0.2])), ["--kind", "knife-edge"], "at 7 positions", "Step the stage"),
    "no edge at all": (scan(WIDE, 5 + 0.2 * NOISE[:31]), ["--kind", "knife-edge"], "no edge stands out", "scan again"),
    "no peak at all": (scan(WIDE, 5 + 0.2 * NOISE[:31]), ["--kind", "slit"], "no peak stands out", "scan again"),
    "neither edge nor peak": (scan(WIDE, 5 + 0.2 * NOISE[:31]), [], "cannot tell a knife-edge scan from a slit", "--kind"),
    "same place": (scan(np.zeros(20), NOISE[:20] + 50), ["--kind", "knife-edge"], "7 positions", "Step the stage"),
    "slit travel too short": (
        scan(np.linspace(-0.3, 0.02, 21), np.exp(-2 * (np.linspace(-0.3, 0.02, 21) / 0.1) ** 2)),
        ["--kind", "slit"],
        "travel is too short|no peak",
        "Scan at least|scan again",
    ),
    "three caustic points": (
        scan([10, 20, 30], [100, 90, 100], "position [mm],beam radius [um]", "wavelength = 355 nm\n"),
        [],
        "caustic of 3 positions",
        "ten positions",
    ),
    "one straight side": (
        scan(np.arange(100, 200, 10.0), np.arange(100, 200, 10.0) * 3, "position [mm],beam radius [um]", "wavelength = 355 nm\n"),
        [],
        "do not determine a waist",
        "both sides of the focus",
    ),
    "flat caustic": (
        scan(np.arange(10.0), 100 + NOISE[:10], "position [mm],beam radius [um]", "wavelength = 355 nm\n"),
        [],
        "do not determine a waist",
        "Measure",
    ),
    "no wavelength": (
        scan(np.arange(10.0), 100 + np.arange(10.0), "position [mm],beam radius [um]"),
        [],
        "wavelength is missing",
        "--wavelength",
    ),
    "two conventions": ("position [mm],beam radius [um],beam diameter [um]\n1,2,4\n", [], "more than one convention", "Keep"),
    "fits no kind": ("position [mm],scan speed [mm/s]\n1,2\n", [], "fit no kind", "needs the columns"),
    "wrong kind": (scan(WIDE, edge(WIDE)), ["--kind", "caustic"], "a caustic needs", "beam_radius"),
    "one power reading": ("power [mW]\n300\n", [], "one reading", "Take at least ten"),
    "dark power readings": ("power [mW]\n-1\n0.5\n-0.2\n", [], "not above zero", "Check the shutter"),
    "lines of one speed": ("power = 200 mW\nscan speed [mm/s],line width [um]\n" + "500,200\n" * 6, [], "too few", "at three or more"),
    "lines that grow with speed": (
        "power = 200 mW\nscan speed [mm/s],line width [um]\n100,100\n200,120\n400,150\n800,180\n",
        [],
        "do not get narrower",
        "Check the columns",
    ),
    "depths alone": (
        "scan speed [mm/s],cure depth [um]\n100,400\n200,320\n400,250\n800,180\n",
        [],
        "line_width is missing|--line-width",
        "Measure",
    ),
    "axis not x or y": (
        "axis,position [mm],power [mW]\n" + "".join(f"u,{a},{b}\n" for a, b in zip(WIDE, edge(WIDE), strict=True)),
        [],
        "axis must be x or y",
        "one file",
    ),
    "option of another kind": (scan(WIDE, edge(WIDE)), ["--pixel-size", "4um"], "--pixel-size does not belong", "Leave it out"),
    "column unit": (scan(WIDE, edge(WIDE), "position,power [mW]"), [], "no unit in the header", "position \\[mm\\]"),
    "unreadable cell": ("position [mm],power [mW]\n0.1,3\n0.2,abc\n", [], ":3:2", "abc"),
    "empty": ("", [], "empty", "again"),
}


@pytest.mark.parametrize("name", TABLES)
def test_bad_tables_end_in_one_line_with_a_way_out(capsys, tmp_path, name):
    text, options, problem, way = TABLES[name]
    file, beam = tmp_path / "in.csv", tmp_path / "beam.toml"
    file.write_text(text)
    status, out, err = run(capsys, file, *options, "--save", beam)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    import re

    assert re.search(problem, err), err
    assert re.search(way, err), err
    assert not beam.exists()


def test_images_that_cannot_be_used(capsys, tmp_path):
    file = tmp_path / "noise.csv"
    np.savetxt(file, np.random.default_rng(1).normal(30, 3, (60, 80)), fmt="%.2f", delimiter=",")
    status, out, err = run(capsys, file, "--pixel-size", "5um")
    assert (status, out) == (2, "")
    assert "stands clearly out of the noise" in err
    status, _, err = run(capsys, DEMO / "beam_image.png")
    assert status == 2
    assert "--pixel-size is missing" in err
    broken = tmp_path / "broken.png"
    broken.write_bytes(b"\x89PNG\r\n\x1a\n" + b"rubbish" * 20)
    assert "cannot be read as a picture" in run(capsys, broken, "--pixel-size", "5um")[2]
    lossy = tmp_path / "beam.jpg"
    lossy.write_bytes(b"\xff\xd8\xff")
    assert "Save the picture as PNG or TIFF" in run(capsys, lossy, "--pixel-size", "5um")[2]


def test_matrix_of_numbers_and_16_bit_tiff_agree_with_the_png(capsys, tmp_path):
    from PIL import Image

    image = np.asarray(Image.open(DEMO / "beam_image.png"))
    base = answer(capsys, DEMO / "beam_image.png", "--pixel-size", "4.4um")
    np.savetxt(tmp_path / "m.csv", image, fmt="%d", delimiter=";", header="pixel_size = 4.4 um")
    Image.fromarray(image.astype(np.uint16) * 100).save(tmp_path / "m.tif")
    Image.fromarray(np.stack([image * 0, image * 0, image], axis=2)).save(tmp_path / "blue.png")
    for name, extra in (("m.csv", []), ("m.tif", ["--pixel-size", "4.4um"]), ("blue.png", ["--pixel-size", "4.4um"])):
        got = answer(capsys, tmp_path / name, *extra)
        assert got["beam_radius"]["x"]["value"] == pytest.approx(base["beam_radius"]["x"]["value"], rel=1e-9)
    assert "blue channel" in got["notes"][0]


def test_a_camera_turned_or_mirrored_turns_the_spot(capsys):
    words = (DEMO / "beam_image.png", "--pixel-size", "4.4um")
    plain = answer(capsys, *words)["angle"]["value"]
    assert plain == pytest.approx(20, abs=3)
    assert answer(capsys, *words, "--camera-angle", "30deg")["angle"]["value"] == pytest.approx(plain + 30)
    assert answer(capsys, *words, "--mirrored")["angle"]["value"] == pytest.approx(-plain)


def test_confidence_widens_the_interval(capsys):
    narrow = answer(capsys, DEMO / "beam_slit.csv")["beam_radius"]["interval"]
    wide = answer(capsys, DEMO / "beam_slit.csv", "--confidence", "0.99")["beam_radius"]["interval"]
    assert wide[0] < narrow[0] < narrow[1] < wide[1]
