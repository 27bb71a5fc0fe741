"""Camera images from the simulator: what is wrong is named by its own reason, clean beams are not called, frames average."""

import io

import beam_simulator as sim
import numpy as np
import pytest
from PIL import Image
from sampling import few

from curecalc.errors import FileError, QuantityError
from curecalc.spot.files import read_measurement
from curecalc.spot.image import image_spot
from curecalc.spot.measure import measure_file
from curecalc.spot.pictures import image_beam
from curecalc.units import Quantity as Q

UM = Q(1.0, "um")


def keys(fault, seed):
    z, truth, top = sim.picture(np.random.default_rng(seed), fault)
    got = image_spot(z, (1.0, 1.0), full_scale=top)
    return got, truth, {f.key for f in got.findings if f.check}


@pytest.mark.parametrize(
    ("fault", "key"),
    [
        ("two spots", "second_spot"),
        ("top hat", "not_gaussian"),
        ("hermite 10", "not_gaussian"),
        ("laguerre 01", "not_gaussian"),
        ("dark cut", "dark_cut"),
        ("cut by the sensor", "truncated"),
    ],
)
@pytest.mark.parametrize("seed", few([1, 2, 3], 3))
def test_each_fault_is_named_by_its_own_reason(fault, key, seed):
    assert key in keys(fault, seed)[2]


@pytest.mark.parametrize("seed", range(4))
def test_halos_and_near_spots_never_pass_in_silence(seed):
    assert keys("halo", seed)[2] & {"halo", "wings", "second_spot", "background"}
    assert keys("near spots", seed)[2] & {"second_spot", "not_gaussian"}


@pytest.mark.parametrize("fault", few(["hot clusters", "gaussian 12 bit", "light noise", "linear gradient"], 2))
def test_hot_clusters_are_mended_and_clean_beams_not_called(fault):
    for seed in range(4):
        got, (wx, wy), checks = keys(fault, seed)
        assert not checks
        assert got.axes.radius_x == pytest.approx(wx, abs=4.5 * got.axes.u_x)
        assert got.axes.radius_y == pytest.approx(wy, abs=4.5 * got.axes.u_y)
        assert (got.mended > 10) is (fault == "hot clusters")


def test_a_curved_background_is_a_surface_not_noise():
    y, x = np.mgrid[:200, :200].astype(float)
    spot = 1000 * np.exp(-2 * ((x - 100) ** 2 + (y - 97) ** 2) / 18**2)
    hill = 200 + 150 * ((x - 60) / 200) ** 2 + 90 * (x - 100) * (y - 40) / 200**2
    got = image_spot(spot + hill + 3 * np.random.default_rng(1).standard_normal(x.shape), (1.0, 1.0))
    assert got.by_moments
    assert got.moments.ground.degree >= 2
    assert got.axes.radius_x == pytest.approx(18, abs=4 * got.axes.u_x)
    assert got.findings == ()


@pytest.mark.slow
def test_frames_are_averaged_and_their_scatter_counts():
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:120, :120].astype(float)

    def frame(w, at=60.0):
        return 2000 * np.exp(-2 * ((x - at) ** 2 + (y - 58) ** 2) / w**2) + 100 + 5 * rng.standard_normal(x.shape)

    sizes = 15 + 0.3 * rng.standard_normal(8)
    got = image_beam(image=np.stack([frame(w) for w in sizes]), pixel_size=UM)
    assert got.radius_x.value.m_as("um") == pytest.approx(sizes.mean(), abs=0.2)
    part = next(p for p in got.radius_x.parts if p.name.startswith("frame"))
    assert part.degrees_of_freedom == 7
    assert part.relative * 15 == pytest.approx(sizes.std(ddof=1) / np.sqrt(8), rel=0.2)
    moved = image_beam(image=np.stack([frame(15.0, 60 + 4 * (-1) ** k) for k in range(6)]), pixel_size=UM)
    assert any("from frame to frame" in w for w in moved.warnings)


# ------------------------------------------------------------------ content decides what a file is


def saved(image, form, **options):
    out = io.BytesIO()
    Image.fromarray(image).save(out, form, **options)
    return out.getvalue()


SPOT = (np.exp(-2 * (np.hypot(*(np.mgrid[:64, :64] - 31.0)) / 9) ** 2) * 200 + 10).astype(np.uint8)


@pytest.mark.parametrize(("form", "options", "word"), [("JPEG", {}, "JPEG"), ("GIF", {}, "GIF"), ("WEBP", {}, "WebP")])
@pytest.mark.parametrize("ending", [".png", ".tif", ".csv"])
def test_lossy_pictures_are_refused_by_content(tmp_path, form, options, word, ending):
    file = tmp_path / f"a{ending}"
    file.write_bytes(saved(SPOT, form, **options))
    with pytest.raises(FileError, match=f"this is a {word} picture"):
        read_measurement(file)


def test_a_tiff_packed_as_jpeg_is_refused(tmp_path):
    file = tmp_path / "a.tif"
    file.write_bytes(saved(SPOT, "TIFF", compression="jpeg"))
    with pytest.raises(FileError, match="packed as JPEG"):
        read_measurement(file)


