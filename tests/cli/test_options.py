"""Options to the library's records: beam, resin, scan, plan; every limit from both sides."""

import re
from types import SimpleNamespace

import pytest

from curecalc.cli import main, plan, setting
from curecalc.cli.common import CommandParser
from curecalc.errors import QuantityError
from curecalc.formulas.beam import TopHatBeam
from curecalc.units import Measured
from curecalc.units import Quantity as Q

LIGHT = "--power 30mW --beam-radius 0.125mm --scan-speed 1m/s"
RESIN = "--penetration-depth 0.15mm --critical-exposure 8mJ/cm2"


def given(words, add=setting.add_setting):
    parser = CommandParser(prog="depth")
    add(parser)
    return parser.parse_args(words.split())


def test_a_whole_number_is_at_least_one_unless_said():
    assert (setting.whole("--last", "1"), setting.whole("--last", None, 40), setting.whole("--seed", "0", least=0)) == (1, 40, 0)
    with pytest.raises(QuantityError, match="--last must be a whole number of at least 1, got 0"):
        setting.whole("--last", "0")


@pytest.mark.parametrize(
    ("option", "good", "bad"),
    [
        ("--s-polarised-share", ("0", "1", "25%"), ("-0.01", "1.01")),
        ("--refractive-index", ("1", "1.7"), ("0.99",)),
        ("--correlation", ("0", "-0.9"), ("1.5",)),
        ("--radius-ratio", ("0.5", "2"), ("0", "-1")),
        ("--passes", ("1", "3"), ("0", "1.5")),
        ("--power-exponent", ("0.9", "2"), ("0", "2.01")),
    ],
)
def test_plain_numbers_up_to_their_limits(capsys, option, good, bad):
    more = ["--reference-irradiance", "500mW/mm2"] if option == "--power-exponent" else ["--incidence-angle", "20deg"]
    for status, texts in ((0, good), (2, bad)):
        for text in texts:
            assert main(["depth", *LIGHT.split(), *RESIN.split(), *more, option, text]) == status, text
            assert (option in capsys.readouterr().err) is bool(status)


def mm(value):
    return None if value is None else pytest.approx(float(getattr(value, "value", value).m_as("mm")))


@pytest.mark.parametrize(
    ("words", "unknown", "x", "y"),
    [
        ("--beam-radius 0.1mm", "", 0.1, None),
        ("--beam-diameter 0.1mm", "", 0.05, None),
        ("--beam-radius 0.1mm --radius-ratio 2", "", 0.1, 0.2),
        ("--radius-ratio 2", "beam_radius", 1.0, 2.0),
        ("", "beam_radius", None, None),
        ("", "spot", None, None),
        ("--beam-radius 0.1mm", "spot", 0.1, None),
        ("", "", "got none", None),
        ("--beam-radius 1mm --beam-fwhm 1mm", "", "got --beam-radius and --beam-fwhm", None),
        ("--beam-radius 1mm", "beam_radius", "--beam-radius is what is asked for", None),
        ("--beam-radius 1mm --spot-angle 3deg", "", "--spot-angle turns an elliptical spot", None),
        ("--beam-fwhm 1mm --top-hat", "", "--beam-fwhm says nothing of a top hat", None),
    ],
)
def test_the_beam_of_the_options(words, unknown, x, y):
    args = given(f"--power 30mW {words}")
    if isinstance(x, str):
        with pytest.raises(QuantityError, match=x):
            setting.read_beam(args, unknown)
        return
    beam = setting.read_beam(args, unknown)
    assert (x, y) == (mm(beam.radius_x), mm(beam.radius_y))
    assert beam.radius_correlation == (0.0 if y is None else 1.0)


def test_a_beam_file_and_what_is_typed_beside_it(monkeypatch):
    asked = []

    def read(path, power, needs_power):
        asked.append((path, power and power.value.m_as("mW"), needs_power))
        return setting.read_beam(given("--power 1mW --beam-radius 0.1mm --wavelength 355nm"))

    monkeypatch.setattr("curecalc.jobs.beam.read_beam", read)
    plain = setting.read_beam(given("--beam b.toml"))
    assert (plain.wavelength.m_as("nm"), plain.pulse_rate) == (355.0, None)
    typed = setting.read_beam(given("--beam b.toml --power 9mW --wavelength 405nm --pulse-rate 80kHz"), "power")
    assert (typed.wavelength.m_as("nm"), typed.pulse_rate.m_as("Hz")) == (405.0, pytest.approx(8e4))
    assert asked == [("b.toml", None, True), ("b.toml", 9.0, False)]
    for more in ("--beam-radius 1mm", "--radius-ratio 2", "--spot-angle 3deg", "--top-hat"):
        with pytest.raises(QuantityError, match=f"--beam gives the spot already: leave out {more.split()[0]}"):
            setting.read_beam(given(f"--beam b.toml {more}"))


