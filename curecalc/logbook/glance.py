"""A logbook read for one look at all machines: what each look asks for is read for all of them together, not machine by machine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from . import store
from .book import Logbook
from .entries import Entry
from .rows import parts, where

__all__ = ["Glance"]


class Glance(Logbook):
    """What a logbook holds up to `until`, through the same connection. Nothing may be written while it is in use.

    Parameters
    ----------
    book : Logbook
    until : str
        A stored time.
    fields : sequence of str
        Of machine entries.
    """

    def __init__(self, book: Logbook, until: str, fields: Sequence[str]) -> None:
        vars(self).update(vars(book))
        self.until = until
        self.machines = self.names("machine")
        self._about: dict[str, list[dict[str, Any]]] = {}
        for _, time, machine, _, _, *held in super().values("machine", fields, until=until):
            self._about.setdefault(machine, []).append({"time": time} | dict(zip(fields, held)))
        self._newest: dict[tuple[Any, ...], Entry | None] = {}  # by kind and names asked for
        self._gather("machine", self.machines, ("lot", "beam", "power", "recipe", "retune"))
        lots = {entry.lot for (kind, *_), entry in self._newest.items() if kind == "lot" and entry is not None and entry.lot is not None}
        self._gather("lot", sorted(lots), ("calibration", "comparison"))
        self.expiry = self._expiry(sorted(lots))

    def about(self, machine: str) -> list[dict[str, Any]]:
        """Time and fields of the machine entries of a machine."""
        return self._about.get(machine, [])

    def latest(self, kind: str, **names: Any) -> Entry | None:
        """As of any logbook, without asking again for what was gathered."""
        asked = (kind, *sorted(names.items()))
        return self._newest[asked] if asked in self._newest else super().latest(kind, **names)

    def _expiry(self, lots: Sequence[str]) -> dict[str, str]:
        """The day after which each lot is too old, as far as it was written down."""
        found: dict[str, str] = {}
        clause, values = where(kind="lot", until=self.until)
        for some in parts(lots):
            about = f"{clause} AND lot IN ({', '.join('?' * len(some))}) ORDER BY time, number"
            with store.guarded(self.path):
                rows = self._connection.execute(f"SELECT lot{self._connection.fields(['expiry'])} FROM entry {about}", (*values, *some))
            (days,) = self._connection.held([text for _, text in rows], 1)
            found |= {lot: day for (lot, _), day in zip(rows, days, strict=True) if day}
        return found

    def _gather(self, what: str, names: Sequence[str], kinds: Iterable[str]) -> None:
        """The newest entries of these kinds about each name."""
        numbers: dict[int, tuple[Any, ...]] = {}
        for kind in kinds:
            clause, values = where(kind=kind, until=self.until)
            for some in parts(names):
                with store.guarded(self.path):
                    rows = self._connection.execute(
                        f"SELECT column1, (SELECT number FROM entry {clause} AND {what} = column1 ORDER BY time DESC, number DESC LIMIT 1) "
                        f"FROM (VALUES {', '.join(['(?)'] * len(some))}) AS named",
                        (*values, *some),
                    )
                for name, number in rows:
                    asked = (kind, (what, name), ("until", self.until))
                    self._newest[asked] = None
                    numbers |= {} if number is None else {number: asked}
        for some_numbers in parts(list(numbers)):
            for entry in self._select(f"WHERE number IN ({', '.join('?' * len(some_numbers))})", some_numbers):
                self._newest[numbers[entry.number]] = entry
