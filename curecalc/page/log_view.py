"""The logbook on the page: status of all machines, charts, latest entries; with `--write` entries added, corrected and struck out."""

from __future__ import annotations

import secrets
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError, QuantityError
from ..files.disk import json_text
from ..logbook.book import Logbook
from ..logbook.entries import ENTRY_KINDS, Entry
from ..logbook.status import MachineState, shop_status
from ..logbook.words import local, summary
from ..symbols import clip
from ..units import figure, parse, parse_measured

if TYPE_CHECKING:
    from flask import Flask

    from .app import Views

__all__ = ["add_log"]

STATES = {
    "well": "nothing due",
    "near": "near a limit",
    "unknown": "cannot be judged",
    "due": "something due",
    "stop": "stop: parts at stake",
}
KINDS = ("power", "note", "room", "lot", "machine")
LATEST = 25


def add_log(app: Flask, path: str, write: bool, views: Views) -> None:
    """Addresses of the status, its numbers, charts, and (where allowed) of adding and correcting an entry."""
    from flask import Response, abort, redirect, render_template, request, session

    with Logbook(path, write=write, create=write):
        pass  # say at the start, not at the first look, when the file is no logbook

    def token() -> str:
        if "token" not in session:
            session["token"] = secrets.token_urlsafe()
        return str(session["token"])

    def shown(problem: str = "", said: tuple[str, ...] = (), form: dict[str, str] | None = None) -> Any:
        with Logbook(path, write=write, create=write) as book:
            state = shop_status(book)
            last = [_entry(e) for e in reversed(book.entries(last=LATEST, corrected=True))]
            names = {what: book.names(what) for what in ("machine", "lot")}
            form = dict(form or {"kind": request.args.get("kind", "power")})
            number = form.get("corrects", request.args.get("corrects", ""))
            if number and "corrects" not in form:
                form = _of_entry(book.entry(_number(number))) | {"corrects": number}
        kind = form["kind"] if form.get("kind") in ENTRY_KINDS else "power"
        return render_template(
            "log.html",
            state=state,
            machines=[_row(m) for m in state.machines],
            states=STATES,
            shop_items=state.items,
            write=write,
            last=last,
            names=names,
            kinds=[(name, ENTRY_KINDS[name].help) for name in KINDS],
            kind=kind,
            needs=("machine", *(("lot",) if kind == "lot" else ())),
            fields=[(name, spec) for name, spec in ENTRY_KINDS[kind].fields.items()],
            form=form | {"kind": kind, "operator": form.get("operator", session.get("person", ""))},
            problem=problem,
            said=said,
            token=token() if write else "",
        )

    @app.route("/log")
    def log() -> Any:
        return shown(said=tuple(session.pop("said", ())) if write else ())

    @app.route("/log/numbers.json")
    def log_numbers() -> Any:
        with Logbook(path, write=write, create=write) as book:
            content = json_text(shop_status(book).to_dict())
        return Response(content, mimetype="application/json")

    @app.route("/log/chart.<ending>")
    def log_chart(ending: str) -> Any:
        from ..figures.drift import drift_figure
        from ..logbook.drifting import drift_report
        from .drawing import FORMATS

        if ending not in FORMATS:
            abort(HTTPStatus.NOT_FOUND)
        try:
            with Logbook(path, write=write, create=write) as book:
                report = drift_report(book, "power", machine=request.args.get("machine", ""))
            return Response(views.board.file(lambda: drift_figure(report), ending), mimetype=FORMATS[ending])
        except CurecalcError as error:
            return Response(" ".join(str(error).split()) + "\n", HTTPStatus.BAD_REQUEST, mimetype="text/plain")

    @app.route("/log/add", methods=["POST"])
    def log_add() -> Any:
        if not write:
            abort(HTTPStatus.FORBIDDEN, "The page is read-only. Start it with --write to add entries.")
        if not secrets.compare_digest(request.form.get("token", ""), token()):
            abort(HTTPStatus.FORBIDDEN, "This form is out of date. Load the page anew.")
        form = {name: text.strip() for name, text in request.form.items() if name != "token"}
        try:
            with Logbook(path, create=True) as book:
                entry, doubts = _added(book, form)
        except CurecalcError as error:
            return shown(problem=" ".join(str(error).split()), form=form), HTTPStatus.BAD_REQUEST
        way = f"If it is a slip, correct entry {entry.number} in the list below."
        session["said"] = [f"Entry {entry.number} is written: {summary(entry)}.", *(f"Check: {doubt} {way}" for doubt in doubts)]
        return redirect("/log", HTTPStatus.SEE_OTHER)


