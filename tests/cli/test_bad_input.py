"""Bad input on the command line: status 2, one line on stderr that names the option, nothing on stdout, no file, no traceback."""

import itertools

import pytest
from sampling import few

from curecalc.cli import main
from curecalc.cli.common import QUANTITIES, flag

BEAM = {"power": "300 mW", "beam_radius": "125um"}
RESIN = {"penetration_depth": "0.15 mm", "critical_exposure": "8 mJ/cm^2"}
SOUND = {
    "depth": BEAM | RESIN | {"scan_speed": "2 m/s"},
    "speed": BEAM | RESIN | {"layer_thickness": "0.1 mm", "overcure": "50 um"},
    "solve": BEAM | RESIN | {"for": "hatch_spacing", "scan_speed": "2 m/s", "cure_depth": "0.15 mm"},
    "stack": BEAM | RESIN | {"scan_speed": "2 m/s", "layer_thickness": "0.1 mm"},
}
BAD_TEXTS = [
    "",
    " ",
    "3",
    "x",
    "nan mW",
    "inf mm",
    "1e999 mm",
    "1e-999 s",
    "0x10 mW",
    "1_000 mm",
    "11,5 mJ/cm2",
    "1.000,5 mW",
    "1,000 mm/s",
    "−5 mm",
    "３ mm",
    "5 mm mm",
    "5 5 mm",
    "9**9**9",
    "5 apples",
    "5 mm\x00",
    "5\nmm",
    "5 m\u200bm",
    "\u202e5 mm",
    "5 мм",
    "5 mm +- ",
    "5 mm +- -1 mm",
    "+- 5 mm",
    "5 mm +- 1 mm +- 1 mm",
    "$(5) mm",
    "5" * 90,
    "None",
    "--json",
    "['5 mm']",
    "5 mm; 6 mm",
    "½ mm",
]
# the rule of each kind of option, broken
BROKEN = {"positive": ["0 {}", "-1 {}", "1e40 {}", "1e-40 {}"], "nonnegative": ["-1 {}", "1e40 {}"], "finite": ["1e40 {}"]}
UNIT = {
    "power": "mW",
    "length": "mm",
    "angle": "deg",
    "wavelength": "nm",
    "frequency": "Hz",
    "speed": "mm/s",
    "exposure": "mJ/cm^2",
    "irradiance": "mW/mm^2",
    "temperature": "degC",
}


def argv(command, **changed):
    given = SOUND[command] | changed
    if any(name in changed for name in ("beam_diameter", "beam_fwhm")):
        given.pop("beam_radius")
    return [command, *(f"{flag(name)}={text}" for name, text in given.items() if text is not None)]


def offered(command):
    """The quantity options a command has."""
    if command not in OFFERED:
        from argparse import ArgumentParser
        from importlib import import_module

        parser = ArgumentParser(add_help=False)
        import_module(f"curecalc.cli.{command}").add_arguments(parser)
        OFFERED[command] = {a.dest for a in parser._actions}
    return OFFERED[command]


OFFERED: dict[str, set[str]] = {}


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    yield
    assert not list(tmp_path.iterdir()), "something was written"


@pytest.fixture
def refused(capsys):
    def refused(words, *needed, status=2):
        assert main([str(w) for w in words]) == status, words
        out, err = capsys.readouterr()
        assert out == "", words
        assert err.endswith("\n"), words
        assert err.count("\n") == 1, (words, err)
        assert err[:-1].isprintable(), (words, err)
        assert len(err) < 420, (words, err)
        for never in ("Traceback", "Error", "pint", "numpy", "NoneType", "object at 0x", "site-packages"):
            assert never not in err, (words, err)
        for word in needed:
            assert word in err, (words, err)
        return err

    return refused


def test_the_sound_settings_are_sound(capsys):
    for command in SOUND:
        assert main(argv(command)) == 0, capsys.readouterr().err


EVERY = [(c, n) for c in SOUND for n in QUANTITIES if n in offered(c)]


def test_there_are_enough_of_them():
    assert len(EVERY) * (len(BAD_TEXTS) + 2) > 2000


@pytest.mark.parametrize(("command", "name"), few(EVERY, 4))
def test_texts_that_are_no_quantity(refused, command, name):
    for text in BAD_TEXTS:
        refused(
            [*argv(command, **{name: None}), f"{flag(name)}={text}"] if name in SOUND[command] else argv(command, **{name: text}),
            flag(name),
        )


