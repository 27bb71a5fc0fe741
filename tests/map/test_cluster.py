"""A real cluster on this machine: a scheduler and two workers as processes; the same numbers, also when a worker is lost on the way."""

import socket
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from curecalc.errors import FileError
from curecalc.map import spread
from curecalc.map.answer import part_field
from curecalc.units import Quantity as Q

from .scenes import RESIN, joined, raster, rectangle

distributed = pytest.importorskip("distributed")


def _part():
    return joined(
        *(raster(0.1, 25, 2.4, layer=k) for k in (1, 2, 3)), *(rectangle(0.0, 0.0, 2.4, 2.4, kind="outline", layer=k) for k in (1, 2, 3))
    )


def _free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@pytest.fixture
def cluster():
    """Address of a scheduler, and the processes of its two workers."""
    port = _free_port()
    address = f"tcp://127.0.0.1:{port}"
    start = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    every = [subprocess.Popen(start, **quiet)]
    work = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
    every += [subprocess.Popen(work, **quiet) for _ in range(2)]
    try:
        with distributed.Client(address, timeout=60, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
        yield address, every[1:]
    finally:
        for one in every:
            one.kill()
            one.wait()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_counts_the_same_also_when_a_worker_is_lost(cluster):
    address, workers = cluster
    whole = part_field(_part(), resin=RESIN, layer_thickness=Q(0.1, "mm"), workers=1)
    job = replace(whole.job, tile=24)
    here = spread.surveyed(job, workers=1)
    assert spread.surveyed(job, scheduler=address).to_json() == here.to_json()
    lost = []

    def progress(done, count):
        if not lost and done > count // 4:
            workers[0].kill()
            lost.append(done)
            time.sleep(0.5)

    assert spread.surveyed(job, scheduler=address, progress=progress).to_json() == here.to_json()
    assert lost
    assert workers[0].poll() is not None


@pytest.mark.filterwarnings("ignore")
def test_a_scheduler_that_does_not_answer_is_said():
    job = part_field(_part(), resin=RESIN, layer_thickness=Q(0.1, "mm"), workers=1).job
    with pytest.raises(FileError, match="no dask scheduler answers"):
        spread.surveyed(job, scheduler="nonsense://x:1")
