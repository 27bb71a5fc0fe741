"""What other commands do with a logbook: read what is current by name, and record what they did with its source data."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import FileError, QuantityError
from ..files.disk import json_text
from ..units import Measured
from .book import Logbook, Source
from .entries import LONGEST_NAME, Entry
from .server import is_server

if TYPE_CHECKING:
    from ..calibration.comparing import LotComparison
    from ..calibration.fit import Fit
    from ..files.records import R, RecordFile
    from ..jobs.lot import Lot
    from ..jobs.machine import Machine
    from ..jobs.needs import Needs
    from ..recipe.record import Recipe

__all__ = [
    "Current",
    "check_logbook",
    "current",
    "record_command",
    "record_comparison",
    "record_fit",
    "record_recipe",
    "recipe_inputs",
    "retune_inputs",
    "record_spot",
    "stored_options",
]


@dataclass(frozen=True)
class Current:
    """What a logbook holds now about a machine and the lot in its vat; what it does not hold is None.

    `documents` are files kept with the newest entries, by role: `machine`, `resin`, `beam`, `needs`.
    """

    machine: str | None
    lot: str | None
    documents: Mapping[str, Source]
    entries: Mapping[str, Entry]

    def quantity(self, kind: str, name: str) -> Measured | None:
        """A value of the newest entry of a kind."""
        return self.entries[kind].quantity(name) if kind in self.entries else None

    def document(self, role: str) -> Source:
        """The newest kept file of a role, or a `QuantityError` that says how to keep one."""
        if role in self.documents:
            return self.documents[role]
        way = {
            "machine": "curecalc log add machine --machine-name NAME --source machine=machine.toml",
            "resin": "curecalc fit FILE --lot NAME --log FILE",
            "beam": "curecalc spot FILE --machine-name NAME --log FILE --save beam.toml",
        }.get(role, f"curecalc log add note --note ... --source {role}=FILE")
        whose = self.lot if role == "resin" else self.machine
        raise QuantityError(f"the logbook keeps no {role} file of {whose or 'this name'}. Record one: {way}")


def current(path: str | Path, *, machine: str | None = None, lot: str | None = None, beam: str | None = None) -> Current:
    """What the logbook at `path` holds now about a machine, its lot and its beam.

    Parameters
    ----------
    machine : str, optional
    lot : str, optional
        The lot now in the machine's vat when left out.
    beam : str, optional
        The newest beam of the machine when left out.

    Raises
    ------
    QuantityError
        A name that the logbook does not know.
    """
    with Logbook(path, write=False) as book:
        for what, name in (("machine", machine), ("lot", lot), ("beam", beam)):
            if name is not None and name not in book.names(what):
                known = ", ".join(book.names(what)) or "none yet"
                raise QuantityError(f"{what}: {name!r} is not in the logbook {path}. It knows {known}.")
        if lot is None and machine is not None and (load := book.latest("lot", machine=machine)) is not None:
            lot = load.lot
        names = {"machine": {"machine": machine}, "calibration": {"lot": lot}, "beam": {"machine": machine, "beam": beam}}
        names |= {"power": names["machine"], "recipe": names["machine"]}
        names = {kind: about for kind, about in names.items() if any(about.values())}
        entries = {kind: entry for kind, about in names.items() if (entry := book.latest(kind, **about)) is not None}
        kept = {role: book.document(role, kind, **names[kind]) for role, kind in _KEPT_WITH.items() if kind in names}
    return Current(machine, lot, {role: one for role, one in kept.items() if one is not None}, entries)


_KEPT_WITH = {"machine": "machine", "resin": "calibration", "beam": "beam", "needs": "recipe"}


def record_command(
    path: str | Path,
    kind: str,
    payload: Mapping[str, Any],
    sources: Sequence[Source] = (),
    *,
    machine: str | None = None,
    lot: str | None = None,
    beam: str | None = None,
    operator: str = "",
) -> Entry:
    """Write one entry for a command into the logbook at `path`, which is made when it does not stand."""
    with Logbook(path, create=True) as book:
        return book.add(kind, payload, machine=machine, lot=lot, beam=beam, operator=operator, sources=_distinct(sources))


def _distinct(sources: Sequence[Source]) -> list[Source]:
    """Names fit to keep: the file's own name without odd characters, roles as they are."""
    kept = []
    for one in sources:
        name = "".join(c if c.isprintable() else "?" for c in Path(one.name).name).strip()[:LONGEST_NAME]
        kept.append(Source(one.role, name or one.role, one.data))
    return kept


