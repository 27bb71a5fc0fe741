"""Bad files of every method: one line that names the place, what was read and a way out; exit status 2; nothing written.

Tables are good ones spoiled in one place each; numpy warnings are errors in these tests.
"""

import io
import math
import re
import struct

import numpy as np
import pytest

from curecalc.cli import main
from curecalc.spot.knife import knife_edge_power

X = np.linspace(-0.3, 0.3, 25)
Z = np.concatenate([np.linspace(-25, 25, 8), [-90, -75, -60, 60, 75, 90]])
V = np.geomspace(300, 4000, 8)


def rows(*columns):
    return [",".join(f"{v:.5g}" for v in row) for row in zip(*columns, strict=True)]


# method: settings above the header, header, rows, options of the command
GOOD = {
    "knife-edge": ("", "position [mm],power [mW]", rows(X, 90 * knife_edge_power(X, 0.1, 0.0) + 1.0), ["--kind", "knife-edge"]),
    "slit": ("slit width = 20 um\n", "position [mm],signal [mV]", rows(X, 800 * np.exp(-2 * (X / 0.1) ** 2) + 3.0), []),
    "pinhole": ("pinhole diameter = 20 um\n", "position [mm],signal [mV]", rows(X, 800 * np.exp(-2 * (X / 0.1) ** 2) + 3.0), []),
    "caustic": ("wavelength = 355 nm\n", "position [mm],beam radius [um]", rows(Z, 60 * np.hypot(1, Z / 28.0)), []),
    "field": (
        "",
        "place_x [mm],place_y [mm],beam_radius [um]",
        rows(*np.array([(x, y, 100 + 0.01 * x) for x in (-9, 0, 9) for y in (-9, 0, 9)]).T),
        [],
    ),
    "cured-lines": ("power = 240 mW\n", "scan speed [mm/s],line width [um]", rows(V, 176 * np.sqrt(np.log(9000 / V))), []),
    "power": ("", "time [s],power [mW]", rows(np.arange(12.0), 250 + 0.3 * np.cos(5 * np.arange(12.0))), []),
}


def cell(text):
    """The second cell of the fourth row replaced."""

    def spoil(above, head, lines):
        parts = lines[3].split(",")
        return above, head, [*lines[:3], ",".join([parts[0], text, *parts[2:]]), *lines[4:]]

    return spoil


def head(change):
    return lambda above, head, lines: (above, change(head), lines)


# fault: how it spoils a good table, and what the line must say
SPOILED = {
    "words for a number": (cell("abc"), r":\d+:2: .*'abc'"),
    "two decimal points": (cell("1.2.3"), r":\d+:2: .*'1\.2\.3'"),
    "not a number": (cell("nan"), r":\d+:2: .*'nan'"),
    "infinite": (cell("inf"), r":\d+:2: .*'inf'"),
    "overflow": (cell("1e999"), r":\d+:2: .*1e999"),
    "unit in a cell": (cell("3 kg"), r":\d+:2: .*'3 kg'"),
    "blank cell": (cell(""), r":\d+:2: |states no radius|empty"),
    "a cell too many": (cell("1,2"), r":\d+: .*cells|:\d+:"),
    "a row cut off": (lambda a, h, r: (a, h, [*r[:3], r[3].split(",")[0], *r[4:]]), r":\d+: "),
    "no unit": (head(lambda h: re.sub(r" \[\w+(/\w+)?\]", "", h, count=1)), r"unit in the header"),
    "unknown unit": (head(lambda h: re.sub(r"\[\w+(/\w+)?\]", "[furlong]", h, count=1)), r"furlong"),
    "unit of another kind": (head(lambda h: re.sub(r"\[\w+(/\w+)?\]", "[kg]", h, count=1)), r"kg"),
    "unknown column": (head(lambda h: re.sub(r"^[^,]+", "colour", h)), r"colour"),
    "a column twice": (head(lambda h: ",".join([h.split(",")[0]] * 2 + h.split(",")[2:])), r"twice"),
    "header alone": (lambda a, h, r: (a, h, []), r"no rows|no data"),
    "no header": (lambda a, h, r: ("", r[0], r[1:]), r"header"),
    "setting of no number": (lambda a, h, r: ("wavelength = blue\n" + a.replace("wavelength", "note"), h, r), r"'blue'|wavelength"),
}
# a width not measured may stay blank in a caustic and in a list of lines
MAY_BE_BLANK = [(kind, fault) for kind in ("caustic", "cured-lines") for fault in ("blank cell", "a row cut off")]
TABLES = {f"{kind}: {fault}": (kind, fault) for kind in GOOD for fault in SPOILED if (kind, fault) not in MAY_BE_BLANK}


