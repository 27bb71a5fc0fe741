"""The logbook: entries that are only ever added, each chained to the one before by its hash."""

from __future__ import annotations

import contextlib
import difflib
import hashlib
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from .. import __version__
from ..errors import FileError, QuantityError
from . import store
from .entries import ENTRY_KINDS, GENESIS, Attached, Entry, brief, check_payload, check_time, moment, name_text, payload_json, plain_payload
from .rows import COLUMNS, HOLDS, NEWER, Row, entry_of, parts, where

__all__ = ["Logbook", "Source"]

LARGEST_SOURCE = 500_000_000
LARGEST_PAYLOAD = 50_000_000
_RESTORED = 2  # times that an entry may hold again after a correction of it was struck out
_TRIES = 5  # of sending an entry to a server that was lost on the way


@dataclass(frozen=True)
class Source:
    """Data an entry rests on, to be kept with it: its role (`coupons`, `scan`, `machine` ...), a name, the bytes."""

    role: str
    name: str
    data: bytes

    @classmethod
    def read(cls, path: str | Path, role: str) -> Source:
        """The source in a file; only the name of the file is kept, not its folder."""
        from ..files.disk import read_bytes

        return cls(role, Path(path).name, read_bytes(path, what=role, largest=LARGEST_SOURCE))


