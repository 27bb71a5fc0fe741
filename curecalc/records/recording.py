"""What other commands do with a logbook: read what is current by name, and record what they did with its source data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import FileError, QuantityError
from ..units import Measured
from .entries import Entry
from .logbook import Logbook, Source

if TYPE_CHECKING:
    from ..calibration.comparing import LotComparison
    from ..calibration.curve import Fit

__all__ = ["Current", "current", "record_command", "record_comparison", "record_fit"]


@dataclass(frozen=True)
class Current:
    """What a logbook holds now about a machine and the lot in its vat; what it does not hold is None.

    `documents` are files kept with the newest entries, by role: `machine`, `resin`, `beam`, `needs`.
    """

    machine: str | None
    lot: str | None
    power: Measured | None
    power_time: str | None
    beam_radius: Measured | None
    penetration_depth: Measured | None
    critical_exposure: Measured | None
    correlation: float | None
    documents: Mapping[str, Source]
    entries: Mapping[str, Entry]

    def document(self, role: str) -> Source:
        """The newest kept file of a role, or a `QuantityError` that says how to keep one."""
        if role in self.documents:
            return self.documents[role]
        way = {
            "machine": "curecalc log add machine --machine NAME --source machine=machine.toml",
            "resin": "curecalc fit FILE --lot NAME --log FILE",
            "beam": "curecalc spot FILE --machine NAME --log FILE --save beam.toml",
        }.get(role, f"curecalc log add note --text ... --source {role}=FILE")
        whose = self.lot if role == "resin" else self.machine
        raise QuantityError(f"the logbook keeps no {role} file of {whose or 'this name'}. Record one: {way}")


def current(
    path: str | Path, *, machine: str | None = None, lot: str | None = None, beam: str | None = None
) -> Current:
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
        load = book.latest("lot", machine=machine) if machine is not None else None
        lot = lot if lot is not None else (load.lot if load is not None else None)
        found: dict[str, Entry | None] = {
            "machine": book.latest("machine", machine=machine) if machine is not None else None,
            "power": book.latest("power", machine=machine) if machine is not None else None,
            "beam": book.latest("beam", machine=machine, beam=beam)
            if machine is not None or beam is not None
            else None,
            "calibration": book.latest("calibration", lot=lot) if lot is not None else None,
        }
        entries = {name: entry for name, entry in found.items() if entry is not None}
        documents = _documents(book, machine, lot, beam)
    power, curve = entries.get("power"), entries.get("calibration")
    return Current(
        machine, lot, power.quantity("power") if power else None, power.time if power else None,
        entries["beam"].quantity("beam_radius") if "beam" in entries else None,
        curve.quantity("penetration_depth") if curve else None, curve.quantity("critical_exposure") if curve else None,
        curve.payload.get("correlation") if curve else None, documents, entries,
    )  # fmt: skip


def _documents(book: Logbook, machine: str | None, lot: str | None, beam: str | None) -> dict[str, Source]:
    wanted = (
        ("machine", "machine", {"machine": machine}), ("resin", "calibration", {"lot": lot}),
        ("beam", "beam", {"machine": machine, "beam": beam}), ("needs", "recipe", {"machine": machine}),
    )  # fmt: skip
    documents: dict[str, Source] = {}
    for role, kind, names in wanted:
        if all(name is None for name in names.values()):
            continue
        about = book.entries(
            kind=kind, last=50, machine=names.get("machine"), lot=names.get("lot"), beam=names.get("beam")
        )
        for entry in reversed(about):
            kept = [one for one in entry.attached if one.role == role]
            if kept:
                documents[role] = Source(role, kept[0].name, book.source(kept[0].sha256))
                break
    return documents


def record_command(
    path: str | Path, kind: str, payload: Mapping[str, Any], sources: Sequence[Source] = (), *, machine: str | None = None,
    lot: str | None = None, beam: str | None = None, operator: str = "", time: str | None = None,
) -> Entry:  # fmt: skip
    """Write one entry for a command into the logbook at `path`, which is made when it does not stand."""
    with Logbook(path, create=True) as book:
        return book.add(
            kind, payload, machine=machine, lot=lot, beam=beam, operator=operator, sources=_distinct(sources), time=time
        )


def _distinct(sources: Sequence[Source]) -> list[Source]:
    """Names fit to keep: the file's own name without odd characters, roles as they are."""
    kept = []
    for one in sources:
        name = "".join(c if c.isprintable() else "?" for c in Path(one.name).name).strip()[:200]
        kept.append(Source(one.role, name or one.role, one.data))
    return kept


def record_fit(
    path: str | Path, fit: Fit, *, options: Mapping[str, Any], priors: Sequence[str] = (), lot: str | None = None,
    machine: str | None = None, operator: str = "", resin_document: str | None = None,
) -> Entry:  # fmt: skip
    """Record a fit as a calibration: its result, its options, the coupon table, the resin files of earlier lots.

    `options` are the texts of the options that change the numbers, so that `log verify --recompute` can fit again.
    """
    names = fit.coupons.names
    lot = lot or names.get("lot")
    if lot is None:
        raise QuantityError("lot is missing: a calibration belongs to a lot. Give its name.")
    result = fit.to_dict()
    sources = [Source("coupons", Path(fit.coupons.path).name, fit.coupons.raw)]
    sources += [Source.read(file, f"prior{number}") for number, file in enumerate(priors, 1)]
    if resin_document is not None:
        sources.append(Source("resin", f"{lot}.toml".replace("/", "-"), resin_document.encode()))
    payload: dict[str, Any] = {
        "penetration_depth": fit.penetration_depth, "critical_exposure": fit.critical_exposure, "correlation": fit.correlation,
        "residual_sd": fit.residual_sd, "options": dict(options), "result": result,
    }  # fmt: skip
    if fit.coupons.temperature is not None:
        from ..units import DEGC, Quantity

        payload["temperature"] = Quantity(float(fit.coupons.temperature.mean()), DEGC)
    return record_command(
        path, "calibration", payload, sources, lot=lot, machine=machine or names.get("machine"), operator=operator
    )


def record_comparison(
    path: str | Path, comparison: LotComparison, *, files: Sequence[str], options: Mapping[str, Any], lot: str,
    old_lot: str | None = None, operator: str = "",
) -> Entry:  # fmt: skip
    """Record a comparison of lots: the verdict on the newest, the options, the files compared."""
    result = comparison.to_dict()
    payload: dict[str, Any] = {
        "verdict": comparison.verdict, "sentence": comparison.sentence, "old_lot": old_lot or comparison.lots[0].name,
        "options": dict(options), "result": result,
    }  # fmt: skip
    change = result.get("speed_change")
    if isinstance(change, Mapping) and isinstance(change.get("value"), int | float):
        payload["speed_change"] = change["value"]
    sources = [Source.read(file, f"lot{number}") for number, file in enumerate(files, 1)]
    return record_command(path, "comparison", payload, sources, lot=lot, operator=operator)


def check_logbook(path: str | Path) -> None:
    """Refuse, before any work, a logbook that could not be written."""
    target = Path(path)
    if target.exists():
        Logbook(path).close()
    elif not target.parent.is_dir():
        raise FileError(f"--log: {path}: the folder {target.parent} does not stand. Make it first.")
