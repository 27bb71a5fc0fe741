"""Running the page: a clear word when the port is taken, a clean stop, loopback unless asked otherwise."""

from __future__ import annotations

import contextlib
import errno
import socket
import sys
import threading
from typing import Any

from ..errors import CurecalcError, QuantityError
from .app import LOCAL_NAMES, PageOptions, create_app

__all__ = ["Running", "names_of", "serve", "start"]

LOOPBACK = "127.0.0.1"
THREADS = 4


class Running:
    """A page that is being served; `stop` ends it."""

    def __init__(self, server: Any, address: str, port: int) -> None:
        self.server, self.address, self.port = server, address, port
        self.url = f"http://{address}:{port}/"

    def run(self) -> None:
        """Serve until stopped."""
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
        found |= {str(info[4][0]) for info in socket.getaddrinfo(here, None)}
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # names the address of this machine on its network; nothing is sent
        probe.connect(("192.0.2.1", 9))
        found.add(probe.getsockname()[0])
    return (*LOCAL_NAMES, *sorted(found))


def start(options: PageOptions, *, host: str = LOOPBACK, port: int = 8765) -> Running:
    """Open the port and make the application; `run` serves it.

    Raises
    ------
    CurecalcError
        The port is taken, or may not be opened.
    """
    app = create_app(options)
    try:
        from waitress.server import create_server
    except ImportError:
        raise CurecalcError(
            "The page needs the library waitress, which is not installed. Install it with: pip install 'curecalc[page]'"
        ) from None
    if not 0 <= port <= 65535:
        raise QuantityError(f"--port must be a whole number from 0 to 65535, got {port}.")
    door = _opened(host, port)
    server = create_server(
        app,
        sockets=[door],
        threads=THREADS,
        ident="",
        channel_timeout=15,
        cleanup_interval=3,
        connection_limit=300,
        max_request_body_size=1_100_000,
        max_request_header_size=100_000,
        backlog=128,
        clear_untrusted_proxy_headers=True,
    )
    found = door.getsockname()[1]
    shown = host if host not in ("0.0.0.0", "::") else names_of(host)[-1]
    return Running(server, shown, int(found))


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


def serve(options: PageOptions, *, host: str = LOOPBACK, port: int = 8765, open_browser: bool = False) -> None:
    """Serve until interrupted."""
    running = start(options, host=host, port=port)
    print(f"The page is at {running.url}   (stop it with Ctrl-C)", file=sys.stderr, flush=True)
    if open_browser:
        import webbrowser

        threading.Timer(0.5, webbrowser.open, (running.url,)).start()
    try:
        running.run()
    except KeyboardInterrupt:
        pass
    finally:
        running.stop()
        print("The page is stopped.", file=sys.stderr, flush=True)