def test_more_about_the_beam():
    beam = setting.read_beam(
        given("--power 30mW --beam-radius 0.1mm+-5% --radius-ratio 2 --spot-angle 30deg --pulse-rate 80kHz --wavelength 355nm")
    )
    assert (beam.angle.m_as("deg"), beam.pulse_rate.m_as("Hz"), beam.wavelength.m_as("nm")) == pytest.approx((30.0, 8e4, 355.0))
    assert beam.radius_y.relative == pytest.approx(0.05)  # the same scale: as well known as the other
    assert type(setting.read_beam(given("--power 30mW --beam-radius 0.1mm --top-hat"))) is TopHatBeam
    assert setting.read_beam(given("--beam-radius 0.1mm"), "power").power is None
    with pytest.raises(QuantityError, match="--power is missing"):
        setting.read_beam(given("--beam-radius 0.1mm"), "")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("--incidence-direction 3deg", "--incidence-direction changes nothing"),
        ("--refractive-index 1.4", "--refractive-index changes nothing"),
        ("--s-polarised-share 1", "--s-polarised-share changes nothing"),
        ("--cross-hatch", "--cross-hatch needs --hatch-spacing"),
    ],
)
def test_what_changes_nothing_is_refused(more, words):
    with pytest.raises(QuantityError, match=words):
        setting.beam_resin_scan(given(f"{LIGHT} {RESIN} {more}"))


def test_what_is_asked_for_may_be_missing():
    for unknown, left_out in (("scan_speed", "--scan-speed 1m/s"), ("beam_radius", "--beam-radius 0.125mm"), ("power", "--power 30mW")):
        words = f"{LIGHT} {RESIN}".replace(left_out, "")
        setting.beam_resin_scan(given(words), unknown=unknown)
        with pytest.raises(QuantityError):
            setting.beam_resin_scan(given(words))
    _, _, scan = setting.beam_resin_scan(given(f"{LIGHT} {RESIN} --passes 3"))
    assert scan.passes == 3
    _, _, scan = setting.beam_resin_scan(given(f"{LIGHT} {RESIN} --cross-hatch"), unknown="hatch_spacing")
    assert scan.passes == 1


@pytest.mark.parametrize(
    ("more", "law"),
    [
        ("", "Resin"),
        ("--bleaching-exposure 20mJ/cm2", "BleachingResin"),
        ("--power-exponent 0.9 --reference-irradiance 500mW/mm2", "PowerThresholdResin"),
        ("--power-exponent 0.9", "go together"),
        ("--reference-irradiance 500mW/mm2", "go together"),
        ("--bleaching-exposure 20mJ/cm2 --power-exponent 0.9 --reference-irradiance 500mW/mm2", "two cure models"),
    ],
)
@pytest.mark.parametrize("file", [False, True])
def test_the_cure_model_follows_from_what_is_given(monkeypatch, more, law, file):
    kept = setting.read_resin(given(f"{RESIN} --correlation 0.5"))
    monkeypatch.setattr(setting, "_resin_from_file", lambda path: kept)
    args = given(f"--temperature 31degC {'--resin r.toml' if file else RESIN} {more}")
    if law[0].islower():
        with pytest.raises(QuantityError, match=law):
            setting.read_resin(args)
        return
    resin = setting.read_resin(args)
    assert type(resin).__name__ == law
    assert resin.temperature.m_as("degC") == pytest.approx(31.0)
    assert resin.penetration_depth.value.m_as("mm") == pytest.approx(0.15)
    assert resin.correlation == (0.5 if file else 0.0)


@pytest.mark.parametrize("again", ["--penetration-depth 1mm", "--critical-exposure 1mJ/cm2", "--correlation 0"])
def test_a_resin_file_leaves_no_room_for_a_working_curve(again):
    with pytest.raises(QuantityError, match=f"leave out {again.split()[0]}"):
        setting.read_resin(given(f"--resin r.toml {again}"))


# ---------------------------------------------------------------- an answer in rows


