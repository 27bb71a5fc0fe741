"""Running the page: a clear word when the port is taken, a clean stop, loopback unless asked otherwise."""

from __future__ import annotations

import contextlib
import errno
import socket
import sys
import threading
from dataclasses import replace
from typing import Any

from ..errors import CurecalcError, QuantityError
from .app import LOCAL_NAMES, PageOptions, create_app
from .guard import LARGEST_BODY, MOST_CLIENTS
from .tls import TlsDoor, tls_context

__all__ = ["Running", "names_of", "serve", "start"]

LOOPBACK = "127.0.0.1"
SILENT = 10  # seconds a connection may be silent before it is looked at, and closed at the next look
SOON = 0.5  # seconds after the start: the first view has gone out


class Running:
    """A page that is being served; `stop` ends it."""

    def __init__(self, app: Any, server: Any, address: str, port: int, door: TlsDoor | None = None) -> None:
        self.app, self.server, self.address, self.port, self.door = app, server, address, port, door
        self.url = f"{'https' if door is not None else 'http'}://{address}:{port}/"

    def run(self) -> None:
        """Serve until stopped."""
        if self.door is not None:
            self.door.open()
        # waitress leaves its loop with an error when its sockets are closed under it: that is the stop
        with contextlib.suppress(OSError):
            self.server.run()

    def run_in_background(self) -> threading.Thread:
        """Serve in a thread, for tests and notebooks."""
        thread = threading.Thread(target=self.run, daemon=True)
        thread.start()
        return thread

    def stop(self) -> None:
        """Close the sockets and let the workers end."""
        if self.door is not None:
            self.door.close()
        self.server.task_dispatcher.shutdown()
        self.server.close()
        for channel in list(self.server.active_channels.values()):
            channel.close()  # connections a browser still holds open


def names_of(host: str) -> tuple[str, ...]:
    """Names the page answers to when it listens on `host`."""
    if host in (LOOPBACK, "localhost"):
        return LOCAL_NAMES
    if host not in ("0.0.0.0", "::"):
        return (*LOCAL_NAMES, host)
    here = socket.gethostname()
    found = {here, f"{here}.local"}
    with contextlib.suppress(OSError):
        found |= {str(address) for *_, (address, *_) in socket.getaddrinfo(here, None)}
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # names the address of this machine on its network; nothing is sent
        probe.connect(("192.0.2.1", 9))
        address, *_ = probe.getsockname()
        found.add(address)
    return (*LOCAL_NAMES, *sorted(found))


def start(
    options: PageOptions,
    *,
    host: str = LOOPBACK,
    port: int = 8765,
    certificate: str | None = None,
    key: str | None = None,
    proxy: str | None = None,
) -> Running:
    """Open the port and make the application; `run` serves it.

    Parameters
    ----------
    options : PageOptions
    host, port
        Where to listen; port 0 takes a free one.
    certificate, key : str, optional
        Files (PEM) of the shop's certificate: the page is then served by TLS.
    proxy : str, optional
        The address of the shop's own proxy, whose word on client, scheme and host is taken; no other's.

    Raises
    ------
    CurecalcError
        The port is taken, or may not be opened; the certificate cannot be used.
    """
    context = None if certificate is None else tls_context(certificate, key)
    app = create_app(replace(options, secure=context is not None or proxy is not None))
    try:
        from waitress.server import create_server
    except ImportError:
        raise CurecalcError(
            "The page needs the library waitress, which is not installed. Install it with: pip install 'curecalc[page]'"
        ) from None
    if not 0 <= port <= 65535:
        raise QuantityError(f"--port must be a whole number from 0 to 65535, got {port}.")
    outer = _opened(host, port)
    # with TLS the server itself is at a port of this machine that only the door before it is told
    inner = outer if context is None else _opened(LOOPBACK, 0)
    door = None if context is None else TlsDoor(outer, context, int(inner.getsockname()[1]))
    trusted: dict[str, Any] = {}
    if proxy is not None:
        trusted = {"trusted_proxy": proxy, "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"}}
    server = create_server(
        app if door is None else door.told(app),
        sockets=[inner],
        ident="",
        channel_timeout=SILENT,
        cleanup_interval=SILENT,
        connection_limit=MOST_CLIENTS,
        asyncore_use_poll=True,  # select is blind beyond 1024 connections
        max_request_body_size=2 * LARGEST_BODY,  # up to there the page says what is too large
        clear_untrusted_proxy_headers=True,
        **trusted,
    )
    shown = host if host not in ("0.0.0.0", "::") else names_of(host)[-1]
    return Running(app, server, shown, int(outer.getsockname()[1]), door)


def _opened(host: str, port: int) -> socket.socket:
    """The socket the page listens on, or one line that says why not."""
    try:
        family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    except (OSError, UnicodeError) as error:
        raise CurecalcError(f"--host: {host!r} is no address of this machine ({error}). Name one, like --host 0.0.0.0 for all.") from None
    door = socket.socket(family, kind)
    try:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind(address)
    except OSError as error:
        door.close()
        if error.errno == errno.EADDRINUSE:
            raise CurecalcError(
                f"port {port} on {host} is taken, perhaps by a page that still runs. Stop that one, or name another: --port {port + 1}"
            ) from None
        raise CurecalcError(f"port {port} on {host} cannot be opened ({error.strerror or error}). Name another --port or --host.") from None
    return door


def serve(options: PageOptions, *, open_browser: bool = False, **where: Any) -> None:
    """Serve until interrupted; `where` as in `start`."""
    running = start(options, **where)
    print(f"The page is at {running.url}   (stop it with Ctrl-C)", file=sys.stderr, flush=True)
    if open_browser:
        import webbrowser

        threading.Timer(SOON, webbrowser.open, (running.url,)).start()
    # the other views load while the first is read
    warming = threading.Timer(SOON, running.app.extensions["views"].warm)
    warming.daemon = True
    warming.start()
    try:
        running.run()
    except KeyboardInterrupt:
        pass
    finally:
        running.stop()
        print("The page is stopped.", file=sys.stderr, flush=True)
