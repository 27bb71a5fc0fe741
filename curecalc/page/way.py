"""The way of the job: what the steps hand on to the next, the invented shop, the sheet and its files, keeping in the logbook."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace
from http import HTTPStatus
from pathlib import PureWindowsPath
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from ..errors import CurecalcError, FileError, QuantityError
from ..files.shipped import invented_files
from .work import PARTS, Scan, Work, Works, file_of

if TYPE_CHECKING:
    from flask import Flask

    from .app import PageOptions, Views
    from .beam_view import BeamView
    from .coupons_view import CouponsView

__all__ = ["add_way"]

LARGEST_PART = 200_000
_NAMES = {"machine": "machine", "resin": "lot", "needs": "needs"}


def add_way(app: Flask, works: Works, options: PageOptions, views: Views) -> None:
    """Addresses that change a browser's work, and those of start and sheet."""
    from flask import Response, abort, redirect, render_template, request, session

    def work() -> Work:
        return works.of(session)

    def asked() -> dict[str, str]:
        return {name: "\n".join(request.values.getlist(name)) for name in request.values}

    def upload() -> tuple[str, bytes]:
        given = request.files.get("file")
        if given is None or not given.filename:
            raise QuantityError("No file was chosen. Choose one.")
        name = PureWindowsPath(given.filename).name  # both strokes part folders there
        return "".join(c if c.isprintable() else "?" for c in name)[-80:], given.read()

    def changing(name: str, make: Callable[[], tuple[Work, str]]) -> Any:
        """Do it and go on to the next place, or show the view with what is wrong."""
        try:
            changed, then = make()
        except CurecalcError as error:
            problem = " ".join(str(error).split())
            view = views(name)
            context = view.page({}, work()) | {"problem": problem, "kept": ""}
            return render_template(f"{name}.html", view=view, **context), HTTPStatus.BAD_REQUEST
        works.keep(session, changed)
        return redirect(then, HTTPStatus.SEE_OTHER)

    @app.route("/")
    def start() -> Any:
        return render_template("start.html", work=work(), names=_NAMES)

    @app.route("/work/invented", methods=["POST"])
    def invented() -> Any:
        def make() -> tuple[Work, str]:
            folder, now = invented_files(), Work(given=options.bench)
            for name in ("machine", "needs"):
                now = now.changed(name, (folder / f"{name}.toml").read_text(encoding="utf-8"), "invented, for trying")
            scan = folder / "beam_knife_edge.csv"
            table = (folder / "coupons_lot_7_read_again.csv").read_text(encoding="utf-8")
            return replace(now, scan=Scan(scan.name, scan.read_bytes()), table=table.strip()), "/beam"

        return changing("recipe", make)

    @app.route("/work/empty", methods=["POST"])
    def empty() -> Any:
        works.keep(session, works.first)
        return redirect("/", HTTPStatus.SEE_OTHER)

    # ---------------------------------------------------------------- beam

    @app.route("/beam/read", methods=["POST"])
    def beam_read() -> Any:
        def make() -> tuple[Work, str]:
            now = work()
            given = request.files.get("file")
            if (given is None or not given.filename) and now.scan is not None:
                name, data = now.scan.name, now.scan.data
            else:
                name, data = upload()
            from .beam_view import stored_scan

            return stored_scan(asked(), name, data, now), "/beam"

        return changing("beam", make)

    @app.route("/beam/machine", methods=["POST"])
    def beam_machine() -> Any:
        def make() -> tuple[Work, str]:
            from .beam_view import in_machine

            return in_machine(work(), views("beam").measured(work())), "/recipe"

        return changing("beam", make)

    @app.route("/beam/beam.toml")
    def beam_file() -> Any:
        return _sent(views("beam").record_text(work()).encode(), "beam.toml", "application/toml")

    # ---------------------------------------------------------------- lot

    @app.route("/coupons/upload", methods=["POST"])
    def coupons_upload() -> Any:
        def make() -> tuple[Work, str]:
            from .coupons_view import table_text

            name, data = upload()
            return work(), "/coupons?" + urlencode({"table": table_text(data, name)})

        return changing("coupons", make)

    @app.route("/coupons/use", methods=["POST"])
    def coupons_use() -> Any:
        def make() -> tuple[Work, str]:
            given, now, lot = asked(), work(), views("coupons")
            text = lot.resin_text(given, now)
            texts = lot.texts(given, now)
            fitted = file_of("resin").parse(text, source="resin.toml")
            name = f"{fitted.resin.name} {fitted.lot}".strip()
            kind = "invented coupons" if lot.invented(texts) else "coupons"
            source = f"{f'{name}, ' if name else ''}fitted to {fitted.coupons} {kind} on the view Lot"
            return replace(now, table=texts["table"], excluded=texts["exclude"]).changed("resin", text, source), "/recipe"

        return changing("coupons", make)

    @app.route("/coupons/resin.toml")
    def coupons_resin() -> Any:
        return _sent(views("coupons").resin_text(asked(), work()).encode(), "resin.toml", "application/toml")

    @app.route("/coupons/table.csv")
    def coupons_table() -> Any:
        return _sent((views("coupons").texts(asked(), work())["table"] + "\n").encode(), "coupons.csv", "text/csv")

    @app.route("/coupons/plan.<ending>")
    def coupons_plan(ending: str) -> Any:
        if ending not in ("html", "csv"):
            abort(HTTPStatus.NOT_FOUND)
        from ..sheets import coupon_csv, run_sheet_html

        plan = _plan(work())
        text = coupon_csv(plan) if ending == "csv" else run_sheet_html(plan)
        return _sent(text.encode(), f"plan.{ending}", {"csv": "text/csv", "html": "text/html"}[ending])

    # ---------------------------------------------------------------- map

    @app.route("/map/read", methods=["POST"])
    def map_read() -> Any:
        def make() -> tuple[Work, str]:
            from .map_view import checked_paths

            return replace(work(), paths=checked_paths(*upload())), "/map"

        return changing("map", make)

    @app.route("/map/paths.csv")
    def map_paths() -> Any:
        name, content = views("map").paths(asked(), work())
        return _sent(content, name.replace('"', ""), "text/csv")

    # ---------------------------------------------------------------- recipe and sheet

    @app.route("/recipe/<name>/read", methods=["POST"])
    def part_read(name: str) -> Any:
        if name not in PARTS:
            abort(HTTPStatus.NOT_FOUND)

        def make() -> tuple[Work, str]:
            file, data = upload()
            if len(data) > LARGEST_PART:
                raise FileError(f"{file}: is too large for a {_NAMES[name]} file. Check that it is the right one.")
            try:
                text = data.decode("utf-8-sig")
            except UnicodeDecodeError:
                raise FileError(f"{file}: is not UTF-8 text. A {_NAMES[name]} file is plain text (TOML).") from None
            return work().changed(name, text, f"the file {file}"), "/recipe"

        return changing("recipe", make)

    @app.route("/recipe/<name>/form", methods=["GET", "POST"])
    def part_form(name: str) -> Any:
        from .recipe_view import form_rows, form_text

        if name not in ("machine", "needs"):
            abort(HTTPStatus.NOT_FOUND)
        problem, text = "", ""
        if request.method == "POST":
            try:
                text = form_text(name, asked())
                works.keep(session, work().changed(name, text, "filled in on the page"))
                return redirect("/recipe", HTTPStatus.SEE_OTHER)
            except CurecalcError as error:
                problem = " ".join(str(error).split())
        now = work()
        if request.args.get("start") == "yes" or name not in now.parts:
            now = now.changed(name, _starting(name), "to start from")
        rows = form_rows(now, name)
        if problem:
            rows = _typed(rows, asked())
        page = render_template("form.html", name=name, rows=rows, problem=problem, source=now.source(name))
        return page, HTTPStatus.BAD_REQUEST if problem else HTTPStatus.OK

    @app.route("/files/<name>")
    def recipe_file(name: str) -> Any:
        from .recipe_view import DOWNLOADS, download

        if name not in DOWNLOADS:
            abort(HTTPStatus.NOT_FOUND)
        content = download(work(), name)
        if name == "sheet.pdf" and not work().sheet:
            works.keep(session, replace(work(), sheet=True))
        _, kind = DOWNLOADS[name]
        return _sent(content, name, kind)

    @app.route("/sheet")
    def sheet() -> Any:
        recipe = views("recipe")
        return render_template("sheet.html", view=recipe, today=datetime.date.today().isoformat(), **recipe.page(asked(), work()))

    # ---------------------------------------------------------------- logbook

    @app.route("/<step>/keep", methods=["POST"])
    def keep(step: str) -> Any:
        if step not in ("beam", "coupons", "recipe"):
            abort(HTTPStatus.NOT_FOUND)
        if options.log is None or not options.write:
            abort(HTTPStatus.FORBIDDEN, "The page is read-only. Start it with --log FILE --write to keep results in the logbook.")

        def make() -> tuple[Work, str]:
            entry = _kept(str(options.log), step, work(), asked(), views("beam"), views("coupons"))
            session["said"] = [f"Entry {entry.number} is written: {entry.kind}."]
            return work(), "/log"

        return changing(step, make)

    def _sent(content: bytes, name: str, kind: str) -> Response:
        answer = Response(content, mimetype=kind)
        answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return answer


