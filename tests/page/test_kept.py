"""The page's results in the logbook, as the commands write them; striking out; retuning; files to keep; the server's words."""

import io
import re
import subprocess
import threading
from pathlib import Path
from urllib.parse import urlencode

import pytest

from curecalc.errors import CurecalcError
from curecalc.logbook.book import Logbook
from curecalc.logbook.verifying import verify
from curecalc.page import PageOptions, create_app, handbook_view
from curecalc.page import server as serving
from curecalc.units import Quantity

HOME = {"Origin": "http://localhost"}
FREE = {"burst": 1e9, "per_second": 1e9}
DEMO = Path(__file__).resolve().parents[2] / "demo"


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "shop.db"
    with Logbook(path, create=True) as book:
        book.add("machine", {}, machine="bay 2")
        book.add("lot", {}, lot="7", machine="bay 2")
        book.add("power", {"power": Quantity(240.0, "mW")}, machine="bay 2")
    return str(path)


@pytest.fixture
def client(log):
    client = create_app(PageOptions(log=log, write=True, **FREE)).test_client()
    assert client.post("/work/invented", headers=HOME).status_code == 303
    return client


def entries(log):
    with Logbook(log, write=False) as book:
        return list(book.entries()), verify(book, again=True)


@pytest.mark.slow
def test_every_step_is_kept_and_computes_again(client, log):
    assert client.post("/beam/machine", headers=HOME).status_code == 303
    assert client.post("/coupons/use", headers=HOME, data={"lot": "7"}).status_code == 303
    token = re.search(r'name="token" value="([^"]+)"', client.get("/log").text)[1]
    for step in ("beam", "coupons", "recipe"):
        form = {"token": token, "operator": "ab", "machine": "bay 2", "lot": "7"}
        done = client.post(f"/{step}/keep", headers=HOME, data=form)
        assert done.status_code == 303
        assert done.headers["Location"] == "/log"
    found, checked = entries(log)
    assert [e.kind for e in found[3:]] == ["beam", "calibration", "recipe"]
    assert {e.operator for e in found[3:]} == {"ab"}
    assert found[4].lot == "7"
    assert found[5].machine == "bay 2"
    assert [(one.role, one.name) for one in found[3].attached] == [("beam", "beam.toml"), ("scan", "beam_knife_edge.csv")]
    of_recipe = {("recipe", "recipe.json"), ("machine", "machine.toml"), ("resin", "resin.toml"), ("needs", "needs.toml")}
    assert {(one.role, one.name) for one in found[5].attached} == of_recipe
    assert checked.passed
    assert client.post("/nothing/keep", headers=HOME, data={"token": token}).status_code == 404


def test_a_page_that_may_not_write_keeps_nothing():
    client = create_app(PageOptions(**FREE)).test_client()
    client.post("/work/invented", headers=HOME)
    assert client.post("/recipe/keep", headers=HOME).status_code == 403


def test_an_entry_is_struck_out_with_a_reason(client, log):
    token = re.search(r'name="token" value="([^"]+)"', client.get("/log").text)[1]

    def send(**form):
        return client.post("/log/add", headers=HOME, data={"token": token, "operator": "ab"} | form)

    for form, said in (
        ({"strike": "yes"}, "Choose the entry to strike out in the list."),
        ({"strike": "yes", "corrects": "3"}, "Reason is missing: say why the entry is struck out."),
        ({"strike": "yes", "corrects": "three", "reason": "x"}, "entry must be a whole number"),
        ({"kind": "power", "machine": "bay 2", "power": "240000 W"}, "curecalc log add power ... --sure"),
        ({"kind": "power", "machine": "bay 2"}, "Power is missing: a power entry must hold it, for example "),
    ):
        answer = send(**form)
        assert answer.status_code == 400
        assert said in re.sub(r"<[^>]+>", "", answer.text)
    assert send(strike="yes", corrects="3", reason="the meter was dirty").status_code == 303
    with Logbook(log, write=False) as book:
        struck = book.entry(4)
        assert (struck.kind, struck.machine, struck.corrects, struck.payload["reason"]) == ("correction", "bay 2", 3, "the meter was dirty")
    assert send(kind="machine", machine="bay 3", cross_hatch="yes", passes="2").status_code == 303


