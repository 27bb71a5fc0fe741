"""Which kind of measurement a file is, by hand: steps and peaks, rows of numbers, colours, widths in three conventions."""

import io
import math

import numpy as np
import pytest

from curecalc.errors import FileError, QuantityError
from curecalc.spot import files
from curecalc.spot.measure import measure_file


def read(text, name="a.csv", **more):
    return files.read_measurement(name, data=text.encode(), **more)


def ends(first, last, size=20, share=10, peak=None):
    """Readings from 0 to 1 whose first and last tenth stand at these levels, one wild reading in each."""
    n = max(1, size // share)
    y = np.resize([0.0, 1.0], size)
    y[:n], y[-n:] = first, last
    if n > 2:
        y[0], y[-1] = 9.0 - 9.0 * first, 0.0
    return y


@pytest.mark.parametrize(
    ("y", "kind"),
    [
        (ends(0.0, 0.61), "knife-edge"),
        (ends(0.61, 0.0), "knife-edge"),
        (ends(0.0, 0.59), None),  # no step, and one end stands too high for a peak
        (ends(0.3, 0.41), None),
        (ends(0.39, 0.0), "slit"),
        (ends(0.0, 0.39), "slit"),
        (10.0 + 5.0 * ends(0.0, 0.39), "slit"),
        (np.array([0.0, 1.0, 0.0]), "knife-edge"),  # the scan itself says that these are too few
        (np.array([0.0, 1.0, 1.0, 0.0]), "slit"),
        (np.array([0.0, 1.0, 0.5, 1.0, 0.0, 0.0, 1.0, 1.0, 0.5]), None),
        (np.full(9, 3.0), "knife-edge"),
        # a tenth of 30 readings is three: their middle counts; of 29 it is two
        (np.r_[0.0, 0.0, 1.0, np.resize([0.0, 1.0], 24), 1.0, 0.0, 0.0], "slit"),
        (np.r_[0.0, 0.0, 1.0, np.resize([0.0, 1.0], 23), 0.0, 0.0, 0.9], None),
    ],
)
def test_a_step_is_told_from_a_peak_by_its_ends(y, kind):
    x = np.arange(float(y.size))
    assert files._step_or_peak(x, y) == kind
    mixed = np.random.default_rng(1).permutation(y.size)
    assert files._step_or_peak(x[mixed], y[mixed]) == kind


ROW = ",".join("123456789012") + "\n"


@pytest.mark.parametrize(
    "text",
    [
        ROW * 12,
        "# pixel size = 4 um\n" * 70 + "note = any\n\n" + ROW * 12,
        (ROW * 12).replace(",", ";"),
        (ROW * 12).replace(",", "\t"),
        (ROW * 12).replace(",", "  "),
        ROW.replace("\n", ",\n") * 12,
        ROW * 20 + "1,2\n",  # known from its first rows; what follows is refused by its line
    ],
)
def test_rows_of_a_dozen_numbers_are_a_picture(text):
    assert files._is_matrix(text.encode())


@pytest.mark.parametrize("text", [ROW * 11, ROW[2:] * 12, ROW * 11 + "1,2\n", ROW.replace("1", "x") + ROW * 11, ROW * 12 + "\0"])
def test_fewer_rows_or_other_cells_are_a_table(text):
    assert not files._is_matrix(text.encode())


def test_a_picture_as_text_with_its_settings_and_the_place_of_a_fault():
    got = read("# pixel size = 4 um\n# pixel-size-y: 5 um\n# camera: old\n\n" + ROW * 12)
    assert got.image.shape == (12, 12)
    assert got.image[3].tolist() == [1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 1, 2]
    assert got.settings == pytest.approx({"pixel_size": 0.004, "pixel_size_y": 0.005})
    with pytest.raises(FileError, match=r"a\.csv:14:3: cannot read 'abc'"):
        read("# a\n" + ROW * 12 + "1,2,abc\n")
    with pytest.raises(FileError, match=r"a\.csv:14: 2 numbers, but the rows above have 12"):
        read("# a\n" + ROW * 12 + "1,2\n")
    with pytest.raises(FileError, match=r"a\.csv:2: pixel_size"):
        read("\n# pixel size = blue\n" + ROW * 12)


@pytest.mark.parametrize(
    ("light", "channel"), [((50, 25, 25), 0), ((24, 51, 25), 1), ((1, 2, 97), 2), ((49, 26, 25), None), ((33, 33, 34), None)]
)
def test_one_colour_holds_the_beam_where_it_holds_half_the_light(light, channel):
    image = np.full((4, 6, 3), [9, 20, 3], dtype=np.uint8)  # each its own dark level
    image[2, 3] += np.array(light, dtype=np.uint8)
    if channel is None:
        with pytest.raises(FileError, match="channels share the light"):
            files._one_channel(image, "RGB", "a.png")
    else:
        found, note = files._one_channel(image, "RGB", "a.png")
        assert found.tolist() == image[..., channel].tolist()
        assert ("red", "green", "blue")[channel] in note


def test_grey_written_as_colours_is_grey():
    grey = np.arange(12, dtype=np.uint8).reshape(3, 4)
    for mode, channels in (("RGB", 3), ("RGBA", 4), ("LA", 2), ("La", 2)):
        image = np.repeat(grey[..., None], channels, axis=2)
        image[..., 3:] = 255 if channels == 4 else 0
        if channels == 2:
            image[..., 1] = 255
        found, note = files._one_channel(image, mode, "a.png")
        assert (found.tolist(), note) == (grey.tolist(), "")


def test_sixty_four_frames_are_read():
    from PIL import Image

    held = io.BytesIO()
    frames = [Image.fromarray(np.full((12, 12), k, np.uint8)) for k in range(65)]
    frames[0].save(held, "TIFF", save_all=True, append_images=frames[1:64])
    got = files.read_measurement("a.tif", data=held.getvalue())
    assert got.image.shape == (64, 12, 12)
    assert got.image[:, 0, 0].tolist() == list(range(64))


def test_a_file_larger_than_any_picture_is_not_opened(tmp_path):
    large = tmp_path / "a.tif"
    with large.open("wb") as file:
        file.truncate(200_000_001)
    with pytest.raises(FileError, match="is larger than 200 MB, too large for a measurement file"):
        files.read_measurement(large)


@pytest.mark.parametrize(("name", "factor"), [("radius", 1.0), ("diameter", 0.5), ("fwhm", 1.0 / math.sqrt(2.0 * math.log(2.0)))])
def test_widths_of_three_conventions_are_radii_at_the_same_level(name, factor):
    got = read(f"position [mm],beam_{name} [um],standard uncertainty [um]\n1,200,4\n2,300,6\n")
    assert got.kind == "caustic"
    assert got.columns["radius"] == pytest.approx(factor * np.array([0.2, 0.3]))
    assert got.columns["u_radius"] == pytest.approx(factor * np.array([0.004, 0.006]))
    pair = read(f"place_x [mm],place_y [mm],beam_{name}_x [um],beam_{name}_y [um]\n1,2,200,300\n")
    assert pair.kind == "field"
    assert (pair.columns["radius_x"], pair.columns["radius_y"]) == (pytest.approx([0.2 * factor]), pytest.approx([0.3 * factor]))
    for other in (f"beam_{name},beam_{name}_x", f"beam_{name},beam_{'fwhm' if name != 'fwhm' else 'radius'}"):
        header = ",".join(f"{column} [um]" for column in other.split(","))
        with pytest.raises(FileError, match=r"one width column or a pair|more than one convention"):
            read(f"position [mm],{header}\n1,2,3\n")


def test_one_axis_of_a_field_and_the_scatter_of_its_radii():
    places = [(x, y) for x in (-50, 0, 50) for y in (-50, 0, 50)]
    rows = "".join(f"{x},{y},{100 + 0.01 * x},2\n" for x, y in places)
    got = measure_file("a.csv", data=f"place_x [mm],place_y [mm],beam_radius_y [um],standard_uncertainty [um]\n{rows}".encode())
    assert got.radius_y is None
    assert not [p.name for p in got.radius_x.parts if p.name.startswith("common")]
    assert [p.relative for p in got.fits[0][1].places] == pytest.approx([2.0 / (100 + 0.01 * x) for x, _ in places])
    both = "".join(f"{x},{y},100,{200 + 0.01 * x}\n" for x, y in places)
    got = measure_file("a.csv", data=f"place_x [mm],place_y [mm],beam_radius_x [um],beam_radius_y [um]\n{both}".encode())
    assert (got.radius_x.value.m_as("um"), got.radius_y.value.m_as("um")) == pytest.approx((100.0, 200.0), rel=1e-6)
    with pytest.raises(FileError, match="a place states no radius"):
        measure_file(
            "a.csv", data=f"place_x [mm],place_y [mm],beam_radius_x [um],beam_radius_y [um]\n{both.replace(',200.0', ',')}".encode()
        )


def test_what_the_file_states_and_what_is_given_must_agree():
    from curecalc.units import Quantity as Q

    x = np.linspace(-0.3, 0.3, 25)
    rows = "".join(f"{a},{b}\n" for a, b in zip(x, np.exp(-2 * (x / 0.1) ** 2), strict=True))
    data = f"slit width = 20 um\nposition [mm],signal\n{rows}".encode()
    same = [measure_file("a.csv", data=data, **more) for more in ({}, {"slit_width": Q(0.02, "mm")})]
    assert same[0].radius_x.value == same[1].radius_x.value
    assert same[0].details["opening"].m_as("um") == pytest.approx(20.0)
    assert same[0].wavelength is None
    assert measure_file("a.csv", data=data, wavelength=Q(355.0, "nm")).wavelength == Q(355.0, "nm")
    with pytest.raises(QuantityError, match=r"surface_position does not belong to a file of kind slit, but to caustic\. Leave it out"):
        measure_file("a.csv", data=data, surface_position=Q(1.0, "mm"))
    with pytest.raises(QuantityError, match=r"slit_width is .* here, but the file a\.csv states 0\.02 mm"):
        measure_file("a.csv", data=data, slit_width=Q(20.00001, "um"))


def test_all_lines_are_drawn_at_one_power():
    lines = [(500, 250), (1000, 220), (2000, 180), (4000, 130)]
    for change, fine in ((1e-7, True), (1e-3, False)):
        rows = "".join(f"{v},{w},{90 * (1 + change * k)}\n" for k, (v, w) in enumerate(lines))
        data = f"scan_speed [mm/s],line_width [um],power [mW]\n{rows}".encode()
        if fine:
            got = measure_file("a.csv", data=data)
            v0, radius = got.details["vanishing_speed"].m_as("mm/s"), got.radius_x.value.m_as("mm")
            assert got.details["critical_exposure"].value.m_as("mJ/mm^2") == pytest.approx(math.sqrt(2 / math.pi) * 90.0 / (radius * v0))
        else:
            with pytest.raises(FileError, match="the power changes from line to line"):
                measure_file("a.csv", data=data)
