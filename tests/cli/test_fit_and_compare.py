"""What fit, compare and the logbook's entries make of their options."""

import argparse
import io
from contextlib import nullcontext
from datetime import datetime, timedelta
from types import SimpleNamespace

import pytest

from curecalc.cli import compare, fit, log, logadd
from curecalc.cli.common import CommandParser, joined
from curecalc.errors import FileError, QuantityError


def given(module, *words):
    parser = CommandParser(prog="fit")
    module.add_arguments(parser)
    return parser.parse_args(joined(parser, list(words)))


class Coupons(SimpleNamespace):
    def __replace__(self, **changes):
        return Coupons(**(vars(self) | changes))


def test_options_state_what_a_table_does_not(monkeypatch):
    monkeypatch.setattr("dataclasses.replace", lambda one, **changes: Coupons(**(vars(one) | changes)))
    args = given(fit, "a.csv", "--machine-name", "north", "--gauge", "dial", "--lot", "L7", "--wavelength", "0.355 um")
    stated = fit._stated(Coupons(names={"machine": "south", "lot": "L6"}, wavelength=None), args)
    assert stated.names == {"machine": "south", "gauge": "dial", "lot": "L6"}
    assert stated.wavelength == pytest.approx(355.0)
    assert fit._stated(Coupons(names={}, wavelength=405.0), args).wavelength == 405.0
    assert fit._stated(Coupons(names={}, wavelength=None), given(fit, "a.csv")).wavelength is None


def test_what_a_fit_is_asked(monkeypatch):
    asked = []
    monkeypatch.setattr("curecalc.calibration.coupons.read_coupons", lambda file, **how: how)
    monkeypatch.setattr(fit, "_stated", lambda coupons, args: coupons)
    monkeypatch.setattr("curecalc.calibration.curve.fit_coupons", lambda coupons, **more: asked.append(coupons | more))
    monkeypatch.setattr("curecalc.jobs.lot.read_resin", lambda file: f"resin of {file}")
    monkeypatch.setattr("curecalc.jobs.fitted.prior_from_resins", lambda resins, **spread: (resins, spread))
    fit.fit_from(given(fit, "a.csv"))
    plain = {"sheet": None, "skip_blank": False, "at_depth": [], "exclude": [], "confidence": 0.95, "prior": None, "prior_names": []}
    plain |= {"thickness_bias_uncertainty": None, "same_machine": True, "same_gauge": True, "will_set": None}
    assert asked.pop() == plain | {"power_scale_uncertainty": None, "beam_radius_scale_uncertainty": None}
    words = "--elsewhere --other-gauge --confidence 90% --thickness-bias-uncertainty 0um --power-scale-uncertainty 3% --prior a.toml,b.toml"
    fit.fit_from(given(fit, "a.csv", *words.split(), "--prior", "c.toml ,", "--lot-spread-exposure", "10 %", "--at-depth", "150um"))
    (found,) = asked
    assert found["prior"] == (["resin of a.toml", "resin of b.toml", "resin of c.toml"], {"critical_exposure_spread": pytest.approx(0.1)})
    assert (found["same_machine"], found["same_gauge"], found["confidence"]) == (False, False, pytest.approx(0.9))
    assert found["thickness_bias_uncertainty"].m_as("um") == 0.0
    assert found["power_scale_uncertainty"] == pytest.approx(0.03)
    assert [depth.m_as("mm") for depth in found["at_depth"]] == pytest.approx([0.15])
    for words in ("--thickness-bias-uncertainty -1um", "--at-depth 0mm", "--lot-spread-depth 5%"):
        with pytest.raises(QuantityError, match=words.split()[0]):
            fit.fit_from(given(fit, "a.csv", *words.split()))