def _number(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 12):
        raise QuantityError(f"entry must be a whole number, got {clip(text)}.")
    return int(text)


def _added(book: Logbook, form: dict[str, str]) -> tuple[Entry, list[str]]:
    """The entry a form asks for, written; and what looks like a slip in it, as the command says it."""
    from ..logbook.doubts import implausible, power_doubts

    kind, corrects = form.get("kind", ""), form.get("corrects", "")
    number = _number(corrects) if corrects else None
    if form.get("strike") == "yes":
        if number is None:
            raise QuantityError("Choose the entry to strike out in the list.")
        old = book.entry(number)
        reason = form.get("reason", "")
        if not reason:
            raise QuantityError("Reason is missing: say why the entry is struck out.")
        struck = {"reason": reason}
        return book.add("correction", struck, machine=old.machine, lot=old.lot, operator=form.get("operator", ""), corrects=number), []
    if kind not in KINDS:
        raise QuantityError("Choose what to write: a power reading, a note, the room, a lot or a machine.")
    payload = _payload(kind, form)
    if odd := implausible(payload):
        raise QuantityError(f"{odd} Check the number and its unit; if it is right, write it with: curecalc log add {kind} ... --sure")
    machine, lot = form.get("machine") or None, form.get("lot") or None
    doubts = power_doubts(book, machine, payload["power"]) if kind == "power" and number is None else []
    return book.add(kind, payload, machine=machine, lot=lot, operator=form.get("operator", ""), corrects=number), doubts


def _payload(kind: str, form: dict[str, str]) -> dict[str, Any]:
    """The values of a kind's declaration, read from texts."""
    payload: dict[str, Any] = {}
    for name, spec in ENTRY_KINDS[kind].fields.items():
        text, label = form.get(name, ""), name.replace("_", " ").capitalize()
        if not text:
            if spec.required:
                raise QuantityError(f"{label} is missing: a {kind} entry must hold it, for example {spec.sample()}.")
        elif spec.quantity:
            value: Any = (parse_measured if spec.uncertain else parse)(label, text, spec.kind)
            payload[name] = float(value.m_as("")) if spec.kind in ("number", "fraction") and not spec.uncertain else value
        elif spec.kind == "boolean":
            payload[name] = text == "yes"
        else:
            payload[name] = text
    return payload


def _of_entry(entry: Entry) -> dict[str, str]:
    """An entry as the texts of its form."""
    from ..units import from_json, show

    form = {"kind": entry.kind, "machine": entry.machine or "", "lot": entry.lot or "", "operator": entry.operator}
    for name, value in entry.payload.items():
        if isinstance(value, dict) and "unit" in value:
            form[name] = show(from_json(value), digits=6) if "standard_uncertainty" not in value else show(from_json(value))
        elif isinstance(value, str | int | float):
            form[name] = "yes" if value is True else str(value)
    return form


def _entry(entry: Entry) -> dict[str, Any]:
    return {
        "number": entry.number,
        "time": local(entry.time),
        "kind": entry.kind,
        "about": ", ".join(name for name in (entry.machine, entry.lot, entry.beam) if name),
        "told": summary(entry),
        "operator": entry.operator,
        "gone": entry.corrected_by is not None,
        "edit": entry.kind in KINDS,
        "strike": entry.kind != "correction",
    }


def _row(m: MachineState) -> dict[str, Any]:
    def age(days: float | None) -> str:
        return "not in the logbook" if days is None else "today" if days < 1.0 else f"{days:.0f} day{'s' * (round(days) > 1)} ago"

    def told(value: float | None, unit: str) -> str:
        return "not in the logbook" if value is None else f"{figure(value)} {unit}"

    return {
        "machine": m.machine,
        "state": m.state,
        "lot": m.lot or "none",
        "power": told(m.power, "mW"),
        "power_age": age(m.power_age),
        "calibration_age": age(m.calibration_age),
        "depth": told(m.depth, "mm"),
        "layer": told(m.layer, "mm"),
        "chart": m.chart,
        "todo": m.items,
    }
