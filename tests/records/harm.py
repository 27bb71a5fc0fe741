"""Run by the logbook's robustness tests in a process of its own: forks writers, kills them, reports what was acknowledged.

Usage: harm.py kills PATH COUNT | creation FOLDER COUNT | writers PATH WRITERS EACH | full PATH BYTES | readonly PATH
"""

import json
import os
import random
import resource
import select
import signal
import sys
import time
from pathlib import Path

from curecalc.errors import FileError
from curecalc.logbook.book import Logbook, Source
from curecalc.logbook.verifying import verify


def write_on(path: str, report: int, name: str) -> None:
    """Write entries for ever; say each number only after `add` has returned."""
    with Logbook(path, create=True) as book:
        step = 0
        while True:
            step += 1
            sources = [Source("scan", "scan.csv", os.urandom(random.randrange(1, 20000)))] if step % 3 == 0 else []
            entry = book.add("note", {"text": f"{name}-{step}" + "x" * random.randrange(3000)}, sources=sources)
            os.write(report, f"{entry.number} {entry.sha256}\n".encode())


def forked(path: str, name: str, seconds: float, *, after_first: bool = False) -> list[list[str]]:
    """A writer that lives for so long (counted from its first entry, if wanted) and is then killed; what it acknowledged."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            write_on(path, writer, name)
        finally:
            os._exit(9)
    os.close(writer)
    if after_first:
        select.select([reader], [], [], 20.0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(reader, "rb") as stream:
        lines = stream.read().decode().split("\n")[:-1]
    return [line.split() for line in lines]


def kills(path: str, count: int) -> dict:
    random.seed(20260401)
    acknowledged, killed_writing, failed = {}, 0, []
    for turn in range(count):
        said = forked(path, f"w{turn}", random.uniform(0.0, 0.02), after_first=turn % 4 != 0)
        killed_writing += bool(said)
        acknowledged.update({int(number): sha256 for number, sha256 in said})
        if not Path(path).exists():
            continue
        with Logbook(path) as book:
            there = {entry.number: entry.sha256 for entry in book.entries(last=200)}
            failed += [n for n, sha256 in said if there.get(int(n)) != sha256]
            if turn % 10 == 0 or turn == count - 1:
                failed += list(verify(book).problems)
    with Logbook(path) as book:
        there = {entry.number: entry.sha256 for entry in book.entries()}
        failed += [number for number, sha256 in acknowledged.items() if there.get(number) != sha256]
        result = verify(book)
    return {
        "acknowledged": len(acknowledged),
        "turns_with_entries": killed_writing,
        "failed": failed,
        "entries": result.entries,
        "problems": list(result.problems),
    }


def creation(folder: str, count: int) -> dict:
    random.seed(7)
    whole = absent = 0
    broken = []
    for turn in range(count):
        path = Path(folder) / f"new{turn}.db"
        forked(str(path), "w", random.uniform(0.0, 0.02), after_first=turn % 3 == 0)
        if not path.exists():
            absent += 1
            continue
        try:
            with Logbook(path) as book:
                whole += verify(book).passed
        except FileError as error:
            broken.append(str(error))
    return {"whole": whole, "absent": absent, "broken": broken}


def writers(path: str, count: int, each: int) -> dict:
    children = []
    for name in range(count):
        child = os.fork()
        if child == 0:
            status = 1
            try:
                with Logbook(path, create=True) as book:
                    for step in range(each):
                        book.add("note", {"text": f"{name}/{step}"}, operator=f"op{name}")
                status = 0
            finally:
                os._exit(status)
        children.append(child)
    statuses = [os.waitpid(child, 0)[1] for child in children]
    with Logbook(path) as book:
        texts = [entry.payload["text"] for entry in book.entries()]
        result = verify(book)
    return {"statuses": statuses, "texts": texts, "problems": list(result.problems), "entries": result.entries}


def full(path: str, size: int) -> dict:
    """Write until the file may grow no more."""
    with Logbook(path, create=True) as book:
        book.add("note", {"text": "first"})
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
    done, said = 1, ""
    try:
        with Logbook(path) as book:
            while True:
                book.add("note", {"text": "y" * 5000})
                done += 1
    except FileError as error:
        said = str(error)
    return {"done": done, "said": said}


def readonly(path: str) -> dict:
    """Read, and try to write, as somebody who may not."""
    if os.geteuid() == 0:
        os.setgid(65534)
        os.setuid(65534)
    said = {}
    with Logbook(path, write=False) as book:
        said["read"] = [len(book), verify(book).passed]
    try:
        with Logbook(path, create=True) as book:
            book.add("note", {"text": "x"})
    except FileError as error:
        said["add"] = str(error)
    try:
        Logbook(f"{path}2", create=True).add("note", {"text": "x"})
    except FileError as error:
        said["make"] = str(error)
    return said


if __name__ == "__main__":
    what, where, *numbers = sys.argv[1:]
    print(json.dumps(globals()[what](where, *map(int, numbers))))
