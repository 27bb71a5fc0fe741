"""The logbook on the page: its status; with `--write` also a form for a power reading or a note."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError, QuantityError
from ..logbook.book import Logbook
from ..logbook.status import MachineState, shop_status
from ..units import figure, parse_measured
from .drawing import Board

if TYPE_CHECKING:
    from flask import Flask

__all__ = ["add_log"]

STATES = {"well": "nothing due", "due": "something due", "stop": "stop: parts at stake"}


def add_log(app: Flask, path: str, write: bool, board: Board) -> None:
    """Addresses of the status, its numbers, charts, and (where allowed) of adding an entry."""
    from flask import Response, abort, redirect, render_template, request, session

    with Logbook(path, write=False):
        pass  # say at the start, not at the first look, when the file is no logbook

    def token() -> str:
        if "token" not in session:
            session["token"] = secrets.token_urlsafe(16)
        return str(session["token"])

    def shown(problem: str = "", done: str = "") -> Any:
        with Logbook(path, write=False) as book:
            state = shop_status(book)
            last = [_entry(e) for e in book.entries(last=8)] if write else []
        return render_template(
            "log.html",
            state=state,
            machines=[_row(m) for m in state.machines],
            states=STATES,
            write=write,
            last=last,
            problem=problem,
            done=done,
            token=token() if write else "",
            given=request.form,
        )

    @app.route("/log")
    def log() -> Any:
        return shown(done=session.pop("done", "") if write else "")

    @app.route("/log/numbers.json")
    def log_numbers() -> Any:
        import json

        with Logbook(path, write=False) as book:
            content = json.dumps(shop_status(book).to_dict(), indent=2, ensure_ascii=False, allow_nan=False)
        return Response(content + "\n", mimetype="application/json")

    @app.route("/log/chart.<ending>")
    def log_chart(ending: str) -> Any:
        from ..figures.drift import drift_figure
        from ..logbook.drifting import drift_report
        from .drawing import FORMATS

        if ending not in FORMATS:
            abort(404)
        try:
            with Logbook(path, write=False) as book:
                report = drift_report(book, "power", machine=request.args.get("machine", "")[:80])
            return Response(board.file(lambda: drift_figure(report), ending), mimetype=FORMATS[ending])
        except CurecalcError as error:
            return Response(" ".join(str(error).split()) + "\n", 400, mimetype="text/plain")

    @app.route("/log/add", methods=["POST"])
    def log_add() -> Any:
        if not write:
            abort(403, "The page is read-only. Start it with --write to add entries.")
        form = {name: request.form.get(name, "")[:2000].strip() for name in ("kind", "machine", "operator", "power", "text")}
        if not secrets.compare_digest(request.form.get("token", ""), token()):
            abort(403, "This form is out of date. Load the page anew.")
        try:
            with Logbook(path) as book:
                if form["machine"] not in book.names("machine"):
                    raise QuantityError("Choose one of the machines in the logbook.")
                entry = book.add(form["kind"], _payload(form), machine=form["machine"], operator=form["operator"])
        except CurecalcError as error:
            return shown(problem=" ".join(str(error).split())), 400
        session["done"] = f"Entry {entry.number} is written."
        return redirect("/log", 303)


def _payload(form: dict[str, str]) -> dict[str, Any]:
    if form["kind"] == "power":
        return {"power": parse_measured("Power", form["power"], "power")}
    if form["kind"] == "note":
        if not form["text"]:
            raise QuantityError("The note is empty. Write a sentence.")
        return {"text": form["text"]}
    raise QuantityError("Choose a power reading or a note.")


def _entry(entry: Any) -> tuple[str, str, str]:
    return str(entry.number), str(entry.time)[:16].replace("T", " "), str(entry.kind)


def _row(m: MachineState) -> dict[str, Any]:
    def age(days: float | None) -> str:
        return "not in the logbook" if days is None else "today" if days < 1 else f"{days:.0f} days ago"

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
        "due": m.due,
    }
