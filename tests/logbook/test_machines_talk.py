"""Entries from scripts, heads, clocks, names and corrections, as commands say them."""

import io
import json
from pathlib import Path

import pytest

from curecalc.cli import main
from curecalc.errors import FileError
from curecalc.logbook.book import Logbook
from curecalc.logbook.interchange import csv_text
from curecalc.logbook.status import SCHEMA
from curecalc.units import Quantity

LOG = ("--log", "shop.db")


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def call(*argv: object, typed: str = "") -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        status = main([str(a) for a in argv])
        out, err = capsys.readouterr()
        return status, out, err

    return call


def lines(*entries: dict) -> str:
    return "".join(json.dumps(one) + "\n" for one in entries)


def test_many_entries_from_a_script_stand_all_or_none(run) -> None:
    run("log", "add", "machine", "--machine-name", "north", *LOG)
    good = [{"kind": "power", "machine": "north", "power": f"{240 + i} mW +- 2 %", "identity": f"meter-{i}"} for i in range(5)]
    status, out, err = run("log", "add", "lines", *LOG, typed=lines(*good))
    assert (status, err) == (0, "")
    assert out.startswith("5 entries written\nhead: entry 6, ")
    # sent again, nothing is added
    assert run("log", "add", "lines", *LOG, typed=lines(*good))[0] == 0
    for bad, said in (
        ({"kind": "power", "machine": "north", "power": "240"}, "stdin line 2: --power has no unit"),
        ({"kind": "power", "machine": "north", "power": "240 mW", "pwer": "1 mW"}, "stdin line 2: 'pwer' is no key of a power entry"),
        ({"machine": "north"}, "stdin line 2: is no entry"),
        ({"kind": "power", "machine": "nroth", "power": "240 mW"}, "stdin line 2: "),
        ({"kind": "beam", "machine": "north", "beam_radius": "125 mm"}, "stdin line 2: beam_radius of 125 mm is unusual"),
    ):
        status, out, err = run("log", "add", "lines", *LOG, typed=lines({"kind": "note", "text": "first"}, bad))
        assert (status, out) == (2, "")
        assert said in err
        assert err.count("\n") == 1
    with Logbook("shop.db") as book:
        assert len(book) == 6
        assert book.entry(3).payload["power"]["value"] == 241.0


def test_the_keys_of_the_status_are_those_published(run) -> None:
    """The schema, version 1: a key taken away or changed makes another number."""
    run("log", "add", "machine", "--machine-name", "north", *LOG)
    got = json.loads(run("log", "status", *LOG, "--json")[1])
    assert got["schema"] == SCHEMA == "curecalc log status 1"
    assert list(got) == ["schema", "well", "due", "known", "entries", "head", "items", "machines"]
    (one,) = got["machines"]
    assert set(one) == {
        "machine", "state", "lot", "power", "power_age_days", "power_change_in_30_days", "beam_radius", "calibration_age_days",
        "cure_depth", "layer_thickness", "chart", "vectors", "items", "due",
    }  # fmt: skip
    assert set(one["items"][0]) == {"level", "grave", "text", "command"}


def misfits(value, schema: dict, whole: dict, place: str = "$") -> list[str]:
    """Where a value breaks a JSON Schema, for the words of the standard (draft 2020-12) that this one uses."""
    if "$ref" in schema:
        schema = {**whole["$defs"][schema["$ref"].removeprefix("#/$defs/")], **{k: v for k, v in schema.items() if k != "$ref"}}
    unknown = set(schema) - {
        "$schema",
        "$defs",
        "title",
        "description",
        "type",
        "required",
        "properties",
        "additionalProperties",
        "items",
        "enum",
    }
    assert not unknown, unknown
    kinds = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None), "integer": int, "number": (int, float)}
    wanted = schema.get("type", [])
    wanted = [wanted] if isinstance(wanted, str) else wanted
    fits = [isinstance(value, kinds[one]) and (one == "boolean" or not isinstance(value, bool)) for one in wanted]
    found = [f"{place}: {value!r} is no {wanted}"] if wanted and not any(fits) else []
    if "enum" in schema and value not in schema["enum"]:
        found.append(f"{place}: {value!r} is none of {schema['enum']}")
    if isinstance(value, dict):
        known = schema.get("properties", {})
        found += [f"{place}: {key} is missing" for key in schema.get("required", ()) if key not in value]
        found += [f"{place}: {key} is not published" for key in value if known and key not in known]
        found += [text for key in value if key in known for text in misfits(value[key], known[key], whole, f"{place}.{key}")]
    if isinstance(value, list) and "items" in schema:
        found += [text for i, one in enumerate(value) for text in misfits(one, schema["items"], whole, f"{place}[{i}]")]
    return found


