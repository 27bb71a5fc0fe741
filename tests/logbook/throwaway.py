"""A throw-away PostgreSQL server in a temporary folder, by the distribution's own programs, with fsync on; for tests."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

__all__ = ["Server", "programs"]


def programs() -> Path | None:
    """The folder of the newest server installed, or None."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda one: int(one.parts[-3]))
    if found:
        return found[-1].parent
    other = shutil.which("initdb")
    return Path(other).parent if other else None


def _alive(process: int) -> bool:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


class Server:
    """One cluster on a socket in its own folder; `kill` is kill -9, `start` brings it back with what it had acknowledged."""

    def __init__(self) -> None:
        bin_folder = programs()
        assert bin_folder is not None
        self.bin = bin_folder
        self.folder = Path(tempfile.mkdtemp(prefix="pg", dir="/tmp"))
        self.prefix: list[str] = []
        if os.geteuid() == 0:  # the server refuses to run as root
            name = next(one for one in ("postgres", "nobody") if one in {user.pw_name for user in pwd.getpwall()})
            shutil.chown(self.folder, name)
            self.prefix = ["runuser", "-u", name, "--"]
        self.folder.chmod(0o755)
        self.run("initdb", "-D", str(self.folder / "data"), "-A", "trust", "-U", "owner", "-E", "UTF8", "--locale=C")
        self.start()

    def run(self, program: str, *words: str) -> None:
        done = subprocess.run(
            [*self.prefix, str(self.bin / program), *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/", check=False
        )
        assert done.returncode == 0, (program, words)

    def start(self) -> None:
        options = f"-k {self.folder} -c listen_addresses='' -c fsync=on -c synchronous_commit=on -c max_connections=60"
        options += " -c recovery_init_sync_method=syncfs"  # after a kill: the whole disk at once, not file by file
        words = ("-D", str(self.folder / "data"), "-o", options, "-l", str(self.folder / "log"), "-w", "-t", "300", "start")
        until = time.monotonic() + 300.0
        while time.monotonic() < until:  # memory of a killed server may be held for a while
            with contextlib.suppress(AssertionError):
                self.run("pg_ctl", *words)
                return
            time.sleep(0.5)
        free = shutil.disk_usage(self.folder).free // 2**20
        raise AssertionError(f"no server with {free} MiB free: {(self.folder / 'log').read_text()[-2000:]}")

    def kill(self) -> None:
        """Kill the server and all its helpers at once, as a power cut would."""
        pid = int((self.folder / "data" / "postmaster.pid").read_text().split()[0])
        children = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True, check=False).stdout.split()
        family = [pid, *map(int, children)]
        for one in family:
            with contextlib.suppress(ProcessLookupError):
                os.kill(one, 9)
        for _ in range(100):  # until the last of them has let the memory they shared go
            if not any(Path(f"/proc/{one}/stat").exists() and _alive(one) for one in family):
                break
            time.sleep(0.05)

    def stop(self) -> None:
        subprocess.run(
            [*self.prefix, str(self.bin / "pg_ctl"), "-D", str(self.folder / "data"), "-m", "immediate", "stop"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd="/",
            check=False,
        )
        shutil.rmtree(self.folder, ignore_errors=True)

    def address(self, database: str = "postgres", user: str = "owner") -> str:
        return f"postgresql://{user}@/{database}?host={self.folder}"
