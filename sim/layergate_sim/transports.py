"""Where a simulated printer can be reached: a pty behind a symlink, or a TCP port. One host at a time, nothing blocks.

Knows file descriptors and refuses to know printers: bytes come out of `read`, go into `write`, and the plug can be
pulled and put back. Faults of the other side (gone, not reading) never raise.
"""

from __future__ import annotations

import os
import select
import socket
import termios
import tty
from pathlib import Path
from typing import Protocol

PENDING_MAX = (
    1 << 20
)  # bytes kept for a host that does not read; beyond it the oldest are lost, as a real port loses them
_CHUNK = 65536


class Transport(Protocol):
    """What the serving loop needs."""

    @property
    def name(self) -> str:
        """What a host opens."""

    def descriptors(self) -> list[int]:
        """Descriptors that become readable when there is something to do."""

    def wants_write(self) -> list[int]:
        """Descriptors to wait for with unsent bytes."""

    def read(self) -> tuple[bytes, bool]:
        """Bytes from the host, and whether another host has opened the port since they were sent."""

    def write(self, data: bytes) -> None:
        """Bytes for the host; lost when there is none."""

    def unplug(self) -> None:
        """The device vanishes."""

    def plug(self) -> None:
        """The device is there again, under the same name. Raises OSError when the name has been taken meanwhile."""

    def close(self) -> None:
        """Leave nothing behind."""

    @property
    def poll_s(self) -> float | None:
        """Look again after this time even without events; None when events suffice."""


class TcpTransport:
    """A listening TCP port; `port` 0 picks a free one. A second host is turned away while one is connected."""

    def __init__(self, host: str, port: int) -> None:
        self._address = (host, port)
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._pending = bytearray()
        self._met_nobody = True
        self.plug()

    @property
    def name(self) -> str:
        """HOST:PORT."""
        return f"{self._address[0]}:{self._address[1]}"

    @property
    def poll_s(self) -> float | None:
        """Events suffice."""
        return None

    def plug(self) -> None:
        """Listen."""
        family = socket.AF_INET6 if ":" in self._address[0] else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(self._address)
            listener.listen(4)
        except OSError:
            listener.close()
            raise
        listener.setblocking(False)
        self._listener = listener
        self._address = (self._address[0], listener.getsockname()[1])
        self._met_nobody = True

    def descriptors(self) -> list[int]:
        """Listener and peer."""
        return [one.fileno() for one in (self._listener, self._peer) if one is not None]

    def wants_write(self) -> list[int]:
        """The peer, while bytes are waiting."""
        return [self._peer.fileno()] if self._peer is not None and self._pending else []

    def read(self) -> tuple[bytes, bool]:
        """Read what the host sent, then see whether it has gone and another one has come."""
        data = bytearray()
        while self._peer is not None and len(data) < _CHUNK:
            try:
                piece = self._peer.recv(_CHUNK)
            except BlockingIOError:
                break
            except OSError:
                piece = b""
            if not piece:
                self._hang_up()
            data += piece
        return bytes(data), self._accept()

    def _accept(self) -> bool:
        if self._listener is None:
            return False
        try:
            peer, _ = self._listener.accept()
        except OSError:  # nobody there (any more)
            return False
        if self._peer is not None:
            peer.close()
            return False
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peer = peer
        self._met_nobody = False
        self._flush()
        return True

    def write(self, data: bytes) -> None:
        """Send, or keep what the host does not take yet. Before the first host came, everything is kept for it."""
        if self._peer is None and not self._met_nobody:
            return
        self._pending += data
        self._flush()

    def _flush(self) -> None:
        if self._peer is not None and self._pending:
            try:
                sent = self._peer.send(self._pending)
                del self._pending[:sent]
            except BlockingIOError:
                pass
            except OSError:
                self._hang_up()
        del self._pending[: max(0, len(self._pending) - PENDING_MAX)]

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None
        self._pending.clear()

    def unplug(self) -> None:
        """Connection gone, nobody listens."""
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        self._hang_up()

    def close(self) -> None:
        """Same as unplugged."""
        self.unplug()


class PtyTransport:
    """A pty in raw mode; its device is reached through a symlink at `path` (as by-id names are).

    Raises FileExistsError when something other than a symlink is there, OSError when it can't be made.
    A pty has no baud rate: pacing is the printer's business.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._master = -1
        self._host_there = False
        self._met_nobody = True  # since it was plugged in: what the printer says waits for the first host
        self._pending = bytearray()
        self.plug()

    @property
    def name(self) -> str:
        """The path."""
        return str(self._path)

    @property
    def poll_s(self) -> float | None:
        """While no host has the device open, nothing tells when one comes: look."""
        return None if self._host_there or self._master < 0 else 0.02

    def plug(self) -> None:
        """Make the pty and its symlink."""
        if self._path.is_symlink():
            self._path.unlink()
        elif self._path.exists():
            raise FileExistsError(f"{self._path}: exists and is not a symlink; choose another path for the pty")
        master, slave = os.openpty()
        try:
            tty.setraw(master)  # without echo: nothing may come back before a host sets its own mode
            self._device = os.ttyname(slave)
            self._path.symlink_to(self._device)
        except OSError:
            os.close(master)
            raise
        finally:
            os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        self._met_nobody = True
        # The slave was open here for a moment, so the master sees a hang-up until a host opens it.
        self._host_there = False

    def descriptors(self) -> list[int]:
        """The master, while a host is there (else it would always be ready)."""
        return [self._master] if self._master >= 0 and self._host_there else []

    def wants_write(self) -> list[int]:
        """The master, while bytes are waiting."""
        return self.descriptors() if self._pending else []

    def _look(self) -> bool:
        poller = select.poll()
        poller.register(self._master, select.POLLIN)
        return not any(event & select.POLLHUP for _, event in poller.poll(0))

    def read(self) -> tuple[bytes, bool]:
        """Notice a host that opens the device, read what it sent."""
        if self._master < 0:
            return b"", False
        if not self._host_there:
            if not self._look():
                return b"", False
            self._host_there = True
            self._met_nobody = False
            self._flush()
            return b"", True
        try:
            return os.read(self._master, _CHUNK), False
        except BlockingIOError:
            return b"", False
        except OSError:  # EIO: the last host closed the device
            self._host_there = False
            self._pending.clear()
            self._forget_unread()
            return b"", False

    def _forget_unread(self) -> None:
        """What the last host did not read must not greet the next one: a pty keeps it, a real port does not."""
        try:
            slave = os.open(self._device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return  # somebody holds it exclusively: then a new host is there already
        try:
            termios.tcflush(slave, termios.TCIFLUSH)
        except termios.error:
            pass  # went away meanwhile
        finally:
            os.close(slave)

    def write(self, data: bytes) -> None:
        """Send, or keep what the host does not take yet. Before the first host came, everything is kept for it."""
        if self._master < 0 or (not self._host_there and not self._met_nobody):
            return
        self._pending += data
        self._flush()

    def _flush(self) -> None:
        if self._host_there and self._pending:
            try:
                sent = os.write(self._master, self._pending)
                del self._pending[:sent]
            except OSError:  # full, or gone: reading tells which
                pass
        del self._pending[: max(0, len(self._pending) - PENDING_MAX)]

    def unplug(self) -> None:
        """Master closed, symlink removed."""
        self._pending.clear()
        if self._master >= 0:
            if self._path.is_symlink():
                self._path.unlink()
            os.close(self._master)
            self._master = -1

    def close(self) -> None:
        """Same as unplugged."""
        self.unplug()
