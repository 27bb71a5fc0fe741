"""TLS before the page: a door that takes encrypted connections, and hands what they carry to the server on this machine."""

from __future__ import annotations

import asyncio
import contextlib
import io
import socket
import ssl
import threading
from collections.abc import Callable, Iterable
from typing import Any

from ..errors import FileError

__all__ = ["TlsDoor", "tls_context"]


def tls_context(certificate: str, key: str | None) -> ssl.SSLContext:
    """The certificate and its key, TLS 1.2 or newer.

    Raises
    ------
    FileError
        A file that cannot be read, or the two do not belong together.
    """
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2

    def no_password() -> str:
        raise FileError(f"--certificate-key: {key or certificate}: is locked by a password. Give one without, readable by this user alone.")

    try:
        context.load_cert_chain(certificate, key, password=no_password)
    except OSError as error:
        reason = getattr(error, "reason", None) or error.strerror or str(error)
        raise FileError(f"--certificate: {certificate}: certificate and key cannot be used ({reason}). Give both as PEM files.") from None
    return context


class TlsDoor:
    """Takes connections at `outer`, decrypts them and passes them on to `port` of this machine.

    Handshakes and slow clients wait in one loop of their own and hold no worker of the page.
    """

    def __init__(self, outer: socket.socket, context: ssl.SSLContext, port: int) -> None:
        self.outer, self.context, self.port = outer, context, port
        outer.listen(socket.SOMAXCONN)  # who comes before the loop runs waits in line
        self._clients: dict[str, str] = {}  # by the port they have here
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def open(self) -> None:
        """Begin to take connections."""
        self._thread.start()

    def close(self) -> None:
        """Take no more and end those there are."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join()
        self._loop.close()

    def told(self, app: Callable[..., Iterable[bytes]]) -> Callable[..., Iterable[bytes]]:
        """The application, told who really asks and that the scheme is https."""

        def application(environ: dict[str, Any], begin: Any) -> Iterable[bytes]:
            environ["REMOTE_ADDR"] = self._clients.get(environ.get("REMOTE_PORT", ""), environ.get("REMOTE_ADDR", ""))
            environ["wsgi.url_scheme"] = "https"
            return app(environ, begin)

        return application

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self.outer.setblocking(False)
        begun = asyncio.start_server(self._serve, sock=self.outer, ssl=self.context, backlog=socket.SOMAXCONN)
        server = self._loop.run_until_complete(begun)
        try:
            self._loop.run_forever()
        finally:
            server.close()
            tasks = asyncio.all_tasks(self._loop)
            for task in tasks:
                task.cancel()
            self._loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
            self._loop.run_until_complete(self._loop.shutdown_asyncgens())

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            inward, outward = await asyncio.open_connection("127.0.0.1", self.port)
            _, port = outward.get_extra_info("sockname")
            here = str(port)
            self._clients[here], *_ = writer.get_extra_info("peername")
            await asyncio.gather(_passed(reader, outward), _passed(inward, writer), return_exceptions=True)
            del self._clients[here]
            outward.close()
        with contextlib.suppress(OSError, ssl.SSLError):
            writer.close()


async def _passed(source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
    """Everything from one side to the other, until either ends; the server ends what is silent for long."""
    try:
        while chunk := await source.read(io.DEFAULT_BUFFER_SIZE):
            target.write(chunk)
            await target.drain()
    finally:
        with contextlib.suppress(OSError, ssl.SSLError):
            target.close()
