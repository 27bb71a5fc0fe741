"""The page as a web application: addresses, views, errors in plain words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from ..cautions import SHORT_CAUTION
from ..errors import CurecalcError
from ..lessons.bench import Bench, invented_bench
from .drawing import FORMATS, Board
from .guard import AccessCode, RateLimit, install

if TYPE_CHECKING:
    from flask import Flask
    from matplotlib.figure import Figure

__all__ = ["PageOptions", "View", "create_app"]

LOCAL_NAMES = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True)
class PageOptions:
    """How the page is run.

    Parameters
    ----------
    bench : Bench
        Whose numbers a fresh page shows.
    recipe : Recipe or None
        Whose process window to show.
    recipe_files : tuple of str
        Machine, resin and needs file it was made from, for the equal command line.
    log : str or None
        A logbook to show.
    write : bool
        Whether entries may be added to it; read-only otherwise.
    hosts : tuple of str
        Names and addresses, without port, that the page answers to.
    code : AccessCode or None
        Asked for once by each browser when the page is on the network.
    burst, per_second : float
        Requests allowed at once from one address, and after that each second.
    """

    bench: Bench = field(default_factory=invented_bench)
    log: str | None = None
    recipe: Any = None
    recipe_files: tuple[str, str, str] = ("machine.toml", "resin.toml", "needs.toml")
    write: bool = False
    hosts: tuple[str, ...] = LOCAL_NAMES
    code: AccessCode | None = None
    burst: float = 240.0
    per_second: float = 80.0


class View(Protocol):
    """A view of the page: the same query gives its page, its numbers, its figures and the equal command line."""

    @property
    def name(self) -> str:
        """Its place in the address."""
        ...

    @property
    def title(self) -> str:
        """What people read."""
        ...

    @property
    def panels(self) -> tuple[str, ...]:
        """Its figures."""
        ...

    def page(self, query: dict[str, str]) -> dict[str, Any]:
        """Context of the template `NAME.html` and of its part `_NAME.html` that is redrawn."""

    def record(self, query: dict[str, str]) -> dict[str, Any]:
        """The JSON object."""

    def command(self, query: dict[str, str]) -> str:
        """The command line that gives the same numbers."""

    def figure(self, query: dict[str, str], panel: str) -> Figure:
        """A panel as a figure of its own."""


def host_part(host: str) -> str:
    """The name of a Host header without its port."""
    if host.startswith("["):
        return host.split("]")[0] + "]"
    return host.rsplit(":", 1)[0] if ":" in host else host


def create_app(options: PageOptions | None = None) -> Flask:
    """The application; `serve` runs it."""
    try:
        from flask import Flask, render_template, request
    except ImportError:
        raise CurecalcError(
            "The page needs the libraries flask and waitress, which are not installed. Install them with: pip install 'curecalc[page]'"
        ) from None

    from .coupons_view import CouponsView
    from .lessons_view import add_lessons
    from .log_view import add_log
    from .practice_view import add_practice
    from .settings_view import SettingsView
    from .stack_view import StackView

    options = options or PageOptions()
    app = Flask(__name__)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    known = {name.lower() for name in options.hosts}
    install(app, hosts=lambda host: host_part(host).lower() in known, code=options.code, limit=RateLimit(options.burst, options.per_second))
    board = Board()
    views: list[View] = [SettingsView(options.bench, board), StackView(options.bench, board), CouponsView(board)]
    if options.recipe is not None:
        from .window_view import WindowView

        views.insert(2, WindowView(options.recipe, options.recipe_files, board))
    places = [(v.name, v.title) for v in views]
    add_lessons(app, options.bench, board)
    add_practice(app, options.bench)
    if options.log is not None:
        add_log(app, options.log, options.write, board)
        places.append(("log", "Logbook"))
    places += [("lessons", "Lessons"), ("practice", "Practice")]

    @app.context_processor
    def everywhere() -> dict[str, Any]:
        return {
            "places": places,
            "caution": SHORT_CAUTION,
            "here": request.path.strip("/").split("/")[0] or "settings",
            "query_text": request.query_string.decode("ascii", "replace"),
        }

    for view in views:
        _add_view(app, view, board)
    _add_upload(app, views[-1])

    def front() -> Any:
        return app.view_functions["settings"]()

    app.add_url_rule("/", "root", front)
    app.add_url_rule("/favicon.ico", "favicon", lambda: app.send_static_file("favicon.svg"))
    _add_entrance(app, options)
    _add_errors(app, render_template)
    return app


def _add_view(app: Flask, view: View, board: Board) -> None:
    from flask import Response, abort, render_template, request

    def query() -> dict[str, str]:
        return {name: "\n".join(request.args.getlist(name)) for name in request.args}

    def page() -> str:
        given = query()
        part = request.headers.get("HX-Request") == "true"
        return render_template(f"_{view.name}.html" if part else f"{view.name}.html", view=view, **view.page(given))

    def text(content: str | bytes, kind: str, name: str) -> Response:
        answer = Response(content, mimetype=kind)
        answer.headers["Content-Disposition"] = f'attachment; filename="curecalc-{view.name}-{name}"'
        return answer

    def said(make: Callable[[], Response]) -> Response:
        try:
            return make()
        except CurecalcError as error:
            return Response(" ".join(str(error).split()) + "\n", 400, mimetype="text/plain")

    def numbers() -> Response:
        import json

        return said(
            lambda: text(
                json.dumps(view.record(query()), indent=2, ensure_ascii=False, allow_nan=False) + "\n", "application/json", "numbers.json"
            )
        )

    def command() -> Response:
        return said(lambda: text(view.command(query()) + "\n", "text/plain", "command.txt"))

    def picture(panel: str, ending: str) -> Response:
        if panel not in view.panels or ending not in FORMATS:
            abort(404)
        return said(lambda: text(board.file(lambda: view.figure(query(), panel), ending), FORMATS[ending], f"{panel}.{ending}"))

    app.add_url_rule(f"/{view.name}", view.name, page)
    app.add_url_rule(f"/{view.name}/numbers.json", f"{view.name}_numbers", numbers)
    app.add_url_rule(f"/{view.name}/command.txt", f"{view.name}_command", command)
    app.add_url_rule(f"/{view.name}/<panel>.<ending>", f"{view.name}_picture", picture)


def _add_upload(app: Flask, view: Any) -> None:
    """A table taken from a file: read, put into the address, forgotten; and the table of an address as a file."""
    from urllib.parse import urlencode

    from flask import Response, redirect, render_template, request

    from .coupons_view import table_text

    @app.route("/coupons/upload", methods=["POST"])
    def coupons_upload() -> Any:
        given = request.files.get("file")
        try:
            if given is None or not given.filename:
                raise CurecalcError("No file was chosen. Choose a coupon table, .csv or .xlsx.")
            text = table_text(given.read(), given.filename)
        except CurecalcError as error:
            context = view.page({}) | {"problem": " ".join(str(error).split()), "fit": None, "coupons": []}
            return render_template("coupons.html", view=view, **context), 400
        return redirect("/coupons?" + urlencode({"table": text}), 303)

    @app.route("/coupons/table.csv")
    def coupons_table() -> Any:
        answer = Response(
            view.texts({"table": request.args.get("table", "")} if "table" in request.args else {})["table"] + "\n", mimetype="text/csv"
        )
        answer.headers["Content-Disposition"] = 'attachment; filename="coupons.csv"'
        return answer


def _add_entrance(app: Flask, options: PageOptions) -> None:
    from flask import redirect, render_template, request, session

    @app.route("/enter", methods=["GET", "POST"])
    def enter() -> Any:
        then = request.values.get("then", "/")
        # only a path of this page, never another site
        if not then.startswith("/") or then.startswith(("//", "/\\")) or any(c in then for c in "\r\n\t"):
            then = "/"
        if options.code is None or session.get("open"):
            return redirect(then)
        if request.method == "GET":
            return render_template("enter.html", then=then, problem="")
        right = options.code.opens(request.form.get("code", "")[:40], request.remote_addr or "")
        if right:
            session["open"] = True
            return redirect(then, 303)
        problem = "Too many tries. Wait a minute." if right is None else "That is not the code shown on the terminal."
        return render_template("enter.html", then=then, problem=problem), 429 if right is None else 403


def _add_errors(app: Flask, render_template: Callable[..., str]) -> None:
    from flask import Response, request
    from werkzeug.exceptions import HTTPException

    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> Any:
        own = {404: "There is no such page here.", 413: "The upload is too large: at most 500 kB."}
        message = own.get(error.code or 0, error.description or "The request was refused.")
        if request.path.endswith((".json", ".txt", ".svg", ".png", ".pdf")) or request.headers.get("HX-Request"):
            return Response(f"{message}\n", error.code, mimetype="text/plain")
        return render_template("error.html", message=message), error.code

    @app.errorhandler(CurecalcError)
    def said(error: CurecalcError) -> Any:
        return render_template("error.html", message=" ".join(str(error).split())), 400

    @app.errorhandler(Exception)
    def failed(error: Exception) -> Any:
        app.logger.exception("the page failed on %s", request.path)
        return render_template("error.html", message="The program failed here. What it says stands in the terminal."), 500
