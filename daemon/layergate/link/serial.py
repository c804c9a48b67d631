"""Serial devices. The only file that imports pyserial, which opens and configures; reading and writing go to the
descriptor directly, watched by the loop. Knows no protocol.
"""

import contextlib
import fcntl
import grp
import os
import pwd
import stat
import termios
import time
from collections.abc import Callable

import serial

from layergate.link.transports import READ_BYTES, Endpoint, OpenError, Transport

PULSE_S = 0.1
"""DTR low for so long resets boards that are wired for it, through a 100 nF capacitor (common practice)."""


class SerialTransport(Transport):
    """A serial device (or a pty), exclusively."""

    def __init__(self, endpoint: Endpoint, on_data: Callable[[bytes], None], on_lost: Callable[[str], None]) -> None:
        super().__init__(on_data, on_lost)
        self._endpoint = endpoint
        self._port: serial.Serial | None = None

    async def open(self) -> None:
        """Open off the loop: drivers may take seconds. Raises OpenError."""
        port = await self._loop.run_in_executor(None, open_port, self._endpoint)
        self._port = port
        self._begin(port.fileno())

    def write_urgent(self, data: bytes) -> None:
        """Send bytes ahead of all that waits, in our buffer and in the kernel's."""
        if self._fd >= 0:
            try:
                termios.tcflush(self._fd, termios.TCOFLUSH)
            except (OSError, termios.error) as error:
                self._lose(f"flush failed: {error}")
        super().write_urgent(data)

    def _read(self) -> bytes:
        return os.read(self._fd, READ_BYTES)

    def _write(self, data: bytes) -> int:
        return os.write(self._fd, data)

    def _release(self) -> Callable[[], None]:
        port, self._port = self._port, None

        def close() -> None:
            if port is not None:
                with contextlib.suppress(OSError, termios.error):  # it may be gone, which is why it is being closed
                    termios.tcflush(port.fileno(), termios.TCIOFLUSH)  # closing must not wait for a dead printer
                try:
                    port.close()
                except (OSError, termios.error):
                    os.close(port.fd)

        return close


def open_port(endpoint: Endpoint) -> serial.Serial:
    """Open, lock and configure a serial device; may block. Raises OpenError."""
    path = endpoint.device
    port = serial.Serial()
    port.port, port.baudrate = path, endpoint.baud
    port.timeout = port.write_timeout = 0
    port.exclusive = True  # flock: keeps out everybody who asks, even for the superuser
    try:
        port.open()
    except (OSError, ValueError, termios.error) as error:
        raise OpenError(explain(path, error)) from error
    try:
        fcntl.ioctl(port.fd, termios.TIOCEXCL)  # keeps out those who do not ask
        _settle(port.fd)
        if endpoint.reset_on_open == "pulse":
            _pulse_dtr(port)
        os.set_blocking(port.fd, False)
        termios.tcflush(port.fd, termios.TCIFLUSH)
    except (OSError, termios.error) as error:
        port.close()
        raise OpenError(f"{path}: opened, but can't be configured: {error}") from error
    return port


def _settle(fd: int) -> None:
    """Have the kernel keep DTR on close, and tell "nothing there yet" (EAGAIN) from "gone" (end of data): with VMIN 0, as
    pyserial leaves it, both read as nothing, and one needless read would end a print."""
    settings = termios.tcgetattr(fd)
    settings[2] &= ~termios.HUPCL
    settings[6][termios.VMIN], settings[6][termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSANOW, settings)


def _pulse_dtr(port: serial.Serial) -> None:
    try:
        port.dtr = False
        time.sleep(PULSE_S)  # in a worker thread
        port.dtr = True
    except OSError:
        pass  # a pty has no such lines, and then there is nothing to reset


def explain(path: str, error: Exception) -> str:
    """Say what stands in the way of opening a device, and three things to try."""
    reason = str(error)
    try:
        status = os.stat(path)
    except OSError:
        return (
            f"{path}: no such device. Is the printer switched on and its cable in? `ls -l /dev/serial/by-id/` shows "
            "what is there; a name from there stays the same when devices are plugged in another order."
        )
    if (
        "Could not exclusively lock" in reason
        or "Resource temporarily unavailable" in reason
        or "busy" in reason.lower()
    ):
        return (
            f"{path}: in use by another process. Only one can own a printer: see who with `fuser -v {path}`; end that "
            "program; or give this printer another device."
        )
    if not stat.S_ISCHR(status.st_mode):
        return f"{path}: not a serial device ({stat.filemode(status.st_mode)})."
    groups = ", ".join(sorted(_group(gid) for gid in {os.getegid(), *os.getgroups()}))
    return (
        f"{path}: can't be opened: {reason}. The device has owner {_user(status.st_uid)}, "
        f"group {_group(status.st_gid)}, mode {stat.filemode(status.st_mode)}; this process is user "
        f"{_user(os.geteuid())} in groups {groups}. Try: add the user to group {_group(status.st_gid)} and log in "
        "again; unplug and replug the printer; see `dmesg | tail` for what the kernel says of it."
    )


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def _group(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)