@pytest.mark.parametrize(("command", "name"), EVERY)
def test_units_and_sizes_that_cannot_be(refused, command, name):
    kind, rule, uncertain, _ = QUANTITIES[name]
    unit = UNIT[kind]
    wrong = "mW" if kind != "power" else "mm"
    texts = [f"5 {wrong}", "5", *(text.format(unit) for text in BROKEN[rule])]
    if not uncertain:
        texts.append(f"5 {unit} +- 1 {unit}")
    else:
        texts += [f"5 {unit} +- 1 {wrong}", f"5 {unit} +- 1", f"5 {unit} +- nan {unit}"]
    for text in texts:
        refused(argv(command, **{name: text}), flag(name))


@pytest.mark.parametrize(("command", "name"), [(c, n) for c in SOUND for n in SOUND[c] if n not in ("for", "overcure")])
def test_what_is_missing_is_named(refused, command, name):
    refused(argv(command, **{name: None}), "--" if name != "beam_radius" else "--beam-radius")


@pytest.mark.parametrize("command", SOUND)
def test_an_option_given_twice(refused, command):
    for name in SOUND[command]:
        if name != "for":
            refused([*argv(command), f"{flag(name)}={SOUND[command][name]}"], flag(name), "twice")


NUMBERS = ["0", "-1", "x", "", "nan", "inf", "1e400", "1,5", "0x2", "True", "1 mm", "½", "−1", "9" * 100]
PLAIN = {
    "passes": [*NUMBERS, "1.5", "1_0"],
    "radius_ratio": NUMBERS,
    "power_exponent": [*NUMBERS, "2.1"],
    "refractive_index": [*NUMBERS, "0.9", "4.1"],
    "correlation": ["1.1", "-1.1", "x", "", "nan", "1 mm", "0,5"],
    "monte_carlo": [*NUMBERS, "10", "1_000", "1000.5", "30000000"],
    "seed": ["-1", "x", "1.5", "nan", ""],
    "confidence": ["0", "1", "0.3", "-1", "95", "x", "nan", ""],
    "layers": [*NUMBERS, "1.5"],
}


@pytest.mark.parametrize(("command", "name"), [(c, n) for c in SOUND for n in PLAIN if n in offered(c)])
def test_plain_numbers_that_cannot_be(refused, command, name):
    more = {"reference_irradiance": "5 mW/mm^2"} if name == "power_exponent" else {}
    more |= {"incidence_angle": "10 deg"} if name == "refractive_index" else {}
    more |= {"power": "300 mW +- 6 mW"} if name in ("monte_carlo", "seed", "confidence") else {}
    more |= {"monte_carlo": "1000"} if name in ("seed", "confidence") else {}
    for text in PLAIN[name]:
        refused(argv(command, **more, **{name: text}), flag(name))


@pytest.mark.parametrize("command", SOUND)
@pytest.mark.parametrize(
    "more",
    [
        {"beam_diameter": "250 um", "beam_fwhm": "100 um"},
        {"cross_hatch": ""},
        {"power_exponent": "0.9"},
        {"reference_irradiance": "5 mW/mm^2"},
        {"power_exponent": "0.9", "reference_irradiance": "5 mW/mm^2", "bleaching_exposure": "10 mJ/cm^2"},
        {"power_exponent": "0.9", "reference_irradiance": "5 mW/mm^2", "pulse_rate": "80 kHz"},
        {"incidence_angle": "80.1 deg"},
        {"incidence_angle": "-1 deg"},
        {"temperature": "-300 degC"},
    ],
    ids=lambda m: "-".join(m),
)
def test_options_that_do_not_go_together(refused, command, more):
    if command == "solve" and "cross_hatch" in more:
        return  # a spacing is what is solved for
    refused(argv(command, **more) if "cross_hatch" not in more else [*argv(command), "--cross-hatch"], "--")


def test_three_widths_of_a_beam_are_two_too_many(refused):
    for two in itertools.combinations({"beam_radius": "125 um", "beam_diameter": "250 um", "beam_fwhm": "147 um"}.items(), 2):
        words = [f"{flag(n)}={t}" for n, t in (SOUND["depth"] | {"beam_radius": None} | dict(two)).items() if t]
        refused(["depth", *words], flag(two[0][0]), flag(two[1][0]))


