"""Addresses of the page: what stands beside a view, how long it is kept, how much may be sent, who is led where."""

import io

import pytest

from curecalc.logbook.book import Logbook
from curecalc.page import guard, server
from curecalc.page.app import PageOptions, create_app


def test_who_guesses_waits_twenty_seconds_for_the_next_try():
    codes = guard.AccessCodes(lambda person, code: None)
    now = [0.0]
    codes._tries._clock = lambda: now[0]

    def waits(later):
        now[0] += later
        return codes.opens("wrong", "desk").waits

    assert [waits(0.0) for _ in range(7)] == [False] * 6 + [True]
    assert [waits(seconds) for seconds in (19.9, 0.2, 19.0, 1.0)] == [True, False, True, False]


def test_what_may_be_kept_by_the_browser(client):
    """Styles and scripts for an hour, nothing of anybody's work."""
    with client.get("/static/page.css") as style:
        assert style.headers["Cache-Control"] == "max-age=3600"
    with client.get("/favicon.ico") as mark:
        assert mark.headers["Cache-Control"] == "max-age=3600"
    assert client.get("/nothing").headers["Cache-Control"] == "no-store"


def test_sizes_of_what_is_sent(client):
    home = {"Origin": "http://localhost"}
    too_large = client.post("/beam/read", data=b"x" * (guard.LARGEST_BODY + 1), headers=home, content_type="text/plain")
    assert "at most 500 kB" in too_large.text
    assert client.get("/nothing?" + "x" * (guard.LONGEST_ADDRESS - len("/nothing?"))).status_code == 404
    assert client.get("/nothing?" + "x" * (guard.LONGEST_ADDRESS - len("/nothing?") + 1)).status_code == 414
    assert guard.LONGEST_ADDRESS == 60_000


@pytest.mark.parametrize("then", ["/settings?power=1+W", "/", "//evil", "/\\evil", "evil", "/a\tb", "/a\nb"])
def test_who_has_entered_is_led_on_within_the_page(client, then):
    led = client.get("/enter", query_string={"then": then})
    assert (led.status_code, led.headers["Location"]) == (302, then if then in ("/settings?power=1+W", "/") else "/")


def test_files_beside_a_view(client):
    for file, status, called in (
        ("numbers.json", 200, "numbers.json"),
        ("speed.json", 200, "speed.json"),
        ("command.txt", 200, "numbers-command.txt"),
        ("speed-command.txt", 200, "speed-command.txt"),
        ("numbers-command.txt", 404, None),
        ("other-command.txt", 404, None),
        ("other.json", 404, None),
        ("numbers.txt", 404, None),
        ("curve.gif", 404, None),
        ("other.svg", 404, None),
    ):
        answer = client.get(f"/settings/{file}")
        assert answer.status_code == status, file
        if called:
            assert answer.headers["Content-Disposition"] == f'attachment; filename="curecalc-settings-{called}"'
    assert client.get("/settings/speed-command.txt").text.startswith("curecalc speed ")
    assert client.get("/settings/command.txt").text.startswith("curecalc depth ")


def test_what_cannot_be_drawn_is_marked_for_the_script(client):
    for address, marked in (
        ("/settings", False),
        ("/settings?power=x", True),
        ("/window", True),
        ("/lessons/line?power=x", True),
        ("/lessons/line", False),
    ):
        assert (client.get(address, headers={"X-Part": "yes"}).headers.get("X-Problem") == "yes") is marked, address


def test_the_name_of_an_upload_is_its_last_eighty_characters(client):
    sent = (io.BytesIO(b"x"), f"C:\\folder/{'n' * 90}.csv")
    assert client.post("/beam/read", headers={"Origin": "http://localhost"}, data={"file": sent}).status_code == 303
    assert f"Read last: {'n' * 76}.csv." in client.get("/beam").text


def test_a_page_for_the_network_names_an_address_of_this_machine(monkeypatch):
    monkeypatch.setattr(server, "names_of", lambda host: ("localhost", "10.0.0.1"))
    for host, shown in (("0.0.0.0", "10.0.0.1"), ("127.0.0.1", "127.0.0.1")):
        running = server.start(PageOptions(), host=host, port=0)
        assert running.url == f"http://{shown}:{running.port}/"
        running.stop()


def test_what_every_page_knows_of_the_logbook(tmp_path):
    log = str(tmp_path / "s.db")
    with Logbook(log, create=True) as book:
        book.add("note", {"text": "x"})
    for given, known in (
        ({}, (False, False)),
        ({"write": True}, (False, False)),
        ({"log": log, "write": True}, (True, True)),
        ({"log": log}, (True, False)),
    ):
        app = create_app(PageOptions(**given))
        with app.test_request_context("/log/chart.svg?a=b"):
            context = {}
            app.update_template_context(context)
        assert (context["logbook"], context["write"]) == known
        assert [name for name, *_ in context["job"]] == ["beam", "coupons", "recipe", "sheet", *(["log"] if known[0] else [])]
        assert (context["here"], context["query_text"]) == ("log", "a=b")
