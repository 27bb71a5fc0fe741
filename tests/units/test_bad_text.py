"""Texts people may type that must not be read, and what they are told: one line, what was read, the rule, a way out."""

import pytest

from curecalc.units import KINDS, QuantityError, parse, parse_measured

NUMBER_STYLES = {
    "11,5 mW": "with a decimal point, like '11.5 mW'",
    "0,3W": "like '0.3 W'",
    "1,5e2 mW": "like '1.5e2 mW'",
    "1,000 mW": "without a thousands separator, like '1000 mW', or '1.000 mW' if the comma is a decimal mark",
    "1,000.5 mW": "like '1000.5 mW'",
    "1.000,5 mW": "no thousands separator, like '1000.5 mW'",
    "1.234.567,8 mW": "like '1234567.8 mW'",
    "300 000 mW": "like '300000 mW'",
    "300'000 mW": "like '300000 mW'",
    "300’000 mW": "like '300000 mW'",
    "1\u202f000 mW": "like '1000 mW'",
    "1\u00a0000 mW": "like '1000 mW'",
    "12,34,567 mW": "cannot read",
    "1 0000 mW": "one plain number",
    "12 34 mW": "one plain number",
    ",5 mW": "cannot read",
    "1_000 mW": "without '_', like '1000 mW'",
    "1__0 mW": "without '_'",
    "_000 mW": "cannot read",
    "300_mW": "without '_'",
    "0x10 mW": "one plain number",
    "x10 mW": "cannot read",
    "0b11 mW": "one plain number",
    "0o17 mW": "one plain number",
    "1e mW": "one plain number",
    "1e+ mW": "one plain number",
    "1e3.5 mW": "one plain number",
    "1e10000 mW": "too large",
    "1d3 mW": "cannot read",
    "1^3 mW": "one plain number",
    "10^2 mW": "one plain number",
    "3×10² mW": "one plain number",
    "3*10^2 mW": "one plain number",
    "9**9**9 mW": "one plain number",
    "2*300 mW": "one plain number",
    "1/3 W": "one plain number",
    "1+2 mW": "one plain number",
    "(300) mW": "cannot read",
    "12.0(3) mW": "one plain number",
    "300 mW (6)": "cannot read",
    "1.2.3 mW": "one plain number",
    "300..310 mW": "one plain number",
    "300-310 mW": "one plain number",
    "300 to 310 mW": "one plain number",
    "300 mW - 310 mW": "cannot read",
    ". mW": "cannot read",
    "- mW": "cannot read",
    "+ mW": "cannot read",
    "--5 mW": "cannot read",
    "++5 mW": "cannot read",
    "- 5 mW": "cannot read",
    "~300 mW": "cannot read",
    "≈300 mW": "cannot read",
    "<300 mW": "cannot read",
    ">300 mW": "cannot read",
    "≤300 mW": "cannot read",
    "=300 mW": "cannot read",
    "#300 mW": "cannot read",
    "$(300) mW": "cannot read",
    "€300 mW": "cannot read",
    "½ mW": "cannot read",
    "²300 mW": "cannot read",
    "300²mW": "unknown unit",
    "Ⅻ mW": "cannot read",
    "三百 mW": "cannot read",
    "−5 mW": "like '-5 mW'",
    "–5 mW": "like '-5 mW'",
    "—5 mW": "like '-5 mW'",
    "５００ mW": "like '500 mW'",
    "３００ｍＷ": "like '300mW'",
    "٣٠٠ mW": "like '300 mW'",
    "३०० mW": "like '300 mW'",
    "𝟑𝟎𝟎 mW": "like '300 mW'",
    "“300 mW”": "like '300 mW'",
    "'300 mW'": "like '300 mW'",
    '"300 mW"': "like '300 mW'",
    "«300 mW»": "like '300 mW'",
    "3OO mW": "one plain number",
    "3oo mW": "one plain number",
    "I00 mW": "cannot read",
    "l mW": "cannot read",
    "O.3 W": "cannot read",
    "nan": "cannot read",
    "NaN mW": "cannot read",
    "nan mW": "cannot read",
    "inf mW": "cannot read",
    "-inf mW": "cannot read",
    "Infinity mW": "cannot read",
    "∞ mW": "cannot read",
    "1j mW": "one plain number",
    "1+2j mW": "cannot read",
    "None": "cannot read",
    "True": "cannot read",
    "one mW": "cannot read",
    "[300] mW": "cannot read",
    "['300 mW']": "cannot read",
    "300 mW, 400 mW": "one plain number",
    "300 mW; 400 mW": "cannot read",
    "{300} mW": "cannot read",
    "300 mW and a bit": "unknown unit",
    "about 300 mW": "cannot read",
    "300 mW # new": "unknown unit",
    "1e309 mW": "too large",
    "1e999 mW": "too large",
    "-1e999 mW": "too large",
    "1e-324 mW": "too small",
    "1e-999 mW": "too small",
    "9" * 79: "no unit",
    "9" * 81: "longer than 80 characters",
    "3" * 100_000 + " mW": "longer than 80 characters",
    "300 m" + "W" * 200: "longer than 80 characters",
}
HIDDEN = {
    "300\x00mW": "U+0000",
    "300 mW\x00": "U+0000",
    "300\nmW": "U+000A",
    "300 mW\n": "U+000A",
    "300\r\nmW": "U+000D",
    "300\x0bmW": "U+000B",
    "300\u200bmW": "U+200B",
    "300 m\u200bW": "U+200B",
    "300\u200emW": "U+200E",
    "300 mW\u200f": "U+200F",
    "\u202e300 mW": "U+202E",
    "\u2066300 mW\u2069": "U+2066",
    "\ufeff300 mW": "U+FEFF",
    "300\u00admW": "U+00AD",
    "300 \x1b[31mmW": "U+001B",
    "300\u2028mW": "U+2028",
    "3\u206000 mW": "U+2060",
    "300 mW\x7f": "U+007F",
    "\ud800": "U+D800",
}
EMPTY = {"": "nothing to read", " ": "nothing to read", "\t": "nothing to read", "\u00a0\u2009": "nothing to read"}
UNITS = {
    "300": "no unit",
    "300.": "no unit",
    "mW": "cannot read",
    "300 mw": "Did you mean mW?",
    "300 MW": "Did you mean mW?",
    "300 mWatt": "unknown unit",
    "300 milliwatt": "Use one of mW, W, uW",
    "300 mWs": "unknown unit",
    "300 mJ": "unknown unit 'mJ'",
    "300 mA": "unknown unit",
    "300 kW": "unknown unit",
    "300 dBm": "unknown unit",
    "300 hp": "unknown unit",
    "300 %": "unknown unit",
    "300 mW 5": "cannot read",
    "300 5 mW": "one plain number",
    "300 mW mW": "one plain number",
    "300 m W": "one plain number",
    "300mW/": "unknown unit",
    "300 mW^1": "unknown unit",
    "300 mW*2": "one plain number",
    "300 mW?": "unknown unit",
    "300 mW.": "unknown unit",
    "300 мW": "(U+043C)",
    "300 mВт": "(U+0412)",
    "300 ＭＷ": "(U+FF2D)",
    "300 mWé": "(U+00E9)",
    "300 ㎽": "unknown unit",
    "300 W/mm": "unknown unit",
    "300 mW/cm^2": "unknown unit",
    "300 mm": "unknown unit",
    "300 mW; rm -rf": "unknown unit",
    "300 __import__('os')": "cannot read",
    "300 \\mathrm{mW}": "unknown unit",
}
UNCERTAIN = {
    "+-300 mW": "no value before",
    "300 mW +-": "no standard uncertainty after",
    "+-": "no value before",
    "300 mW +- 6": "uncertainty has no unit",
    "300 +- 6": "uncertainty has no unit",
    "300 mW +- -6 mW": "must not be below zero",
    "300 mW +- 6 mW +- 1 mW": "one value and one standard uncertainty",
    "300 mW +- 6 mJ": "unknown unit 'mJ'",
    "300 mJ +- 6 mW": "unknown unit 'mJ'",
    "300 mW +- nan mW": "cannot read",
    "300 mW +- 1e999 mW": "too large",
    "300 mW +- 6,5 mW": "decimal point",
    "300 mW ± six mW": "cannot read",
    "300 mW -+ 6 mW": "cannot read",
    "300 mW + - 6 mW": "cannot read",
    "300 mW ± ± 6 mW": "one value",
    "nan mW +- 6 mW": "cannot read",
    "300 mW +- 6 mw": "Did you mean mW?",
    "300 mW +- 5 percent": "unknown unit",
    "mW +- 6 mW": "cannot read",
}
OTHER_KINDS = {
    ("length", "0.1 mm2"): "unknown unit 'mm2'",
    ("length", "0.1 MM"): "Did you mean mm?",
    ("length", "0.1 Mm"): "Did you mean mm?",
    ("length", "100 micron"): "Use one of mm, um",
    ("length", "4 thou"): "unknown unit",
    ("length", '0.1"'): "unknown unit",
    ("length", "1 ft"): "unknown unit",
    ("length", "0.1 m m"): "one plain number",
    ("length", "0.1 mm^"): "unknown unit",
    ("length", "100 Um"): "Did you mean um?",
    ("length", "1 Å"): "(U+00C5)",
    ("length", "0,1 mm"): "like '0.1 mm'",
    ("exposure", "10 mJ"): "unknown unit",
    ("exposure", "10 mJ/cm"): "unknown unit",
    ("exposure", "10 mJ/cm3"): "unknown unit",
    ("exposure", "10 mJ/cm^3"): "unknown unit",
    ("exposure", "10 mj/cm^2"): "Did you mean mJ/cm^2?",
    ("exposure", "10 MJ/cm^2"): "Did you mean mJ/cm^2?",
    ("exposure", "10 mJ cm^-2"): "unknown unit",
    ("exposure", "10 mJ·cm⁻²"): "unknown unit",
    ("exposure", "10 mJ/cm 2"): "one plain number",
    ("exposure", "10 mJ/(cm^2)"): "one plain number",
    ("exposure", "10 mJ/cm^22"): "one plain number",
    ("exposure", "10 mW/cm^2"): "unknown unit",
    ("exposure", "10 W s/m^2"): "unknown unit",
    ("exposure", "10"): "no unit",
    ("exposure", "10 mJ/cm2 2"): "one plain number",
    ("exposure", "10 mJ / cm^2"): "unknown unit",
    ("speed", "1000"): "no unit",
    ("speed", "1000 mm"): "unknown unit",
    ("speed", "1000 mm/s^2"): "unknown unit",
    ("speed", "1000 mm/s2"): "unknown unit",
    ("speed", "1000 mm/sec"): "unknown unit",
    ("speed", "60 rpm"): "unknown unit",
    ("speed", "1,000 mm/s"): "like '1000 mm/s'",
    ("speed", "1000 mm s^-1"): "unknown unit",
    ("temperature", "25"): "no unit",
    ("temperature", "25 C"): "Use one of degC",
    ("temperature", "25 °F"): "unknown unit",
    ("temperature", "77 degF"): "unknown unit",
    ("temperature", "-273.16 degC"): "below absolute zero",
    ("temperature", "-1 K"): "below absolute zero",
    ("temperature", "25 deg"): "unknown unit",
    ("temperature", "25 k"): "Did you mean K?",
    ("angle", "20"): "no unit",
    ("angle", "20 degrees"): "unknown unit",
    ("angle", "20 grad"): "unknown unit",
    ("angle", "20'"): "unknown unit",
    ("angle", "20 %"): "unknown unit",
    ("angle", "20 degC"): "unknown unit",
    ("frequency", "80000"): "no unit",
    ("frequency", "80 khz"): "Did you mean kHz?",
    ("frequency", "80 rpm"): "unknown unit",
    ("frequency", "80 rad/s"): "unknown unit",
    ("frequency", "80 1/s"): "one plain number",
    ("wavelength", "355"): "no unit",
    ("wavelength", "355 mm"): "unknown unit",
    ("wavelength", "3550 A"): "unknown unit",
    ("time", "1:30"): "one plain number",
    ("time", "1 h 30 min"): "one plain number",
    ("time", "20 sec"): "unknown unit",
    ("time", "20 S"): "Did you mean s?",
    ("area", "400 mm"): "unknown unit",
    ("volume", "1 cc"): "unknown unit",
    ("acceleration", "2 g"): "unknown unit",
    ("density", "1.12"): "no unit",
    ("number", "1.5 mm"): "Write a plain number",
    ("number", "1.5 %"): "Write a plain number",
    ("number", "1,5"): "like '1.5'",
    ("number", ""): "Write a plain number",
    ("number", "nan"): "Write a plain number",
    ("fraction", "5 ‰"): "Use one of %",
    ("fraction", "5 percent"): "Use one of %",
}
CASES = [("power", t, w) for table in (NUMBER_STYLES, HIDDEN, EMPTY, UNITS, UNCERTAIN) for t, w in table.items()]
CASES += [(kind, text, words) for (kind, text), words in OTHER_KINDS.items()]


