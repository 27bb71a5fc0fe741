"""Invented shop-years: truths stated here, readings drawn from them, written week by week, and what `status` says each week.

It knows nothing of how the logbook judges. Usage by hand: python tests/logbook/shop_year.py MACHINES [CORRELATION]
"""

from __future__ import annotations

import copy
import sys
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from curecalc.jobs.lot import read_resin
from curecalc.jobs.machine import read_machine
from curecalc.jobs.needs import read_needs
from curecalc.logbook.book import Logbook
from curecalc.logbook.recording import record_recipe
from curecalc.logbook.status import shop_status
from curecalc.recipe.file import recipe_record
from curecalc.recipe.recipe import make_recipe
from curecalc.units import Measured, Quantity

DEMO = Path(__file__).parents[2] / "demo"
START = datetime(2025, 1, 6, 8, tzinfo=UTC)
POWER, SCATTER = 240.0, 0.01


def neighbours(rng: np.random.Generator, count: int, machines: int, correlation: float) -> np.ndarray:
    """Normal scatter of unit size, each reading alike to the one before it."""
    e = rng.standard_normal((count, machines))
    x = e.copy()
    for i in range(1, count):
        x[i] = correlation * x[i - 1] + np.sqrt(1.0 - correlation**2) * e[i]
    return x


def shop(path: Path, machines: int) -> Logbook:
    """Machines with a lot, a spot and a recipe that rests on a reading of 240 mW; nothing of it exists."""
    recipe = make_recipe(
        machine=read_machine(DEMO / "machine.toml"),
        resin=read_resin(DEMO / "resin.toml"),
        needs=read_needs(DEMO / "needs.toml"),
        today=date(2025, 1, 6),
        gains=False,
    )
    lot = recipe.lot
    curve = {
        "penetration_depth": lot.resin.penetration_depth,
        "critical_exposure": lot.resin.critical_exposure,
        "correlation": float(lot.resin.correlation),
    }
    book = Logbook(path, create=True)
    every = {"calibration_every": Quantity(1000.0, "d"), "beam_reading_every": Quantity(1000.0, "d")}
    spot = Measured(Quantity(0.11, "mm"), Quantity(0.001, "mm"))
    with book.together():
        book.add("calibration", curve, lot="L7", time=START - timedelta(days=9))
        for i in range(machines):
            about = {"machine": f"m{i:04d}"}
            book.add("machine", every, time=START - timedelta(days=9), **about)
            book.add("lot", {}, lot="L7", time=START - timedelta(days=9), **about)
            book.add("beam", {"beam_radius": spot}, time=START - timedelta(days=9), **about)
    record = recipe_record(recipe)
    first = record_recipe(path, record, recipe=recipe, machine="m0000", lot="L7")
    payload = copy.deepcopy(first.payload)
    book.add("correction", {"reason": "written again with its time"}, corrects=first.number)
    with book.together():
        for i in range(machines):
            book.add("recipe", payload, machine=f"m{i:04d}", lot="L7", time=START - timedelta(hours=1))
    return book


def weeks(book: Logbook, truth: np.ndarray, seed: int, *, correlation: float = 0.3, step: float = 0.1) -> list[dict]:
    """Write a reading a week of every machine and look; all states each week. `truth` is power over 240 mW by week and machine."""
    rng = np.random.default_rng(seed)
    count, machines = truth.shape
    noise = SCATTER * neighbours(rng, count + 1, machines, correlation)
    # the recipe's reading was 240 mW: what is true differs from it by that reading's scatter
    true = POWER / (1.0 + noise[0]) * truth
    seen = []
    for week in range(count):
        when = START + timedelta(days=7 * week, minutes=1)
        with book.together():
            for i in range(machines):
                read = round(float(true[week, i] * (1.0 + noise[week + 1, i])) / step) * step
                value = Measured(Quantity(round(read, 6), "mW"), Quantity(round(SCATTER * read, 6), "mW"))
                book.add("power", {"power": value}, machine=f"m{i:04d}", time=when)
        state = shop_status(book, now=(when + timedelta(hours=1)).timestamp() / 86400.0)
        seen.append({one.machine: one for one in state.machines})
    return seen


def false_years(machines: int, correlation: float, seed: int = 7, step: float = 0.1) -> tuple[float, list[str]]:
    """Share of healthy machine-years with a DUE or STOP in any week, and the sentences."""
    with tempfile.TemporaryDirectory() as folder:
        book = shop(Path(folder) / "year.db", machines)
        seen = weeks(book, np.ones((52, machines)), seed, correlation=correlation, step=step)
        book.close()
    names = list(seen[0])
    bad = {name: next(one[name].due[0].text for one in seen if one[name].due) for name in names if any(one[name].due for one in seen)}
    return len(bad) / machines, list(bad.values())


if __name__ == "__main__":
    found, said = false_years(int(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 0.3)
    print(found, *said[:20], sep="\n")