@pytest.mark.slow
def test_a_recipe_is_retuned_by_power_and_by_the_spot(client):
    """Speed goes with the power (P/v is kept); a radius wants both its old and its new value."""
    client.post("/beam/machine", headers=HOME)
    client.post("/coupons/use", headers=HOME, data={"lot": "7"})

    def told(**query):
        return re.sub(r"<[^>]+>", " ", client.get(f"/recipe?{urlencode(query)}").text)

    assert "New power must be finite and above zero, got -1 mW." in told(power="-1 mW")
    assert "Radius it was taken for" in told(beam_radius="0.1 mm")
    assert "Radius now measured" in told(instead_of="0.1 mm")
    for query in ({"power": "220 mW +- 1 %"}, {"beam_radius": "0.115 mm", "instead_of": "0.11 mm"}):
        text = told(**query)
        assert "After the new reading" in text
        assert "No new calibration is due for this change." in text or "Expose coupons before trusting the new speeds:" in text
    for panel in ("window", "along"):
        assert client.get(f"/recipe/{panel}.svg").text.startswith("<?xml")


def test_files_to_take_along(client):
    plan = client.get("/coupons/plan.csv")
    assert plan.headers["Content-Disposition"] == 'attachment; filename="plan.csv"'
    assert "\ncoupon,run order,scan speed [mm/s],thickness [um],note\n" in plan.text
    assert "<html" in client.get("/coupons/plan.html").text
    assert client.get("/coupons/plan.exe").status_code == 404
    assert client.get("/files/passwords").status_code == 404
    assert client.get("/recipe/lights/form").status_code == 404
    assert client.post("/recipe/lights/read", headers=HOME).status_code == 404
    assert "invented data" in client.get("/coupons/table.csv").text
    sent = client.post("/recipe/machine/read", headers=HOME, data={"file": (io.BytesIO(b"\xff\xfe\x00"), "machine.toml")})
    assert "is not UTF-8 text. A machine file is plain text (TOML)." in re.sub(r"<[^>]+>", "", sent.text)
    for size, refused in ((200_000, False), (200_001, True)):
        large = client.post("/recipe/machine/read", headers=HOME, data={"file": (io.BytesIO(b"#" * size), "machine.toml")})
        assert ("is too large for a machine file" in re.sub(r"<[^>]+>", "", large.text)) is refused


def test_the_handbook_is_made_once_and_what_fails_is_said(client, monkeypatch):
    calls = []

    def made(words, **_):
        calls.append(words)
        Path(words[-1]).write_text("<html>all of it</html>")
        return subprocess.CompletedProcess(words, 0)

    handbook_view._made.cache_clear()
    monkeypatch.setattr(subprocess, "run", made)
    for _ in range(2):
        answer = client.get("/handbook.html")
        assert answer.text == "<html>all of it</html>"
        assert answer.headers["Content-Disposition"] == 'attachment; filename="curecalc-handbook.html"'
    assert [words[1:4] for words in calls] == [["-m", "curecalc", "manual"]]
    handbook_view._made.cache_clear()
    monkeypatch.setattr(subprocess, "run", lambda words, **_: subprocess.CompletedProcess(words, 2, stderr="no room\n"))
    with pytest.raises(CurecalcError, match=r"the handbook could not be made: no room\. Try: curecalc manual handbook\.html"):
        handbook_view._made()


def test_addresses_and_ports_that_cannot_be_had():
    with pytest.raises(CurecalcError, match=r"--host: 'no such host' is no address of this machine .*Name one, like --host 0\.0\.0\.0"):
        serving.start(PageOptions(**FREE), host="no such host", port=0)
    with pytest.raises(CurecalcError, match=r"port 0 on 192\.0\.2\.1 cannot be opened .*Name another --port or --host\."):
        serving.start(PageOptions(**FREE), host="192.0.2.1", port=0)  # of documentation, RFC 5737: nobody has it
    for port in (-1, 65536):
        with pytest.raises(CurecalcError, match="port"):
            serving.start(PageOptions(**FREE), port=port)


def test_serving_says_where_and_stops_when_asked(monkeypatch, capsys):
    opened, stopped = [], []

    class Running:
        url = "http://localhost:1/"
        app = create_app(PageOptions(**FREE))

        def run(self):
            raise KeyboardInterrupt

        def stop(self):
            stopped.append(True)

    class Soon:
        def __init__(self, _, call, args=()):
            self.start = lambda: opened.append(args) if args else None

    monkeypatch.setattr(serving, "start", lambda options, **where: Running())
    monkeypatch.setattr(threading, "Timer", Soon)
    serving.serve(PageOptions(**FREE), open_browser=True)
    assert opened == [("http://localhost:1/",)]
    assert stopped == [True]
    said = capsys.readouterr().err.splitlines()
    assert said == ["The page is at http://localhost:1/   (stop it with Ctrl-C)", "The page is stopped."]
