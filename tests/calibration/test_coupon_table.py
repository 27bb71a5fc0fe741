"""Coupon tables: what may stand in them, and the one line each of more than a hundred broken ones gets."""

import io

import numpy as np
import pytest

from curecalc.calibration.coupons import coupons_from_bytes, read_coupons
from curecalc.calibration.curve import fit_coupons
from curecalc.errors import CurecalcError, FileError

HEAD = "coupon,thickness [um],exposure [mJ/cm^2]\n"
GOOD = HEAD + "A,120,20\nA,124,20\nB,170,30\nC,240,45\nD,290,60\n"


def read(text, name="c.csv", **more):
    return coupons_from_bytes(name, text if isinstance(text, bytes) else text.encode(), **more)


def test_readings_of_one_coupon_are_grouped_wherever_they_stand():
    c = read(HEAD + "A,120,20\nB,170,30\nA,124,20\n")
    assert c.labels == ("A", "B")
    assert c.counts.tolist() == [2, 1]
    np.testing.assert_allclose(c.thickness, [0.122, 0.17])
    np.testing.assert_allclose(100 * c.exposure, [20, 30])
    assert c.places == ("c.csv:2", "c.csv:3", "c.csv:4")
    assert [len(k.readings.m) for k in c.coupons()] == [2, 1]


@pytest.mark.parametrize(
    ("beam", "value"), [("beam_radius [um]", 125.0), ("beam diameter [mm]", 0.25), ("beam fwhm [um]", 125 / 0.8493218)]
)
def test_line_exposure_from_settings(beam, value):
    """30 mW, W0 125 um, 1 m/s: 19.1492 mJ/cm^2 by arithmetic, sqrt(2/pi) P/(W0 v)."""
    c = read(f"coupon,thickness [um],power [mW],scan speed [m/s],{beam}\nA,120,30,1,{value}\nB,110,30,2,{value}\n")
    np.testing.assert_allclose(100 * c.exposure, [19.1492, 9.5746], rtol=1e-5)
    assert "peak of one line" in c.exposure_from


def test_passes_multiply_and_settings_may_stand_once():
    c = read("power = 30 mW\nbeam_radius = 125 um\npasses = 2\ncoupon;thickness [um];scan_speed [mm/s]\nA;120;1000\nB;110;2000\n")
    np.testing.assert_allclose(100 * c.exposure, [2 * 19.1492, 19.1492], rtol=1e-5)


def test_raster_exposure_is_the_mean_with_valley_and_ridge_from_the_published_table():
    """h/W0 = 1.5: mean 0.83554, ridge 1.02222, valley 0.64939 of the single-line peak."""
    c = read("power = 30 mW\nbeam_radius = 100 um\nhatch_spacing = 150 um\ncoupon;thickness [um];scan_speed [mm/s]\nA;120;1000\n")
    peak = np.sqrt(2 / np.pi) * 30 / (0.1 * 1000)
    np.testing.assert_allclose(c.exposure / peak, 0.83554, rtol=1e-5)
    np.testing.assert_allclose(c.exposure_max / peak, 1.02222, rtol=1e-5)
    np.testing.assert_allclose(c.exposure_min / peak, 0.64939, rtol=1e-5)
    np.testing.assert_allclose(c.exposure, 30 / (1000 * 0.15))
    assert "raster mean" in c.exposure_from


def rows(values):
    return "".join(f"{label};{t};{v}\n" for label, t, v in values)


def test_ripple_that_matters_is_named():
    text = "power = 300 mW\nbeam_radius = 100 um\nhatch_spacing = {} um\ncoupon;thickness [um];scan_speed [mm/s]\n" + rows(
        [("A", 150, 9000), ("B", 180, 7000), ("C", 230, 5000), ("D", 311, 3000)]
    )
    assert any("ripples" in s for s in fit_coupons(read(text.format(160))).warnings)
    assert not any("ripples" in s for s in fit_coupons(read(text.format(80))).warnings)


