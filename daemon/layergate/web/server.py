"""Serving the interface: uvicorn without its signal handlers, on sockets that we made ourselves.

Knows nothing of what is served.
"""

import asyncio
import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

SOCKET_MODE = 0o660  # the folder decides who reaches it; the group may command
LARGEST_HEAD_BYTES = 32 * 1024  # of a request, before its body
MOST_CONNECTIONS = 200
GRACE_S = 3  # for requests that run when the service stops; long polls are cut off


class SocketInUseError(OSError):
    """Another daemon answers on the control socket."""


class _Server(uvicorn.Server):
    """A server that leaves the process's signals alone: the service has its own."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


async def serve(app: ASGIApp, listener: socket.socket) -> None:
    """Serve until cancelled."""
    config = uvicorn.Config(
        app,
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        ws="none",
        h11_max_incomplete_event_size=LARGEST_HEAD_BYTES,
        http="h11",
        loop="asyncio",
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=GRACE_S,
    )
    server = _Server(config)
    task = asyncio.create_task(server.serve(sockets=[listener]), name="uvicorn")
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        server.should_exit = True
        await task
        raise


def unix_listener(path: Path) -> socket.socket:
    """Make the control socket; one left by a daemon that was killed is taken away first.

    Raises:
        SocketInUseError: a daemon answers there.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_socket():
        with socket.socket(socket.AF_UNIX) as probe:
            probe.settimeout(2)
            try:
                probe.connect(os.fspath(path))
            except OSError:
                path.unlink(missing_ok=True)
            else:
                raise SocketInUseError(f"another daemon answers on {path}: stop that one first")
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    before = os.umask(0o777 & ~SOCKET_MODE)
    try:
        listener.bind(os.fspath(path))
    except OSError as error:
        listener.close()
        raise OSError(error.errno, f"{path}: {error.strerror} (a socket's path has at most 107 bytes)") from error
    finally:
        os.umask(before)
    listener.listen(64)
    return listener


def tcp_listener(host: str, port: int) -> socket.socket:
    """Make a TCP listener. Raises OSError with the address in its text."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family)
    except OSError as error:
        raise OSError(error.errno, f'[web] listen = "{host}:{port}": {error.strerror}') from error
