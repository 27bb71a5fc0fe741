"""Runs the outside checks of `reference/` on this machine: published and derived values against what the code returns.

Laboratories must validate the software they calculate with (ISO/IEC 17025, clause 7.11); this is how. The checks are data:
TOML files name a function, its inputs, the value a source prints, and the source. Nothing here knows a formula.
"""

from __future__ import annotations

import csv
import importlib
import math
import platform
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from .errors import FileError
from .files.shipped import shipped_folder

__all__ = ["Outcome", "Report", "load_checks", "load_sources", "reference_folder", "run_check", "validate"]

_QUOTED = re.compile(
    r"\s*(?P<number>[+-]?(?=\.?[0-9])[0-9]*(?:\.(?P<decimals>[0-9]*))?(?:[eE](?P<exponent>[+-]?[0-9]+))?)\s*(?P<unit>.*?)\s*$"
)


def reference_folder() -> Path:
    """The folder of checks: inside the installed package, or beside it in a source tree.

    >>> (reference_folder() / "sources.toml").is_file()
    True
    """
    return shipped_folder("reference", "reference", "sources.toml", "outside checks")


def _toml(path: Path) -> dict[str, Any]:
    return _parsed(path.name, path.read_text(encoding="utf-8"))


@lru_cache
def _parsed(name: str, text: str) -> dict[str, Any]:
    """Read once while it stays as it is: every check asks for its source."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"{name}: {error}.") from None


def load_sources(folder: Path | None = None) -> dict[str, dict[str, Any]]:
    """What each source key stands for: title, author, year, and how the value was come by (tag)."""
    return {key: dict(entry) for key, entry in _toml((folder or reference_folder()) / "sources.toml").items()}


def load_checks(folder: Path | None = None) -> list[dict[str, Any]]:
    """All checks of all topics, each with the file it came from under `topic`."""
    where = folder or reference_folder()
    checks = []
    for path in sorted(where.glob("*.toml")):
        if path.name != "sources.toml":
            checks += [check | {"topic": path.stem} for check in _toml(path).get("check", [])]
    return checks


@dataclass(frozen=True)
class Printed:
    """A number as a source prints it: its value, half of its last digit, and its unit."""

    value: float
    half_last_digit: float
    unit: str


def printed(text: str) -> Printed:
    """Read a printed number.

    >>> printed("15.96 mJ/cm^2")
    Printed(value=15.96, half_last_digit=0.005, unit='mJ/cm^2')
    """
    found = _QUOTED.match(text)
    if not found:
        raise FileError(f"reference: cannot read the printed value {text!r}.")
    decimals, exponent = len(found["decimals"] or ""), int(found["exponent"] or 0)
    # half of the last digit, and what a double loses in reading it
    return Printed(float(found["number"]), 0.5 * 10.0 ** (exponent - decimals), found["unit"])


@dataclass(frozen=True)
class Outcome:
    """One check run: what the source prints, what came out, whether they agree."""

    id: str
    topic: str
    function: str
    kind: str
    tag: str
    source: str
    locator: str
    published: str
    obtained: list[float]
    difference: float
    tolerance: float
    agrees: bool
    note: str = ""

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {k: getattr(self, k) for k in self.__dataclass_fields__}


def run_check(check: Mapping[str, Any], folder: Path | None = None) -> Outcome:
    """Call the function a check names and compare with what its source prints, and with the exact value if it has one."""
    where = folder or reference_folder()
    sources = load_sources(where)
    key = check["source"]
    if key not in sources:
        raise FileError(f"reference: check {check['id']}: source {key!r} is not in sources.toml.")
    unit = printed(_flat(check["expected"])[0]).unit
    try:
        values = _numbers(_pick(_call(check, where), check.get("result")), unit)
    except FileError:
        raise
    except Exception as error:  # a check must report, whatever a broken function raises
        return _outcome(check, [], math.nan, math.nan, False, f"{type(error).__name__}: {error}")
    worst, tolerance, agrees = 0.0, 0.0, True
    for field in ("expected", "exact"):
        if field not in check:
            continue
        wanted = [printed(text) for text in _flat(check[field])]
        if len(wanted) != len(values):
            return _outcome(check, values, math.nan, math.nan, False, f"{len(values)} values for {len(wanted)} {field}")
        for got, want in zip(values, wanted, strict=True):
            allowed = _tolerance(check, field, want)
            off = abs(got - want.value)
            agrees = agrees and off <= allowed
            if field == "expected":
                worst, tolerance = max(worst, off), max(tolerance, allowed)
            elif not off <= allowed:
                worst, tolerance = off, allowed
    return _outcome(check, values, worst, tolerance, agrees, check.get("why", ""))


def _tolerance(check: Mapping[str, Any], field: str, want: Printed) -> float:
    rounding = 4e-15 * abs(want.value)
    if field == "exact":
        relative = check.get("exact_rtol")
        return rounding + (float(relative) * abs(want.value) if relative is not None else want.half_last_digit)
    if "tolerance" in check:
        if not check.get("why"):
            raise FileError(f"reference: check {check['id']}: a tolerance needs a why.")
        return float(check["tolerance"]) + rounding
    return want.half_last_digit + rounding


def _outcome(check: Mapping[str, Any], values: list[float], worst: float, tolerance: float, agrees: bool, note: str) -> Outcome:
    return Outcome(
        id=check["id"],
        topic=check.get("topic", ""),
        function=check["function"],
        kind=check["kind"],
        tag=check["tag"],
        source=check["source"],
        locator=check.get("locator", ""),
        published=", ".join(_flat(check["expected"])),
        obtained=values,
        difference=worst,
        tolerance=tolerance,
        agrees=bool(agrees),
        note=note,
    )


def _flat(expected: Any) -> list[str]:
    return [str(text) for text in expected] if isinstance(expected, list) else [str(expected)]


def _call(check: Mapping[str, Any], folder: Path) -> Any:
    module, _, name = check["function"].rpartition(".")
    if module.rpartition(".")[2][:1].isupper():  # a method: its class stands before it
        module, _, owner = module.rpartition(".")
        function = getattr(getattr(importlib.import_module(module), owner), name)
    else:
        function = getattr(importlib.import_module(module), name)
    return function(**{k: _input(v, folder) for k, v in check.get("inputs", {}).items()})


def _input(value: Any, folder: Path) -> Any:
    if isinstance(value, dict):
        # another call whose result goes in, or a column of a data file
        return _pick(_call(value, folder), value.get("result")) if "function" in value else _column(value, folder)
    if isinstance(value, list):
        return _together([_input(part, folder) for part in value])
    if isinstance(value, str):
        return _quantity(value)
    return value


def _together(parts: list[Any]) -> Any:
    import numpy as np

    from .units import Quantity

    if parts and all(isinstance(part, Quantity) for part in parts):
        return Quantity.from_list(parts)
    return parts if any(not isinstance(part, int | float) for part in parts) else np.array(parts, float)


def _quantity(text: str) -> Any:
    from .units import Quantity

    if text in ("inf", "-inf"):
        return float(text)
    found = _QUOTED.match(text)
    return Quantity(float(found["number"]), found["unit"] or "dimensionless") if found else text


def _column(spec: Mapping[str, Any], folder: Path) -> Any:
    """A column of a data file: `file`, `column`, then optional `where`, `minus`, `times`, `power`, `log`, `unit`."""
    import numpy as np

    with (folder / "data" / spec["file"]).open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(line for line in handle if not line.startswith("#")))
    for column, wanted in spec.get("where", {}).items():
        rows = [row for row in rows if row[column] == str(wanted)]
    texts = [row[spec["column"]] for row in rows]
    if spec.get("text"):
        return texts
    values = (np.array([float(text) for text in texts]) - float(spec.get("minus", 0.0))) * float(spec.get("times", 1.0))
    values = values ** float(spec.get("power", 1.0))
    if spec.get("log"):
        values = np.log(values)
    if spec.get("unit"):
        from .units import Quantity

        return Quantity(values, spec["unit"])
    return values


def _pick(value: Any, path: Any) -> Any:
    if path is None:
        return value
    if isinstance(path, list):
        return [_pick(value, part) for part in path]
    for part in str(path).split("."):
        if isinstance(value, Mapping):
            value = value[part]
        elif re.fullmatch(r"-?[0-9]+", part):
            value = value[int(part)]
        else:
            value = getattr(value, part)
    return value


def _numbers(value: Any, unit: str) -> list[float]:
    import numpy as np

    from .units import Measured, Quantity

    if isinstance(value, Measured):
        value = value.value
    if isinstance(value, Quantity):
        value = value.m_as(unit or "dimensionless")
    if isinstance(value, list | tuple):
        return [number for part in value for number in _numbers(part, unit)]
    return [float(number) for number in np.ravel(value)]


@dataclass(frozen=True)
class Report:
    """All checks run: versions, date, and each outcome."""

    date: str
    versions: dict[str, str]
    outcomes: tuple[Outcome, ...]

    @property
    def passed(self) -> bool:
        """Whether there are checks and every one agrees."""
        return bool(self.outcomes) and all(outcome.agrees for outcome in self.outcomes)

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of `curecalc validate`."""
        return {
            "passed": self.passed,
            "date": self.date,
            "versions": self.versions,
            "checks": len(self.outcomes),
            "failed": [o.id for o in self.outcomes if not o.agrees],
            "outcomes": [{k: _finite(v) for k, v in o.to_dict().items()} for o in self.outcomes],
        }


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def validate(folder: Path | None = None) -> Report:
    """Run every outside check on this machine.

    Returns
    -------
    Report
        Each source, published value, value obtained, difference, tolerance and verdict; versions and date.

    Raises
    ------
    FileError
        The folder of checks is missing or unreadable.
    """
    where = folder or reference_folder()
    outcomes = tuple(_run_all(where))
    return Report(datetime.now(UTC).isoformat(timespec="seconds"), _versions(), outcomes)


def _run_all(folder: Path) -> Iterator[Outcome]:
    for check in load_checks(folder):
        yield run_check(check, folder)


def _versions() -> dict[str, str]:
    from importlib.metadata import PackageNotFoundError, version

    from . import __version__

    found = {"curecalc": __version__, "python": platform.python_version(), "platform": platform.platform(terse=True)}
    for package in ("numpy", "scipy", "pint", "matplotlib"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "not installed"
    return found
