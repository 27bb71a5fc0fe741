"""Lint, format and types are part of the tests: one command runs all."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["ruff", "check", "."], id="lint"),
        pytest.param(["ruff", "format", "--check", "."], id="format"),
        pytest.param(["mypy", "curecalc"], id="types", marks=pytest.mark.slow),
    ],
)
def test_clean(command):
    if importlib.util.find_spec(command[0]) is None:
        pytest.skip(f"{command[0]} is not installed")
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