def refused(capsys, tmp_path, data, options, words, name="in.csv"):
    file, beam, figure = tmp_path / name, tmp_path / "beam.toml", tmp_path / "f.png"
    file.write_bytes(data if isinstance(data, bytes) else data.encode())
    status = main(["spot", str(file), *options, "--save", str(beam), "--figure", str(figure)])
    out, err = capsys.readouterr()
    assert (status, out, err.count("\n")) == (2, "", 1), err
    assert re.search(words, err), err
    # the fault, then what to do; a rule of a number says itself what to write
    assert re.search(r"\. [A-Z]\w* .*\.\s*$|: draw |must be .*, got ", err), err
    assert not re.search(r"Traceback|numpy|ndarray|NoneType|object has|Warning", err), err
    assert not beam.exists()
    assert not figure.exists()


@pytest.mark.parametrize("case", TABLES)
def test_a_table_spoiled_in_one_place(capsys, tmp_path, case):
    kind, fault = TABLES[case]
    above, header, lines, options = GOOD[kind]
    spoil, words = SPOILED[fault]
    above, header, lines = spoil(above, header, lines)
    refused(capsys, tmp_path, above + "\n".join([header, *lines]) + "\n", options, words)


def test_the_good_tables_are_good(capsys, tmp_path):
    for kind, (above, header, lines, options) in GOOD.items():
        file = tmp_path / f"{kind}.csv"
        file.write_text(above + "\n".join([header, *lines]) + "\n")
        assert main(["spot", str(file), *options]) == 0, kind
    capsys.readouterr()


# ------------------------------------------------------------------ pictures


def spot(size=64, w=8.0, peak=180.0, dark=12.0, dtype=np.uint8, centre=0.0):
    y, x = np.mgrid[:size, :size] - size / 2.0
    noise = np.random.default_rng(2).normal(0.0, 1.0, (size, size))
    return np.clip(dark + peak * np.exp(-2 * ((x - centre) ** 2 + y * y) / w**2) + noise, 0, 255).astype(dtype)


def packed(image, form="PNG", **more):
    from PIL import Image

    held = io.BytesIO()
    Image.fromarray(image).save(held, form, **more)
    return held.getvalue()


def text(image, above=""):
    return above + "\n".join(",".join(f"{v:g}" for v in row) for row in image) + "\n"


def colours():
    z = spot()
    return np.stack([z, np.roll(z, 9, 1), np.roll(z, 9, 0)], axis=2)