def test_what_a_logbook_keeps_of_a_fit(monkeypatch):
    kept = []
    monkeypatch.setattr("curecalc.logbook.recording.record_fit", lambda path, found, **more: kept.append(more))
    monkeypatch.setattr(fit, "said", lambda entry, path: {})
    monkeypatch.setattr(fit, "_resin_to_keep", lambda args, found: "made")
    fit._logged(given(fit, "a.csv", "--log", "s.db"), None, "given")
    fit._logged(given(fit, "a.csv", "--log", "s.db", "--skip-blank", "--exclude", "3", "--prior", "a.toml", "--operator", "ab"), None, None)
    assert [one["options"] for one in kept] == [{}, {"skip_blank": True, "exclude": ["3"], "prior": ["a.toml"]}]
    assert [(one["resin_document"], one["operator"], one["priors"]) for one in kept] == [("given", "", []), ("made", "ab", ["a.toml"])]


def test_a_lot_without_a_wavelength_is_kept_without_its_resin_file(monkeypatch, capsys):
    def refuse(found, **_):
        raise QuantityError("wavelength is missing.")

    monkeypatch.setattr("curecalc.jobs.fitted.resin_text", refuse)
    coupons = SimpleNamespace(names={"lot": "L6"})
    args = given(fit, "a.csv", "--log", "s.db", "--lot", "L7", "--resin-name", "clear", "--density", "1.12 g/cm^3")
    assert fit._resin_to_keep(args, SimpleNamespace(coupons=coupons)) is None
    assert capsys.readouterr().err == "the logbook keeps no resin file of this lot: wavelength is missing.\n"
    monkeypatch.setattr("curecalc.jobs.fitted.resin_text", lambda found, **more: more)
    kept = fit._resin_to_keep(args, SimpleNamespace(coupons=coupons))
    assert (kept["name"], kept["names"], kept["density"].m_as("g/cm^3")) == ("clear", {}, pytest.approx(1.12))
    assert fit._beside(args)["names"] == {"lot": "L7"}


@pytest.mark.parametrize(
    ("words", "depth"),
    [
        ("", None),
        ("--cure-depth 180um", 0.18),
        ("--layer-thickness 0.1mm", 0.1),
        ("--layer-thickness 0.1mm --overcure -20um", 0.08),
        ("--layer-thickness 0.1mm --overcure 0mm", 0.1),
        ("--overcure 0.1mm", "--layer-thickness is missing"),
        ("--cure-depth 1mm --overcure 0mm", "--cure-depth says it all"),
        ("--cure-depth 1mm --layer-thickness 1mm", "--cure-depth says it all"),
        ("--cure-depth 0mm", "--cure-depth must be"),
        ("--layer-thickness 0mm", "--layer-thickness must be"),
    ],
)
def test_the_depth_that_lots_are_compared_at(words, depth):
    args = given(compare, "a.csv", "b.csv", *words.split())
    if isinstance(depth, str):
        with pytest.raises(QuantityError, match=depth):
            compare._depth(args)
        return
    found = compare._depth(args)
    assert (found and found.m_as("mm")) == (depth and pytest.approx(depth))


def test_files_of_the_same_data_are_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name, text in (("a.csv", "1"), ("b.csv", "2"), ("c.csv", "1"), ("d.csv", "1")):
        (tmp_path / name).write_text(text)
    said = compare._same_data(["a.csv", "b.csv", "c.csv", "d.csv"])
    assert [one.partition(" hold the same data")[0] for one in said] == ["a.csv and c.csv", "a.csv and d.csv", "c.csv and d.csv"]
    assert compare._same_data(["a.csv", "b.csv"]) == []


