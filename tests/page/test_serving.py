"""Serving in the shop: TLS by its certificate or its own proxy, codes a person, lock-out a client, slow connections of others."""

import http.client
import shutil
import socket
import ssl
import statistics
import subprocess
import time

import pytest

from curecalc.errors import CurecalcError
from curecalc.page import PageOptions, create_app
from curecalc.page.guard import AccessCodes
from curecalc.page.server import start
from curecalc.page.tls import TlsDoor, tls_context

HOME = {"Origin": "http://localhost"}
FREE = {"burst": 1e9, "per_second": 1e9}


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """A certificate for localhost made for the test, and its key."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no tool to make a certificate")
    folder = tmp_path_factory.mktemp("pair")
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    words = "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext subjectAltName=DNS:localhost"
    subprocess.run([openssl, *words.split(), "-keyout", str(key), "-out", str(certificate)], check=True, capture_output=True)
    return str(certificate), str(key)


def _served(options, **where):
    running = start(options, port=0, **where)
    return running, running.run_in_background()


@pytest.mark.slow
def test_tls_by_the_shop_s_certificate(pair):
    certificate, key = pair
    told = []
    codes = AccessCodes(lambda person, code: told.append(code), ["anna"])
    running, thread = _served(PageOptions(codes=codes, **FREE), certificate=certificate, key=key)
    try:
        assert running.url.startswith("https://")
        trusting = ssl.create_default_context(cafile=certificate)
        link = http.client.HTTPSConnection("localhost", running.port, context=trusting, timeout=20)
        # a connection is kept open over several requests
        for _ in range(3):
            link.request("GET", "/enter", headers={"Host": f"localhost:{running.port}"})
            answer = link.getresponse()
            assert answer.status == 200
            answer.read()
        form = {"Host": "localhost", "Origin": "https://localhost", "Content-Type": "application/x-www-form-urlencoded"}
        link.request("POST", "/enter", body=f"code={told[0]}", headers=form)
        answer = link.getresponse()
        answer.read()
        assert answer.status == 303
        assert "Secure" in answer.headers["Set-Cookie"]
        link.close()
        with socket.create_connection(("127.0.0.1", running.port), timeout=10) as plain:
            plain.sendall(b"GET /settings HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert b"200 OK" not in plain.recv(1000)
    finally:
        running.stop()
        thread.join(10)
    assert not thread.is_alive()


def test_clients_that_never_agree_on_keys_do_not_stop_others(pair):
    certificate, key = pair
    running, thread = _served(PageOptions(**FREE), certificate=certificate, key=key)
    half = [socket.create_connection(("127.0.0.1", running.port), timeout=5) for _ in range(60)]
    try:
        link = http.client.HTTPSConnection("localhost", running.port, context=ssl.create_default_context(cafile=certificate), timeout=20)
        link.request("GET", "/lessons")
        assert link.getresponse().status == 200
        link.close()
    finally:
        for one in half:
            one.close()
        running.stop()
        thread.join(10)


@pytest.mark.parametrize("content", ["", "not a certificate"])
def test_a_certificate_that_cannot_be_used_is_said(tmp_path, content):
    path = tmp_path / "a.pem"
    if content:
        path.write_text(content)
    with pytest.raises(CurecalcError) as told:
        start(PageOptions(), port=0, certificate=str(path))
    head, tail = f"--certificate: {path}: certificate and key cannot be used (", "). Give both as PEM files."
    assert str(told.value).startswith(head)
    assert str(told.value).endswith(tail)


def test_a_key_behind_a_password_is_said(pair, tmp_path):
    certificate, key = pair
    locked = tmp_path / "locked.pem"
    words = ["pkey", "-in", key, "-aes256", "-passout", "pass:secret", "-out", str(locked)]
    subprocess.run([shutil.which("openssl"), *words], check=True, capture_output=True)
    with pytest.raises(CurecalcError) as told:
        tls_context(certificate, str(locked))
    assert str(told.value) == f"--certificate-key: {locked}: is locked by a password. Give one without, readable by this user alone."


@pytest.mark.slow
def test_behind_the_shop_s_own_proxy_its_word_is_taken_and_no_other_s():
    for proxy, trusted in (("127.0.0.1", True), ("192.0.2.9", False)):
        codes = AccessCodes(lambda person, code: None)
        running, thread = _served(PageOptions(codes=codes, hosts=("shop.example", "localhost"), **FREE), proxy=proxy)
        try:
            statuses = []
            for k in range(9):
                link = http.client.HTTPConnection("127.0.0.1", running.port, timeout=20)
                headers = {
                    "Host": "localhost",
                    "X-Forwarded-For": f"10.0.0.{k}",
                    "X-Forwarded-Proto": "https",
                    "X-Forwarded-Host": "shop.example",
                }
                headers |= {"Origin": "https://shop.example" if trusted else "http://localhost"}
                headers |= {"Content-Type": "application/x-www-form-urlencoded"}
                link.request("POST", "/enter", body="code=WRONG", headers=headers)
                answer = link.getresponse()
                answer.read()
                statuses.append(answer.status)
                link.close()
            # nine clients of the proxy guess once each; without the proxy's word they are one client that guesses nine times
            assert (statuses[-1] == 403) == trusted
        finally:
            running.stop()
            thread.join(10)


def test_codes_of_persons_last_and_name_them_in_the_logbook(tmp_path):
    told = {}
    codes = AccessCodes(told.__setitem__, ["anna", "bo"])
    assert set(told) == {"anna", "bo"}
    app = create_app(PageOptions(codes=codes, log=str(tmp_path / "shop.db"), write=True, **FREE))
    for _ in range(2):
        client = app.test_client()
        assert client.post("/enter", data={"code": told["bo"]}, headers=HOME).status_code == 303
        assert 'value="bo"' in client.get("/log").text


def test_one_client_s_wrong_codes_lock_out_that_client_alone():
    told = []
    app = create_app(PageOptions(codes=AccessCodes(lambda person, code: told.append(code)), **FREE))
    bad, good = app.test_client(), app.test_client()
    answers = [
        bad.post("/enter", data={"code": "x"}, headers=HOME, environ_base={"REMOTE_ADDR": "10.0.0.1"}).status_code for _ in range(20)
    ]
    assert answers[-1] == 429
    assert good.post("/enter", data={"code": told[-1]}, headers=HOME, environ_base={"REMOTE_ADDR": "10.0.0.2"}).status_code == 303


@pytest.mark.slow
def test_five_hundred_half_open_connections_leave_others_alone():
    running, thread = _served(PageOptions(**FREE))

    def asked():
        begun = time.monotonic()
        link = http.client.HTTPConnection("127.0.0.1", running.port, timeout=30)
        link.request("GET", "/lessons", headers={"Host": "localhost"})
        assert link.getresponse().status == 200
        link.close()
        return time.monotonic() - begun

    half = []
    try:
        alone = statistics.median(asked() for _ in range(5))
        for _ in range(500):
            one = socket.create_connection(("127.0.0.1", running.port), timeout=5)
            one.sendall(b"GET /settings HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
            half.append(one)
        beside = statistics.median(asked() for _ in range(5))
        print(f"\nmedian {1000 * alone:.0f} ms alone, {1000 * beside:.0f} ms beside 500 half-open connections")
        assert beside < 20 * alone + 0.2
    finally:
        for one in half:
            one.close()
        running.stop()
        thread.join(10)


def test_the_first_view_waits_for_no_numbers_and_no_figures():
    """What takes long to load is loaded when a view asks for it."""
    import subprocess
    import sys

    code = (
        "import sys\n"
        "from curecalc.cli import main\n"
        "from curecalc.page import server\n"
        "def serve(options, **where):\n"
        "    page = server.create_app(options).test_client().get('/')\n"
        "    assert page.status_code == 200, page.text\n"
        "    print([name for name in ('pint', 'numpy', 'scipy', 'matplotlib') if name in sys.modules])\n"
        "server.serve = serve\n"
        "sys.exit(main(['page', '--port', '8799']))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "[]\n", "")


def test_views_are_warmed_after_the_start():
    from curecalc.page import PageOptions, create_app

    app = create_app(PageOptions())
    app.extensions["views"].warm()
    assert app.extensions["views"]("settings") is app.extensions["views"]("settings")


def test_a_door_that_never_opened_gives_back_what_it_held(pair):
    with socket.socket() as outer:
        outer.bind(("127.0.0.1", 0))
        door = TlsDoor(outer, tls_context(*pair), 1)
        for _ in range(2):
            door.close()
            assert door._loop.is_closed()
