"""Raw TCP: bytes as they are, without baud rate and control lines. A peer that dies silently is found by the kernel's
keep-alive. Knows no protocol.
"""

import asyncio
import os
import socket
import time
from collections.abc import Callable

from layergate.link.transports import READ_BYTES, OpenError, Transport

CONNECT_S = 10.0
"""Connecting takes longer than this only across broken networks."""
# A printer that vanishes without a word (power cut) is noticed within about half a minute, idle or not.
KEEPALIVE_IDLE_S = 10
KEEPALIVE_INTERVAL_S = 5
KEEPALIVE_PROBES = 3
UNACKNOWLEDGED_MS = 25_000
AWAKE_S = 200e-6
"""A peer that answered within this time is waited for awake, once for as long: putting an idle core to sleep and waking
it takes longer than such an answer. No printer behind a serial wire is that fast, so for them nothing changes."""


class TcpTransport(Transport):
    """A TCP connection."""

    def __init__(self, host: str, port: int, on_data: Callable[[bytes], None], on_lost: Callable[[str], None]) -> None:
        super().__init__(on_data, on_lost)
        self._host, self._port = host, port
        self._socket: socket.socket | None = None
        self._written_s = 0.0
        self._peer_is_quick = False
        self._awake = False

    async def open(self) -> None:
        """Connect. Raises OpenError."""
        try:
            async with asyncio.timeout(CONNECT_S):
                self._socket = await self._connect()
        except (OSError, TimeoutError) as error:
            reason = "no answer" if isinstance(error, TimeoutError) else _reason(error)
            raise OpenError(
                f"{self._host} port {self._port}: {reason}. Is the printer or its serial server on; is the port right; "
                "does a firewall stand between?"
            ) from error
        self._begin(self._socket.fileno())

    async def _connect(self) -> socket.socket:
        error: OSError | None = None
        for family, kind, protocol, _, address in await self._loop.getaddrinfo(
            self._host, self._port, type=socket.SOCK_STREAM
        ):
            candidate = socket.socket(family, kind, protocol)
            try:
                candidate.setblocking(False)
                _configure(candidate)
                await self._loop.sock_connect(candidate, address)
                return candidate
            except OSError as refused:
                candidate.close()
                error = refused
            except BaseException:
                candidate.close()
                raise
        raise error or OSError("no address")

    def _read(self) -> bytes:
        assert self._socket is not None
        data = self._socket.recv(READ_BYTES)
        self._peer_is_quick = self._since_writing_s() < AWAKE_S
        return data

    def _write(self, data: bytes) -> int:
        assert self._socket is not None
        sent = self._socket.send(data)
        self._written_s = time.monotonic()
        if self._peer_is_quick and not self._awake:
            self._stay_awake()
        return sent

    def _since_writing_s(self) -> float:
        return time.monotonic() - self._written_s

    def _stay_awake(self) -> None:
        """Keep the loop from sleeping; whatever else it has to do, it does."""
        self._awake = self._socket is not None and self._since_writing_s() < AWAKE_S
        if self._awake:
            self._loop.call_soon(self._stay_awake)

    def _release(self) -> Callable[[], None]:
        connection, self._socket = self._socket, None
        return connection.close if connection is not None else lambda: None


def _reason(error: OSError) -> str:
    """Give the system's words: those of asyncio only repeat the address."""
    if isinstance(error, socket.gaierror) or not error.errno:
        return error.strerror or str(error)
    return os.strerror(error.errno)


def _configure(connection: socket.socket) -> None:
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # a line must not wait for the next one
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, KEEPALIVE_IDLE_S)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, KEEPALIVE_INTERVAL_S)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, KEEPALIVE_PROBES)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNACKNOWLEDGED_MS)