def test_what_a_logbook_keeps_of_a_comparison(monkeypatch):
    """Names that the options give, else those of the tables: old of the first, new and machine of the last, else of the file."""
    kept = []
    monkeypatch.setattr("curecalc.logbook.recording.record_comparison", lambda path, found, **more: kept.append(more))
    monkeypatch.setattr(compare, "said", lambda entry, path: {})
    words = ("a.csv", "b.csv", "c.csv", "--log", "s.db", "--tolerance", "8 um", "--cure-depth", "180 um")
    files, names = ["a.csv", "b.csv", "c.csv"], ["a", "b", "c"]
    tables = [{"lot": "L1", "machine": "west"}, {"lot": "L2", "machine": "south"}, {"lot": "L3", "machine": "north"}]
    compare._logged(given(compare, *words), None, files, names, {"b.csv": ["3"]}, tables)
    compare._logged(given(compare, *words, "--skip-blank"), None, files, names, {}, [{}, {}, {}])
    compare._logged(
        given(compare, *words, "--lot", "x", "--old-lot", "y", "--machine-name", "z", "--operator", "ab"), None, files, names, {}, tables
    )
    assert [(one["lot"], one["old_lot"], one["machine"], one["operator"]) for one in kept] == [
        ("L3", "L1", "north", ""),
        ("c", None, None, ""),
        ("x", "y", "z", "ab"),
    ]
    plain = {"tolerance": "8 um", "names": names, "cure_depth": "0.18 mm"}
    assert kept[0]["options"] == plain | {"exclude": {"lot2": ["3"]}}
    assert kept[1]["options"] == plain | {"skip_blank": True}


def test_a_resin_file_is_a_lot_already(monkeypatch):
    resin = SimpleNamespace(lot="L7", machine="")
    monkeypatch.setattr("curecalc.jobs.lot.read_resin", lambda path: resin)
    monkeypatch.setattr("curecalc.jobs.fitted.lot_from_resin", lambda found, name: name)
    assert compare._lot("A.TOML", "a", [], False) == ("a", [], {"lot": "L7"})
    with pytest.raises(QuantityError, match="its coupons are fitted already"):
        compare._lot("a.toml", "a", ["3"], False)

    def refuse(*_, **__):
        raise QuantityError("too few.")

    monkeypatch.setattr("curecalc.calibration.coupons.read_coupons", refuse)
    with pytest.raises(FileError, match=r"^a\.csv: too few\."):
        compare._lot("a.csv", "a", [], False)


# ---------------------------------------------------------------- entries of a logbook


def entry(kind, **values):
    from curecalc.logbook.entries import ENTRY_KINDS

    blank = dict.fromkeys([*ENTRY_KINDS[kind].fields, *logadd.RADII])
    return argparse.Namespace(kind=kind, **(blank | values))


@pytest.mark.parametrize(("name", "radius"), [("beam_radius", 0.2), ("beam_diameter", 0.1), ("beam_fwhm", 0.2 / 1.1774100225)])
def test_a_spot_is_kept_as_its_radius(name, radius):
    """A diameter is two radii, a full width at half maximum sqrt(2 ln 2) of one; all as well known as what was typed."""
    kept = logadd._values(entry("beam", **{name: "0.2 mm +- 5 %"}))["beam_radius"]
    assert kept.value.m_as("mm") == pytest.approx(radius)
    assert kept.relative == pytest.approx(0.05)


def test_values_of_an_entry():
    with pytest.raises(QuantityError, match="give exactly one of --beam-radius, --beam-diameter, --beam-fwhm; found none"):
        logadd._values(entry("beam"))
    with pytest.raises(QuantityError, match="found --beam-radius and --beam-fwhm"):
        logadd._values(entry("beam", beam_radius="1 mm", beam_fwhm="1 mm"))
    with pytest.raises(QuantityError, match="--power is missing: a power entry must hold it"):
        logadd._values(entry("power"))
    recipe = {"scan_speed": "1 m/s", "layer_thickness": "0.1 mm", "overcure": "0.05 mm"}
    made = logadd._values(entry("recipe", **recipe, passes="1", cross_hatch="True"))
    assert (made["passes"], made["cross_hatch"]) == (1, True)
    assert logadd._values(entry("recipe", **recipe, cross_hatch="False"))["cross_hatch"] is False
    with pytest.raises(QuantityError, match="--passes must be a whole number of at least 1"):
        logadd._values(entry("recipe", **recipe, passes="0"))