PIXEL = ["--pixel-size", "5um"]
PICTURES = {
    "no pixel size": (lambda: packed(spot()), "p.png", [], "--pixel-size is missing"),
    "jpeg": (lambda: packed(spot(), "JPEG"), "p.jpg", PIXEL, "JPEG"),
    "jpeg under a png name": (lambda: packed(spot(), "JPEG"), "p.png", PIXEL, "JPEG picture, whatever its name"),
    "gif": (lambda: packed(spot(), "GIF"), "p.gif", PIXEL, "GIF"),
    "webp": (lambda: packed(spot(), "WEBP"), "p.webp", PIXEL, "WebP"),
    "jpeg in a tiff": (lambda: packed(spot(), "TIFF", compression="jpeg"), "p.tif", PIXEL, "packed as JPEG"),
    "cut off png": (lambda: packed(spot())[:200], "p.png", PIXEL, "cannot be read as a picture"),
    "cut off tiff": (lambda: packed(spot(), "TIFF")[:90], "p.tif", PIXEL, "cannot be read as a picture"),
    "cut off pgm": (lambda: b"P5\n64 64\n255\n" + bytes(100), "p.pgm", PIXEL, "cannot be read as a picture"),
    "png signature alone": (lambda: b"\x89PNG\r\n\x1a\n", "p.png", PIXEL, "cannot be read as a picture"),
    "empty png": (lambda: b"", "p.png", PIXEL, "empty"),
    "words in a png": (lambda: b"hello there", "p.png", PIXEL, "cannot be read as a picture"),
    "enormous header": (
        lambda: b"\x89PNG\r\n\x1a\n" + struct.pack(">I4sIIBBBBB", 13, b"IHDR", 99999, 99999, 8, 0, 0, 0, 0) + b"\0\0\0\0",
        "p.png",
        PIXEL,
        "p.png",
    ),
    "dark": (lambda: packed(np.zeros((64, 64), np.uint8)), "p.png", PIXEL, "same reading"),
    "white": (lambda: packed(np.full((64, 64), 255, np.uint8)), "p.png", PIXEL, "same reading"),
    "noise alone": (lambda: packed(spot(peak=0.0)), "p.png", PIXEL, "out of the noise"),
    "eight pixels": (lambda: packed(spot(size=8)), "p.png", PIXEL, "at least 12 x 12"),
    "a stripe": (lambda: packed(spot()[:6]), "p.png", PIXEL, "at least 12 x 12"),
    "beam of one pixel": (lambda: packed(spot(w=0.9)), "p.png", PIXEL, "pixels|noise|no peak"),
    "beam larger than the sensor": (lambda: packed(spot(w=120.0)), "p.png", PIXEL, "larger|no peak"),
    "beam outside": (lambda: packed(spot(centre=40.0)), "p.png", PIXEL, "edge|no peak|out of the noise"),
    "saturated": (lambda: packed(spot(peak=2000.0)), "p.png", PIXEL, "full scale"),
    "saturated below full scale": (lambda: packed(np.minimum(spot(), 80)), "p.png", [*PIXEL, "--full-scale", "80"], "full scale"),
    "shared colours": (lambda: packed(colours()), "p.png", PIXEL, "channels share"),
    "text with a hole": (lambda: text(spot()).replace(",", ",,", 1).replace("12", "x", 1), "p.csv", [*PIXEL, "--kind", "image"], ":1"),
    "text with a short row": (lambda: text(spot()) + "1,2,3\n", "p.csv", PIXEL, "numbers, but the rows above"),
    "text with words": (lambda: text(spot()) + ",".join(["abc"] * 64) + "\n", "p.csv", PIXEL, "'abc'"),
    "text with an infinite": (lambda: text(spot()) + ",".join(["inf"] * 64) + "\n", "p.csv", PIXEL, "finite"),
    "text, pixel size in kg": (lambda: text(spot(), "# pixel_size = 3 kg\n"), "p.csv", [], "pixel_size"),
    "text, pixel size below zero": (lambda: text(spot(), "# pixel_size = -3 um\n"), "p.csv", [], "pixel_size"),
    "two pixel sizes": (lambda: text(spot(), "# pixel_size = 4 um\n"), "p.csv", PIXEL, "--pixel-size is 0.005 mm here"),
    "picture as a scan": (lambda: packed(spot()), "p.png", ["--kind", "slit"], "cannot be read as slit"),
}


@pytest.mark.parametrize("case", PICTURES)
def test_a_picture_that_cannot_be_used(capsys, tmp_path, case):
    make, name, options, words = PICTURES[case]
    refused(capsys, tmp_path, make(), options, words, name)


# ------------------------------------------------------------------ data that give no answer, options that do not belong


def table(kind, change=lambda lines: lines, above=None, header=None):
    a, h, lines, _ = GOOD[kind]
    return (a if above is None else above) + "\n".join([header or h, *change(lines)]) + "\n"


def every(second):
    return lambda lines: [",".join([line.split(",")[0], second, *line.split(",")[2:]]) for line in lines]


def held(lines, top):
    """Readings that end at a top value."""
    pairs = [line.split(",") for line in lines]
    return [f"{x},{min(float(y) + 0.2 * math.sin(77 * float(x)), top):.5g}" for x, y in pairs]


