"""Pieces of the views whose figures and choices can be told by hand: beam, lot, lessons, logbook."""

from types import SimpleNamespace

import numpy as np
import pytest
from program import ROOT

from curecalc.errors import FileError, QuantityError
from curecalc.logbook.book import Logbook
from curecalc.logbook.verifying import verify
from curecalc.page import beam_view, coupons_view, lessons_view, log_view
from curecalc.page.beam_view import BeamView
from curecalc.page.way import _kept
from curecalc.page.work import Part, Scan, Work
from curecalc.spot.light import PowerMeasurement
from curecalc.spot.measurement import Estimate
from curecalc.spot.measurement import Part as Share
from curecalc.symbols import renamed
from curecalc.units import Measured
from curecalc.units import Quantity as Q

# ---------------------------------------------------------------- beam


def radius(value, relative=0.01):
    return Estimate(Q(value, "mm"), (Share("scale", relative),))


def machine(low, high, known=0.02):
    ends = {"beam_radius_min": Q(low, "mm"), "beam_radius_max": Q(high, "mm")}
    return SimpleNamespace(beam_radius_scale_uncertainty=known, beam_quality=1.1, **ends)


@pytest.fixture
def put(monkeypatch):
    shaped = SimpleNamespace(
        radius_ratio=1.2, spot_angle=Measured(Q(30.0, "deg"), Q(2.0, "deg")), beam_quality=1.1, spot_measurement="measured"
    )
    monkeypatch.setattr("curecalc.jobs.beam.beam_record", lambda found, **_: "record")
    monkeypatch.setattr("curecalc.jobs.machine.with_spot", lambda machine, record: shaped)

    def call(given, x, y=None, texts=None, **changed):
        vars(shaped).update(changed)
        work = SimpleNamespace(machine=given, scan=Scan("a.csv", b""), parts={})
        return beam_view._put(work, texts or {}, SimpleNamespace(radius_x=x, radius_y=y))

    return call


def test_a_power_goes_into_the_machine_with_its_uncertainty():
    found = PowerMeasurement(
        power=Estimate(Q(0.24, "W"), (Share("meter", 0.02),)), at_meter=Q(1.0, "W"), reading=None, time=None, readings=None
    )
    put = beam_view._put(SimpleNamespace(machine=machine(0.1, 0.1)), {}, found)
    assert put["laser.power"] == "240 mW +- 4.8 mW"


def test_a_fixed_spot_takes_the_radius_and_how_well_it_is_known(put):
    texts = {"beam.beam_diameter_min": "0.2 mm", "beam.beam_radius_max": "0.1 mm", "beam.beam_quality": "1"}
    assert put(machine(0.1, 0.1), radius(0.123456789, 0.0123), texts=texts) == {
        "beam.beam_diameter_min": "",
        "beam.beam_radius_max": "0.123457 mm",
        "beam.beam_radius_min": "0.123457 mm",
        "beam.beam_radius_scale_uncertainty": "1.23 %",
        "beam.spot_measurement": "measured",
    }
    assert "beam.beam_radius_scale_uncertainty" not in put(machine(0.1, 0.1), radius(0.1, 0.0))


def test_a_spot_that_can_be_set_keeps_its_range(put):
    ranged = machine(0.1, 0.2)
    for value, good in ((0.0949, False), (0.0951, True), (0.2099, True), (0.2101, False)):
        if good:
            assert put(ranged, radius(value)) == {"beam.spot_measurement": "measured"}
        else:
            with pytest.raises(QuantityError, match=r"lies outside the machine's 0\.1 mm to 0\.2 mm"):
                put(ranged, radius(value))
    assert put(ranged, radius(0.1, 0.03))["beam.beam_radius_scale_uncertainty"] == "3 %"
    both = put(ranged, radius(0.1), radius(0.12, 0.04))
    assert both["beam.beam_radius_scale_uncertainty"] == "4 %"
    assert (both["beam.radius_ratio"], both["beam.spot_angle"]) == ("1.2", "30 deg +- 2 deg")
    sure = put(ranged, radius(0.1), radius(0.12), spot_angle=Measured(Q(30.0, "deg"), Q(0.0, "deg")), beam_quality=1.23456)
    assert (sure["beam.spot_angle"], sure["beam.beam_quality"]) == ("30 deg", "1.235")


