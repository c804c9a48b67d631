"""Transports: the narrow seam between the link process and whatever carries bytes to a printer.

A transport opens off the loop, reads and writes without blocking, and is lost in one place only: `Transport._lose`. Any
of these is a loss: a read that gives nothing although it was ready, OSError, termios.error (no subclass of it), a write
that does not drain, silence (told by the protocol through `close`). Knows no protocol.

Device names: ``/dev/...`` serial, ``socket://HOST:PORT`` raw TCP, ``rfc2217://HOST:PORT`` TCP with port control.
"""

import asyncio
import termios
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

READ_BYTES = 4096
BACKLOG_BYTES = 65536
"""More than this waiting to be written: the other side has stopped reading. The window allows some hundred bytes."""
WRITE_STALL_S = 20.0
"""Not one byte written for so long while some wait: lost. Flow control of slow firmware holds for seconds."""

ResetOnOpen = Literal["keep", "pulse"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Where a printer is, and how to open it."""

    device: str
    baud: int = 115200
    reset_on_open: ResetOnOpen = "keep"
    """``keep``: leave DTR alone, and have the kernel keep it when the port is closed, so that a printer isn't reset by
    reopening (the very first opening may still do it: the kernel raises DTR before anybody can ask it not to).
    ``pulse``: lower DTR for a moment after opening, so that boards wired that way restart in a known state."""


class OpenError(OSError):
    """The device can't be opened; the text says what was found and what to try."""


class Transport(ABC):
    """One connection over a file descriptor that the loop can watch."""

    def __init__(self, on_data: Callable[[bytes], None], on_lost: Callable[[str], None]) -> None:
        """Take the callbacks: bytes from the printer, and (once) the reason of a loss."""
        self._on_data = on_data
        self._on_lost = on_lost
        self._loop = asyncio.get_running_loop()
        self._backlog = bytearray()
        self._stall: asyncio.TimerHandle | None = None
        self._fd = -1

    @abstractmethod
    async def open(self) -> None:
        """Open and begin reading. Raises OpenError."""

    @abstractmethod
    def _read(self) -> bytes: ...

    @abstractmethod
    def _write(self, data: bytes) -> int: ...

    @abstractmethod
    def _release(self) -> Callable[[], None]:
        """Give what closes the device; it may block, so it is called in a worker thread."""

    def _decode(self, data: bytes) -> bytes:
        return data

    def _encode(self, data: bytes) -> bytes:
        return data

    @property
    def is_open(self) -> bool:
        """Bytes can be written."""
        return self._fd >= 0

    def write(self, data: bytes) -> None:
        """Send bytes, now or as soon as the device takes them; never blocks."""
        if self._fd < 0 or not data:
            return
        self._send(self._encode(data))

    def write_urgent(self, data: bytes) -> None:
        """Send bytes ahead of all that waits; what waited is dropped, for it must not follow a stop request."""
        self._backlog.clear()
        self.write(data)

    async def close(self, reason: str = "closed") -> None:
        """End the connection; `on_lost` is told the reason if it was not lost before."""
        closing = self._lose(reason)
        if closing is not None:
            await asyncio.wait({closing}, timeout=5)

    # -- inside ---------------------------------------------------------------------------------------------------

    def _begin(self, fd: int) -> None:
        self._fd = fd
        self._loop.add_reader(fd, self._readable)

    def _readable(self) -> None:
        try:
            data = self._read()
        except (BlockingIOError, InterruptedError):
            return
        except (OSError, termios.error) as error:
            self._lose(f"read failed: {error}")
            return
        if not data:
            self._lose("the device is gone (end of data)")
            return
        data = self._decode(data)
        if data:
            self._on_data(data)

    def _send(self, data: bytes) -> None:
        if not self._backlog:
            written = self._try_write(data)
            if written is None or written == len(data):
                return
            data = data[written:]
            self._loop.add_writer(self._fd, self._writable)
            self._watch_stall()
        self._backlog += data
        if len(self._backlog) > BACKLOG_BYTES:
            self._lose("the device takes no data (write buffer full)")

    def _writable(self) -> None:
        written = self._try_write(bytes(self._backlog[:READ_BYTES]))
        if written is None:
            return
        del self._backlog[:written]
        if written:
            self._watch_stall()
        if not self._backlog:
            self._loop.remove_writer(self._fd)
            self._unwatch_stall()

    def _try_write(self, data: bytes) -> int | None:
        """Write what goes; None where the connection was lost over it."""
        try:
            return self._write(data) if data else 0
        except (BlockingIOError, InterruptedError):
            return 0
        except (OSError, termios.error) as error:
            self._lose(f"write failed: {error}")
            return None

    def _watch_stall(self) -> None:
        self._unwatch_stall()
        self._stall = self._loop.call_later(
            WRITE_STALL_S, self._lose, f"no byte could be written for {WRITE_STALL_S:.0f} s"
        )

    def _unwatch_stall(self) -> None:
        if self._stall is not None:
            self._stall.cancel()
            self._stall = None

    def _lose(self, reason: str) -> "asyncio.Future[None] | None":
        """End here, whatever went wrong: stop watching, close promptly (an open descriptor of a vanished device keeps
        its name taken), then tell. Gives what to wait for until the device is closed; None if it was before."""
        if self._fd < 0:
            return None
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        self._unwatch_stall()
        self._backlog.clear()
        self._fd = -1
        closing = self._loop.run_in_executor(None, self._release())
        self._on_lost(reason)
        return closing


def make_transport(endpoint: Endpoint, on_data: Callable[[bytes], None], on_lost: Callable[[str], None]) -> Transport:
    """Choose the transport by the device's name. Raises ValueError where the name is of no known kind."""
    # Imported by need: a link to a serial device carries no TCP code, and the other way round.
    scheme, separator, rest = endpoint.device.partition("://")
    if not separator:
        from layergate.link.serial import SerialTransport  # noqa: PLC0415

        return SerialTransport(endpoint, on_data, on_lost)
    if scheme not in ("socket", "rfc2217"):
        raise ValueError(f"device {endpoint.device!r}: expected a path, socket://HOST:PORT or rfc2217://HOST:PORT")
    host, _, port = rest.rstrip("/").rpartition(":")
    if not host or not port.isdigit():
        raise ValueError(f"device {endpoint.device!r}: expected {scheme}://HOST:PORT")
    host = host.strip("[]")
    if scheme == "socket":
        from layergate.link.tcp import TcpTransport  # noqa: PLC0415

        return TcpTransport(host, int(port), on_data, on_lost)
    from layergate.link.rfc2217 import Rfc2217Transport  # noqa: PLC0415

    return Rfc2217Transport(host, int(port), endpoint, on_data, on_lost)
