"""The recipe file: the recipe's JSON with the texts of its three files, so that it can be retuned and audited on its own."""

from __future__ import annotations

import datetime
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import FileError
from ..files.disk import read_bytes
from ..files.records import R, RecordFile
from ..jobs.lot import RESIN, Lot
from ..jobs.machine import MACHINE, Machine, with_spot_readings
from ..jobs.needs import NEEDS, Needs
from ..units import from_json
from .record import Recipe
from .retuning import machine_after

__all__ = ["SavedRecipe", "read_recipe", "recipe_from_bytes", "recipe_record"]

_LARGEST = 20_000_000


@dataclass(frozen=True)
class SavedRecipe:
    """A recipe read back: its JSON object, and the machine, lot and needs it was made from."""

    record: dict[str, Any]
    machine: Machine
    lot: Lot
    needs: Needs
    path: str
    sha256: str


def recipe_record(recipe: Recipe) -> dict[str, Any]:
    """The JSON object with the texts of machine, resin and needs files beside their hashes."""
    record = recipe.to_dict()
    for name, one in (("machine", recipe.machine), ("resin", recipe.lot), ("needs", recipe.needs)):
        text = getattr(one, "text", "") or read_bytes(one.path, what=name).decode("utf-8-sig")
        record["files"][name]["text"] = text
    return record


def read_recipe(path: str | Path) -> SavedRecipe:
    """A recipe from the file `recipe --save` wrote (or the output of `recipe --json`).

    Raises
    ------
    FileError
        Unreadable, not such a record, or its texts do not match their hashes.
    """
    return recipe_from_bytes(str(path), read_bytes(path, what="recipe", largest=_LARGEST))


def recipe_from_bytes(name: str, raw: bytes) -> SavedRecipe:
    """`read_recipe` of bytes already at hand; `name` is what errors call them."""
    way = "Save it again with: curecalc recipe ... --save recipe.json"
    try:
        record = json.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise FileError(f"{name}: is not UTF-8 text. {way}") from None
    except json.JSONDecodeError as error:
        raise FileError(f"{name}:{error.lineno}:{error.colno}: cannot be read as JSON ({error.msg}). {way}") from None
    except RecursionError:
        raise FileError(f"{name}: is nested too deeply. {way}") from None
    if not isinstance(record, dict):
        raise FileError(f"{name}: is not a recipe. {way}")
    for key in ("vectors", "files", "date"):
        if key not in record:
            raise FileError(f"{name}: {key}: is missing, so this is not a whole recipe. {way}")
    texts = {}
    for part in ("machine", "resin", "needs"):
        try:
            one = record["files"][part]
            texts[part] = (str(one["text"]), str(one["sha256"]), str(one["path"]))
        except (KeyError, TypeError):
            raise FileError(f"{name}: files.{part}: has no text and sha256. {way}") from None
    for part, (text, sha256, _) in texts.items():
        if hashlib.sha256(text.encode()).hexdigest() != sha256 and "\ufeff" not in text:
            raise FileError(f"{name}: files.{part}: the text does not match its sha256: it was changed. {way}")

    def stated(file: RecordFile[R], part: str) -> R:
        text, _, where = texts[part]
        return file.parse(text, source=f"{name} ({where})")

    machine = stated(MACHINE, "machine")
    if record.get("readings") is not None:
        machine = _after(machine, record["readings"], name, way)
    return SavedRecipe(record, machine, stated(RESIN, "resin"), stated(NEEDS, "needs"), name, hashlib.sha256(raw).hexdigest())


def _after(machine: Machine, readings: Any, name: str, way: str) -> Machine:
    """The machine with the readings taken since its file was written."""
    try:
        power = from_json(readings["power"])
        day = datetime.date.fromisoformat(readings["power_reading_date"])
        factor, meter = float(readings["beam_radius_factor"]), str(readings["power_meter"])
        machine = with_spot_readings(machine, readings)
        if not factor > 0.0:
            raise ValueError
    except (KeyError, TypeError, ValueError):
        raise FileError(f"{name}: readings: cannot be read. {way}") from None
    return machine_after(machine, power, factor, meter, day)