def test_what_a_beam_changes(monkeypatch):
    told = {"beam.spot_angle": "30 deg", "beam.radius_ratio": "", "laser.power": "1 mW", "beam.kept": "as before"}
    monkeypatch.setattr(beam_view, "_put", lambda work, texts, found: told)
    monkeypatch.setattr(beam_view, "_machine_texts", lambda work: {"beam.radius_ratio": "1.1", "beam.kept": "as before"})
    assert beam_view.changes(None, None) == [
        ("Spot angle", "not stated", "30 deg"),
        ("Radius ratio", "1.1", "left out"),
        ("Power", "not stated", "1 mW"),
    ]
    text = 'schema = 1\nname = "north"\n[laser]\npower = "3 mW"\n'
    monkeypatch.undo()
    parts = {"machine": Part(text, "m.toml", "")}
    assert beam_view._machine_texts(Work(parts=parts)) == {"name": "north", "laser.power": "3 mW"}
    assert beam_view.changes(Work(), None) == []
    with pytest.raises(QuantityError, match="There is no machine to put it into yet"):
        beam_view.in_machine(Work(), None)


def test_a_beam_in_tiles_and_rows(monkeypatch):
    found = SimpleNamespace(radius_x=radius(0.1), radius_y=None, beam_radius=Estimate(Q(0.1, "mm"), (Share("scale", 0.05),)))
    assert beam_view._main(found) == "Beam radius (1/e^2) 0.1000 +- 0.0010 mm."
    found.radius_y = radius(0.2)
    assert [label for label, _ in beam_view._tiles(found)] == ["Beam radius x (1/e^2)", "Beam radius y (1/e^2)"]
    power = SimpleNamespace(at_meter=1, measured=Measured(Q(1.0, "W"), Q(5.0, "mW")), power=Estimate(Q(1.0, "W"), (Share("meter", 0.05),)))
    assert beam_view._tiles(power) == [("Power at the surface", "1000.0 +- 5.0 mW")]
    # parts stand in a table of their own
    monkeypatch.setattr(
        beam_view, "result_rows", lambda found: [("M^2", "1"), ("   scale", "5 %"), ("   at position", "2 mm"), ("meter", "9 %")]
    )
    assert beam_view._rows(found) == [("M²", "1"), ("At position", "2 mm"), ("Meter", "9 %")]
    assert beam_view._rows(power) == [("M²", "1"), ("Scale", "5 %"), ("At position", "2 mm")]


def test_options_of_a_beam_file(monkeypatch):
    asked = []
    monkeypatch.setattr("curecalc.spot.measure.measure_file", lambda name, **more: asked.append((name, more)))
    given = {"kind": "slit", "slit_width": " 5 um ", "power": "1 mW +- 2 %", "meter_uncertainty": "2 %", "wavelength": " ", "other": "1"}
    given |= {"keep_warm_up": "yes", "relative_errors": ""}
    work = beam_view.stored_scan(given, "a.csv", b"x", Work())
    assert work.scan == (
        "a.csv",
        b"x",
        (("kind", "slit"), ("slit_width", "5 um"), ("power", "1 mW +- 2 %"), ("meter_uncertainty", "2 %"), ("keep_warm_up", "yes")),
    )
    BeamView.measured(work)
    ((name, found),) = asked
    assert (name, found["kind"], found["data"]) == ("a.csv", "slit", b"x")
    assert found["slit_width"].m_as("um") == pytest.approx(5.0)
    assert found["meter_uncertainty"] == pytest.approx(0.02)
    assert found["power"].relative == pytest.approx(0.02)
    assert found["keep_warm_up"] is True
    view = BeamView(None)
    monkeypatch.setattr(BeamView, "measured", staticmethod(lambda work: None))
    assert (
        view.command({}, work, "numbers")
        == "curecalc spot a.csv --kind slit --slit-width '5 um' --power '1 mW +- 2 %' --meter-uncertainty '2 %' --keep-warm-up"
    )
    blank = view.page({}, Work())
    assert (blank["file"], blank["kind"], {text for *_, text in blank["options"]}) == ("", "", {""})
    assert [on for *_, on in blank["switches"]] == [False, False]
    with pytest.raises(QuantityError, match="No file was read yet"):
        beam_view.read_scan(Work())


