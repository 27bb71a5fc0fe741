"""Addresses of the page: what stands beside a view, how long it is kept, how much may be sent, who is led where."""

import html
import io
import json
import re

import numpy as np
import pytest

from curecalc.errors import CurecalcError
from curecalc.logbook.book import Logbook
from curecalc.page import guard, server
from curecalc.page.app import PageOptions, create_app
from curecalc.page.drawing import Board


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
    for size, refused in ((500_000, False), (500_001, True)):
        sent = client.post("/beam/read", data=b"x" * size, headers=home, content_type="text/plain")
        assert ("The upload is too large: at most 500 kB." in sent.text) is refused
    for parts, refused in ((20, False), (21, True)):
        form = {f"f{k}": "x" for k in range(parts)}
        assert (client.post("/beam/read", data=form, headers=home, content_type="multipart/form-data").status_code == 413) is refused
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


def test_a_lesson_leads_on_with_what_was_moved_alone(client):
    text = client.get("/lessons/line?power=12+mW&hatch_spacing=80+um").text
    assert '<a class="button" href="/settings?power=12+mW">On with these numbers</a>' in text


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


@pytest.mark.parametrize(
    ("where", "secure"), [({}, False), ({"proxy": "10.0.0.1"}, True), ({"certificate": "c.pem"}, True), ({"host": "0.0.0.0"}, False)]
)
def test_cookies_are_kept_to_encrypted_connections(monkeypatch, where, secure):
    asked = []

    def stop(options):
        asked.append(options.secure)
        raise CurecalcError("not in a test")

    monkeypatch.setattr(server, "create_app", stop)
    monkeypatch.setattr(server, "tls_context", lambda certificate, key: "context")
    with pytest.raises(CurecalcError):
        server.start(PageOptions(), **where)
    assert asked == [secure]


@pytest.mark.parametrize("view", ["settings", "stack", "coupons"])
def test_around_the_axes_is_room_for_their_words(client, view):
    """Numbers and label on the left take 13.5 mm and their height, those below 9 mm; little is left on the right; a title above."""
    found = re.findall(r"""<svg data-scale='([^']*)'[^>]*viewBox="0 0 ([^"]*)\"""", client.get(f"/{view}").text)
    assert len(found) == (3 if view == "settings" else 1)
    for scales, size in found:
        wide, high = (float(side) * 25.4 / 72.0 for side in size.split())
        boxes = json.loads(html.unescape(scales))
        assert wide in (pytest.approx(122.0, abs=0.1), pytest.approx(150.0, abs=0.1))
        for box in boxes:
            assert 17.5 < box["left"] * wide < 19.5
            assert 4.0 < (1.0 - box["right"]) * wide < 5.5
        assert 13.5 < (1.0 - boxes[-1]["bottom"]) * high < 16.0
        assert 8.5 < boxes[0]["top"] * high < 23.0
        for upper, lower in zip(boxes, boxes[1:]):
            assert 10.0 < (lower["top"] - upper["bottom"]) * high < 13.0
        assert min(box["bottom"] - box["top"] for box in boxes) * high > 25.0


def test_a_file_to_take_along_says_what_it_is(client):
    assert client.post("/work/invented", headers={"Origin": "http://localhost"}).status_code == 303
    answer = client.get("/files/machine.toml")
    assert (answer.mimetype, answer.headers["Content-Disposition"]) == ("application/toml", 'attachment; filename="machine.toml"')
    assert 'name = "invented machine, bay 2"' in answer.text


def test_ticks_of_a_drawing_are_at_most_five_steps_of_one_two_or_five():
    board = Board()
    for end, step in ((5.0, 1.0), (6.0, 2.0), (10.0, 2.0), (24.0, 5.0), (0.5, 0.1)):

        def draw(ax, end=end):
            ax.set_xlim(0.0, end)

        board.svg("ticks", draw, label="x")
        ticks = board._panels["ticks"].axes[0].get_xticks()
        assert np.diff(ticks) == pytest.approx(step)
    assert {"paper", "0ground", "0x", "0sides"} <= {name for name, _ in board._panels["ticks"].kept}  # not drawn again


def test_a_drawing_says_where_its_axes_stand_and_what_they_show():
    def draw(ax):
        ax.set_xlim(1.0, 10.0)
        ax.set_xscale("log")
        ax.set_ylim(-2.0, 3.0)
        ax.set_xlabel("speed (mm/s)")

    text = Board().svg("scales", draw, label="x", boxes=((0.2, 0.25, 0.7, 0.65),))
    (told,) = json.loads(html.unescape(re.search("data-scale='([^']*)'", text)[1]))
    assert told["x"] == {"from": 1.0, "to": 10.0, "log": True, "label": "speed"}
    assert told["y"] == {"from": -2.0, "to": 3.0, "log": False, "label": ""}
    assert [told[side] for side in ("left", "right", "top", "bottom")] == pytest.approx([0.2, 0.9, 0.1, 0.75])


def test_names_of_axes_stand_clear_of_their_numbers_and_inside_the_paper():
    board = Board()
    board.svg("names", lambda ax: (ax.set_ylim(0.0, 0.25), ax.set_xlabel("x (mm)"), ax.set_ylabel("y (mm)")), label="x")
    (panel,) = board._panels.values()
    (ax,), paper = panel.axes, panel.figure.bbox
    inside = ax.get_window_extent()
    below, left = (axis.label.get_window_extent() for axis in (ax.xaxis, ax.yaxis))
    numbers = [[one.get_window_extent() for one in axis.get_ticklabels()] for axis in (ax.xaxis, ax.yaxis)]
    assert paper.y0 < below.y0 < below.y1 < min(box.y0 for box in numbers[0])
    assert paper.x0 < left.x0 < left.x1 < min(box.x0 for box in numbers[1])
    assert 0.5 * (below.x0 + below.x1) == pytest.approx(0.5 * (inside.x0 + inside.x1), abs=1.0)
    assert 0.5 * (left.y0 + left.y1) == pytest.approx(0.5 * (inside.y0 + inside.y1), abs=1.0)
