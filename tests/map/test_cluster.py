"""A real cluster on this machine: a scheduler and two workers as processes; the same numbers, also when a worker is lost on the way."""

import socket
import subprocess
import sys
import time
from dataclasses import replace
from types import SimpleNamespace
from typing import ClassVar

import pytest

from curecalc.errors import FileError
from curecalc.map import spread
from curecalc.map.answer import part_field
from curecalc.map.tally import Tally
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
    with pytest.raises(FileError, match="no dask scheduler answers at 'nonsense://x:1' within 10 s"):
        spread.surveyed(job, scheduler="nonsense://x:1")


class Pretended:
    """As much of a cluster's client as is asked here: tiles are counted as soon as their result is."""

    loop = None
    threads: ClassVar[dict[str, int]] = {}
    under_way = most = 0

    def __init__(self, address, **_):
        assert address == "tcp://a"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def nthreads(self):
        return self.threads

    def submit(self, count, job, tile, *, pure):
        assert not pure
        Pretended.under_way += 1
        Pretended.most = max(Pretended.most, Pretended.under_way)
        return Future(lambda: count(job, tile))


class Future:
    """A tile under way."""

    def __init__(self, result):
        self.count = result

    def result(self):
        Pretended.under_way -= 1
        return self.count()


class Running(list):
    """Futures as they are done, while more are added."""

    def __init__(self, futures, loop):
        super().__init__(futures)

    add = list.append


@pytest.mark.parametrize(("threads", "most"), [({}, 4), ({"a": 2, "b": 1}, 16)])
def test_four_tiles_a_thread_are_under_way(threads, most, monkeypatch):
    """And four more, so that the first workers that come find some."""
    monkeypatch.setattr(Pretended, "threads", threads)
    monkeypatch.setattr(Pretended, "under_way", 0)
    monkeypatch.setattr(Pretended, "most", 0)
    monkeypatch.setattr(distributed, "Client", Pretended)
    monkeypatch.setattr(distributed, "as_completed", Running)
    monkeypatch.setattr(spread, "survey_tile", lambda job, tile: Tally(core=tile))
    job = SimpleNamespace(tiles=lambda: [2**k for k in range(20)], cut=lambda tile: tile)
    assert spread.surveyed(job, scheduler="tcp://a").core == 2**20 - 1  # each tile once
    assert (Pretended.most, Pretended.under_way) == (most, 0)
    monkeypatch.setattr(spread, "ProcessPoolExecutor", None)  # one process is this one
    assert spread.surveyed(job, workers=1).core == 2**20 - 1