READINGS = b"time [s],power [mW]\n" + b"".join(b"%d,%d\n" % (i, 240 + i % 3) for i in range(30))


def test_a_beam_kept_with_its_options_computes_again(tmp_path):
    log = tmp_path / "shop.db"
    with Logbook(log, create=True) as book:
        book.add("machine", {}, machine="bay 2")
    work = beam_view.stored_scan({"meter_uncertainty": "2 %", "resolution": "0.1 mW", "keep_warm_up": "yes"}, "p.csv", READINGS, Work())
    _kept(str(log), "beam", work, {"machine": "bay 2"}, BeamView(None), None)
    with Logbook(log, write=False) as book:
        assert verify(book, again=True).passed


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("power must be above zero, got the power -1 mW.", '"Power" must be above zero, got the power -1 mW.'),
        ("keep_straight, power=3 or slit_width='5 um'", 'keep_straight, power=3 or "Slit width": 5 um'),
        ("Leave kind= out, or give slit_width.", 'Leave "What it is" out, or give "Slit width".'),
    ],
)
def test_names_of_arguments_become_those_of_fields(text, said):
    assert renamed(text, beam_view._TOLD, of=": ") == said


@pytest.mark.parametrize(
    ("file", "said"),
    [
        ("a.png", '"Pixel size" is missing: a picture does not say how large its pixels are. Give "Pixel size", like "Pixel size": 4.4um,'),
        ("a.csv", 'Say which with "What it is": knife-edge or "What it is": slit.'),
    ],
)
def test_the_page_names_its_fields_where_the_library_names_arguments(file, said):
    flat = b"position [mm],power [mW]\n" + b"".join(b"%.2f,%d\n" % (0.01 * i, 5 if i % 15 else 1) for i in range(30))
    data = flat if file == "a.csv" else (ROOT.parent / "demo" / "beam_image.png").read_bytes()
    with pytest.raises((FileError, QuantityError)) as refused:
        BeamView.measured(Work(scan=Scan(file, data)))
    assert said in str(refused.value)


# ---------------------------------------------------------------- lot


def test_coupons_in_rows():
    """Off the line y = 0.1 + 2 (x - 1) in micrometres; exposures in mJ/cm^2, a hundred times those of the kernel."""
    coupons = SimpleNamespace(
        labels=["1", "2"],
        x=np.array([1.0, 1.5]),
        thickness=np.array([0.1012, 1.0988]),
        exposure=np.array([0.2, 0.412345]),
        reading_of=np.array([0, 1, 1]),
    )
    fit = SimpleNamespace(excluded=("2",), outliers=(SimpleNamespace(coupon="1"),), line=SimpleNamespace(x_mean=1.0, y_mean=0.1, slope=2.0))
    rows = coupons_view.CouponsView._rows(coupons, fit)
    assert rows == [
        {"label": "1", "exposure": "20", "off": "+1.2", "thickness": "0.1012", "readings": 1, "out": False, "suspect": True},
        {"label": "2", "exposure": "41.23", "off": "-1.2", "thickness": "1.099", "readings": 2, "out": True, "suspect": False},
    ]
    rows = coupons_view.CouponsView._rows(coupons, None, ["1"])
    assert [(row["off"], row["out"], row["suspect"]) for row in rows] == [("", True, False), ("", False, False)]