def record_fit(
    path: str | Path,
    fit: Fit,
    *,
    options: Mapping[str, Any],
    priors: Sequence[str] = (),
    lot: str | None = None,
    machine: str | None = None,
    operator: str = "",
    resin_document: str | None = None,
) -> Entry:
    """Record a fit as a calibration: its result, its options, the coupon table, the resin files of earlier lots.

    `options` are the texts of the options that change the numbers, so that `log verify --recompute` can fit again.
    """
    names = fit.coupons.names
    lot = lot or names.get("lot")
    if lot is None:
        raise QuantityError("lot is missing: a calibration belongs to a lot. Give its name.")
    sources = [Source("coupons", Path(fit.coupons.path).name, fit.coupons.raw)]
    sources += [Source.read(file, f"prior{number}") for number, file in enumerate(priors, 1)]
    payload: dict[str, Any] = {
        "penetration_depth": fit.penetration_depth,
        "critical_exposure": fit.critical_exposure,
        "correlation": fit.correlation,
        "residual_sd": fit.residual_sd,
        "options": dict(options),
        "result": fit.to_dict(),
    }
    if resin_document is not None:
        sources.append(Source("resin", f"{lot}.toml".replace("/", "-"), resin_document.encode()))
        payload["curve"] = _curve_kept(resin_document)
    if fit.coupons.mean_temperature is not None:
        payload["temperature"] = fit.coupons.mean_temperature
    return record_command(path, "calibration", payload, sources, lot=lot, machine=machine or names.get("machine"), operator=operator)


def _curve_kept(document: str) -> dict[str, Any]:
    """The working curve of a resin file as numbers, for judging settings without reading the file again."""
    from ..jobs.lot import RESIN
    from ..recipe.carried import curve_dict
    from ..recipe.inputs import curve_of

    return curve_dict(curve_of(RESIN.parse(document.encode(), source="the resin file")))


def record_comparison(
    path: str | Path,
    comparison: LotComparison,
    *,
    files: Sequence[str],
    options: Mapping[str, Any],
    lot: str,
    old_lot: str | None = None,
    machine: str | None = None,
    operator: str = "",
) -> Entry:
    """Record a comparison of lots: the verdict on the newest, the options, the files compared."""
    result = comparison.to_dict()
    payload: dict[str, Any] = {
        "verdict": comparison.verdict,
        "sentence": comparison.sentence,
        "old_lot": old_lot or comparison.lots[0].name,
        "options": dict(options),
        "result": result,
    }
    change = result.get("speed_change")
    if isinstance(change, Mapping) and isinstance(change.get("value"), int | float):
        payload["speed_change"] = change["value"]
    sources = [Source.read(file, f"lot{number}") for number, file in enumerate(files, 1)]
    return record_command(path, "comparison", payload, sources, lot=lot, machine=machine, operator=operator)


def recipe_inputs(
    path: str | Path, *, machine: str | None, lot: str | None, with_resin: bool, with_needs: bool
) -> tuple[Machine | None, Lot | None, Needs | None, dict[str, Any] | None]:
    """Machine, resin, needs for a recipe from the files kept in a logbook, and the reading newer than the machine file.

    The machine file is the one kept with its newest entry, with the newest power reading put in unless it is of an earlier day than
    the file's own: status judges by that reading, so settings rest on it. Without names, None stands where nothing was
    asked for; needs are those of the machine's last recipe, or None.
    """
    from ..jobs.lot import RESIN
    from ..jobs.machine import MACHINE
    from ..jobs.needs import NEEDS

    now = current(path, machine=machine, lot=lot)

    def kept(file: RecordFile[R], role: str) -> R:
        document = now.document(role)
        return file.parse(document.data, source=f"{document.name} in {_called(path)}")

    found, readings = None, None
    if machine is not None:
        found, readings = _with_reading(kept(MACHINE, "machine"), now)
    resin = kept(RESIN, "resin") if with_resin and now.lot is not None else None
    needs = kept(NEEDS, "needs") if with_needs and "needs" in now.documents else None
    return found, resin, needs, readings