def test_stated_and_computed_exposure_that_disagree_are_named_with_the_likely_slip():
    """Exposures computed with the diameter in place of the radius come out half."""
    head = "power = 30 mW\nbeam_radius = 125 um\ncoupon;thickness [um];scan_speed [mm/s];exposure [mJ/cm^2]\n"
    body = "".join(f"{k};{t};{v};{0.5 * 19149.2 / v}\n" for k, t, v in (("A", 60, 1000), ("B", 160, 500), ("C", 260, 250)))
    with pytest.raises(FileError, match=r"0\.5 times what the settings beside it give: a beam diameter was taken for a radius"):
        read(head + body)
    right = "".join(f"{k};{t};{v};{19149.2 / v}\n" for k, t, v in (("A", 60, 1000), ("B", 160, 500), ("C", 260, 250)))
    assert not any("times what its settings" in s for s in fit_coupons(read(head + right)).warnings)


def test_names_notes_and_conditions_are_kept():
    c = read(
        "# resin = invented amber, lot = 7; machine: north\n# wavelength = 355 nm\n# gauge_resolution = 1 um\n"
        "coupon,thickness [um],exposure [mJ/cm^2],temperature [degC],run order,note\n"
        "A,120,20,23.5,2,\nB,170,30,24.5,1,bubble\n"
    )
    assert c.names == {"resin": "invented amber", "lot": "7", "machine": "north"}
    assert (c.wavelength, c.gauge_resolution) == (355.0, 0.001)
    assert c.temperature.tolist() == [23.5, 24.5]
    assert c.run_order.tolist() == [2, 1]
    assert c.notes == ("bubble",)


def test_stated_uncertainties_in_columns_and_once():
    c = read(
        "thickness standard uncertainty = 3 um\n"
        "coupon,thickness [um],exposure [mJ/cm^2],exposure_standard_uncertainty [mJ/cm^2]\nA,120,20,0.2\nB,170,30,0.3\n"
    )
    np.testing.assert_allclose(c.thickness_sd, 0.003)
    np.testing.assert_allclose(100 * c.exposure_sd, [0.2, 0.3])


def test_blank_thickness_is_an_error_unless_left_out_on_request():
    text = HEAD + "A,120,20\nB,,30\nC,240,45\nD,290,60\n"
    with pytest.raises(FileError, match=r"c\.csv:3:2: thickness is blank"):
        read(text)
    c = read(text, skip_blank=True)
    assert c.labels == ("A", "C", "D")
    assert any("lines 3" in s for s in fit_coupons(c).notes)
    with pytest.raises(FileError, match="no row has a thickness yet"):
        read(HEAD + "A,,20\n", skip_blank=True)


@pytest.mark.slow
def test_one_hundred_thousand_rows():
    rng = np.random.default_rng(0)
    e = rng.uniform(12, 60, 25_000)
    text = HEAD + "".join(
        f"c{i},{1000 * (0.15 * np.log(e[i] / 8) + 0.004 * rng.normal()):.1f},{e[i]:.4f}\n" for i in range(25_000) for _ in range(4)
    )
    fit = fit_coupons(read(text))
    assert (len(fit.coupons), fit.coupons.readings.size) == (25_000, 100_000)
    assert fit.penetration_depth.value.m == pytest.approx(0.15, rel=2e-3)


# ---------------------------------------------------------------- broken files

S = "coupon,thickness [um],power [mW],scan_speed [mm/s],beam_radius [um]\n"
R = "A,120,30,1000,125\nB,150,30,700,125\nC,190,30,500,125\n"


def with_row(row):
    return GOOD + row + "\n"