def test_a_png_is_a_picture_whatever_its_name(tmp_path):
    file = tmp_path / "scan.csv"
    file.write_bytes(saved(SPOT, "PNG"))
    assert measure_file(file, pixel_size=UM).kind == "image"


def test_pages_of_a_tiff_are_frames(tmp_path):
    file = tmp_path / "a.tif"
    pages = [Image.fromarray(np.clip(SPOT + k, 0, 255).astype(np.uint8)) for k in range(3)]
    pages[0].save(file, save_all=True, append_images=pages[1:])
    assert read_measurement(file).image.shape == (3, 64, 64)
    assert measure_file(file, pixel_size=UM).radius_x.value.m_as("um") == pytest.approx(9, rel=0.04)  # whole counts cut the wings
    with pytest.raises(QuantityError, match="rows and columns"):
        image_beam(image=np.zeros((2, 2, 2, 2)), pixel_size=UM)


# ------------------------------------------------------------------ camera and machine


def turned(at, angle, wx=20.0, wy=12.0, seed=1):
    y, x = np.mgrid[:200, :200].astype(float)
    c, s = np.cos(angle), np.sin(angle)
    u, v = (x - at[0]) * c + (y - at[1]) * s, -(x - at[0]) * s + (y - at[1]) * c
    light = 2000 * np.exp(-2 * (u**2 / wx**2 + v**2 / wy**2))
    return light + 100 + 5 * np.random.default_rng(seed).standard_normal(x.shape)


@pytest.mark.slow
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_known_move_of_the_spot_gives_the_camera_angle(mirrored):
    sign, camera = (-1.0 if mirrored else 1.0), np.radians(25.0)
    step = np.array([0.050, 0.010])  # mm along the machine's axes
    # machine = turn + sign * picture, so the picture sees the move turned back
    way = sign * (np.arctan2(step[1], step[0]) - camera)
    seen = np.hypot(*step) / 1e-3 * np.array([np.cos(way), np.sin(way)])
    first, second = turned((80, 100), np.radians(10), seed=1), turned((80 + seen[0], 100 + seen[1]), np.radians(10), seed=2)
    got = image_beam(image=first, pixel_size=UM, mirrored=mirrored, moved_image=second, moved=(Q(step[0], "mm"), Q(step[1], "mm")))
    assert got.angle.m_as("deg") == pytest.approx(25.0 + sign * 10.0, abs=4 * got.u_angle.m_as("deg"))
    assert 0 < got.u_angle.m_as("deg") < 1.0
    assert got.warnings == ()
    assert got.to_dict()["angle"]["standard_uncertainty"] == pytest.approx(got.u_angle.m_as("deg"))
    wrong = image_beam(image=first, pixel_size=UM, mirrored=mirrored, moved_image=second, moved=(Q(0.06, "mm"), Q(0.012, "mm")))
    assert any("pixel size" in w for w in wrong.warnings)
    with pytest.raises(QuantityError, match="hardly moves"):
        image_beam(image=first, pixel_size=UM, moved_image=first, moved=(Q(1.0, "mm"), Q(0.0, "mm")))


def test_the_angle_carries_the_camera_angle_s_own_uncertainty():
    from curecalc.units import Measured

    z = turned((100, 100), np.radians(10))
    plain = image_beam(image=z, pixel_size=UM, camera_angle=Q(30.0, "deg"))
    loose = image_beam(image=z, pixel_size=UM, camera_angle=Measured(Q(30.0, "deg"), Q(2.0, "deg")))
    assert loose.u_angle.m_as("deg") == pytest.approx(np.hypot(2.0, plain.u_angle.m_as("deg")))


def test_checks_of_a_beam_travel_into_every_answer(tmp_path, capsys):
    import json

    from curecalc.cli import main

    x = np.linspace(-0.3, 0.3, 31)
    y = np.minimum(sim.edge(x, 0.1) + 0.003 * np.random.default_rng(1).standard_normal(31), 0.85)
    scan, beam = tmp_path / "scan.csv", tmp_path / "beam.toml"
    scan.write_text("position [mm],power [mW]\n" + "\n".join(f"{a:.6g},{100 * b:.8g}" for a, b in zip(x, y, strict=True)) + "\n")
    assert main(["spot", str(scan), "--save", str(beam)]) == 0
    assert "Check: " in capsys.readouterr().out
    base = ["--beam", str(beam), "--power", "200mW", "--penetration-depth", "0.142 mm", "--critical-exposure", "9.4 mJ/cm^2"]
    for words in (
        ["depth", *base, "--scan-speed", "2000 mm/s"],
        ["speed", *base, "--cure-depth", "0.15mm"],
        ["stack", *base, "--scan-speed", "2000 mm/s", "--hatch-spacing", "0.08mm", "--layer-thickness", "0.1mm"],
    ):
        assert main([*words, "--json"]) == 0
        told = json.loads(capsys.readouterr().out)["warnings"]
        assert any(t.startswith("beam: ") and "stand at one top value" in t for t in told), words
        assert any("one axis was scanned" in t for t in told)
    assert main(["plan", *base, "--json"]) == 0
    assert any("stand at one top value" in t for t in json.loads(capsys.readouterr().out)["notes"])