def _kept(log: str, step: str, work: Work, given: dict[str, str], beam: BeamView, lot: CouponsView) -> Any:
    """The entry of a step, as the command with `--log` writes it."""
    from ..logbook.book import Source
    from ..logbook.recording import record_fit, record_recipe, record_spot
    from .beam_view import read_options, read_scan

    who: dict[str, Any] = {"operator": given.get("operator", "").strip()}
    machine = given.get("machine", "").strip() or (work.machine.name if work.machine is not None else None)
    if step == "beam":
        found, scan = beam.measured(work), read_scan(work)
        record = None if hasattr(found, "at_meter") else beam.record_text(work)
        source = Source("scan", scan.name, scan.data)
        return record_spot(log, found, file=source, options=read_options(scan), machine=machine, beam_document=record, **who)
    if step == "coupons":
        texts = lot.texts(given, work)
        coupons, fit = lot.fit(given, work)
        depths = [texts["depth"]] if texts["depth"] else []
        fitted: dict[str, Any] = {"skip_blank": True, "exclude": lot.excluded(given, work, coupons), "at_depth": depths}
        return record_fit(
            log,
            fit,
            options={k: v for k, v in fitted.items() if v},
            lot=texts["lot"] or None,
            machine=machine,
            resin_document=lot.resin_text(given, work),
            **who,
        )
    from ..recipe.file import recipe_record

    recipe = work.recipe()
    name = recipe.lot.lot or recipe.lot.resin.name
    return record_recipe(log, recipe_record(recipe), recipe=recipe, machine=str(machine), lot=name, **who)


