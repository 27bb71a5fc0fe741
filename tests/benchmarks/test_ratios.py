"""Speed, as ratios within one run, so that the machine does not matter. Run: pytest tests/benchmarks -q -s"""

import math
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from curecalc.formulas.raster import raster_exposure
from curecalc.formulas.scan import scan_speed
from curecalc.physics import raster
from curecalc.units import Quantity

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module", autouse=True)
def memory_that_was_had_before():
    """Freeing a large array keeps smaller ones in the process: its first touch of memory costs more than arithmetic, by machine."""
    np.ones(4_000_000)


def best(functions, repeats):
    """Least time of each, taken in turns so that a busy moment hits all of them."""
    times = [math.inf] * len(functions)
    for _ in range(repeats):
        for i, function in enumerate(functions):
            start = time.perf_counter()
            function()
            times[i] = min(times[i], time.perf_counter() - start)
    return times


def shown(what, ratio, most):
    print(f"\n{what}: {ratio:.3f} (at most {most})")
    return ratio


def scan_speed_over_bare():
    """Time of scan_speed on a million quantities over that of the bare expression."""
    rng = np.random.default_rng(1)
    n = 1_000_000
    p, w0, dp, ec, cd = (rng.uniform(a, b, n) for a, b in ((1, 500), (0.05, 0.3), (0.05, 0.2), (0.02, 0.5), (0.05, 0.3)))
    given = {
        "power": Quantity(p, "mW"),
        "beam_radius": Quantity(w0, "mm"),
        "penetration_depth": Quantity(dp, "mm"),
        "critical_exposure": Quantity(ec, "mJ/mm^2"),
        "cure_depth": Quantity(cd, "mm"),
    }
    bare = lambda: math.sqrt(2.0 / math.pi) * p / (w0 * ec) * np.exp(-cd / dp)  # noqa: E731
    assert np.allclose(bare(), scan_speed(**given).m_as("mm/s"), rtol=1e-15)
    one, other = best([bare, lambda: scan_speed(**given)], 25)
    return other / one


def test_scan_speed_with_units_costs_at_most_1_3_times_the_bare_expression():
    """In an interpreter of its own, whose memory is new to it: what ran before does not matter."""
    code = f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); import test_ratios; print(test_ratios.scan_speed_over_bare())"
    run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT)
    assert shown("scan_speed on 1e6 quantities over the bare numpy expression", float(run.stdout), 1.3) <= 1.3


def test_scan_speed_costs_at_most_1_5_times_the_bare_expression_where_memory_costs_nothing():
    """Least and greatest of each argument are looked at: ten looks beside seven operations, one an exponential."""
    assert shown("the same with memory that was had before", scan_speed_over_bare(), 1.5) <= 1.5


def test_the_raster_kernel_is_linear_in_points():
    rng = np.random.default_rng(2)
    s = rng.uniform(0.3, 3.0, 1_000_000)
    few, many = best([lambda: raster.valley(s[:100_000]), lambda: raster.valley(s)], 9)
    assert shown("raster valley, ten times the points over ten", many / few / 10, 1.8) <= 1.8


def test_the_raster_kernel_does_not_care_about_the_spacing():
    """Time of 1e6 points at one h/W0: greatest over least, whatever the spacing, at most 3."""
    spacings = [0.05, 0.2, 0.5, 1.0, 1.2, 1.3, 1.6, 2.0, 4.0, 8.0, 20.0]
    u = np.linspace(0.0, 1.0, 1_000_000)
    times = best([lambda s=s: raster.profile(u, np.full(u.size, s)) for s in spacings], 5)
    for s, t in zip(spacings, times, strict=True):
        print(f"\n  h/W0 = {s}: {1e3 * t:.1f} ms", end="")
    assert shown("raster profile on 1e6 points, slowest spacing over fastest", max(times) / min(times), 3.0) <= 3.0


def test_a_raster_with_units_costs_little_more_than_its_kernels():
    rng = np.random.default_rng(3)
    n = 1_000_000
    p, w0, v, h = (rng.uniform(a, b, n) for a, b in ((1, 500), (0.05, 0.3), (100, 5000), (0.02, 0.3)))
    given = {
        "power": Quantity(p, "mW"),
        "beam_radius": Quantity(w0, "mm"),
        "scan_speed": Quantity(v, "mm/s"),
        "hatch_spacing": Quantity(h, "mm"),
    }

    def bare():
        mean = raster.mean_exposure(p, v, h)
        s = h / w0
        return mean * 100.0, mean * raster.ridge(s) * 100.0, mean * raster.valley(s) * 100.0

    one, other = best([bare, lambda: raster_exposure(**given)], 7)
    assert shown("raster_exposure on 1e6 quantities over its kernels", other / one, 1.3) <= 1.3


def started(code_or_module):
    start = time.perf_counter()
    subprocess.run([sys.executable, *code_or_module], check=True, capture_output=True, cwd=ROOT)
    return time.perf_counter() - start


@pytest.mark.parametrize(
    "pattern", [[], ["--hatch-spacing", "0.1 mm"], ["--json"], ["--explain"]], ids=["line", "raster", "json", "explain"]
)
def test_a_speed_command_costs_at_most_1_25_times_importing_numpy_and_pint(pattern):
    """An interpreter that makes one quantity, since pint builds its registry at the first one."""
    bare = ["-c", "import numpy, pint; pint.Quantity(1.0, 'mm')"]
    speed = [
        "-m",
        "curecalc",
        "speed",
        "--power",
        "300 mW",
        "--beam-radius",
        "125um",
        "--penetration-depth",
        "0.15 mm",
        "--critical-exposure",
        "8 mJ/cm^2",
        "--layer-thickness",
        "0.1 mm",
        "--overcure",
        "0.05 mm",
        *pattern,
    ]
    times = zip(*((started(speed), started(bare)) for _ in range(15)), strict=True)
    one, other = (statistics.median(t) for t in times)
    assert shown("whole speed command over an interpreter with numpy and pint", one / other, 1.25) <= 1.25


def test_import_curecalc_costs_next_to_nothing():
    with_it = [started(["-c", "import curecalc"]) for _ in range(7)]
    without = [started(["-c", "pass"]) for _ in range(7)]
    assert shown("import curecalc over an empty interpreter", min(with_it) / min(without), 1.5) <= 1.5