@pytest.mark.parametrize(
    ("words", "needed"),
    [
        (["no-such"], ["unknown command", "commands are"]),
        (["dept"], ["Did you mean depth?"]),
        (["DEPTH"], ["unknown command"]),
        (["de\x1b[31mpth"], ["unknown command"]),
        (["x" * 5000], ["unknown command"]),
        ([""], ["unknown command"]),
        (["--power"], ["unknown"]),
        (["depth", "--pwoer", "300 mW"], ["--pwoer", "Did you mean --power"]),
        (["depth", "--pow", "300 mW"], ["--pow"]),
        (["depth", "--power"], ["--power"]),
        (["depth", "300 mW"], ["300 mW"]),
        (["depth", "--json", "--json=3"], ["--json"]),
        (["speed", *argv("speed")[1:], "--cure-depth", "0.2 mm"], ["--cure-depth"]),
        (["speed", *argv("speed", overcure=None)[1:]], ["--overcure"]),
        (["speed", *argv("speed")[1:], "--scan-speed", "1 m/s"], ["--scan-speed"]),
        (["speed", *argv("speed", overcure="-0.1 mm")[1:]], ["--overcure"]),
        (["speed", *argv("speed", overcure="-0.2 mm")[1:]], ["--overcure"]),
        (["solve", *argv("solve", **{"for": "speed"})[1:]], ["--for"]),
        (["solve", *argv("solve", **{"for": None})[1:]], ["--for"]),
        (["solve", *argv("solve", **{"for": "power"})[1:]], ["--power"]),
        (["solve", *argv("solve", **{"for": "POWER"})[1:]], ["--for"]),
        (["solve", *argv("solve")[1:], "--hatch-spacing", "0.1 mm"], ["--hatch-spacing"]),
        (["solve", *argv("solve")[1:], "--line-width", "0.1 mm"], ["--"]),
        (["stack", *argv("stack")[1:], "--exposure", "10 mJ/cm^2"], ["--exposure"]),
        (["depth", *argv("depth")[1:], "--figure", "x.bmp"], ["--figure", ".png"]),
        (["depth", *argv("depth")[1:], "--figure", ""], ["--figure"]),
        (["depth", *argv("depth")[1:], "--figure", "no/such/folder/x.png"], ["--figure"]),
        (["depth", *argv("depth")[1:], "--figure", "png"], ["--figure"]),
        (["depth", *argv("depth", power="x")[1:], "--figure", "x.png"], ["--power"]),
        (["depth", *argv("depth")[1:], "--figure", "x\x00.png"], ["--figure"]),
        (["depth", *argv("depth", penetration_depth=None, critical_exposure=None)[1:], "--resin", "none.toml"], ["none.toml"]),
        (["depth", *argv("depth")[1:], "--resin", "none.toml"], ["--"]),
        (["depth", *argv("depth")[1:], "--beam", "none.toml"], ["--"]),
        (["depth", *argv("depth")[1:], "--power-max", "200 mW", "--power-min", "250 mW"], ["--power-min"]),
        (["speed", *argv("speed")[1:], "--scan-speed-max", "1 m/s", "--scan-speed-min", "2 m/s"], ["--scan-speed-min"]),
    ],
    ids=lambda w: "-".join(w)[:40].encode("ascii", "replace").decode() if isinstance(w, list) else "",
)
def test_words_that_make_no_sense(refused, words, needed):
    refused(words, *needed)


@pytest.mark.parametrize("size", ["1e-29", "1e29"])
@pytest.mark.parametrize("command", few(SOUND, 4))
def test_sizes_at_the_edge_give_an_answer_or_a_line_never_nan(capsys, command, size):
    """Each quantity in turn at the edge of what is accepted."""
    for name in offered(command) & set(QUANTITIES):
        kind, rule, _, _ = QUANTITIES[name]
        if rule == "positive" and name not in ("reference_irradiance", "wavelength") and not name.startswith(("max_", "min_")):
            changed = {name: f"{size} {UNIT[kind]}"}
            if name == "cure_depth" and command == "speed":
                changed |= {"layer_thickness": None, "overcure": None}
            if name == "line_width" or (command == "solve" and name == "hatch_spacing") or (command == "speed" and name == "scan_speed"):
                continue
            if name == "exposure":
                changed |= {"power": None, "beam_radius": None, "scan_speed": None}
            status = main([*argv(command, **changed), "--json"])
            out, err = capsys.readouterr()
            assert status in (0, 2, 3), (changed, err)
            assert "NaN" not in out
            assert "Infinity" not in out
            assert (out == "") == (status != 0), (changed, out, err)
            assert "Traceback" not in err