def refusal(read, kind, text):
    with pytest.raises(QuantityError) as caught:
        read("--power", text, kind)
    return str(caught.value)


def one_clear_line(message):
    assert message.startswith("--power")
    assert message.isprintable(), "nothing that moves a cursor or hides"
    assert message.endswith((".", "?"))
    assert len(message) < 330
    assert "Traceback" not in message
    assert "pint" not in message


@pytest.mark.parametrize(("kind", "text", "words"), CASES, ids=[f"{k}-{t[:24]!a}" for k, t, _ in CASES])
def test_is_refused_with_what_to_do(kind, text, words):
    message = refusal(parse_measured, kind, text)
    one_clear_line(message)
    assert words in message
    if text not in UNCERTAIN:
        one_clear_line(refusal(parse, kind, text))


def test_there_are_enough_of_them():
    assert len(CASES) >= 200


@pytest.mark.parametrize("value", [None, 300, 300.0, b"300 mW", bytearray(b"300 mW"), ["300 mW"], ("300 mW",), {}, object(), True])
@pytest.mark.parametrize("read", [parse, parse_measured])
def test_what_is_not_text_is_refused(read, value):
    message = refusal(read, "power", value)
    one_clear_line(message)
    assert "must be text" in message


@pytest.mark.parametrize("text", ["−5 mW", "５００ mW", "“300 mW”", "1.000,5 mW", "1_000 mW", "1,000 mW", "11,5 mW", "300 mw"])
def test_the_way_out_that_is_named_works(text):
    message = refusal(parse, "power", text)
    offered = message.split("like '")[1].split("'")[0] if "like '" in message else "300 mW"
    parse("--power", offered, "power")


