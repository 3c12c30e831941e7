"""Start the web process: take the port, say where the page is, serve until somebody stops it."""

from __future__ import annotations

import errno
import socket
from collections.abc import Callable

import uvicorn
from starlette.applications import Starlette

from benchrig.console.access import Access
from benchrig.console.settings import BenchSettings
from benchrig.console.web import console_app
from benchrig.errors import ConfigError

__all__ = ["serve_console", "taken_port"]


def taken_port(host: str, port: int) -> socket.socket:
    """Listen on a port; 0 takes any free one.

    Raises
    ------
    ConfigError
        It cannot be had: another program has it, it is not allowed, or the name is none of this computer's.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind, protocol)
    except OSError as error:
        raise ConfigError(
            f"--host {host}: no address of this computer ({error.strerror or error}).",
            hint="127.0.0.1 is this computer alone, 0.0.0.0 all of its addresses.",
        ) from error
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(256)
    except OSError as error:
        listening.close()
        taken = error.errno == errno.EADDRINUSE
        raise ConfigError(
            f"Port {port} of {host} cannot be had: "
            f"{'another program listens there' if taken else error.strerror or error}.",
            hint="Is a console open already? Then open its page; else --port with another number, 0 for any free one.",
        ) from error
    return listening


def serve_console(settings: BenchSettings, host: str, port: int, announce: Callable[[Access], None]) -> None:
    """Serve the page until Ctrl-C; the bench is then made safe.

    Raises
    ------
    ConfigError
        The port cannot be had.
    """
    with taken_port(host, port) as listening:
        access = Access(host, listening.getsockname()[1])
        config = uvicorn.Config(
            console_app(settings, access),
            loop="asyncio",
            http="h11",
            ws="none",
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=2,
            limit_concurrency=None,
        )
        announce(access)
        _Server(config).run(sockets=[listening])


class _Server(uvicorn.Server):
    """Lets the browsers that watch go before it waits for its connections to end."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        app = self.config.app
        assert isinstance(app, Starlette)  # for the type checker
        app.state.watchers.close()
        await super().shutdown(sockets)
