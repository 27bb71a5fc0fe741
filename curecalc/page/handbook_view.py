"""The handbook as a file to keep: made once, by the command that makes it, in a process of its own."""

from __future__ import annotations

import functools
import threading
from typing import TYPE_CHECKING

from ..errors import CurecalcError

if TYPE_CHECKING:
    from flask import Flask

__all__ = ["add_handbook"]


@functools.cache
def _made() -> bytes:
    import subprocess
    import sys
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "handbook.html"
        done = subprocess.run([sys.executable, "-m", "curecalc", "manual", str(file)], capture_output=True, text=True, check=False)
        if done.returncode:
            raise CurecalcError(f"the handbook could not be made: {done.stderr.strip()}. Try: curecalc manual handbook.html")
        return file.read_bytes()


def add_handbook(app: Flask) -> None:
    """`/handbook.html`, which the browser saves."""
    from flask import Response

    one_at_a_time = threading.Lock()

    @app.route("/handbook.html")
    def handbook() -> Response:
        with one_at_a_time:
            answer = Response(_made(), mimetype="text/html")
        answer.headers["Content-Disposition"] = 'attachment; filename="curecalc-handbook.html"'
        return answer
