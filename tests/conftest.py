"""What all tests share: no deadline for single examples, and kinds of test that a machine may demand."""

import gc
import os

import pytest
from hypothesis import settings

# a loaded machine is no fault of the code; time is watched in tests/benchmarks
settings.register_profile("steady", deadline=None)
settings.register_profile("quick", deadline=None, max_examples=30)


def pytest_configure(config):
    """Quick tests try fewer examples; all of them are tried wherever the slow tests run."""
    settings.load_profile("quick" if "not slow" in config.getoption("markexpr") else "steady")


collect_ignore = ["plant_faults.py", "map/card.py"]  # run by hand

DEMANDED = set(filter(None, os.environ.get("CURECALC_DEMANDED_TESTS", "").split(",")))
"""Markers whose tests may not be skipped, like "browser,server": the machine is known to have what they need."""


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    """A demanded test that is skipped has failed."""
    outcome = yield
    report = outcome.get_result()
    if report.skipped and not hasattr(report, "wasxfail") and DEMANDED & {mark.name for mark in item.iter_markers()}:
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, but CURECALC_DEMANDED_TESTS demands it: {report.longrepr}"


def pytest_collection_finish(session):
    """A demanded kind of which nothing was collected has failed too, unless a part of the tests was asked for."""
    gc.freeze()  # thousands of collected tests stay to the end: no collection need walk them again
    if not DEMANDED or session.config.getoption("collectonly") or session.config.args != session.config.getini("testpaths"):
        return
    missing = DEMANDED - {mark.name for item in session.items for mark in item.iter_markers()}
    if missing and not session.config.getoption("markexpr"):
        raise pytest.UsageError(f"no test of {', '.join(sorted(missing))} was collected, but CURECALC_DEMANDED_TESTS demands them")