LOBES = np.exp(-8 * (abs(X / 0.1) - 1.0) ** 2)
BOTH = {"header": "position [mm],beam radius [um],beam diameter [um]", "change": lambda lines: [f"{v},1" for v in lines]}
DATA = {
    "knife: six readings": (table("knife-edge", lambda r: r[9:15]), ["--kind", "knife-edge"], "7 positions"),
    "knife: all alike": (table("knife-edge", every("5")), ["--kind", "knife-edge"], "all 25 readings are alike .5."),
    "knife: half a travel": (table("knife-edge", lambda r: r[:13]), ["--kind", "knife-edge"], "too short|no edge"),
    "knife: mostly saturated": (table("knife-edge", lambda r: held(r, 10)), ["--kind", "knife-edge"], "readings stand at full scale"),
    "slit: six readings": (table("slit", lambda r: r[:5]), ["--kind", "slit"], "6 positions"),
    "slit: all alike": (table("slit", every("5")), ["--kind", "slit"], "all 25 readings are alike"),
    "slit: one side": (table("slit", lambda r: r[:12]), ["--kind", "slit"], "too short|no peak"),
    "slit: wide as the scan": (table("slit", above="slit width = 3 mm\n"), [], "slit_width is 3 mm, more than the whole travel"),
    "slit: below zero": (table("slit", above="slit width = -3 um\n"), [], "slit_width"),
    "slit: two lobes": (table("slit", lambda r: rows(X, 100 * LOBES + np.sin(770 * X))), [], "two lobes"),
    "pinhole: five readings": (table("pinhole", lambda r: r[:5]), ["--kind", "pinhole"], "6 positions"),
    "pinhole: no diameter": (table("pinhole", above=""), ["--kind", "pinhole"], "pinhole_diameter is missing. Give --pinhole-diameter"),
    "pinhole: all alike": (table("pinhole", every("5")), ["--kind", "pinhole"], "all 25 readings are alike"),
    "pinhole: diameter zero": (table("pinhole", above="pinhole diameter = 0 um\n"), [], "pinhole_diameter"),
    "caustic: three positions": (table("caustic", lambda r: r[:3]), [], "3 positions"),
    "caustic: no wavelength": (table("caustic", above=""), [], "wavelength is missing: M.2 needs it. Give --wavelength"),
    "caustic: radius zero": (table("caustic", every("0")), [], "above zero"),
    "caustic: flat": (table("caustic", every("80")), [], "do not determine a waist"),
    "caustic: radius and diameter": (table("caustic", **BOTH), [], "more than one convention"),
    "field: one line": (table("field", lambda r: r[:3]), [], "too few"),
    "field: a straight row": (table("field", lambda r: [f"{k},{k},100" for k in range(7)]), [], "on one line"),
    "field: radius below zero": (table("field", lambda r: [*r[:-1], "9,9,-4"]), [], "above zero"),
    "field: a place twice": (table("field", lambda r: [r[0]] * 9), [], "on one line|too few|place"),
    "lines: three lines": (table("cured-lines", lambda r: r[:3]), [], "too few"),
    "lines: one speed": (table("cured-lines", lambda r: ["500,200"] * 6), [], "too few"),
    "lines: wider with speed": (table("cured-lines", lambda r: [f"{v:g},{v:g}" for v in V]), [], "do not get narrower"),
    "lines: speed zero": (table("cured-lines", lambda r: ["0,200", *r]), [], "above zero"),
    "power: one reading": (table("power", lambda r: r[:1]), [], "one reading"),
    "power: dark": (table("power", every("0")), [], "not above zero"),
    "power: held at full scale": (table("power", lambda r: held(r, 249.95)), [], "full scale"),
    "power: loss of everything": (table("power"), ["--loss", "window = 100 %"], "--loss"),
    "power: loss without a number": (table("power"), ["--loss", "window"], "--loss"),
    "power: meter of 80 %": (table("power"), ["--meter-uncertainty", "80 %"], "--meter-uncertainty"),
    "option of another kind": (table("power"), ["--slit-width", "2 um"], "--slit-width does not belong"),
    "option without a unit": (table("slit"), ["--position-uncertainty", "2"], "--position-uncertainty"),
    "option below zero": (table("slit"), ["--position-uncertainty", "-2 um"], "--position-uncertainty"),
    "scale above a half": (table("slit"), ["--scale-uncertainty", "90 %"], "--scale-uncertainty"),
    "clip level of a half": (table("knife-edge"), ["--kind", "knife-edge", "--clip-level", "0.5"], "--clip-level"),
    "confidence of one": (table("slit"), ["--confidence", "1"], "--confidence"),
    "camera angle for a table": (table("slit"), ["--camera-angle", "3 deg"], "--camera-angle does not belong"),
    "surface without a caustic": (table("slit"), ["--surface-position", "3 mm"], "--surface-position does not belong"),
    "place without a comma": (table("slit"), ["--at", "3 mm"], "--at"),
    "one place alone": (table("slit"), ["--at", "3 mm, 2 mm"], "too few"),
    "day that is none": (table("slit"), ["--date", "2026-02-30"], "--date"),
    "binary": (bytes(range(256)) * 8, [], "in.csv"),
}  # fmt: skip


@pytest.mark.parametrize("case", DATA)
def test_data_that_give_no_answer(capsys, tmp_path, case):
    data, options, words = DATA[case]
    refused(capsys, tmp_path, data, options, words)


def test_there_are_150_different_ones():
    assert len(TABLES) + len(PICTURES) + len(DATA) >= 150