def test_what_a_table_says_of_itself():
    coupons = SimpleNamespace(
        names={"lot": "L7", "machine": "north", "gauge": "dial"}, wavelength=355.123, mean_temperature=Q(23.456, "degC")
    )
    assert coupons_view.stated(SimpleNamespace(coupons=coupons)) == {
        "lot": "L7",
        "machine": "north",
        "wavelength": "355.1 nm",
        "temperature": "23.5 degC",
    }
    coupons.wavelength = coupons.mean_temperature = None
    assert set(coupons_view.stated(SimpleNamespace(coupons=coupons))) == {"lot", "machine"}


def test_ends_of_an_interval_that_may_have_none():
    one, far = Q(0.15, "mm"), Q(np.inf, "mm")
    assert coupons_view._ends((one, Q(0.25, "mm")), Q(0.01, "mm")) == "0.150 to 0.250 mm"
    assert coupons_view._ends((one, far), Q(0.01, "mm")) == "0.15 mm to no bound"


def test_a_lot_is_compared_within_half_of_the_overcure(monkeypatch):
    asked = []
    found = SimpleNamespace(notes=("n",), sentence="keep", verdict="keep")
    monkeypatch.setattr("curecalc.calibration.comparing.compare_lots", lambda **given: asked.append(given) or found)
    monkeypatch.setattr("curecalc.calibration.comparing.lot_from_fit", lambda name, fit: name)
    monkeypatch.setattr("curecalc.jobs.fitted.lot_from_resin", lambda lot, name: name)
    earlier = SimpleNamespace(verified=True, resin=SimpleNamespace(name="clear"), lot="L6")
    bench = SimpleNamespace(cure_depth=Q(0.18, "mm"), layer_thickness=Q(0.1, "mm"))
    work = SimpleNamespace(earlier=lambda sha256: earlier, bench=lambda: bench)
    fit = SimpleNamespace(coupons=SimpleNamespace(sha256="x"))
    told = coupons_view.compared(fit, work)
    assert (told["name"], told["word"], told["notes"][0]) == ("clear L6", "keep", "n")
    assert asked[0]["lots"] == ["clear L6", "these coupons"]
    assert asked[0]["tolerance"].m_as("mm") == pytest.approx(0.04)

    def refuse(**_):
        raise QuantityError("too few.")

    monkeypatch.setattr("curecalc.calibration.comparing.compare_lots", refuse)
    assert coupons_view.compared(fit, work) == {"name": "clear L6", "sentence": "too few.", "notes": (), "word": "not compared"}
    earlier.verified = False
    assert coupons_view.compared(fit, work) is None


def test_texts_of_a_lot():
    work = SimpleNamespace(table="own", excluded="3", bench=lambda: SimpleNamespace(cure_depth=Q(0.18, "mm")))

    def texts(work=work, **query):
        return coupons_view.CouponsView.texts(query, work)

    own = texts(lot="n" * 81, resin=" r ")
    assert (own["table"], own["exclude"], own["depth"], own["lot"], own["resin"]) == ("own", "3", "0.18 mm", "n" * 80, "r")
    assert (texts(exclude="4")["exclude"], texts(table="t")["exclude"], texts(table="a\r\nb\rc")["table"]) == ("4", "", "a\nb\nc")
    work.table = ""
    assert (texts()["table"], texts()["exclude"]) == (coupons_view.invented_table(), "")


@pytest.mark.parametrize("count", [2000, 2001])
def test_a_lot_of_two_thousand_readings(monkeypatch, count):
    monkeypatch.setattr(coupons_view, "fit_coupons", lambda coupons, **_: coupons.readings.size)
    table = "coupon,exposure [mJ/cm^2],thickness [mm]\n" + "1,10,0.1\n" * count
    view = coupons_view.CouponsView(None)
    if count == 2001:
        with pytest.raises(QuantityError, match="has 2001 readings, more than the 2000 the page takes"):
            view.fit({"table": table}, Work())
    else:
        assert view.fit({"table": table}, Work())[1] == 2000


# ---------------------------------------------------------------- lessons