def answer(outputs, *, raster=False, pulsed=False, **values):
    told = {name: f"<{name}>" for name in outputs}
    plain = {"monte_carlo": {}, "sensitivity": {}, "over_directions": {}, "warnings": (), "standard_uncertainty": {}}
    beam, resin = SimpleNamespace(pulse_rate=Q(1.0, "Hz") if pulsed else None), SimpleNamespace(temperature=None)
    return SimpleNamespace(outputs=told, text=told.get, scan=SimpleNamespace(raster=raster), beam=beam, resin=resin, **(plain | values))


EXPOSURES = ("exposure_peak", "exposure_mean", "exposure_min", "exposure_max")


@pytest.mark.parametrize(
    ("outputs", "kind", "shown"),
    [
        ((*EXPOSURES, "cure_depth"), {}, ("exposure on the axis", "cure depth")),
        (
            (*EXPOSURES, "cure_depth_min"),
            {"raster": True},
            ("exposure on the axis", "exposure, mean", "exposure, weakest place", "exposure, strongest place", "cure depth, weakest place"),
        ),
        (
            (*EXPOSURES, "cure_depth", "cure_depth_min"),
            {"pulsed": True},
            ("exposure on the axis, mean along it", "exposure, weakest place", "exposure, strongest place", "cure depth, weakest place"),
        ),
        (("exposure_peak", "cure_depth_min"), {"raster": True, "pulsed": True}, ("exposure on the axis", "cure depth, weakest place")),
    ],
)
def test_rows_that_repeat_another_are_left_out(outputs, kind, shown):
    assert tuple(label for label, _ in setting.answer_rows(answer(outputs, **kind))) == shown


def test_what_moves_the_depth_and_over_which_directions():
    moves = {"power": Q(2e-8, "mm"), "hatch_spacing": Q(-0.0012347, "mm"), "passes": Q(5e-9, "mm"), "spot": None}
    along = {name: (Q(0.1, "mm"), Q(0.15, "mm"), Q(12.347, "deg"), Q(123.47, "deg")) for name in ("cure_depth", "exposure_min")}
    text = setting.answer_text(
        answer(("cure_depth",), sensitivity=moves, over_directions=along, standard_uncertainty={"a": 1}), [("first", "row")]
    )
    assert text.splitlines() == [
        "first        row",
        "cure depth   <cure_depth>",
        "(+- is one standard uncertainty)",
        "",
        "1 % more of this moves the cure depth by",
        "  power           +2e-08 mm",
        "  hatch spacing   -0.00123 mm",
        "",
        "elliptical spot, over all track directions",
        "  cure depth   0.10 to 0.15 mm (tracks at 12.3 deg and 123 deg)",
    ]
    for kind in ({"raster": True}, {"pulsed": True}):
        text = setting.answer_text(answer(("cure_depth",), sensitivity=moves, over_directions=along, **kind), [])
        assert "moves the cure depth of the weakest place by" in text
        assert ("exposure, weakest place" in text) is ("raster" in kind)
    plain = setting.answer_text(answer(("cure_depth",), sensitivity={"passes": Q(5e-9, "mm")}, warnings=("odd",)), [])
    assert plain == "cure depth   <cure_depth>\n\nnote: odd"


# ---------------------------------------------------------------- a plan


def planned(words):
    return given(words, plan.add_arguments)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("", {"passes"}),
        ("--power 240mW --hatch-spacing 0.1mm --passes 2", {"beam", "scan"}),
        ("--power 240mW --beam-radius 0.1mm", {"beam", "scan"}),
        ("--power 240mW", "--hatch-spacing (raster coupons) or --beam-radius"),
        ("--beam-radius 0.1mm", "--power is missing: --beam-radius alone"),
        ("--hatch-spacing 0.1mm", "--power is missing: --hatch-spacing alone"),
        ("--power 240mW --beam-radius 0.1mm --beam-fwhm 0.1mm", "--beam-radius and --beam-fwhm: the beam is given twice"),
    ],
)
def test_the_light_of_a_plan(words, told):
    if isinstance(told, str):
        with pytest.raises(QuantityError, match=re.escape(told)):
            plan._light(planned(words))
        return
    found = plan._light(planned(words))
    assert set(found) == told
    assert (found["scan"].passes if "scan" in found else found["passes"]) == (2 if "--passes" in words else 1)


