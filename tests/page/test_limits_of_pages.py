"""What the page lets in, and where the buttons of the map lead, by hand."""

import io
import socket
import zipfile
from types import SimpleNamespace
from urllib.parse import parse_qs

import numpy as np
import pytest

from curecalc.errors import CurecalcError, FileError, QuantityError
from curecalc.page import coupons_view, log_view, server
from curecalc.page.app import PageOptions, create_app
from curecalc.page.coupons_view import CouponsView, table_text
from curecalc.page.guard import AccessCodes, RateLimit
from curecalc.page.map_view import MapView
from curecalc.page.work import Work


def test_so_many_requests_at_once_and_then_so_many_a_second():
    now = [0.0]
    limit = RateLimit(3, 0.5, clock=lambda: now[0])
    assert [limit.allows("a") for _ in range(4)] == [True, True, True, False]
    assert limit.allows("b")
    for later, good in ((1.9, False), (0.1, True), (1.9, False)):
        now[0] += later
        assert limit.allows("a") is good
    now[0] += 100.0  # no more than the burst gathers
    assert [limit.allows("a") for _ in range(4)] == [True, True, True, False]
    for others, forgotten in ((1999, False), (2000, True)):
        limit = RateLimit(1, 0.0)
        limit.allows("a")
        for k in range(others):
            limit.allows(str(k))
        assert limit.allows("a") is forgotten, "the oldest of more than two thousand"


def test_codes_are_two_times_four_plain_letters_and_six_are_tried_at_once():
    told = {}
    codes = AccessCodes(lambda person, code: told.update({person: code}), ("Ann", "Bo"))
    assert list(told) == ["Ann", "Bo"]
    for code in told.values():
        assert [len(part) for part in code.split("-")] == [4, 4]
        assert not set(code) & set("01IOaeiou")
    entered = codes.opens(f" {told['Bo'].lower().replace('-', ' ')}", "desk")
    assert (entered.right, entered.person) == (True, "Bo")
    assert [codes.opens("AAAA-AAAA", "desk").waits for _ in range(6)] == [False] * 5 + [True]


@pytest.mark.parametrize(
    ("window", "widest", "moves"),
    [
        (
            (0.0, 0.0, 4.0, 2.0),
            100.0,
            {"left": (1, 1, 4), "right": (3, 1, 4), "up": (2, 2, 4), "down": (2, 0, 4), "closer": (2, 1, 2.667), "farther": (2, 1, 6)},
        ),
        ((0.0, 0.0, 0.12, 0.1), 100.0, {"closer": (0.06, 0.05, 0.1), "farther": (0.06, 0.05, 0.18)}),  # no nearer than 0.1 mm
        ((0.0, 0.0, 4.0, 2.0), 5.0, {"farther": (2, 1, 4.995)}),  # and no farther than the layer is wide
    ],
)
def test_buttons_of_the_map_lead_a_quarter_aside_and_half_as_wide_again(window, widest, moves):
    made = {
        name: parse_qs(to)
        for _, name, to in MapView._moves({"layer": "2", "x": "9", "power": ""}, SimpleNamespace(window=window, widest=widest))
    }
    assert made["whole"] == {"layer": ["2"]}
    for name, at in moves.items():
        assert [float(made[name][key][0].removesuffix(" mm")) for key in ("x", "y", "across")] == pytest.approx(at)


def test_a_table_longer_than_the_page_takes_is_refused():
    view = CouponsView.__new__(CouponsView)
    for size, words in ((40_000, None), (40_001, "too long for the page")):
        view.texts = lambda query, work, size=size: {"table": "x" * size, "depth": "no depth"}
        with pytest.raises((FileError, QuantityError)) as refused:
            view.fit({}, None)
        assert ("too long for the page" in str(refused.value)) is bool(words)


