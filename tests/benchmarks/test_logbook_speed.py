"""A logbook of 100,000 entries, on a server a million: looks cost less than a second more than on a small one, adding costs the same."""

import itertools
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from curecalc.figures.drift import drift_figure
from curecalc.figures.style import save
from curecalc.logbook.book import Logbook
from curecalc.logbook.drifting import drift_report
from curecalc.logbook.entries import moment
from curecalc.logbook.rows import Row
from curecalc.logbook.status import shop_status
from curecalc.units import Quantity

sys.path.insert(0, str(Path(__file__).parents[1] / "logbook"))
from throwaway import Server, programs

NOW = datetime.now(UTC)


def furnished(path, readings: int, machines: tuple[str, ...] = ("north", "south")) -> Logbook:
    """A logbook with these machines and so many power readings, written row by row for speed."""
    book = Logbook(path, create=True)
    start = NOW - timedelta(days=400)
    settings = {"scan_speed": Quantity(2.0, "m/s"), "hatch_spacing": Quantity(0.1, "mm"), "layer_thickness": Quantity(0.1, "mm")}
    for machine in machines:
        with book.together():
            book.add("machine", {}, machine=machine, time=start)
            book.add("lot", {}, lot="L1", machine=machine, time=start)
            book.add("beam", {"beam_radius": Quantity(0.11, "mm")}, machine=machine, time=start)
            book.add("recipe", settings, machine=machine, time=start)
    curve = {"penetration_depth": Quantity(0.142, "mm"), "critical_exposure": Quantity(9.4, "mJ/cm^2")}
    previous = book.add("calibration", curve, lot="L1", time=start).sha256
    values = 240.0 * (1.0 + 0.008 * np.random.default_rng(1).standard_normal(readings))
    first, rows = len(book) + 1, []
    for number, value in enumerate(values.tolist(), first):
        when = moment(start + timedelta(days=399.0 * (number - first + 1) / readings))
        payload = f'{{"power":{{"value":{value!r},"unit":"mW","standard_uncertainty":4.8}}}}'
        machine = machines[number % len(machines)]
        row = Row(number, "power", when, when, "", "0.1.0", machine, None, None, None, f"id {number}", payload, previous, "")
        previous = row.chained([])
        rows.append(row._replace(sha256=previous))
    if book.connection.server:
        _copied(path, rows)
    else:
        with book.together():
            book.connection.executemany("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
    return book


def _copied(address: str, rows: list[tuple]) -> None:
    import psycopg

    with psycopg.connect(address, autocommit=True) as owner:
        owner.execute("ALTER TABLE entry DISABLE TRIGGER entry_in_order")
        with owner.cursor() as cursor, cursor.copy("COPY entry FROM STDIN") as stream:
            for row in rows:
                stream.write_row(row)
        owner.execute("ALTER TABLE entry ENABLE TRIGGER entry_in_order")
        owner.execute("ANALYZE entry")


def quickest(call) -> float:
    best = float("inf")
    for _ in range(3):
        begun = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - begun)
    return best


@pytest.fixture(scope="module")
def books(tmp_path_factory):
    folder = tmp_path_factory.mktemp("books")
    with furnished(folder / "small.db", 50) as small, furnished(folder / "big.db", 100_000) as big:
        yield small, big


ACTIONS = {
    "list": lambda book, _: book.entries(last=40),
    "status": lambda book, _: shop_status(book),
    "chart": lambda book, path: save(drift_figure(drift_report(book, "power", machine="north")), path),
    "depth chart": lambda book, path: save(drift_figure(drift_report(book, "depth", machine="north")), path),
}


@pytest.mark.parametrize("action", ACTIONS)
def test_a_long_logbook_costs_less_than_a_second_more(books, tmp_path, action: str) -> None:
    call = ACTIONS[action]
    small, big = (quickest(lambda book=book: call(book, tmp_path / "chart.png")) for book in books)
    print(f"{action}: {small:.3f} s small, {big:.3f} s with 100,000 entries")
    assert len(books[1]) > 100_000
    assert big - small < 1.0


# ---------------------------------------------------------------- a hundred machines

FLEET = tuple(f"m{i:03d}" for i in range(100))


@pytest.fixture(scope="module", params=["file", "server"])
def fleet(request, tmp_path_factory):
    """A small and a big logbook of a hundred machines."""
    if request.param == "file":
        folder = tmp_path_factory.mktemp("fleet")
        with furnished(folder / "small.db", 300, FLEET) as small, furnished(folder / "big.db", 100_000, FLEET) as big:
            yield small, big
        return
    if programs() is None:
        pytest.skip("no PostgreSQL server is installed here")
    import psycopg

    server = Server()
    try:
        with psycopg.connect(server.address(), autocommit=True) as owner:
            for name in ("small", "big"):
                owner.execute(f"CREATE DATABASE {name}")
        addresses = server.address("small"), server.address("big")
        with furnished(addresses[0], 300, FLEET) as small, furnished(addresses[1], 1_000_000, FLEET) as big:
            yield small, big
    finally:
        server.stop()


def test_a_hundred_machines_cost_less_than_a_second_more_in_a_long_logbook(fleet) -> None:
    small, big = (quickest(lambda book=book: shop_status(book)) for book in fleet)
    print(f"status of 100 machines: {small:.3f} s with {len(fleet[0])} entries, {big:.3f} s with {len(fleet[1])}")
    assert len(shop_status(fleet[1]).machines) == 100
    assert big - small < 1.0


def test_adding_does_not_slow_with_size(fleet) -> None:
    """The median of many, one on each in turn, so that what else the computer does falls on both."""
    took: dict[int, list[float]] = {0: [], 1: []}
    for turn, place in itertools.product(range(40), (0, 1)):
        begun = time.perf_counter()
        fleet[place].add("power", {"power": Quantity(240.0, "mW")}, machine="m001", identity=f"turn {turn}")
        took[place].append(time.perf_counter() - begun)
    small, big = (float(np.median(took[place])) for place in (0, 1))
    print(f"adding: {1e3 * small:.2f} ms with {len(fleet[0])} entries, {1e3 * big:.2f} ms with {len(fleet[1])}")
    assert big < 2.0 * small