BROKEN = [
    # nothing, or not a table
    "",
    " ",
    "\n\n\n",
    "\ufeff",
    "# only words\n",
    "power = 3 mW\n",
    HEAD,
    HEAD + ",,\n",
    "coupon\nA\n",
    b"\x00\x01\x02",
    b"PK\x03\x04",
    b"%PDF-1.4",
    b"\xff\xfec\x00",
    b"\xd0\xcf\x11\xe0\xa1\xb1",
    "<html></html>",
    "\x07bell",
    b"\x89PNG\r\n\x1a\n\x00",
    '{"coupon": 1}',
    "A,120,20\nB,170,30\nC,240,45\n",
    # headers
    HEAD.replace("coupon", "copuon") + "A,1,2\n",
    HEAD.replace("thickness", "thick") + "A,1,2\n",
    HEAD.replace("exposure", "energy") + "A,1,2\n",
    HEAD.replace("[um]", "") + "A,1,2\n",
    HEAD.replace("[mJ/cm^2]", "") + "A,1,2\n",
    HEAD.replace("[um]", "[mJ]") + "A,1,2\n",
    HEAD.replace("[um]", "[s]") + "A,1,2\n",
    HEAD.replace("[mJ/cm^2]", "[mW/cm^2]") + "A,1,2\n",
    HEAD.replace("[mJ/cm^2]", "[J]") + "A,1,2\n",
    HEAD.replace("[um]", "[micron]") + "A,1,2\n",
    HEAD.replace("[um]", "[Um]") + "A,1,2\n",
    HEAD.replace("[um]", "[um") + "A,1,2\n",
    HEAD.replace("coupon", "coupon [mm]") + "A,1,2\n",
    "coupon,coupon,thickness [um],exposure [mJ/cm^2]\nA,B,1,2\n",
    "thickness [um],exposure [mJ/cm^2]\n1,2\n",
    "coupon,exposure [mJ/cm^2]\nA,2\n",
    "coupon,thickness [um]\nA,120\n",
    "coupon thickness exposure\nA 1 2\n",
    HEAD.replace(",", "|") + "A|1|2\n",
    HEAD.replace("\n", ",\n") + "A,1,2,3\n",
    HEAD.replace("\n", ",extra\n") + "A,1,2,3\n",
    # cells
    with_row("E,,70"),
    with_row(",320,70"),
    with_row("E,320,"),
    with_row("E,320"),
    with_row("E"),
    with_row("E,320,70,1"),
    with_row("E,three hundred,70"),
    with_row("E,32O,70"),
    with_row("E,l20,70"),
    with_row("E,320 um,70"),
    with_row("E,-320,70"),
    with_row("E,0,70"),
    with_row("E,320,-70"),
    with_row("E,320,0"),
    with_row("E,nan,70"),
    with_row("E,inf,70"),
    with_row("E,n/a,70"),
    with_row("E,-,70"),
    with_row("E,?,70"),
    with_row("E,1e999,70"),
    with_row("E,320.0.1,70"),
    with_row("E,3 20,70"),
    with_row("E,1_000,70"),
    with_row("E,0x40,70"),
    with_row("E,3**2,70"),
    with_row("E,=B2,70"),
    with_row("E,#DIV/0!,70"),
    with_row("E,#REF!,70"),
    with_row("E,TRUE,70"),
    with_row("E,2024-05-01,70"),
    with_row('E,"320,5",70'),
    with_row("E,320,5,70"),
    with_row('E,"1,320.5",70'),
    with_row("E,320±2,70"),
    with_row("E,<320,70"),
    with_row("E,~320,70"),
    with_row("E,320,7O"),
    with_row("E,320,70 mJ/cm^2"),
    with_row('"E,320,70'),
    with_row("E,\u0663\u0662\u0660,70"),
    with_row("E,320\u00b2,70"),
    with_row("E,3.2e,70"),
    with_row("E,+-320,70"),
    GOOD.replace(",", ";").replace("120", "1.120,5"),
    GOOD.replace(",", ";").replace("120", "12,5").replace("240", "24.5"),
    GOOD.replace(",", ";").replace("120", "1,120"),
    GOOD.replace(",", "\t").replace("120", "1,120"),
    # coupons that disagree, or are too few
    with_row("A,122,21"),
    with_row("B,170,30.1"),
    HEAD + "A,120,20\nB,170,30\n",
    HEAD + "A,120,20\n",
    HEAD + "A,120,20\nA,121,20\nA,122,20\nA,119,20\n",
    HEAD + "A,120,20\nB,121,20\nC,122,20\n",
    HEAD + "A,290,20\nB,170,30\nC,120,45\n",
    HEAD + "A,120,20\nB,120,30\nC,120,45\n",
    # settings
    S + R.replace("1000", "-1000"),
    S + R.replace("1000", "0"),
    S + R.replace("125", "x"),
    S.replace("beam_radius", "beam_width") + R,
    S.replace(",beam_radius [um]", "") + R.replace(",125", ""),
    S.replace("power [mW],", "") + R.replace(",30,", ","),
    S.replace("scan_speed [mm/s]", "temperature [degC]") + R,
    "beam_diameter = 250 um\n" + S + R,
    "power = 30 mW\n" + S + R,
    "power = 30\n" + S.replace("power [mW],", "") + R.replace(",30,", ","),
    "powr = 30 mW\n" + S + R,
    "# pwoer = 30 mW\n" + S + R,
    "passes = 1.5\n" + S + R,
    "passes = 0\n" + S + R,
    "passes = two\n" + S + R,
    "wavelength = 355\n" + S + R,
    "wavelength = 355 mm\n" + S + R,
    "wavelength =\n" + S + R,
    "lot\n" + S + R,
    "decimal = comma\n" + S + R,
    "thickness = 120 um\n" + S + R,
    "coupon = A\n" + S + R,
    "just some words\n" + S + R,
    "exposure standard uncertainty = -1 mJ/cm^2\n" + GOOD,
    "thickness standard uncertainty = 0 um\n" + GOOD,
    "gauge resolution = coarse\n" + GOOD,
    S.replace("\n", ",beam_fwhm [um]\n") + "A,120,30,1000,125,147\n",
]