def retune_inputs(path: str | Path, *, machine: str) -> tuple[Any, Measured | None, tuple[Any, Any] | None]:
    """What a retune from a logbook starts with: the newest recipe kept, on the lot now in the vat; the newest power; the spot if it moved.

    Raises
    ------
    QuantityError
        No recipe is kept for the machine.
    """
    from ..jobs.lot import RESIN
    from ..recipe.file import recipe_from_bytes
    from ..units import MM, Quantity

    now = current(path, machine=machine)
    with Logbook(path, write=False) as book:
        entries = (book.latest(kind, machine=machine) for kind in ("recipe", "retune"))
        entry = max((one for one in entries if one is not None), key=lambda one: (one.time, one.number), default=None)
        kept = next((one for one in entry.attached if one.role == "recipe"), None) if entry is not None else None
        if entry is None or kept is None:
            raise QuantityError(f"the logbook keeps no recipe of {machine} to retune. Record one: curecalc recipe ... --log {path}")
        saved = recipe_from_bytes(f"recipe of entry {entry.number}", book.source(kept.sha256))
    if (resin := now.documents.get("resin")) is not None:
        lot = RESIN.parse(resin.data, source=f"{resin.name} in {_called(path)}")
        # the recipe that is kept as the old one then rests on the same lot, so that the retune computes again
        told = {"path": resin.name, "sha256": lot.sha256, "text": resin.data.decode()}
        saved = replace(saved, lot=lot, record=saved.record | {"files": saved.record["files"] | {"resin": told}})
    chosen, share = entry.quantity("beam_radius"), entry.payload.get("beam_share")
    radius, measured = None, now.quantity("beam", "beam_radius")
    if measured is not None and chosen is not None and share is not None:
        there = share * float(measured.value.m_as(MM))
        radius = None if math.isclose(there, chosen.value.m_as(MM)) else (chosen.value, Quantity(there, MM))
    return saved, now.quantity("power", "power"), radius


def _called(path: str | Path) -> str:
    return str(path) if is_server(str(path)) else Path(path).name


def _with_reading(machine: Machine, now: Current) -> tuple[Machine, dict[str, Any] | None]:
    power = now.quantity("power", "power")
    if power is None:
        return machine, None
    day = datetime.fromisoformat(now.entries["power"].time).astimezone().date()
    if day < machine.power_reading_date:
        return machine, None
    from ..recipe.retuning import machine_after
    from ..units import to_json

    after = machine_after(machine, power, 1.0, None, day)
    readings = {
        "power": to_json(after.power),
        "power_reading_date": day.isoformat(),
        "power_meter": after.power_meter,
        "beam_radius_factor": 1.0,
    }
    return after, readings


_VECTOR_KEYS = (
    "kind",
    "pattern",
    "scan_speed",
    "power",
    "beam_radius",
    "hatch_spacing",
    "passes",
    "cross_hatch",
    "cure_depth",
    "overcure",
    "assurance",
    "down_facing",
)


