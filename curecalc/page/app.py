"""The page as a web application: addresses, views, errors in plain words."""

from __future__ import annotations

import datetime
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol

from ..cautions import SHORT_CAUTION
from ..errors import CurecalcError
from ..symbols import symbols
from .guard import AccessCodes, RateLimit, install
from .work import Part, Work, Works

if TYPE_CHECKING:
    from flask import Flask
    from matplotlib.figure import Figure

    from ..lessons.bench import Bench
    from .drawing import Board

__all__ = ["PageOptions", "View", "create_app"]

LOCAL_NAMES = ("localhost", "127.0.0.1", "[::1]")
WAY = (("beam", "Beam"), ("coupons", "Lot"), ("recipe", "Recipe"), ("sheet", "Sheet"), ("log", "Logbook"))
BESIDE = (("settings", "Settings"), ("stack", "Layers on layers"), ("map", "Map"), ("window", "Process window"))
CARRIED = ("settings", "stack")
_VIEWS = {"beam": "BeamView", "coupons": "CouponsView", "recipe": "RecipeView", "settings": "SettingsView", "stack": "StackView"}
_VIEWS |= {"map": "MapView", "window": "WindowView"}


@dataclass(frozen=True)
class PageOptions:
    """How the page is run.

    Parameters
    ----------
    bench : Bench or None
        Whose numbers stand where no file does; invented ones when None.
    parts : mapping of machine, resin and needs to Part
        The shop's own files that each browser starts with.
    log : str or None
        A logbook to show.
    write : bool
        Whether entries may be added to it; read-only otherwise.
    hosts : tuple of str
        Names and addresses, without port, that the page answers to.
    codes : AccessCodes or None
        Asked for once by each browser when the page is on the network.
    secure : bool
        Served by TLS, here or by a proxy: cookies are then kept to it.
    burst, per_second : float
        Requests allowed at once from one address, and after that each second.
    """

    bench: Bench | None = None
    parts: Mapping[str, Part] = field(default_factory=dict)
    log: str | None = None
    write: bool = False
    hosts: tuple[str, ...] = LOCAL_NAMES
    codes: AccessCodes | None = None
    secure: bool = False
    burst: float = 240.0
    per_second: float = 80.0


class View(Protocol):
    """A view of the page: the same query gives its page, its numbers, its figures and the equal command lines."""

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

    @property
    def answers(self) -> tuple[str, ...]:
        """Its JSON objects, the first the main one."""
        ...

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context of the template `NAME.html` and of its part `_NAME.html` that is redrawn."""

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """A JSON object."""

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The command line that gives the same numbers."""

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """A panel as a figure of its own."""


class Views:
    """The views and the board they draw on, each made when it is first asked for: a start waits for none of them."""

    def __init__(self) -> None:
        self._made: dict[str, Any] = {}
        self._lock = threading.RLock()

    def __call__(self, name: str) -> Any:
        """A view by its name in the address."""
        with self._lock:
            if name not in self._made:
                made = getattr(import_module(f"{__package__}.{name}_view"), _VIEWS[name])
                self._made[name] = made(self.board)
            return self._made[name]

    def warm(self) -> None:
        """Make them all, so that nobody waits for the first look at one."""
        import matplotlib.backends.backend_svg  # noqa: F401

        for name in _VIEWS:
            self(name)

    @property
    def board(self) -> Board:
        """Where figures are drawn."""
        with self._lock:
            if "" not in self._made:
                from .drawing import Board

                self._made[""] = Board()
            board: Board = self._made[""]
            return board


def host_part(host: str) -> str:
    """The name of a Host header without its port."""
    if host.startswith("["):
        return host.split("]")[0] + "]"
    return host.rsplit(":", 1)[0] if ":" in host else host


def create_app(options: PageOptions | None = None) -> Flask:
    """The application; `serve` runs it."""
    try:
        from flask import Flask, request, session
    except ImportError:
        raise CurecalcError(
            "The page needs the libraries flask and waitress, which are not installed. Install them with: pip install 'curecalc[page]'"
        ) from None

    from .handbook_view import add_handbook
    from .lessons_view import add_lessons
    from .practice_view import add_practice
    from .way import add_way

    options = options or PageOptions()
    app = Flask(__name__)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters["signed"] = lambda text: symbols(str(text))
    known = {name.lower() for name in options.hosts}
    limit = RateLimit(options.burst, options.per_second)
    install(app, hosts=lambda host: host_part(host).lower() in known, codes=options.codes, limit=limit, secure=options.secure)
    works, views = Works(Work(parts=options.parts, given=options.bench)), Views()
    add_lessons(app, works, views)
    add_practice(app, works.first)
    add_handbook(app)
    if options.log is not None:
        from .log_view import add_log

        add_log(app, options.log, options.write, views)
    add_way(app, works, options, views)

    @app.context_processor
    def everywhere() -> dict[str, Any]:
        work = works.of(session)
        return {
            "job": [(name, label, _reached(name, work)) for name, label in WAY if name != "log" or options.log is not None],
            "places": [*BESIDE, ("lessons", "Lessons"), ("practice", "Practice")],
            "carried": CARRIED,
            "caution": SHORT_CAUTION,
            "today": datetime.date.today().isoformat(),
            "address": request.url,
            "here": request.path.strip("/").split("/")[0] or "start",
            "query_text": request.query_string.decode("ascii", "replace"),
            "logbook": options.log is not None,
            "write": options.log is not None and options.write,
        }

    _add_views(app, views, works)
    app.extensions["views"] = views
    app.add_url_rule("/favicon.ico", "favicon", lambda: app.send_static_file("favicon.svg"))
    _add_entrance(app, options)
    _add_errors(app)
    return app


