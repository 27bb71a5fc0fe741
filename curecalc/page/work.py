"""What one browser works with: machine, lot, needs, beam and coupons as texts, and where each came from. Kept in memory only."""

from __future__ import annotations

import datetime
import secrets
import threading
from collections import OrderedDict
from collections.abc import Mapping, MutableMapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from ..errors import CurecalcError, FileError

if TYPE_CHECKING:
    from ..files.records import RecordFile
    from ..jobs.lot import Lot
    from ..jobs.machine import Machine
    from ..jobs.needs import Needs
    from ..lessons.bench import Bench
    from ..recipe.record import Recipe, VectorRecipe

__all__ = ["PARTS", "Part", "Scan", "Work", "Works", "file_of"]

PARTS = ("machine", "resin", "needs")


@dataclass(frozen=True)
class Part:
    """A file of the work: its text, the name the equal command line gives it, and where it came from, in words."""

    text: str
    path: str
    source: str


class Scan(NamedTuple):
    """A beam file in memory, and the options given with it."""

    name: str
    data: bytes
    options: tuple[tuple[str, str], ...] = ()


def file_of(name: str) -> RecordFile[Any]:
    """The kind of file of a part."""
    from ..jobs.lot import RESIN
    from ..jobs.machine import MACHINE
    from ..jobs.needs import NEEDS

    files: dict[str, RecordFile[Any]] = {"machine": MACHINE, "resin": RESIN, "needs": NEEDS}
    return files[name]


@lru_cache
def _read(name: str, text: str, path: str) -> Any:
    found = file_of(name).parse(text, source=path)
    if name == "machine" and found.beam_record:
        raise FileError(
            f"{path}: beam_record names a file, {found.beam_record}, and the page opens none but those it is given. "
            "Leave the key out, and put the beam into the machine on the view Beam."
        )
    return found


@lru_cache
def _made(parts: tuple[Part, ...], today: datetime.date) -> Recipe:
    from ..recipe.recipe import make_recipe

    machine, lot, needs = (_read(name, part.text, part.path) for name, part in zip(PARTS, parts, strict=True))
    return make_recipe(machine=machine, resin=lot, needs=needs, today=today)


@dataclass(frozen=True)
class Work:
    """One browser's work; a change makes a new one.

    Attributes
    ----------
    parts : mapping of machine, resin and needs to Part
    given : Bench or None
        Whose numbers stand where there are no files; invented ones when None.
    scan : Scan or None
        The beam file read last.
    table, excluded : str
        Coupons as CSV, labels left out a line each.
    paths : tuple of str and bytes, or None
        Name and content of the table of vectors read last.
    """

    parts: Mapping[str, Part] = field(default_factory=dict)
    given: Bench | None = None
    scan: Scan | None = None
    table: str = ""
    excluded: str = ""
    sheet: bool = False
    paths: tuple[str, bytes] | None = None

    def _part(self, name: str) -> Any:
        part = self.parts.get(name)
        return None if part is None else _read(name, part.text, part.path)

    @property
    def machine(self) -> Machine | None:
        """The machine, where there is one."""
        return self._part("machine")

    @property
    def lot(self) -> Lot | None:
        """The lot, where there is one."""
        return self._part("resin")

    @property
    def needs(self) -> Needs | None:
        """The needs, where there are any."""
        return self._part("needs")

    @property
    def complete(self) -> bool:
        """Whether a recipe can be made."""
        return all(name in self.parts for name in PARTS)

    @property
    def beam_apart(self) -> str:
        """The file of a beam that the machine was given without; empty where it was put in, or none was measured."""
        part = self.parts.get("machine")
        if self.scan is None or part is None or part.source.endswith(f"with {self.scan.name} put in"):
            return ""
        return self.scan.name

    def recipe(self) -> Recipe:
        """The recipe of the three files, made once.

        Raises
        ------
        CurecalcError
        """
        return _made(tuple(self.parts[name] for name in PARTS), datetime.date.today())

    @cached_property
    def base(self) -> Bench:
        """The bench that stands where there are no files."""
        from ..lessons.bench import invented_bench

        return self.given or invented_bench()

    def bench(self) -> Bench:
        """Beam, resin, layer and pattern of the files; of the bench given where a file is missing."""
        from ..lessons.bench import bench_of

        return bench_of(machine=self.machine, lot=self.lot, needs=self.needs, otherwise=self.base)

    @cached_property
    def chosen(self) -> VectorRecipe | None:
        """The recipe's main kind of vector where the files make a recipe."""
        try:
            return self.recipe().main if self.complete else None
        except CurecalcError:
            return None  # what does not fit is said where the recipe is made

    @cached_property
    def start(self) -> dict[str, str]:
        """The texts a fresh setting shows: those of the recipe's main kind of vector, of the files that are here, else of the bench."""
        from .fields import start_texts

        chosen = self.chosen
        from ..jobs.machine import machine_beam

        return start_texts(self.bench(), chosen, beam=None if self.machine is None else machine_beam(self.machine))

    def earlier(self, data_sha256: str) -> Lot | None:
        """The lot before the one fitted from these data: the lot in use, or the one it took the place of."""
        for name in ("resin", "earlier"):
            part = self.parts.get(name)
            if part is not None:
                lot: Lot = _read("resin", part.text, part.path)
                if lot.data_sha256 != data_sha256:
                    return lot
        return None

    def source(self, name: str) -> str:
        """Where a part came from, in words."""
        return self.parts[name].source if name in self.parts else self.base.name

    def changed(self, name: str, text: str, source: str, *, path: str = "") -> Work:
        """With another text of a part, read and refused where it is not sound."""
        part = Part(text, path or f"{name}.toml", source)
        _read(name, part.text, part.path)
        parts = {**self.parts, name: part}
        if name == "resin" and "resin" in self.parts:
            parts["earlier"] = self.parts["resin"]
        return replace(self, parts=parts)


class Works:
    """The works of all browsers, the oldest forgotten; a browser that has changed nothing has the first."""

    MOST = 200

    def __init__(self, first: Work) -> None:
        self.first = first
        self._kept: OrderedDict[str, Work] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, session: Mapping[str, Any]) -> Work:
        """The work of a session."""
        with self._lock:
            return self._kept.get(session.get("who", ""), self.first)

    def keep(self, session: MutableMapping[str, Any], work: Work) -> None:
        """Keep a session's work."""
        who = session.setdefault("who", secrets.token_urlsafe())
        with self._lock:
            self._kept.pop(who, None)
            self._kept[who] = work
            while len(self._kept) > self.MOST:
                self._kept.popitem(last=False)