@pytest.mark.parametrize("text", ["0,18", "1,000", "1.000,5"])
@pytest.mark.parametrize("kind", KINDS)
def test_the_way_out_works_where_no_unit_was_typed(kind, text):
    offered = refusal(parse, kind, text).split("'")[3::2]
    assert offered
    for one in offered:
        parse("x", one, kind)


@pytest.mark.parametrize(
    ("kind", "text", "unit", "value"),
    [
        ("power", " 300 mW ", "mW", 300.0),
        ("power", "300\tmW", "mW", 300.0),
        ("power", "300\u00a0mW", "mW", 300.0),
        ("power", "300\u202fmW", "mW", 300.0),
        ("power", "300\u2009mW", "mW", 300.0),
        ("power", "+300mW", "mW", 300.0),
        ("power", "-5 mW", "mW", -5.0),
        ("power", ".5 W", "mW", 500.0),
        ("power", "5. mW", "mW", 5.0),
        ("power", "3E+2 mW", "mW", 300.0),
        ("power", "3e-1W", "mW", 300.0),
        ("power", "00300 mW", "mW", 300.0),
        ("power", "300 µW", "mW", 0.3),
        ("power", "300 μW", "mW", 0.3),
        ("power", "0e999 mW", "mW", 0.0),
        ("exposure", "10 mJ/cm**2", "mJ/cm^2", 10.0),
        ("exposure", "10mJ/mm²", "mJ/cm^2", 1000.0),
        ("exposure", "100 J/m2", "mJ/cm^2", 10.0),
        ("speed", "2 m/s", "mm/s", 2000.0),
        ("speed", "10 in/s", "mm/s", 254.0),
        ("length", "4 mil", "mm", 0.1016),
        ("length", "0.004 in", "mm", 0.1016),
        ("angle", "20°", "deg", 20.0),
        ("temperature", "25°C", "degC", 25.0),
        ("temperature", "298.15 K", "degC", 25.0),
        ("fraction", "5%", "", 0.05),
        ("fraction", "0.05", "", 0.05),
        ("number", "1.5", "", 1.5),
        ("acceleration", "2 m/s2", "mm/s^2", 2000.0),
        ("time", "2 h", "s", 7200.0),
        ("volume", "1 l", "mm^3", 1e6),
        ("frequency", "80 kHz", "Hz", 8e4),
    ],
)
def test_what_must_be_read(kind, text, unit, value):
    assert parse("x", text, kind).m_as(unit) == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize(
    ("kind", "text", "value", "spread", "unit"),
    [
        ("power", "300 mW +- 6 mW", 300.0, 6.0, "mW"),
        ("power", "300 +- 6 mW", 300.0, 6.0, "mW"),
        ("power", "300 mW ± 2 %", 300.0, 6.0, "mW"),
        ("power", "300 mW+/-0.006 W", 300.0, 6.0, "mW"),
        ("power", "300 mW+-2%", 300.0, 6.0, "mW"),
        ("power", "300 mW +- 0 mW", 300.0, 0.0, "mW"),
        ("power", "300 mW", 300.0, 0.0, "mW"),
        ("length", "125 µm ± 3 µm", 125.0, 3.0, "um"),
        ("fraction", "5 % +- 1 %", 0.05, 0.01, ""),
        ("number", "1.5 +- 0.1", 1.5, 0.1, ""),
    ],
)
def test_uncertainties_that_must_be_read(kind, text, value, spread, unit):
    got = parse_measured("x", text, kind)
    assert got.value.m_as(unit) == pytest.approx(value, rel=1e-14)
    assert got.standard_uncertainty.m_as(unit) == pytest.approx(spread, rel=1e-14)


def test_a_temperature_s_uncertainty_is_a_difference():
    got = parse_measured("x", "25 degC +- 0.5 degC", "temperature")
    assert got.standard_uncertainty.m_as("kelvin") == 0.5


@pytest.mark.parametrize("kind", KINDS)
def test_the_example_of_each_kind_and_each_spelling_is_read(kind):
    parse("x", KINDS[kind].example, kind)
    for spelling in KINDS[kind].spellings:
        if kind != "temperature":
            assert parse("x", f"2 {spelling}", kind).m == 2.0
            if not spelling.startswith("1"):
                assert parse("x", f"2{spelling}", kind).m == 2.0