def _reached(name: str, work: Work) -> bool:
    """Whether a step of the way has been taken."""
    return {"beam": work.scan is not None, "coupons": "resin" in work.parts, "recipe": work.complete, "sheet": work.sheet}.get(name, False)


def _add_views(app: Flask, views: Views, works: Works) -> None:
    from flask import Response, abort, make_response, render_template, request, session

    def query() -> dict[str, str]:
        return {name: "\n".join(request.args.getlist(name)) for name in request.args}

    def page(name: str) -> Response:
        view: View = views(name)
        part = request.headers.get("X-Part") == "yes"
        context = view.page(query(), works.of(session))
        answer: Response = make_response(render_template(f"_{view.name}.html" if part else f"{view.name}.html", view=view, **context))
        if context.get("problem") or ("state" in context and not context["state"].good):
            answer.headers["X-Problem"] = "yes"
        return answer

    def content(view: View, file: str) -> tuple[str | bytes, str, str]:
        """What a file beside a view holds, its kind, and what it is called."""
        from ..files.disk import json_text
        from .drawing import FORMATS

        given, work = query(), works.of(session)
        stem, _, ending = file.rpartition(".")
        which = stem.removesuffix("command").removesuffix("-") or view.answers[0]
        if ending == "json" and stem in view.answers:
            record = view.record(given, work, stem)
            return json_text(record), "application/json", file
        if file == ("command.txt" if which == view.answers[0] else f"{which}-command.txt") and which in view.answers:
            return view.command(given, work, which) + "\n", "text/plain", f"{which}-command.txt"
        if stem not in view.panels or ending not in FORMATS:
            abort(HTTPStatus.NOT_FOUND)
        return views.board.file(lambda: view.figure(given, work, stem), ending), FORMATS[ending], file

    def beside(name: str, file: str) -> Response:
        view: View = views(name)
        try:
            text, kind, called = content(view, file)
        except CurecalcError as error:
            return Response(" ".join(str(error).split()) + "\n", HTTPStatus.BAD_REQUEST, mimetype="text/plain")
        answer = Response(text, mimetype=kind)
        answer.headers["Content-Disposition"] = f'attachment; filename="curecalc-{view.name}-{called}"'
        return answer

    names = f"<any({','.join(_VIEWS)}):name>"
    app.add_url_rule(f"/{names}", "view", page)
    app.add_url_rule(f"/{names}/<file>", "beside", beside)


def _add_entrance(app: Flask, options: PageOptions) -> None:
    from flask import redirect, render_template, request, session

    @app.route("/enter", methods=["GET", "POST"])
    def enter() -> Any:
        then = request.values.get("then", "/")
        # only a path of this page, never another site
        if not then.startswith("/") or then.startswith(("//", "/\\")) or any(c in then for c in "\r\n\t"):
            then = "/"
        if options.codes is None or session.get("open"):
            return redirect(then)
        if request.method == "GET":
            return render_template("enter.html", then=then, problem="")
        found = options.codes.opens(request.form.get("code", ""), request.remote_addr or "")
        if found.right:
            session["open"], session["person"] = True, found.person
            return redirect(then, HTTPStatus.SEE_OTHER)
        problem, status = "That is not a code shown on the terminal.", HTTPStatus.FORBIDDEN
        if found.waits:
            problem, status = "Too many tries from this device. Wait a minute.", HTTPStatus.TOO_MANY_REQUESTS
        return render_template("enter.html", then=then, problem=problem), status


def _add_errors(app: Flask) -> None:
    from flask import Response, render_template, request
    from werkzeug.exceptions import HTTPException

    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> Any:
        own: dict[int | None, str] = {
            HTTPStatus.NOT_FOUND: "There is no such page here.",
            HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "The upload is too large: at most 500 kB.",
        }
        message = own.get(error.code, error.description or error.name)
        if request.path.endswith((".json", ".txt", ".svg", ".png", ".pdf")) or request.headers.get("X-Part"):
            return Response(f"{message}\n", error.code, mimetype="text/plain")
        return render_template("error.html", message=message), error.code

    @app.errorhandler(CurecalcError)
    def said(error: CurecalcError) -> Any:
        return render_template("error.html", message=" ".join(str(error).split())), HTTPStatus.BAD_REQUEST

    @app.errorhandler(Exception)
    def failed(error: Exception) -> Any:
        app.logger.exception("the page failed on %s", request.path)
        return render_template(
            "error.html", message="The program failed here. What it says stands in the terminal."
        ), HTTPStatus.INTERNAL_SERVER_ERROR