def test_the_published_schema_holds_for_what_is_printed(run, tmp_path) -> None:
    from curecalc.logbook.demoshop import write_demo_shop

    status, out, _ = run("log", "status", "--schema")
    schema = json.loads(out)
    assert (status, schema["title"], schema["properties"]["schema"]["enum"]) == (0, SCHEMA, [SCHEMA])
    run("log", "add", "machine", "--machine-name", "north", *LOG)
    write_demo_shop(tmp_path / "demo.db").close()
    seen = set()
    for book in ("shop.db", "demo.db"):
        got = json.loads(run("log", "status", "--log", book, "--json")[1])
        assert misfits(got, schema, schema) == []
        seen |= {one["state"] for one in got["machines"]}
    assert {"unknown"} < seen
    # the checker can fail
    assert misfits({**got, "entries": "many"}, schema, schema) == ["$.entries: 'many' is no ['integer']"]
    assert misfits({**got, "more": 1}, schema, schema) == ["$: more is not published"]
    assert "$.machines[0]: state is missing" in misfits({**got, "machines": [{}]}, schema, schema)
    assert "--log is missing" in run("log", "status")[2]


def test_a_head_noted_earlier_shows_what_was_cut_off_or_written_anew(run) -> None:
    for text in ("one", "two", "three"):
        status, out, _ = run("log", "add", "note", "--note", text, *LOG)
    head = out.splitlines()[1].removeprefix("head: entry ").replace(", ", ":")
    assert run("log", "backup", "copy.db", *LOG)[1].splitlines()[1] == out.splitlines()[1]
    for noted in (head, head[:12], "copy.db"):
        assert run("log", "verify", "--head", noted, *LOG)[0] == 0
    run("log", "add", "note", "--note", "four", "--log", "copy.db")
    status, out, _ = run("log", "verify", "--head", "copy.db", *LOG)
    assert status == 1
    assert "entry 4, noted earlier, is missing: this logbook ends at entry 3" in out
    for text in ("one", "2", "three", "four"):  # a whole chain written anew verifies by itself
        run("log", "add", "note", "--note", text, "--log", "anew.db")
    assert run("log", "verify", "--log", "anew.db")[0] == 0
    status, out, _ = run("log", "verify", "--head", head, "--log", "anew.db")
    assert status == 1
    assert "entry 3 has another hash than was noted earlier" in out
    assert "neither NUMBER:HASH" in run("log", "verify", "--head", "soon", *LOG)[2]


def test_unusual_values_are_asked_about_once(run) -> None:
    run("log", "add", "machine", "--machine-name", "north", *LOG)
    beam = ("log", "add", "beam", "--machine-name", "north", "--beam-radius", "125 mm", *LOG)
    status, _, err = run(*beam)
    assert (status, "is unusual" in err, "add --sure" in err) == (2, True, True)
    assert run(*beam, "--sure")[0] == 0
    status, _, err = run(
        "log", "add", "calibration", "--lot", "L", "--penetration-depth", "0.1 mm", "--critical-exposure", "9 J/cm^2", *LOG
    )
    assert (status, "--critical-exposure of 9000 mJ/cm^2 is unusual" in err) == (2, True)


def test_a_time_ahead_is_doubted_when_written_and_when_verified(run) -> None:
    from datetime import datetime, timedelta

    ahead = (datetime.now() + timedelta(hours=3)).strftime("%Y-%m-%d %H:%M")
    status, _, err = run("log", "add", "note", "--note", "x", "--time", ahead, *LOG)
    assert (status, "is ahead of this computer's clock" in err) == (0, True)
    status, out, _ = run("log", "verify", *LOG)
    assert (status, "doubt: entry 1 is dated" in out) == (0, True)


def test_corrections_keep_the_time_and_can_be_taken_back(tmp_path) -> None:
    with Logbook(tmp_path / "a.db", create=True) as book:
        october = "2026-10-01T08:00:00+00:00"
        book.add("power", {"power": Quantity(24.0, "mW")}, machine="north", time=october)
        book.add("power", {"power": Quantity(238.0, "mW")}, machine="north", time="2026-11-01T08:00:00+00:00")
        fixed = book.add("power", {"power": Quantity(240.0, "mW")}, corrects=1)
        assert (fixed.time[:10], fixed.machine) == ("2026-10-01", "north")
        assert book.latest("power", machine="north").number == 2
        assert [e.number for e in book.entries(kind="power")] == [3, 2]
        book.add("correction", {"reason": "24 mW was right"}, corrects=3)
        assert [e.number for e in book.entries(kind="power")] == [1, 2]
        assert book.entry(1).corrected_by is None
        again = book.add("power", {"power": Quantity(25.0, "mW")}, corrects=1)
        assert [e.number for e in book.entries(kind="power")] == [again.number, 2]


def test_numbers_stay_numbers_in_an_export_and_texts_are_quoted(tmp_path) -> None:
    with Logbook(tmp_path / "a.db", create=True) as book:
        book.add("note", {"text": "-1", "change": -0.5})
        row = csv_text(book.entries()).splitlines()[1]
    assert row.endswith("-0.5,'-1")


def test_a_missing_write_ahead_log_is_named(tmp_path) -> None:
    path = tmp_path / "a.db"
    with Logbook(path, create=True) as book:
        book.add("note", {"text": "first"})
    Path(f"{path}-shm").write_bytes(b"\0" * 32768)
    with pytest.raises(FileError, match=r"its write-ahead log a.db-wal is missing while a.db-shm stands"):
        Logbook(path)
    Path(f"{path}-shm").unlink()
    Logbook(path).close()
