"""Memory and tiles: a worker's memory stays the same whatever the size; tiles cut corners that keep their speed as the whole does."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from curecalc.map.answer import exposure_field
from curecalc.map.field import layer_dose
from curecalc.units import Quantity as Q

from .scenes import RESIN, polyline

MOST = 500  # MB of a worker
MAP = """
import sys
from pathlib import Path
from curecalc.map.answer import part_field
from curecalc.formulas.resin import Resin
from curecalc.paths import stored
from curecalc.units import Quantity as Q

stored._LEAST = 100_000
resin = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
paths = stored.open_paths(sys.argv[1]).filled({}, default={"power": 30.0, "scan_speed": 1e4, "beam_radius": 0.125})
answer = part_field(paths, resin=resin, layer_thickness=Q(0.1, "mm"), workers=1)
peak = Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]
print(type(paths).__name__, len(answer.job.tiles()), float(peak) / 1024.0)
"""


def test_tiles_see_corners_at_speed_as_the_whole_does():
    """Speed at a joint depends on vectors far behind it, beyond what lights the tile."""
    rng = np.random.default_rng(21)
    turns = np.cumsum(np.column_stack([rng.uniform(0.2, 1.5, 12), rng.uniform(-0.5, 0.5, 12)]), axis=0)
    way = {"acceleration": Q(1e5, "mm/s^2"), "run_up_beam": "on", "corner_speed": Q(800.0, "mm/s")}
    answer = exposure_field(polyline(turns), resin=RESIN, layer_thickness=Q(0.1, "mm"), scanning=way, workers=1, corrected=False)
    job = answer.job
    whole = layer_dose(job.paths.of_layer(1), job.optics, job.grid)
    for tile in job.grid.tiles(40):
        near = job.near(1, tile)
        i, j = (round((tile.y0 - job.grid.y0) / tile.pixel), round((tile.x0 - job.grid.x0) / tile.pixel))
        part = layer_dose(near, job.optics, tile)
        assert np.abs(part - whole[i : i + tile.rows, j : j + tile.columns]).max() <= 1e-6 * whole.max()
    assert min(len(job.near(1, tile)) for tile in job.grid.tiles(40)) < 12


def stored_file(path, count, wide, layers=1):
    """An .npz of short vectors in rows as a raster has them, in the smallest types."""
    rng = np.random.default_rng(22)
    x, y = rng.uniform(0.0, wide, (2, count)).astype(np.float32)
    order = np.lexsort((x, np.floor(y)))
    x, y = np.tile(x[order], layers), np.tile(y[order], layers)
    layer = np.repeat(np.arange(1, layers + 1, dtype=np.uint16), count)
    np.savez(path, layer=layer, x0=x, y0=y, x1=x + np.float32(0.2), y1=y + np.float32(0.1))


def peak_memory(path):
    """Tiles, and MB at the most of a process that maps the file."""
    said = subprocess.run([sys.executable, "-c", MAP, str(path)], capture_output=True, text=True, check=True).stdout.split()
    assert said[0] == "StoredPaths"
    return int(said[1]), float(said[2])


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read as Linux tells it")  # rusage keeps the parent's
def test_memory_does_not_grow_with_the_paths(tmp_path):
    """Ten times the vectors, in ten times the layers or over more tiles: one process, its peak as the system counts it."""
    peaks = {}
    for name, size in (("less", (50_000, 18.0, 4)), ("longer", (50_000, 18.0, 40)), ("wider", (500_000, 36.0, 4))):
        file = tmp_path / f"{name}.npz"
        stored_file(file, *size)
        tiles, peaks[name] = peak_memory(file)
        print(name, tiles, "tiles", peaks[name], "MB")
    assert max(peaks.values()) < MOST
    assert max(peaks.values()) < 1.25 * peaks["less"]
