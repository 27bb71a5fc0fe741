"""A logbook of 100,000 entries: list, status and a chart cost less than a second more than on a small one."""

import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from curecalc.figures.drift import drift_figure
from curecalc.figures.style import save
from curecalc.logbook.book import Logbook
from curecalc.logbook.drifting import drift_report
from curecalc.logbook.entries import chain_hash, moment
from curecalc.logbook.status import shop_status
from curecalc.units import Quantity

NOW = datetime.now(UTC)


def furnished(path, readings: int) -> Logbook:
    """A logbook with two machines and so many power readings, written row by row for speed."""
    book = Logbook(path, create=True)
    start = NOW - timedelta(days=400)
    settings = {"scan_speed": Quantity(2.0, "m/s"), "hatch_spacing": Quantity(0.1, "mm"), "layer_thickness": Quantity(0.1, "mm")}
    for machine in ("north", "south"):
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
        entry = {
            "number": number,
            "kind": "power",
            "time": when,
            "recorded": when,
            "operator": "",
            "version": "0.1.0",
            "machine": ("north", "south")[number % 2],
            "lot": None,
            "beam": None,
            "corrects": None,
            "origin": "",
            "payload_text": f'{{"power":{{"value":{value!r},"unit":"mW","standard_uncertainty":4.8}}}}',
            "previous": previous,
        }
        previous = chain_hash(**entry, attached=[])
        rows.append((*entry.values(), previous))
    with book.together():
        book.connection.executemany("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
    return book


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