def test_a_plan_goes_by_the_machine_file_where_no_option_speaks(monkeypatch):
    machine = SimpleNamespace(
        power=Measured(Q(0.24, "W"), Q(1.0, "mW")), pulse_rate=Q(80.0, "kHz"), scan_speed_min=Q(1.0, "mm/s"), scan_speed_max=Q(9.0, "m/s")
    )
    monkeypatch.setattr("curecalc.jobs.machine.read_machine", lambda path: machine)
    args = planned("--machine m.toml")
    assert plan._of_machine(args) == {"scan_speed_min": machine.scan_speed_min, "scan_speed_max": machine.scan_speed_max}
    assert (args.power, args.pulse_rate) == ("240.0 mW", "80000.0 Hz")
    args = planned("--machine m.toml --power 240mW --pulse-rate 9kHz --scan-speed-max 5m/s")
    assert plan._of_machine(args) == {"scan_speed_min": machine.scan_speed_min}
    assert (args.power, args.pulse_rate) == ("240mW", "9kHz")
    args = planned("--machine m.toml --beam b.toml")
    plan._of_machine(args)
    assert (args.power, args.pulse_rate) == (None, None)
    with pytest.raises(QuantityError, match=r"--power is 240\.1mW, but m\.toml gives 240 mW at most"):
        plan._of_machine(planned("--machine m.toml --power 240.1mW"))


TABLE = "coupon,scan speed [mm/s],thickness [um],passes\n"
ROWS = ("1,1000,190,2\n", "2,2000,86,2\n", "3,700,240,2\n")


@pytest.mark.parametrize(
    ("header", "rows", "light"),
    [
        ("power = 300 mW, hatch_spacing = 0.1 mm", ROWS, {"power": 300.0, "hatch_spacing": 0.1, "passes": 2}),
        ("power = 300 mW, beam_radius = 0.2 mm", ROWS, {"power": 300.0, "beam_radius": 0.2, "passes": 2}),
        ("power = 300 mW, hatch_spacing = 0.1 mm", (*ROWS[:2], "3,700,240,3\n"), {"power": 300.0, "hatch_spacing": 0.1}),
        ("power = 300 mW, hatch_spacing = 0.1 mm", ROWS[:2], {"power": 300.0, "hatch_spacing": 0.1, "passes": 2}),
    ],
)
def test_what_coupons_measured_already_say(tmp_path, header, rows, light):
    file = tmp_path / "a.csv"
    file.write_text(f"# {header}, wavelength = 355 nm\n{TABLE}{''.join(rows)}")
    args = planned(f"--measured {file}")
    found = {}
    plan._measured(args, found)
    known = {n: getattr(found[n], "m", found[n]) for n in ("power", "beam_radius", "hatch_spacing", "passes") if n in found}
    assert known == light
    # two coupons make no fit with an uncertainty, three do
    assert ("penetration_depth" in found) is (len(rows) == 3) is ("coupon_sd" in found)
    if len(rows) == 3:
        assert found["thickness_repeatability"].m == 0.0
        found = {"penetration_depth": "given", "coupon_sd": "stated", "beam": "stated"}
        plan._measured(args, found)
        assert (found["penetration_depth"], found["coupon_sd"]) == ("given", "stated")
        assert not {"power", "thickness_repeatability"} & set(found)
        found = {"thickness_repeatability": "stated"}
        plan._measured(args, found)
        assert "coupon_sd" not in found


@pytest.mark.parametrize("verified", [True, False])
def test_an_earlier_lot_lends_its_scatter_to_a_plan(monkeypatch, verified):
    resin = SimpleNamespace(penetration_depth="dp", critical_exposure="ec")
    lot = SimpleNamespace(resin=resin, verified=verified, residual_sd="sd")
    monkeypatch.setattr("curecalc.jobs.lot.read_resin", lambda path: lot)
    for before, lends in (({}, True), ({"coupon_sd": 1}, False), ({"thickness_repeatability": 1}, False)):
        found = dict(before)
        plan._resin(SimpleNamespace(resin="r.toml"), found)
        assert (found["penetration_depth"], found["critical_exposure"]) == ("dp", "ec")
        assert (found.get("coupon_sd") == "sd") is (lends and verified)
        if lends and verified:
            assert found["thickness_repeatability"].m_as("mm") == 0.0
    lot.residual_sd, found = None, {}
    plan._resin(SimpleNamespace(resin="r.toml"), found)
    assert "coupon_sd" not in found
    with pytest.raises(QuantityError, match="--critical-exposure and --resin"):
        plan._resin(SimpleNamespace(resin="r.toml"), {"critical_exposure": 1})