def test_there_are_more_than_a_hundred_of_them():
    assert len(BROKEN) > 120
    assert len({repr(b) for b in BROKEN}) == len(BROKEN)


@pytest.mark.parametrize("broken", BROKEN, ids=[str(i) for i in range(len(BROKEN))])
def test_each_broken_table_gets_one_clear_line(broken):
    with pytest.raises(CurecalcError) as caught:
        fit_coupons(read(broken))
    message = str(caught.value)
    assert "\n" not in message
    assert message.isprintable() or "µ" in message
    assert message.startswith("c.csv") or "thickness does not rise" in message
    assert message.endswith((".", "?"))
    assert len(message) < 700
    assert "Traceback" not in message


PLACES = [
    (with_row("E,32O,70"), "c.csv:7:2: thickness"),
    (with_row("E,320,7O"), "c.csv:7:3: exposure"),
    (with_row("A,122,21"), "c.csv:7:3: coupon 'A' has exposure 21 mJ/cm^2 here and 20 mJ/cm^2 in line 2"),
    (HEAD.replace("thickness", "thicknes") + "A,1,2\n", "c.csv:1:2: unknown column 'thicknes'. The nearest known is 'thickness'"),
    (S.replace(",beam_radius [um]", "") + R.replace(",125", ""), "missing hatch_spacing (for a raster) or beam_radius"),
    (HEAD + "A,120,20\nA,121,20\nA,122,20\n", "got 1 (3 readings, but readings of one coupon count once)"),
    (HEAD + "A,120,20\nB,121,20\nC,122,20\n", "all 3 coupons have the same exposure, 20 mJ/cm^2"),
    ("beam_diameter = 250 um\n" + S + R, "the beam is given twice, as beam_radius and beam_diameter"),
]


@pytest.mark.parametrize(("broken", "words"), PLACES)
def test_the_line_names_place_and_way_out(broken, words):
    with pytest.raises(CurecalcError) as caught:
        fit_coupons(read(broken))
    assert words in str(caught.value)


def test_missing_and_locked_files(tmp_path, monkeypatch):
    with pytest.raises(FileError, match="there is no such file"):
        read_coupons(tmp_path / "none.csv")
    with pytest.raises(FileError, match="folder"):
        read_coupons(tmp_path)
    file = tmp_path / "c.csv"
    file.write_text(GOOD)
    assert len(read_coupons(file)) == 4
    from pathlib import Path

    def locked(self):
        raise PermissionError(13, "denied")

    monkeypatch.setattr(Path, "read_bytes", locked)
    with pytest.raises(FileError, match="may not be read"):
        read_coupons(file)


