"""The logbook on the page: read-only unless asked, entries only from its own form, hostile text shown as text."""

import re
from urllib.parse import urlencode

import pytest

from curecalc.errors import CurecalcError
from curecalc.logbook.book import Logbook
from curecalc.page import PageOptions, create_app
from curecalc.units import Quantity

HOME = {"Origin": "http://localhost"}


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "shop.db"
    with Logbook(path, create=True) as book:
        book.add("machine", {"note": "<script>alert(1)</script>"}, machine="bay <b>2</b>")
        for k in range(10):
            book.add("power", {"power": Quantity(240.0 - k % 3, "mW")}, machine="bay <b>2</b>", time=f"2026-10-{k + 1:02d}")
    return str(path)


def _token(client):
    return re.search(r'name="token" value="([^"]+)"', client.get("/log").text)[1]


def _reading(**more):
    return {"kind": "power", "machine": "bay <b>2</b>", "power": "231 mW +- 2 %", "operator": "ab"} | more


def test_read_only_shows_and_writes_nothing(log):
    client = create_app(PageOptions(log=log)).test_client()
    page = client.get("/log")
    assert page.status_code == 200
    assert "<b>2</b>" not in page.text
    assert "New entry" not in page.text
    assert "<td>power</td><td>bay &lt;b&gt;2&lt;/b&gt;</td><td>239 mW</td>" in page.text, "what an entry holds"
    assert client.post("/log/add", data=_reading(), headers=HOME).status_code == 403
    with Logbook(log, write=False) as book:
        assert len(book) == 11
    assert client.get("/log/numbers.json").json["entries"] == 11
    chart = client.get(f"/log/chart.svg?{urlencode({'machine': 'bay <b>2</b>'})}")
    assert chart.status_code == 200
    assert client.get("/log/chart.svg?machine=nobody").status_code == 400
    assert client.get("/log/chart.exe").status_code == 404


def test_the_latest_twenty_five_entries_are_listed_newest_first(log):
    with Logbook(log) as book:
        for _ in range(15):
            book.add("note", {"text": "one more"}, machine="bay <b>2</b>")
    text = create_app(PageOptions(log=log)).test_client().get("/log").text
    # the readings are of an earlier month, and the first of them is one too many
    assert [int(number) for number in re.findall(r'<th scope="row">(\d+)</th>', text)] == [*range(26, 11, -1), 1, *range(11, 2, -1)]


def test_the_form_of_a_correction_holds_the_entry_and_then_what_was_typed(log):
    client = create_app(PageOptions(log=log, write=True)).test_client()
    text = client.get("/log?corrects=2").text
    assert "Correct entry 2" in text
    assert 'value="240 mW"' in text
    refused = client.post("/log/add", data=_reading(token=_token(client), corrects="2", power="23x mW"), headers=HOME)
    assert refused.status_code == 400
    assert 'value="23x mW"' in refused.text


def test_an_entry_needs_the_form_of_this_page(log):
    client = create_app(PageOptions(log=log, write=True)).test_client()
    token = _token(client)
    assert client.post("/log/add", data=_reading(token="x"), headers=HOME).status_code == 403
    assert client.post("/log/add", data=_reading(token=token)).status_code == 403
    assert client.post("/log/add", data=_reading(token=token), headers={"Origin": "http://evil.example"}).status_code == 403
    assert client.get("/log/add").status_code == 405
    other = create_app(PageOptions(log=log, write=True)).test_client()
    assert other.post("/log/add", data=_reading(token=token), headers=HOME).status_code == 403
    with Logbook(log, write=False) as book:
        assert len(book) == 11
    done = client.post("/log/add", data=_reading(token=token), headers=HOME)
    assert done.status_code == 303
    assert "Entry 12 is written" in client.get("/log").text
    with Logbook(log, write=False) as book:
        entry = book.entry(12)
        assert (entry.kind, entry.machine, entry.operator) == ("power", "bay <b>2</b>", "ab")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"power": "231"}, "has no unit"),
        ({"power": "-3 mW"}, "must be"),
        ({"machine": "bay <b>3</b>"}, "is not in the logbook"),
        ({"kind": "recipe"}, "Choose what to write"),
        ({"kind": "note", "text": ""}, "Text is missing"),
    ],
)
def test_bad_entries_are_refused_and_kept_in_the_form(log, more, words):
    client = create_app(PageOptions(log=log, write=True)).test_client()
    answer = client.post("/log/add", data=_reading(token=_token(client), **more), headers=HOME)
    assert answer.status_code == 400
    assert words in answer.text
    with Logbook(log, write=False) as book:
        assert len(book) == 11


def test_a_file_that_is_no_logbook_is_said_at_the_start(tmp_path):
    for content in (b"", b"not a logbook", b"\x00" * 5000):
        path = tmp_path / "other.db"
        path.write_bytes(content)
        with pytest.raises(CurecalcError):
            create_app(PageOptions(log=str(path)))