def test_entries_from_a_script(monkeypatch, capsys):
    added = []

    class Book(nullcontext):
        def __enter__(self):
            return self

        def together(self):
            return nullcontext()

        def add(self, kind, payload, **names):
            added.append((kind, payload, names))
            return SimpleNamespace(number=len(added), sha256="abc")

    monkeypatch.setattr(logadd, "open_log", lambda args, **_: Book())
    typed = '{"kind": "room", "machine": 7, "temperature": "21 degC", "operator": "ab"}\n\n'
    typed += '{"kind": "power", "power": "240 mW", "corrects": 3, "new": null}\n'
    monkeypatch.setattr("sys.stdin", io.StringIO(typed.replace(', "new": null', "")))
    assert logadd._lines(argparse.Namespace(sure=False, json=False)) == 0
    assert capsys.readouterr().out == "2 entries written\nhead: entry 2, abc\n"
    (room, values, names), (power, _, others) = added
    assert (room, names["machine"], names["operator"], names["corrects"]) == ("room", "7", "ab", None)
    assert values["temperature"].value.m_as("degC") == pytest.approx(21.0)
    assert (power, others["corrects"], others["operator"]) == ("power", 3, "")
    for line, said in (
        (typed, "stdin line 3: 'new' is no key of a power entry; it knows machine, lot, beam, time, operator, corrects, identity, power"),
        ("[]\n", "stdin line 1: is no entry"),
        ('{"kind": "lamp"}\n', "stdin line 1: is no entry"),
        ('\n{"kind": "power"}\n', "stdin line 2: --power is missing"),
    ):
        monkeypatch.setattr("sys.stdin", io.StringIO(line))
        with pytest.raises(QuantityError, match=said):
            logadd._lines(argparse.Namespace(sure=False, json=False))


def test_sources_have_a_role_or_a_number(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("a.csv", "b=c.csv"):
        (tmp_path / name).write_text("x")
    found = [logadd._source(text, k) for k, text in enumerate(("a.csv", "a.csv", "scan=a.csv", "b=c.csv"))]
    assert [(one.role, one.name) for one in found] == [("data", "a.csv"), ("data2", "a.csv"), ("scan", "a.csv"), ("data4", "b=c.csv")]


@pytest.mark.parametrize(
    ("text", "head"),
    [
        (None, None),
        ("12:ABCDEF01", (12, "abcdef01")),
        (" 12 : abcdef012 ", (12, "abcdef012")),
        ("12:abcdef0", "--head"),
        ("twelve:abcdef01", "--head"),
        ("none.db", "--head"),
    ],
)
def test_a_head_noted_elsewhere(tmp_path, monkeypatch, text, head):
    monkeypatch.chdir(tmp_path)
    if head == "--head":
        with pytest.raises(QuantityError, match="is neither NUMBER:HASH"):
            log._head(text)
    else:
        assert log._head(text) == head


def test_a_day_up_to_which_entries_are_asked_for_is_meant_whole():
    def asked(name, text):
        return log._time(SimpleNamespace(**{name: text}), name)

    start, end = asked("since", "2026-03-01"), asked("until", "2026-03-01")
    assert datetime.fromisoformat(end) - datetime.fromisoformat(start) == timedelta(days=1, microseconds=-1)
    assert asked("until", "2026-03-01 14:30") == asked("since", "2026-03-01 14:30")
    assert asked("until", None) is None
    assert asked("since", "2499-12-31 12:00")  # what is to come may be asked for, within reason
    for text in ("soon", "2500-01-03"):
        with pytest.raises(QuantityError, match="--until:"):
            asked("until", text)


def test_sources_are_written_under_plain_names(tmp_path, capsys):
    names = ["../../etc/passwd", "a b.csv", "." * 9, "n" * 101, "é_1-2.csv"]
    entry = SimpleNamespace(attached=[SimpleNamespace(name=name, sha256=name) for name in names])
    book = SimpleNamespace(source=lambda sha256: b"x")
    log._save_sources(book, entry, str(tmp_path / "new" / "folder"))
    found = {path.name for path in (tmp_path / "new" / "folder").iterdir()}
    assert found == {"_.._etc_passwd", "a_b.csv", "data", "n" * 100, "é_1-2.csv"}
    assert capsys.readouterr().err.count("wrote ") == 5