def test_a_spreadsheet_of_coupons():
    xlsxwriter = pytest.importorskip("xlsxwriter")
    pytest.importorskip("python_calamine")
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out)
    sheet = book.add_worksheet("coupons")
    for r, row in enumerate(
        [["lot", "A-17"], ["coupon", "thickness [um]", "exposure [mJ/cm^2]"], [1, 120, 20], [1, 124, 20], [2, 170, 30], [3, 240, 45]]
    ):
        for c, cell in enumerate(row):
            sheet.write(r, c, cell)
    book.close()
    c = coupons_from_bytes("c.xlsx", out.getvalue())
    assert c.labels == ("1", "2", "3")
    assert c.names == {"lot": "A-17"}
    assert len(c.sha256) == 64


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("dose", "exposure"),
        ("energy", "exposure"),
        ("depth", "thickness"),
        ("sample", "coupon"),
        ("speed", "scan_speed"),
        ("pitch", "hatch_spacing"),
        ("spot size", "beam_radius"),
        ("thicknes", "thickness"),
        ("exposre", "exposure"),
    ],
)
def test_names_people_write_by_mistake_lead_to_the_right_one(written, meant):
    with pytest.raises(FileError, match=rf"unknown column '{written}'\. The nearest known is '{meant}'\.$"):
        read(f"coupon,thickness [um],{written} [mm]\nA,1,2\n")


def test_a_name_like_none_lists_what_is_known():
    with pytest.raises(FileError, match=r"known are .*hatch_spacing.*wavelength"):
        read("coupon,thickness [um],zzzz [mm]\nA,1,2\n")


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("coupon;thickness [mm];exposure [mJ/cm^2]\nA;96;15\nB;201;30\nC;303;60\n", "middle thickness is 201 mm.*um and mm mixed up"),
        ("coupon;thickness [um];exposure [mJ/cm^2]\nA;0.096;15\nB;0.2;30\nC;0.3;60\n", "middle thickness is 0.0002 mm"),
        (
            "coupon;thickness [um];exposure [mJ/cm^2]\nA;96;0.15\nB;201;0.3\nC;303;0.6\n",
            "middle exposure is 0.3 mJ/cm.*per mm.2 and per cm.2",
        ),
    ],
)
def test_a_slip_by_the_factor_of_a_unit_is_named_before_anything_is_fitted(table, words):
    with pytest.raises(FileError, match=words):
        read(table)


def test_settings_beside_it_prove_an_unusual_exposure():
    head = "power = 1 mW\nhatch_spacing = 1 mm\ncoupon;thickness [um];scan_speed [mm/s];exposure [mJ/cm^2]\n"
    body = "".join(f"{k};{t};{v};{100 / v}\n" for k, t, v in (("A", 60, 400), ("B", 160, 300), ("C", 260, 250)))
    assert len(read(head + body)) == 3


def test_a_coupon_with_a_reason_is_left_out_and_the_reason_is_kept_everywhere(tmp_path):
    import json

    from curecalc.calibration.report import fit_text
    from curecalc.figures.working_curve import working_curve_figure
    from curecalc.jobs.fitted import resin_text
    from curecalc.units import Quantity as Q

    rows = (("A", 96, 15, ""), ("B", 135, 20, ""), ("C", 260, 30, "burr"), ("D", 240, 40, ""), ("E", 303, 60, ""))
    table = "coupon;thickness [um];exposure [mJ/cm^2];reason\n" + "".join(f"{a};{b};{c};{d}\n" for a, b, c, d in rows)
    fit = fit_coupons(read(table))
    assert fit.excluded == ("C",)
    assert "Left out: C (burr); 4 of 5 coupons used." in fit_text(fit)
    assert fit.to_dict()["left_out"][0]["reason"] == "burr"
    json.dumps(fit.to_dict(), allow_nan=False)
    assert '"C: burr"' in resin_text(fit, name="invented", wavelength=Q(355.0, "nm"))
    texts = [t.get_text() for t in working_curve_figure(fit).axes[0].texts]
    assert "C: burr" in texts
