"""Writers and servers killed outright: what was acknowledged must stand, once, and the chain be whole.

By hand, writers killed 200 times on a file and on a server, the server 20 times: python tests/logbook/kills.py
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from throwaway import Server, programs

from curecalc.errors import FileError
from curecalc.logbook.book import Logbook
from curecalc.logbook.verifying import verify

__all__ = ["harm", "kills_of_the_server"]

HERE = Path(__file__).parent
HARM = HERE.parent / "records" / "harm.py"


def harm(*arguments: object) -> dict:
    """What `harm.py` reports from a process of its own."""
    done = subprocess.run(
        [sys.executable, str(HARM), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=500,
        env=os.environ | {"PYTHONPATH": str(HERE.parents[1])},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def kills_of_the_server(server: Server, database: str, turns: int) -> int:
    """Writers go on through kills of the server; how many entries they were told are written. All of them must stand."""
    Logbook(database, create=True).close()
    told: dict[int, str] = {}
    over = threading.Event()

    def write(name: int) -> None:
        with Logbook(database) as book:
            step = 1
            while not over.is_set():
                with contextlib.suppress(FileError):  # away longer than a desk waits: sent again, and written once
                    entry = book.add("note", {"text": f"{name}/{step}"}, identity=f"{name}-{step}")
                    told[entry.number] = entry.sha256
                    step += 1

    writers = [threading.Thread(target=write, args=(name,)) for name in range(3)]
    for one in writers:
        one.start()
    for _ in range(turns):
        before = len(told)
        until = time.monotonic() + 30.0
        while len(told) == before and time.monotonic() < until:  # some must be at work when it dies
            time.sleep(0.05)
        time.sleep(0.2)
        server.kill()
        server.start()
    over.set()
    for one in writers:
        one.join(60)
    with Logbook(database) as book:
        entries = book.entries()
        there = {entry.number: entry.sha256 for entry in entries}
        texts = [entry.payload["text"] for entry in entries]
        assert verify(book).passed
    assert all(there.get(number) == sha256 for number, sha256 in told.items())
    assert len(texts) == len(set(texts))  # sent again after a kill, never written twice
    return len(told)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        print("file, writers killed 200 times:", harm("kills", Path(folder) / "shop.db", 200), flush=True)
    if programs() is None:
        sys.exit("no PostgreSQL server is installed here: the other half was not run")
    cluster = Server()
    try:
        Logbook(cluster.address(), create=True).close()
        print("server, writers killed 200 times:", harm("kills", cluster.address(), 200), flush=True)
        begun = time.monotonic()
        count = kills_of_the_server(cluster, cluster.address(), 20)
        print(f"server killed 20 times in {time.monotonic() - begun:.0f} s: {count} entries acknowledged, all stand, chain whole")
    finally:
        cluster.stop()