def test_the_one_thing_that_a_lesson_moves():
    from curecalc.lessons.bench import invented_bench

    bench = invented_bench()
    moved = lessons_view._moved
    assert moved(bench, "", None) is bench
    value = Measured(Q(0.3, "mm"), Q(0.01, "mm"))
    assert moved(bench, "spot", value).beam.radius_x == value
    assert moved(bench, "power", Q(1.0, "mW")).beam.power.value.m_as("mW") == 1.0
    for name in ("penetration_depth", "critical_exposure"):
        unit = {"penetration_depth": "mm", "critical_exposure": "mJ/cm^2"}[name]
        found = moved(bench, name, Q(0.3, unit)).resin
        assert getattr(found, name).value.m_as(unit) == pytest.approx(0.3)
        assert found.correlation == 0.0
    assert moved(bench, "hatch_spacing", value).hatch_spacing == value.value
    assert moved(bench, "overcure", Q(0.02, "mm")).overcure.m_as("mm") == 0.02


# ---------------------------------------------------------------- logbook


def test_a_machine_of_the_logbook_in_a_row():
    blank = dict.fromkeys(("power", "power_age", "calibration_age", "depth", "layer", "lot"))
    state = SimpleNamespace(**(blank | {"machine": "north", "state": "well", "chart": "in control", "items": ()}))
    row = log_view._row(state)
    assert {row[name] for name in ("power", "power_age", "calibration_age", "depth", "layer")} == {"not in the logbook"}
    assert row["lot"] == "none"
    vars(state).update(calibration_age=1.6)
    assert log_view._row(state)["calibration_age"] == "2 days ago"
    vars(state).update(power=240.04, power_age=0.99, calibration_age=1.0, depth=0.17891, layer=0.1, lot="L7")
    row = log_view._row(state)
    assert [row[name] for name in ("power", "power_age", "calibration_age", "depth", "layer", "lot")] == [
        "240 mW",
        "today",
        "1 day ago",
        "0.1789 mm",
        "0.1 mm",
        "L7",
    ]


def test_values_of_a_form_of_the_logbook():
    found = log_view._payload("power", {"power": "240 mW +- 2 %", "meter": "m", "other": "x"})
    assert (found["power"].value.m_as("mW"), found["power"].relative) == (pytest.approx(240.0), pytest.approx(0.02))
    assert found["meter"] == "m"
    assert set(found) == {"power", "meter"}
    assert [log_view._payload("machine", {"out_of_use": text})["out_of_use"] for text in ("yes", "no")] == [True, False]
    assert log_view._payload("room", {"temperature": "21 degC", "humidity": "40 %"})["humidity"] == pytest.approx(0.4)
    with pytest.raises(QuantityError, match="Power is missing: a power entry must hold it"):
        log_view._payload("power", {})


def test_an_entry_in_the_list_and_in_its_form():
    made = SimpleNamespace(
        number=7,
        time="2026-03-01T12:00:00Z",
        kind="power",
        machine="north",
        lot=None,
        beam=None,
        operator="ab",
        corrects=None,
        corrected_by=None,
    )
    made.payload = {
        "power": {"value": 240.04, "unit": "mW", "standard_uncertainty": 2.0},
        "pulse_rate": {"value": 1234.5678, "unit": "Hz"},
        "new_baseline": True,
        "meter": "m",
        "passes": 2,
        "vectors": [1],
        "promised": {"a": 1},
    }
    shown = log_view._entry(made)
    assert {name: shown[name] for name in ("number", "kind", "about", "operator", "gone", "edit", "strike")} == {
        "number": 7,
        "kind": "power",
        "about": "north",
        "operator": "ab",
        "gone": False,
        "edit": True,
        "strike": True,
    }
    assert log_view._of_entry(made) == {
        "kind": "power",
        "machine": "north",
        "lot": "",
        "operator": "ab",
        "power": "240.0 +- 2.0 mW",
        "pulse_rate": "1234.57 Hz",
        "new_baseline": "yes",
        "meter": "m",
        "passes": "2",
    }
    made.kind, made.corrected_by = "correction", 9
    shown = log_view._entry(made)
    assert (shown["gone"], shown["edit"], shown["strike"]) == (True, False, False)