def record_recipe(
    path: str | Path,
    record: Mapping[str, Any],
    *,
    recipe: Recipe,
    machine: str,
    lot: str,
    kind: str = "recipe",
    options: Mapping[str, Any] | None = None,
    old: Mapping[str, Any] | None = None,
    reason: str = "",
    reading: Measured | None = None,
    operator: str = "",
) -> Entry:
    """Record a recipe (its JSON object with the texts of its files), or a retune of the recipe `old` by a new `reading` of the power.

    The settings of the main kind of vector stand in the entry itself; they are what drift charts hold fixed.
    Beside them stands what every kind promised and all it takes to judge that again on a later day.
    """
    from ..recipe.carried import carried
    from ..recipe.record import main_vector

    full_power = float(recipe.machine.power.value.m_as("mW"))
    main = main_vector(record["vectors"])
    settings = {name: main.get(name) for name in ("scan_speed", "hatch_spacing", "power", "beam_radius", "passes")}
    if (overcure := main.get("overcure")) is not None and overcure["value"] > 0.0:
        settings["overcure"] = overcure
    payload = {name: value for name, value in settings.items() if value is not None} | {
        "layer_thickness": record["layer_thickness"],
        "cross_hatch": bool(main.get("cross_hatch")),
        "power_share": min(1.0, main["power"]["value"] / full_power),
        "kind_of_vector": main["kind"],
        "vectors": [{key: one[key] for key in _VECTOR_KEYS if key in one} for one in record["vectors"]],
        "promised": carried(recipe),
        "options": dict(options or {}),
    }
    if reason:
        payload["reason"] = reason
    sources = [Source("recipe", "recipe.json", json_text(record).encode())]
    sources += [Source(name, Path(str(one["path"])).name, one["text"].encode()) for name, one in record["files"].items() if "text" in one]
    if old is not None:
        sources.append(Source("old_recipe", "old_recipe.json", json_text(old).encode()))
    with Logbook(path, create=True) as book:
        beam = book.latest("beam", machine=machine)
        radius = beam.quantity("beam_radius") if beam is not None else None
        if radius is not None and main.get("beam_radius") is not None:
            payload["beam_share"] = main["beam_radius"]["value"] / float(radius.value.m_as("mm"))
        with book.together():
            if reading is not None:  # charts and status go on from what the settings rest on
                book.add("power", {"power": reading}, machine=machine, operator=operator)
            return book.add(kind, payload, machine=machine, lot=lot, operator=operator, sources=_distinct(sources))


def record_spot(
    path: str | Path,
    result: Any,
    *,
    file: str | Path | Source,
    options: Mapping[str, Any],
    machine: str | None,
    beam: str | None = None,
    operator: str = "",
    beam_document: str | None = None,
) -> Entry:
    """Record a measured beam, or a power made of readings, with the file it came from."""
    sources = [file if isinstance(file, Source) else Source.read(file, "scan")]
    payload: dict[str, Any] = {"options": stored_options(options), "result": result.to_dict()}
    if hasattr(result, "at_meter"):
        if machine is None:
            raise QuantityError("machine is missing: a power reading belongs to a machine. Give its name.")
        return record_command(path, "power", {"power": result.measured} | payload, sources, machine=machine, operator=operator)
    if beam_document is not None:
        sources.append(Source("beam", "beam.toml", beam_document.encode()))
    radii: dict[str, Any] = {"beam_radius": result.beam_radius.measured, "method": result.kind}
    if result.radius_y is not None:
        radii |= {"beam_radius_x": result.radius_x.measured, "beam_radius_y": result.radius_y.measured}
    if result.quality is not None:
        radii["beam_quality"] = float(result.quality)
    if result.wavelength is not None:
        radii["wavelength"] = result.wavelength
    return record_command(path, "beam", radii | payload, sources, machine=machine, beam=beam, operator=operator)


def stored_options(options: Mapping[str, Any]) -> dict[str, Any]:
    """Options as they are kept: quantities as JSON objects under `quantity` or `measured`."""
    from ..units import Quantity, to_json

    kept: dict[str, Any] = {}
    for name, value in options.items():
        if isinstance(value, Measured):
            kept[name] = {"measured": to_json(value)}
        elif isinstance(value, Quantity):
            kept[name] = {"quantity": to_json(value)}
        else:
            kept[name] = value
    return kept


def check_logbook(path: str | Path) -> None:
    """Refuse, before any work, a logbook that could not be written."""
    target = Path(path)
    if is_server(str(path)) or target.exists():
        Logbook(path).close()
    elif not target.parent.is_dir():
        raise FileError(f"--log: {path}: the folder {target.parent} does not stand. Make it first.")
