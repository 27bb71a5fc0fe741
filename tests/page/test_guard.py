"""Hostile requests: refused in plain words, page stays up, nothing written."""

import contextlib
import http.client
import io
import os
import re
import socket
import sys
import threading
import time
import zipfile
from unittest.mock import Mock
from urllib.parse import urlencode

import pytest

from curecalc.page import PageOptions, create_app
from curecalc.page.guard import HEADERS, AccessCodes, RateLimit
from curecalc.page.server import Running, names_of, serve, start

HOME = {"Origin": "http://localhost"}


def fetch(port, place, headers=None):
    """Status and text from a running page, over a connection of its own."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        link.request("GET", place, headers={"Host": "localhost"} | (headers or {}))
        with link.getresponse() as answer:
            return answer.status, answer.read().decode("utf-8", "replace")
    finally:
        link.close()


def _files(folder):
    return {(str(p), p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(
    "place", ["/settings", "/nothing", "/settings/numbers.json", "/static/page.css", "/favicon.ico", "/settings?power=x"]
)
def test_every_answer_carries_the_strict_headers(client, place):
    answer = client.get(place)
    answer.close()
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'self';")
    assert "unsafe" not in answer.headers["Content-Security-Policy"]


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "10.0.0.1", "evil.example:8765", "", "[::2]"]
)
def test_wrong_host_is_refused(client, host):
    answer = client.get("/settings", headers={"Host": host})
    assert answer.status_code == 400


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "localhost:8765", "127.0.0.1:1", "[::1]:80", "LOCALHOST"])
def test_own_host_is_served(client, host):
    assert client.get("/lessons", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:9999"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "same-site"},
    ],
)
def test_posts_from_elsewhere_are_refused(client, headers):
    answer = client.post("/coupons/upload", data={"file": (io.BytesIO(b"x"), "a.csv")}, headers=headers)
    assert answer.status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "OPTIONS"])
def test_other_methods_are_refused(client, method):
    answer = client.open("/settings", method=method)
    assert answer.status_code == 405
    assert ">The page knows GET and POST only.<" in answer.text


def test_nothing_answers_to_post_but_forms(client):
    for place in ("/settings", "/stack", "/coupons", "/lessons", "/practice", "/"):
        assert client.post(place, headers=HOME).status_code == 405


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.csv", b"PK\x03\x04" + os.urandom(400), "table"),
        ("a.csv", b"<!doctype html><html><body><table><tr><td>1</td></tr></table></body></html>", "table"),
        ("a.csv", b"\x00\x01\x02" * 100, "table"),
        ("a.csv", b"", "table"),
        ("a.csv", b"coupon,thickness [um]\n" + b"1,1\n" * 10, "exposure"),
        ("a.xlsx", b"not a spreadsheet", "spreadsheet"),
        ("a.xlsx", b"PK\x03\x04 broken", "spreadsheet"),
        ("../../../etc/passwd", b"root:x:0:0\n", "table"),
        ("a.csv", b'coupon,exposure [mJ/cm^2],thickness [um]\n"=cmd()",1,1\n', ""),
        ("a.exe", b"MZ\x90\x00\x03", "table"),
        ("", b"coupon", "chosen"),
    ],
)
def test_hostile_uploads_are_refused_in_words(client, tmp_path, monkeypatch, name, content, words):
    monkeypatch.chdir(tmp_path)
    answer = client.post("/coupons/upload", data={"file": (io.BytesIO(content), name)}, headers=HOME)
    assert answer.status_code in (303, 400)
    if answer.status_code == 400:
        assert words in answer.text
        assert 'role="alert"' in answer.text
    assert "Traceback" not in answer.text
    assert not list(tmp_path.iterdir())


def test_swelling_spreadsheet_is_refused_before_it_is_unpacked(client):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 60_000_000)
    assert len(packed.getvalue()) < 100_000
    packed.seek(0)
    answer = client.post("/coupons/upload", data={"file": (packed, "bomb.xlsx")}, headers=HOME)
    assert answer.status_code == 400
    assert "unpacks to" in answer.text


@pytest.mark.parametrize("place", ["/coupons/upload", "/map/read"])
def test_oversized_upload_is_refused(client, place):
    head = b'--x\r\nContent-Disposition: form-data; name="file"; filename="big.csv"\r\n\r\n'
    body = head + b"1" * 1_200_000 + b"\r\n--x--\r\n"
    answer = client.post(place, data=body, content_type="multipart/form-data; boundary=x", headers=HOME)
    assert answer.status_code == 413
    assert ">The upload is too large: at most 500 kB.<" in answer.text


def test_too_long_address_is_refused(client):
    answer = client.get("/coupons?table=" + "x" * 70_000)
    assert answer.status_code == 414
    assert ">The address is too long. For a large table use the command line: curecalc fit FILE.<" in answer.text


@pytest.mark.parametrize(
    "place",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/settings/../../etc/passwd.svg",
        "/settings/..%2f..%2fcurve.svg",
        "/lessons/..%2f..%2fbench",
        "/settings/curve.exe",
        "/settings/curve.svg/x",
        "/coupons/x.svg",
        "//etc/passwd",
        "/lessons/safety.toml",
        "/practice/..%2f..%2f.pdf",
        "/.git/config",
        "/static/",
        "/log",
    ],
)
def test_path_tricks_find_nothing(client, place):
    answer = client.get(place)
    assert answer.status_code in (400, 404, 308)
    assert "root:" not in answer.text
    assert "import" not in answer.text


def test_rate_limit_refills():
    now = [0.0]
    limit = RateLimit(burst=3, per_second=2, clock=lambda: now[0])
    assert [limit.allows("a") for _ in range(4)] == [True, True, True, False]
    assert limit.allows("b")
    now[0] = 0.5
    assert [limit.allows("a") for _ in range(2)] == [True, False]
    for k in range(5000):
        limit.allows(str(k))
    assert len(limit._left) <= 2000


@pytest.mark.slow
def test_thousand_quick_requests_do_not_bring_it_down():
    page = start(PageOptions(burst=30, per_second=4), port=0)
    thread = page.run_in_background()
    try:
        codes = []

        def hammer():
            for _ in range(125):
                codes.append(fetch(page.port, "/favicon.ico")[0])

        workers = [threading.Thread(target=hammer) for _ in range(8)]
        for w in workers:
            w.start()
        for w in workers:
            w.join(60)
        assert len(codes) == 1000
        assert set(codes) == {200, 429}
        assert codes.count(429) > 500
        time.sleep(0.6)
        assert fetch(page.port, "/lessons")[0] == 200
    finally:
        page.stop()
        thread.join(10)


def test_half_open_connections_do_not_stop_others(running):
    half = []
    try:
        for _ in range(120):
            s = socket.create_connection(("127.0.0.1", running.port), timeout=5)
            s.sendall(b"GET /settings HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
            half.append(s)
        begun = time.monotonic()
        assert fetch(running.port, "/lessons")[0] == 200
        assert time.monotonic() - begun < 5.0
    finally:
        for s in half:
            s.close()


@pytest.mark.parametrize(
    "raw",
    [
        b"GARBAGE\r\n\r\n",
        b"GET /settings HTTP/1.1\r\nHost: localhost\r\nContent-Length: -5\r\n\r\n",
        b"GET /settings HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\nContent-Length: 4\r\n\r\nzzzz",
        b"GET http://evil.example/settings HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        b"POST /coupons/upload HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nContent-Length: 99999999\r\n\r\n",
        b"GET /" + b"a" * 200_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET /settings HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n",
        b"GET /settings%00 HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET /settings?power=%ff%fe HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ],
)
def test_broken_requests_leave_the_page_up(running, raw):
    with socket.create_connection(("127.0.0.1", running.port), timeout=10) as s:
        s.sendall(raw)
        with contextlib.suppress(OSError):  # the server may have closed it already
            s.shutdown(socket.SHUT_WR)
        got = s.recv(4000)
    assert b"Traceback" not in got
    assert b" 500 " not in got.split(b"\r\n")[0]
    assert fetch(running.port, "/lessons")[0] == 200


@pytest.mark.slow
def test_users_do_not_see_each_other(running):
    """Two users at once, each with own settings: each answer belongs to its own question."""
    wrong = []

    def use(power):
        for _ in range(4):
            _, text = fetch(running.port, "/settings?" + urlencode({"power": f"{power} mW"}), {"X-Part": "yes"})
            if f"{power} mW" not in text or any(f"'{other} mW'" in text for other in range(201, 206) if other != power):
                wrong.append(power)

    workers = [threading.Thread(target=use, args=(200 + k,)) for k in range(1, 6)]
    for w in workers:
        w.start()
    for w in workers:
        w.join(60)
    assert not wrong


def test_port_taken_is_said_plainly():
    from curecalc.errors import CurecalcError

    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        s.listen()
        port = s.getsockname()[1]
        with pytest.raises(CurecalcError) as told:
            start(PageOptions(), port=port)
    way = f"Stop that one, or name another: --port {port + 1}"
    assert str(told.value) == f"port {port} on 127.0.0.1 is taken, perhaps by a page that still runs. {way}"


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ({"port": 65536}, r"--port must be a whole number from 0 to 65535, got 65536\."),
        (
            {"host": "no such host"},
            r"--host: 'no such host' is no address of this machine \(.+\)\. Name one, like --host 0.0.0.0 for all\.",
        ),
        ({"host": "192.0.2.1", "port": 0}, r"port 0 on 192\.0\.2\.1 cannot be opened \(.+\)\. Name another --port or --host\."),
    ],
)
def test_where_the_page_cannot_listen_is_said_plainly(where, words):
    from curecalc.errors import CurecalcError

    with pytest.raises(CurecalcError) as told:
        start(PageOptions(), **where)
    assert re.fullmatch(words, str(told.value))


@pytest.mark.parametrize(
    ("missing", "needs"), [("flask", "the libraries flask and waitress, which are"), ("waitress.server", "the library waitress, which is")]
)
def test_libraries_that_are_missing_are_named(monkeypatch, missing, needs):
    from curecalc.errors import CurecalcError

    monkeypatch.setitem(sys.modules, missing, None)
    way = "Install them with" if "flask" in missing else "Install it with"
    with pytest.raises(CurecalcError) as told:
        start(PageOptions())
    assert str(told.value) == f"The page needs {needs} not installed. {way}: pip install 'curecalc[page]'"


def test_the_terminal_says_where_the_page_is_and_that_it_has_stopped(monkeypatch, capsys):
    def interrupted(running):
        raise KeyboardInterrupt

    monkeypatch.setattr(Running, "run", interrupted)
    monkeypatch.setattr(threading, "Timer", Mock())
    serve(PageOptions(), port=0)
    told = capsys.readouterr().err
    assert re.fullmatch(r"The page is at http://127\.0\.0\.1:\d+/   \(stop it with Ctrl-C\)\nThe page is stopped\.\n", told)


def test_a_failure_of_the_program_stays_in_the_terminal(caplog):
    app = create_app(PageOptions())
    app.add_url_rule("/fails", "fails", lambda: 1 // 0)
    answer = app.test_client().get("/fails")
    assert answer.status_code == 500
    assert ">The program failed here. What it says stands in the terminal.<" in answer.text
    assert "division" not in answer.text
    assert caplog.messages == ["the page failed on /fails"]
    assert "ZeroDivisionError" in caplog.text


def test_access_code_opens_once():
    told = []
    codes = AccessCodes(lambda person, code: told.append(code))
    app = create_app(PageOptions(codes=codes))
    first, second = app.test_client(), app.test_client()
    sent = first.get("/settings?power=1+W")
    assert sent.status_code == 302
    assert sent.headers["Location"].startswith("/enter?")
    assert first.get("/settings", headers={"X-Part": "yes"}).status_code == 403
    assert first.get("/settings/numbers.json").status_code == 302
    with first.get("/static/page.css") as style:
        assert style.status_code == 200
    assert "Access code" in first.get("/enter").text
    assert first.post("/enter", data={"code": "AAAA-AAAA"}, headers=HOME).status_code == 403
    assert first.get("/settings").status_code == 302
    used = told[-1]
    entered = first.post("/enter", data={"code": used.lower().replace("-", " "), "then": "/settings?power=1+W"}, headers=HOME)
    assert entered.status_code == 303
    assert entered.headers["Location"] == "/settings?power=1+W"
    assert first.get("/settings").status_code == 200
    # used up: another browser needs the next one
    assert told[-1] != used
    assert second.post("/enter", data={"code": used}, headers=HOME).status_code == 403
    assert second.get("/settings").status_code == 302
    assert second.post("/enter", data={"code": told[-1]}, headers=HOME).status_code == 303


def test_guessing_the_code_is_slowed():
    app = create_app(PageOptions(codes=AccessCodes(lambda person, code: None)))
    client = app.test_client()
    codes = [client.post("/enter", data={"code": f"{k:08d}"}, headers=HOME).status_code for k in range(12)]
    assert codes[0] == 403
    assert codes[-1] == 429


@pytest.mark.parametrize("then", ["//evil.example", "https://evil.example", "/\\evil.example", "/a\r\nX: y"])
def test_entering_never_leads_elsewhere(then):
    told = []
    app = create_app(PageOptions(codes=AccessCodes(lambda person, code: told.append(code))))
    answer = app.test_client().post("/enter", data={"code": told[-1], "then": then}, headers=HOME)
    assert answer.headers["Location"] == "/"


def test_cookies_are_strict():
    told = []
    app = create_app(PageOptions(codes=AccessCodes(lambda person, code: told.append(code))))
    answer = app.test_client().post("/enter", data={"code": told[-1]}, headers=HOME)
    assert "HttpOnly" in answer.headers["Set-Cookie"]
    assert "SameSite=Strict" in answer.headers["Set-Cookie"]


def test_names_of_a_host():
    assert names_of("127.0.0.1") == ("localhost", "127.0.0.1", "[::1]")
    assert "192.0.2.7" in names_of("192.0.2.7")
    assert socket.gethostname() in names_of("0.0.0.0")


def test_all_addresses_of_this_machine_are_its_names(monkeypatch):
    found = [
        (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("10.0.0.5", 0)),
        (socket.AF_INET6, socket.SOCK_STREAM, 6, "", ("fd00::5", 0, 0, 0)),
    ]
    monkeypatch.setattr(socket, "gethostname", lambda: "shop")
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_: found)
    assert {"shop", "shop.local", "10.0.0.5", "fd00::5"} <= set(names_of("0.0.0.0"))


@pytest.mark.slow
def test_using_the_page_writes_nothing(client, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    before = _files(tmp_path)
    for place in (
        "/settings",
        "/stack",
        "/coupons",
        "/lessons/line",
        "/practice",
        "/settings/curve.pdf",
        "/practice/key.pdf",
        "/settings/numbers.json",
    ):
        assert client.get(place).status_code == 200
    assert _files(tmp_path) == before
