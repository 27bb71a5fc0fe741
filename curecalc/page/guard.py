"""What keeps the page to itself: host names, strict headers, size and rate limits, the access code, no foreign posts."""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flask import Flask

__all__ = ["AccessCodes", "Entering", "RateLimit", "install"]

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
LARGEST_BODY = 500_000  # small enough to be held in memory: an upload never touches the disk
LONGEST_ADDRESS = 60_000
MOST_CLIENTS = 2000
# letters and figures that are not mistaken for one another when read aloud
_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"


class RateLimit:
    """So many requests at once from an address, then so many a second."""

    def __init__(self, burst: float, per_second: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.burst, self.per_second, self._clock = burst, per_second, clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def allows(self, who: str) -> bool:
        """Whether one more request is in order; counts it."""
        now = self._clock()
        with self._lock:
            left, since = self._left.pop(who, (self.burst, now))
            left = min(self.burst, left + (now - since) * self.per_second)
            good = left >= 1.0
            self._left[who] = (left - 1.0 if good else left, now)
            while len(self._left) > MOST_CLIENTS:
                self._left.popitem(last=False)
        return good


@dataclass(frozen=True)
class Entering:
    """What a typed code is worth: `right` and whose it is, or wrong, or `waits` when this client has tried too often."""

    right: bool = False
    person: str = ""
    waits: bool = False


class AccessCodes:
    """A code for each person, good for that person's browsers; without names one that opens a single browser, then is replaced.

    A client that guesses is made to wait; others are not.

    Parameters
    ----------
    tell : callable of person and code
        Shows a code on the terminal.
    persons : sequence of str
    """

    def __init__(self, tell: Callable[[str, str], None], persons: Sequence[str] = ()) -> None:
        self._tell = tell
        self._lock = threading.Lock()
        self._tries = RateLimit(burst=6, per_second=0.05)
        self._lasting = bool(persons)
        self.codes = {person: self._new() for person in persons or ("",)}
        for person, code in self.codes.items():
            tell(person, code)

    @staticmethod
    def _new() -> str:
        text = "".join(secrets.choice(_LETTERS) for _ in range(8))
        return f"{text[:4]}-{text[4:]}"

    def opens(self, typed: str, who: str) -> Entering:
        """Judge a code typed at the client `who`."""
        if not self._tries.allows(who):
            return Entering(waits=True)
        plain = "".join(c for c in typed.upper() if c.isalnum()).encode("utf-8")
        with self._lock:
            same = [p for p, code in self.codes.items() if hmac.compare_digest(plain, code.replace("-", "").encode())]
            if not same:
                return Entering()
            if not self._lasting:
                self.codes[same[0]] = self._new()
                self._tell(same[0], self.codes[same[0]])
        return Entering(right=True, person=same[0])


def install(app: Flask, *, hosts: Callable[[str], bool], codes: AccessCodes | None, limit: RateLimit, secure: bool = False) -> None:
    """Guard every request of the app and stamp every answer."""
    from flask import Response, abort, redirect, request, session, url_for

    app.config.update(
        MAX_CONTENT_LENGTH=LARGEST_BODY,
        MAX_FORM_MEMORY_SIZE=LARGEST_BODY,
        MAX_FORM_PARTS=20,
        SECRET_KEY=secrets.token_bytes(),
        SESSION_COOKIE_NAME="curecalc",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_SECURE=secure,
    )

    @app.before_request
    def check() -> Any:
        if not hosts(request.host):
            abort(HTTPStatus.BAD_REQUEST, "This page answers to its own address only. Open the address that the program printed.")
        if request.method not in ("GET", "HEAD", "POST"):
            abort(HTTPStatus.METHOD_NOT_ALLOWED, description="The page knows GET and POST only.")
        if not limit.allows(request.remote_addr or ""):
            answer = Response("Too many requests at once. Wait a second.\n", HTTPStatus.TOO_MANY_REQUESTS, mimetype="text/plain")
            answer.headers["Retry-After"] = "2"
            return answer
        if len(request.full_path) > LONGEST_ADDRESS:
            abort(HTTPStatus.REQUEST_URI_TOO_LONG, "The address is too long. For a large table use the command line: curecalc fit FILE.")
        if request.method == "POST":
            same_place(request, abort)
        if codes is not None and not session.get("open") and request.endpoint not in ("enter", "static", "favicon"):
            if request.method == "POST" or request.headers.get("X-Part"):
                abort(HTTPStatus.FORBIDDEN, "This browser has not entered the access code yet. Load the page anew.")
            return redirect(url_for("enter", then=request.full_path.rstrip("?")))
        return None

    @app.after_request
    def stamp(answer: Response) -> Response:
        for name, value in HEADERS.items():
            answer.headers[name] = value
        answer.headers["Vary"] = "X-Part, Cookie"
        if request.endpoint in ("static", "favicon"):
            answer.headers["Cache-Control"] = "max-age=3600"
        else:
            answer.headers["Cache-Control"] = "no-store"
        return answer


def same_place(request: Any, abort: Callable[..., Any]) -> None:
    """A form must come from a page of this very address."""
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        abort(HTTPStatus.FORBIDDEN, "This form was sent from another site and is refused.")
    origin = request.headers.get("Origin")
    if origin is None or origin.split("://", 1)[-1] != request.host:
        abort(HTTPStatus.FORBIDDEN, "This form was not sent from this page and is refused.")
