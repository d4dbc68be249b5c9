"""Runs the pages: binds the port, says where, answers until interrupted."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Sequence
from pathlib import Path

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from speakerdb.errors import RequestError
from speakerdb.library import Database
from speakerdb.web.app import create_app
from speakerdb.web.security import LOCAL_HOSTS

SILENT_S = 30.0


def bind(host: str, port: int) -> socket.socket:
    """A listening socket; RequestError where the address can't be had."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except (OSError, OverflowError) as error:
        listener.close()
        reason = getattr(error, "strerror", None) or str(error)
        raise RequestError(
            f"can't listen on {host} port {port} ({reason}); choose another with --port or --host"
        ) from None
    return listener


class Impatient(H11Protocol):
    """A connection that is closed after SILENT_S without a byte while a request is awaited or half there."""

    _silence: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._heard()

    def data_received(self, data: bytes) -> None:
        self._heard()
        super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._silence is not None:
            self._silence.cancel()
        super().connection_lost(exc)

    def _heard(self) -> None:
        if self._silence is not None:
            self._silence.cancel()
        self._silence = self.loop.call_later(SILENT_S, self._on_silence)

    def _on_silence(self) -> None:
        is_answering = self.cycle is not None and not self.cycle.more_body and not self.cycle.response_complete
        if is_answering:
            self._heard()
        else:
            self.transport.close()


def serve(
    path: Path, *, host: str, port: int, allow_ingest: bool, names: Sequence[str], ready: Callable[[str], None]
) -> None:
    """Serve the pages of a database file until interrupted. `ready` is told the address once they answer.

    names: further names under which the pages may be asked for. Raises StoreError, RequestError.
    """
    if not allow_ingest:
        Database.open(path).close()  # say at once what is wrong with the file
    listener = bind(host, port)
    shown = f"[{host}]" if ":" in host else host
    app = create_app(path, allow_ingest=allow_ingest, hosts=(*LOCAL_HOSTS, shown, *names))

    class Announced(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                entry = f"in?key={app.state.site.key}" if allow_ingest else ""
                ready(f"http://{shown}:{listener.getsockname()[1]}/{entry}")

    server = Announced(
        uvicorn.Config(
            app, http=Impatient, log_level="warning", server_header=False, access_log=False, timeout_keep_alive=30
        )
    )
    with contextlib.suppress(KeyboardInterrupt):  # the usual way to end it
        server.run(sockets=[listener])