def _plan(work: Work) -> Any:
    """The fewest coupons expected to give the exposure for the depth wanted to 3 %, at the machine's power."""
    from ..calibration.planning import plan_coupons
    from ..units import MM, Quantity

    bench, lot, machine = work.bench(), work.lot, work.machine
    scatter: dict[str, Any] = {}
    if lot is not None and lot.verified and lot.residual_sd is not None:
        scatter = {"coupon_sd": lot.residual_sd, "thickness_repeatability": Quantity(0.0, MM)}
    return plan_coupons(
        penetration_depth=bench.resin.penetration_depth,
        critical_exposure=bench.resin.critical_exposure,
        at_depth=bench.cure_depth,
        to=Quantity(3.0, "percent"),
        power=bench.power,
        hatch_spacing=bench.hatch_spacing,
        scan_speed_max=None if machine is None else machine.scan_speed_max,
        scan_speed_min=None if machine is None else machine.scan_speed_min,
        **scatter,
    )


def _starting(name: str) -> str:
    from ..jobs.machine import starting_machine
    from ..jobs.needs import starting_needs

    return starting_machine() if name == "machine" else starting_needs()


def _typed(rows: Any, texts: dict[str, str]) -> Any:
    """Rows with what was typed, so that nothing is lost when it is refused."""
    return tuple(replace(row, text=texts.get(row.name, ""), rows=_typed(row.rows, texts)) for row in rows)