@pytest.mark.parametrize(
    ("part", "said"),
    [
        (b"<c>" * 40_001, "coupons: holds more than 40000 cells"),
        (b"<c>" * 40_000, "coupons: the spreadsheet cannot be read"),  # not refused for its cells
        (bytes(20_000_001), "coupons: unpacks to 20 MB, too large"),
        (bytes(20_000_000), "coupons: the spreadsheet cannot be read"),
    ],
)
def test_a_spreadsheet_larger_than_the_page_takes_is_refused(part, said):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("sheet.xml", part)
    with pytest.raises(FileError, match=said):
        table_text(data.getvalue(), "coupons.XLSX")


def test_numbers_of_entries_and_ports():
    assert log_view._number("12345678901") == 12345678901
    for text in ("123456789012", "", "-1", "1.0", "\u0663"):
        with pytest.raises(QuantityError, match="entry must be a whole number"):
            log_view._number(text)


def test_a_port_is_from_0_to_65535(monkeypatch):
    opened = []

    def stop(host, port):
        opened.append(port)
        raise CurecalcError("not in a test")

    monkeypatch.setattr(server, "_opened", stop)
    monkeypatch.setattr(server, "create_app", lambda options: None)
    for port in (0, 65535, 65536, -1):
        with pytest.raises(CurecalcError):
            server.start(PageOptions(), port=port)
    assert opened == [0, 65535]


def test_what_the_server_bears(monkeypatch):
    """A silent connection is closed after ten to twenty seconds; a file twice too large still reaches the page, which says so."""
    opened, asked = [], []

    def stop(app, **given):
        asked.append(given)
        raise CurecalcError("not in a test")

    monkeypatch.setattr("waitress.server.create_server", stop)
    monkeypatch.setattr(server, "_opened", lambda *where: opened.append(where) or SimpleNamespace(getsockname=lambda: where))
    monkeypatch.setattr(server, "create_app", lambda options: None)
    monkeypatch.setattr(server, "tls_context", lambda certificate, key: "context")
    monkeypatch.setattr(server, "TlsDoor", lambda outer, context, port: SimpleNamespace(told=lambda app: app))
    for certificate in (None, "c.pem"):
        with pytest.raises(CurecalcError):
            server.start(PageOptions(), certificate=certificate)
    # the port that the help of the command states; behind TLS a free one of this machine besides
    assert opened == [("127.0.0.1", 8765), ("127.0.0.1", 8765), ("127.0.0.1", 0)]
    given, _ = asked
    assert (given["channel_timeout"], given["channel_timeout"] + given["cleanup_interval"]) == (10, 20)
    assert (given["connection_limit"], given["max_request_body_size"]) == (2000, 1_000_000)


def test_a_port_can_be_opened_again_at_once():
    with server._opened("127.0.0.1", 0) as door:
        assert door.getsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR)


def test_a_page_allows_three_seconds_of_requests_at_once(monkeypatch):
    """A slider that moves asks with every frame of the screen, sixty times a second; a third more is for all else."""
    asked = []
    monkeypatch.setattr("curecalc.page.app.RateLimit", lambda *given: asked.append(given) or RateLimit(*given))
    create_app(PageOptions())
    assert asked == [(3 * 80.0, 60.0 + 20.0)]


@pytest.mark.parametrize(("readings", "words"), [(2000, "fitted"), (2001, "has 2001 readings, more than the 2000 the page takes")])
def test_so_many_readings_are_fitted_on_the_page(monkeypatch, readings, words):
    def stop(coupons, **_):
        raise QuantityError("fitted")

    monkeypatch.setattr(coupons_view, "coupons_from_bytes", lambda *_, **__: SimpleNamespace(readings=np.empty(readings), labels=[]))
    monkeypatch.setattr(coupons_view, "fit_coupons", stop)
    with pytest.raises(QuantityError, match=words):
        CouponsView(None).fit({"table": "a", "depth": ""}, Work())


@pytest.mark.parametrize(("size", "words"), [(39_994, "unknown column"), (39_995, "has 39995 characters, too many for the page")])
def test_a_text_that_fits_into_an_address(size, words):
    """With "table=" before it it has 40 000 characters at most."""
    with pytest.raises(FileError, match=words):
        table_text(b"x" * size, "a.csv")
