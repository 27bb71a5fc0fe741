"""Tiles spread over the cores of this machine, or over a dask cluster; what is done is kept, so interrupted work can go on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from multiprocessing import cpu_count
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import FileError
from ..paths.vectors import ENDS, LIT
from .field import Grid
from .survey import Job, survey_tile
from .tally import Tally

__all__ = ["surveyed"]

_PATIENCE = 10  # seconds until a scheduler has answered
_AHEAD = 4  # tiles under way for each thread of a cluster, so that all are busy; more would take their vectors along too early
_job: Job
"""Of a process that counts tiles."""


def surveyed(
    job: Job,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    work: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Tally:
    """The tally of all tiles; the same whoever counts them, and in whatever order.

    Parameters
    ----------
    job : Job
    workers : int, optional
        Processes of this machine; all cores when left out, one runs here.
    scheduler : str, optional
        Address of a dask scheduler (extra `cluster`), whose workers count instead.
    work : path, optional
        A folder in which finished tiles are kept; the same job begun again there goes on where it was left.
    progress : callable, optional
        Called with tiles done and tiles in all.

    Raises
    ------
    FileError
    """
    tiles = job.tiles()
    done = _kept(job, tiles, work)
    waiting = [i for i in range(len(tiles)) if i not in done]
    count = min(cpu_count() if workers is None else workers, len(waiting))
    if scheduler is not None:
        results = _on_cluster(job, tiles, waiting, scheduler)
    elif count > 1:
        results = _on_cores(job, tiles, waiting, count)
    else:
        results = ((i, survey_tile(job, tiles[i])) for i in waiting)
    for i, tally in results:
        done[i] = tally
        if work is not None:
            _keep(Path(work), i, tally)
        if progress is not None:
            progress(len(done), len(tiles))
    whole = Tally()
    for i in range(len(tiles)):
        whole.merge(done[i])
    return whole


def _begin(job: Job) -> None:
    global _job
    _job = job


def _one(tile: Grid) -> Tally:
    return survey_tile(_job, tile)


def _on_cores(job: Job, tiles: list[Grid], waiting: list[int], count: int) -> Iterator[tuple[int, Tally]]:
    with ProcessPoolExecutor(count, initializer=_begin, initargs=(job,)) as pool:
        yield from zip(waiting, pool.map(_one, [tiles[i] for i in waiting]))


def _on_cluster(job: Job, tiles: list[Grid], waiting: list[int], scheduler: str) -> Iterator[tuple[int, Tally]]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise FileError("scheduler= needs one more package. Install it with: pip install 'curecalc[cluster]'") from None
    try:
        client = Client(scheduler, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError) as error:
        where = f"at {scheduler!r} within {_PATIENCE} s ({error})"
        raise FileError(f"no dask scheduler answers {where}. Name another with scheduler=, or start one with: dask scheduler") from None
    with client:
        todo = iter(waiting)

        def begun(i: int) -> Any:
            return client.submit(survey_tile, job.cut(tiles[i]), tiles[i], pure=False)

        threads = sum(client.nthreads().values())
        futures = {begun(i): i for i in islice(todo, _AHEAD * (1 + threads))}  # some also while no worker has come yet
        running = as_completed(list(futures), loop=client.loop)
        for future in running:
            yield futures.pop(future), future.result()
            for i in islice(todo, 1):
                more = begun(i)
                futures[more] = i
                running.add(more)


def _kept(job: Job, tiles: list[Grid], work: str | Path | None) -> dict[int, Tally]:
    """Tallies of this same job that the folder holds; a folder of another job is refused."""
    if work is None:
        return {}
    folder = Path(work)
    mark = _fingerprint(job)
    try:
        folder.mkdir(exist_ok=True)
        label = folder / "job.txt"
        if label.exists() and label.read_text(encoding="utf-8") != mark:
            raise FileError(f"{folder}: holds the work of another map. Name an empty folder, or delete this one.")
        label.write_text(mark, encoding="utf-8")
        found = {}
        for i in range(len(tiles)):
            file = folder / f"tile_{i}.json"
            if file.exists():
                found[i] = Tally.from_json(json.loads(file.read_text(encoding="utf-8")))
        return found
    except FileError:
        raise
    except OSError as error:
        raise FileError(f"{folder}: cannot be used ({error.strerror or error}). Name a folder you may write to.") from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise FileError(f"{folder}: holds a tile that cannot be read. Delete the folder and begin again.") from None


def _keep(folder: Path, i: int, tally: Tally) -> None:
    from ..files.disk import write_bytes

    write_bytes(folder / f"tile_{i}.json", json.dumps(tally.to_json()), overwrite=True)


def _fingerprint(job: Job) -> str:
    digest = hashlib.sha256()
    for part in job.paths.slices():
        digest.update(repr(part.kinds).encode())
        for name in ("layer", *ENDS, "kind", *LIT):
            digest.update(np.ascontiguousarray(getattr(part, name)).tobytes())
        for array in (array for p in part.recorded for array in (p.time, p.x, p.y, p.power)):
            digest.update(np.ascontiguousarray(array).tobytes())
    if job.optics.image is not None:
        digest.update(np.ascontiguousarray(job.optics.image).tobytes())
    rest: Any = (job.optics, job.grid, job.first, job.last, job.layer_thickness, job.overcure, job.radius, job.tile)
    digest.update(repr(rest).encode())
    return digest.hexdigest()
