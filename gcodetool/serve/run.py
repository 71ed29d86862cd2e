"""Running the application: a socket, a server that waits for nobody for ever, and an end that lets forms finish."""

import asyncio
import contextlib
import socket
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from gcodetool.errors import GcodetoolError, UsageError
from gcodetool.serve.guard import Guard
from gcodetool.serve.settings import Settings

HEAD_S: Final = 10.0  # for the head of a request, from its first byte
IDLE_S: Final = 15  # of a connection between two requests
LAST_S: Final = 10  # for requests under way when the server is stopped
MOST_CONNECTIONS: Final = 256
MOST_HEAD: Final = 16_384  # bytes


class PatientProtocol(H11Protocol):
    """A connection that is closed where the head of a request does not come in time."""

    waits: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take what came; while a request is answered nobody waits for a head."""
        if self.waits is None and not self._answering():
            self._wait()
        super().data_received(data)
        if self._answering() and self.waits is not None:
            self.waits.cancel()
            self.waits = None

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        if self.waits is not None:
            self.waits.cancel()
            self.waits = None
        super().connection_lost(exc)

    def _answering(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _wait(self) -> None:
        self.waits = self.loop.call_later(HEAD_S, self._give_up)

    def _give_up(self) -> None:
        self.waits = None
        if not self._answering():
            self.transport.abort()


def listening(host: str, port: int) -> socket.socket:
    """Return a socket that listens.

    Raises
    ------
    UsageError
        The port is taken, or the host is none of this machine's.
    """
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        return socket.create_server((host, port), family=family, backlog=512)
    except OSError as error:
        raise UsageError(
            f"--host {host} --port {port}: cannot listen there: {error.strerror}; name another port"
        ) from None


def check_tls(certificate: Path, key: Path) -> None:
    """Refuse a certificate that cannot be used.

    Raises
    ------
    UsageError
        The two do not fit, or cannot be read.
    """
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key, password="")
    except (OSError, ssl.SSLError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"--certificate {certificate} --key {key}: cannot be used: {said}") from None


def server_of(
    app: Guard, settings: Settings, *, certificate: Path | None = None, key: Path | None = None
) -> uvicorn.Server:
    """Return the server, not started yet."""
    config = uvicorn.Config(
        app,
        http=PatientProtocol,
        ws="none",
        lifespan="off",
        log_level="error",
        access_log=False,  # what somebody looked at is nobody's business
        server_header=False,
        proxy_headers=settings.address is not None,  # only then somebody stands between who may say for whom
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=LAST_S,
        h11_max_incomplete_event_size=MOST_HEAD,
        ssl_certfile=None if certificate is None else str(certificate),
        ssl_keyfile=None if key is None else str(key),
    )
    return uvicorn.Server(config)


def run(
    app: Guard,
    settings: Settings,
    sock: socket.socket,
    *,
    certificate: Path | None = None,
    key: Path | None = None,
    first: Callable[[], None] | None = None,
) -> None:
    """Serve until somebody stops it; *first* is done meanwhile, once, and may fail."""
    if first is not None:

        def work() -> None:
            # the page says it to whoever looks; and the terminal it is printed to may be gone
            with contextlib.suppress(GcodetoolError, OSError):
                first()

        threading.Thread(target=work, daemon=True).start()
    with contextlib.suppress(KeyboardInterrupt):
        server_of(app, settings, certificate=certificate, key=key).run(sockets=[sock])
