"""Runs the pages: binds the port, says where, answers until interrupted."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable, Sequence
from pathlib import Path

import uvicorn

from speakerdb.errors import RequestError
from speakerdb.library import Database
from speakerdb.web.app import create_app
from speakerdb.web.security import LOCAL_HOSTS


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

    server = Announced(uvicorn.Config(app, log_level="warning", server_header=False, access_log=False))
    with contextlib.suppress(KeyboardInterrupt):  # the usual way to end it
        server.run(sockets=[listener])