class Logbook:
    """An open logbook file.

    Use as a context manager. Any number of processes on one computer may have it open; writers take turns. An entry that
    `add` returned is on the disk.

    Parameters
    ----------
    path : str or Path
    create : bool
        Make the file when it does not stand, with the first entry: one that is refused leaves no file behind.
    write : bool
        False opens for reading only, also in folders that may not be written.
    """

    def __init__(self, path: str | Path, *, create: bool = False, write: bool = True) -> None:
        self.path = str(path)
        self._unmade = create and not store.is_server(str(path)) and not store.stands(Path(path))
        self._connection = store.blank() if self._unmade else store.connect(path, create=create, write=write)
        self._joined = False

    def __enter__(self) -> Logbook:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; the last one to close folds the write-ahead log into it."""
        self._connection.close()

    def __len__(self) -> int:
        with store.guarded(self.path):
            return int(self._connection.execute("SELECT coalesce(max(number), 0) FROM entry").value())

    # ------------------------------------------------------------ writing

    def add(
        self,
        kind: str,
        payload: Mapping[str, Any] | None = None,
        *,
        machine: str | None = None,
        lot: str | None = None,
        beam: str | None = None,
        operator: str = "",
        time: str | datetime | None = None,
        corrects: int | None = None,
        sources: Sequence[Source] = (),
        identity: str | None = None,
    ) -> Entry:
        """Write one entry and return it; when this returns, it is on the disk.

        Parameters
        ----------
        kind : one of `curecalc.logbook.entries.ENTRY_KINDS`
        payload : mapping
            What the kind asks for; quantities, dates and nested tables allowed. Other keys may stand beside them.
        machine, lot, beam : str, optional
            Names that tie entries together.
        operator : str
            Initials, if wanted.
        time : str or datetime, optional
            When it was so; when left out now, or the time of the entry that is corrected.
        corrects : int, optional
            The number of the entry that this one replaces (of the same kind), or strikes out (kind `correction`).
        sources : sequence of Source
            Data to keep, so that the result can be computed again.
        identity : str, optional
            The entry's own, made up by whoever sends it: sent again, the entry that stands is returned and none is added.
        """
        own = f"id {name_text('identity', identity) or uuid.uuid4()}"
        if corrects is not None and kind != "correction":
            for was in self._numbered(corrects):
                machine, lot, beam = machine or was.machine, lot or was.lot, beam or was.beam
                time = was.time if time is None else time
        text, names = self._checked(kind, payload or {}, machine, lot, beam, corrects, sources)
        when, who = check_time(time), name_text("operator", operator) if operator else ""
        recorded = moment(datetime.now(UTC))
        if self._unmade:
            self._check_corrects(kind, corrects)
        for attempt in range(_TRIES):
            try:
                if attempt:
                    self._connection = store.connect_again(self.path, self._connection)
                return self.entry(self._added(kind, text, names, when, who or "", recorded, own, corrects, sources))
            except store.Lost:  # whether the entry stands is not known: with its own identity it is safe to send again
                if self._joined or attempt + 1 == _TRIES:
                    raise
        raise AssertionError

    def _added(
        self,
        kind: str,
        text: str,
        names: tuple[str | None, str | None, str | None],
        when: str,
        who: str,
        recorded: str,
        own: str,
        corrects: int | None,
        sources: Sequence[Source],
    ) -> int:
        """The number of the entry, added now or standing already under its own identity."""
        with store.guarded(self.path), self._turn():
            for number, *said in self._execute("SELECT number, kind, payload FROM entry WHERE origin = ? AND origin <> ''", (own,)):
                if said != [kind, text]:
                    named = own.removeprefix("id ")
                    raise QuantityError(f"identity {named!r} belongs to entry {number}, which says something else. Give another.")
                return int(number)
            corrects = self._check_corrects(kind, corrects)
            for what, name in zip(("machine", "lot"), names):
                if name is not None and kind != what:
                    self._check_name(what, name)
            for source in sources:
                self._keep(source.data)
            row = Row(0, kind, when, recorded, who, __version__, *names, corrects, own, text, "", "")
            return self._append(row, [(one.role, one.name, hashlib.sha256(one.data).hexdigest()) for one in sources])

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """Entries added inside stand all or not at all; they are on the disk when the block ends."""
        with store.guarded(self.path), self._turn():
            self._joined = True
            try:
                yield
            finally:
                self._joined = False

    def _execute(self, statement: str, values: Sequence[Any]) -> Any:
        return self._connection.execute(statement, tuple(values))

    def _turn(self) -> contextlib.AbstractContextManager[None]:
        if self._unmade:
            self._connection.close()
            self._connection, self._unmade = store.connect(self.path, create=True), False
        return contextlib.nullcontext() if self._joined else store.writing(self._connection)

    def _checked(
        self,
        kind: str,
        payload: Mapping[str, Any],
        machine: str | None,
        lot: str | None,
        beam: str | None,
        corrects: int | None,
        sources: Sequence[Source],
    ) -> tuple[str, tuple[str | None, str | None, str | None]]:
        plain = plain_payload(payload)
        check_payload(kind, plain)
        names = (name_text("machine", machine), name_text("lot", lot), name_text("beam", beam))
        for what, name in zip(("machine", "lot", "beam"), names):
            if what in ENTRY_KINDS[kind].needs and name is None:
                raise QuantityError(f"{what} is missing: a {kind} entry must name its {what}, for example {what}='north'.")
        if kind == "beam" and names[0] is None and names[2] is None:
            raise QuantityError("machine and beam are missing: a beam entry must name one of them.")
        if kind == "correction" and corrects is None:
            raise QuantityError("corrects is missing: a correction must give the number of the entry it strikes out.")
        text = payload_json(plain)
        if len(text) > LARGEST_PAYLOAD:
            raise QuantityError(f"the entry is larger than {LARGEST_PAYLOAD // 10**6} MB. Keep large data as a source.")
        roles = [one.role for one in sources]
        if len(set(roles)) != len(roles):
            raise QuantityError("two sources have the same role. Give each its own.")
        for one in sources:
            name_text("the role of a source", one.role)
            name_text("the name of a source", one.name)
        return text, names

    def _check_name(self, what: str, name: str) -> None:
        """Refuse a machine that was never introduced where others were, and a name that looks like a slip of one that was used."""
        if self._connection.execute(f"SELECT 1 FROM entry WHERE {what} = ? LIMIT 1", (name,)).fetchone():
            return
        known = self._used(what)
        folded = {one.casefold(): one for one in known}
        near = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.75)
        if what == "machine" and not near and self._execute("SELECT 1 FROM entry WHERE kind = 'machine' LIMIT 1", ()).fetchone():
            near = [one for one in folded if one in name.casefold() or name.casefold() in one]
            near = near or difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.0)
        if near:
            raise QuantityError(
                f"{what}: {name!r} is not in the logbook, but {folded[near[0]]!r} is. If it is a new {what}, introduce it first: "
                f"curecalc log add {what} --{'machine-name' if what == 'machine' else what} {name!r}"
            )

    def _check_corrects(self, kind: str, corrects: int | None) -> int | None:
        """The entry to correct: the one named, or where it was corrected and holds again, the last correction about it."""
        if corrects is None:
            return None
        was = next(self._numbered(corrects), None)
        if was is None:
            raise QuantityError(f"corrects: there is no entry {corrects}. See: curecalc log list")
        if was.corrected_by is not None:
            raise QuantityError(f"corrects: entry {corrects} was already corrected by entry {was.corrected_by}. Correct that one.")
        if kind not in (was.kind, "correction"):
            raise QuantityError(
                f"corrects: entry {corrects} is a {was.kind} entry, and a {kind} entry cannot replace it. "
                f"Write a {was.kind} entry, or strike it out with a correction."
            )
        last, later = was.number, 0
        while (found := self._execute("SELECT number FROM entry WHERE corrects = ?", (last,)).fetchone()) is not None:
            last, later = int(found[0]), later + 1
        if later // 2 >= _RESTORED or (later and kind == "correction"):
            raise QuantityError(f"corrects: entry {corrects} holds again after corrections. Write a {was.kind} entry that replaces it.")
        return last

    def _keep(self, data: bytes | None, sha256: str | None = None, size: int | None = None) -> None:
        if data is not None:
            sha256, size = hashlib.sha256(data).hexdigest(), len(data)
        self._connection.execute(
            "INSERT INTO source (sha256, size, data) VALUES (?, ?, ?) ON CONFLICT (sha256) DO NOTHING", (sha256, size, data)
        )
        bare = "SELECT 1 FROM source WHERE sha256 = ? AND data IS NULL"
        if data is not None and self._execute(bare, (sha256,)).fetchone():
            self._connection.execute("UPDATE source SET data = ? WHERE sha256 = ? AND data IS NULL", (data, sha256))

    def _append(self, row: Row, attached: list[tuple[str, str, str]]) -> int:
        """Chain a row to the last one and write it; its number."""
        number, previous = self._last()
        row = row._replace(number=number + 1, previous=previous)
        row = row._replace(sha256=row.chained(attached))
        self._execute(f"INSERT INTO entry ({COLUMNS}) VALUES ({', '.join('?' * len(row))})", row)
        self._connection.executemany(
            "INSERT INTO attached (entry, role, name, sha256) VALUES (?, ?, ?, ?)", [(row.number, *one) for one in attached]
        )
        return row.number

    def _last(self) -> tuple[int, str]:
        row = self._execute("SELECT number, sha256 FROM entry ORDER BY number DESC LIMIT 1", ()).fetchone()
        return (0, GENESIS) if row is None else tuple(row)

    # ------------------------------------------------------------ reading

    def head(self) -> tuple[int, str]:
        """Number and hash of the last entry: noted elsewhere, they prove later that nothing before them was changed or cut off."""
        with store.guarded(self.path):
            return self._last()

    def entry(self, number: int) -> Entry:
        """One entry by its number."""
        for found in self._numbered(number):
            return found
        raise QuantityError(f"there is no entry {number}; the logbook holds {len(self)}. See: curecalc log list")

    def _numbered(self, number: int) -> Iterator[Entry]:
        """The entry of this number, where there is one."""
        if number in range(len(self) + 1):  # a database takes no larger number
            yield from self._select("WHERE entry.number = ?", (number,))

    def entries(
        self,
        *,
        kind: str | None = None,
        machine: str | None = None,
        lot: str | None = None,
        beam: str | None = None,
        since: str | None = None,
        until: str | None = None,
        corrected: bool = False,
        last: int | None = None,
    ) -> list[Entry]:
        """Entries in order of their time, by what they are about.

        Parameters
        ----------
        kind, machine, lot, beam : str, optional
        since, until : str, optional
            Stored times (`check_time` makes them), the ends included.
        corrected : bool
            Also those that a later entry has replaced or struck out, and the corrections that strike out.
        last : int, optional
            Only the latest so many.
        """
        if kind is not None and kind not in ENTRY_KINDS:
            check_payload(kind, {})
        clause, values = where(kind=kind, machine=machine, lot=lot, beam=beam, since=since, until=until, corrected=corrected)
        if last is None:
            return list(self._select(f"{clause} ORDER BY time, number", values))
        rows = list(self._select(f"{clause} ORDER BY time DESC, number DESC LIMIT ?", (*values, max(0, last))))
        return rows[::-1]

    def latest(self, kind: str, **names: Any) -> Entry | None:
        """The newest entry of a kind that still holds, or None."""
        found = self.entries(kind=kind, last=1, **names)
        return found[0] if found else None

    def names(self, what: str) -> list[str]:
        """All names of `machine`, `lot` or `beam` in entries that hold."""
        if what not in ("machine", "lot", "beam"):
            raise ValueError(what)
        with store.guarded(self.path):
            return self._used(what, f"AND (SELECT 1 FROM entry WHERE {what} = used.name AND {HOLDS} LIMIT 1) IS NOT NULL")

    def _used(self, what: str, more: str = "") -> list[str]:
        """All names of a column, by stepping through its index from one to the next."""
        rows = self._connection.execute(
            f"WITH RECURSIVE used(name) AS (SELECT min({what}) FROM entry UNION ALL SELECT (SELECT min({what}) FROM entry "
            f"WHERE {what} > used.name) FROM used WHERE used.name IS NOT NULL) SELECT name FROM used WHERE name IS NOT NULL {more}"
        )
        return sorted(name for (name,) in rows)

    def document(
        self, role: str, kind: str, *, machine: str | None = None, lot: str | None = None, beam: str | None = None
    ) -> Source | None:
        """The newest file of a role that is kept with entries of a kind that hold."""
        clause, values = where(kind=kind, machine=machine, lot=lot, beam=beam)
        query = f"SELECT attached.name, attached.sha256 FROM entry JOIN attached ON attached.entry = entry.number {clause} AND role = ?"
        with store.guarded(self.path):
            found = self._execute(f"{query} ORDER BY time DESC, number DESC LIMIT 1", (*values, role)).fetchone()
        if found is None:
            return None
        name, sha256 = found
        return Source(role, name, self.source(sha256))

    def source(self, sha256: str) -> bytes:
        """The bytes of kept source data."""
        with store.guarded(self.path):
            row = self._connection.execute("SELECT data FROM source WHERE sha256 = ?", (sha256,)).fetchone()
        if row is None or row[0] is None:
            raise FileError(f"{self.path}: the source data {brief(sha256)} is not kept in this logbook.")
        return bytes(row[0])

    def columns(
        self,
        kind: str,
        fields: Sequence[str],
        *,
        machine: str | None = None,
        lot: str | None = None,
        beam: str | None = None,
        since: str | None = None,
        until: str | None = None,
        first: int | None = None,
        last: int | None = None,
    ) -> list[list[Any]]:
        """Number, time, machine, lot, beam and every field of entries that hold, a list each in order of time; missing fields are None.

        A field is a path into the payload like `power.value`. Quick on long logbooks: nothing else is read, and `first` or
        `last` keep so many of one end.
        """
        for one in fields:
            if not all(part.isidentifier() for part in one.split(".")):
                raise ValueError(one)
        picks = self._connection.fields(fields)
        clause, values = where(kind=kind, machine=machine, lot=lot, beam=beam, since=since, until=until)
        order, count = ("ASC", first) if last is None else ("DESC", last)
        limit = () if count is None else (count,)
        with store.guarded(self.path):
            rows = self._connection.execute(
                f"SELECT number, time, machine, lot, beam{picks} FROM entry {clause} "
                f"ORDER BY time {order}, number {order} {'LIMIT ?' * len(limit)}",
                (*values, *limit),
            ).fetchall()
        if last is not None:
            rows = rows[::-1]
        held = self._connection.held([row[-1] for row in rows], len(fields)) if fields else []
        return [*([row[place] for row in rows] for place in range(5)), *held]

    def values(self, kind: str, fields: Sequence[str], **which: Any) -> list[tuple[Any, ...]]:
        """What `columns` gives, entry by entry."""
        return list(zip(*self.columns(kind, fields, **which), strict=True))

    def _select(self, clause: str, values: Iterable[Any]) -> Iterator[Entry]:
        with store.guarded(self.path):
            rows = self._connection.execute(f"SELECT {COLUMNS}, {NEWER} AS corrected_by FROM entry {clause}", tuple(values)).fetchall()
            kept = self._attached([number for number, *_ in rows])
        for *fields, newer in rows:
            row = Row(*fields)
            yield entry_of(self.path, row, kept.get(row.number, ()), newer)

    def _attached(self, numbers: list[int]) -> dict[int, tuple[Attached, ...]]:
        kept: dict[int, tuple[Attached, ...]] = {}
        for some in parts(numbers):
            query = (
                "SELECT entry, role, name, attached.sha256, size FROM attached JOIN source USING (sha256) "
                f"WHERE entry IN ({', '.join('?' * len(some))}) ORDER BY entry, role"
            )
            for number, *rest in self._connection.execute(query, some):
                kept[number] = (*kept.get(number, ()), Attached(*rest))
        return kept

    # ------------------------------------------------------------ keeping safe

    @property
    def connection(self) -> store.Database:
        """The database connection, for the other modules of the logbook."""
        return self._connection

    def backup(self, path: str | Path) -> int:
        """Write a complete copy to `path`, safe while others write; never over a standing file. Returns the entries in it."""
        from .copies import backup

        return backup(self, path)
