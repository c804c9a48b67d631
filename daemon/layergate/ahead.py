"""An iterator whose items another process makes, while this one works on those before: two cores share the work.

The other process is a fork: it goes on with the very iterator that was given, so nothing has to be opened or told again.
It ends with its iterator, with whoever takes the items, and with this process; what goes wrong in it is raised here.
Knows nothing of what the items are; they have to be picklable, and large arrays in them are copied twice, never encoded.
"""

import ctypes
import os
import pickle
import signal
import struct
import sys
import threading
import warnings
from collections.abc import Generator, Iterator
from contextlib import suppress
from itertools import islice
from typing import Any, NoReturn, TypeVar

from layergate.sharedring import EndedError, SharedRing

T = TypeVar("T")

HERE_FIRST = 3
"""Items made here before the other process is begun: small jobs are done before it would pay, and with larger ones there is
something to go on with until it has made its first."""
_ITEM, _ERROR, _END = range(3)
_HEAD = struct.Struct("<BI")
_LENGTH = struct.Struct("<Q")
_PR_SET_PDEATHSIG = 1  # prctl(2)


def made_ahead(items: Iterator[T], here_first: int = HERE_FIRST) -> Generator[T, None, None]:
    """Give the items of an iterator, in order; the first few are made here, at once, the others in another process.

    With one core, beside other threads (which a fork would leave in mid-step), and where there is no fork all are made here.
    The iterator given must not be used by anybody else; what it reads from is left at a place unknown here.

    Raises:
        ChildProcessError: the other process was ended from outside.
        Exception: what the iterator raises.
    """
    first = list(islice(items, here_first))
    begun = _begun(items) if len(first) == here_first and _worth_it() else None
    if begun is None:
        yield from first
        yield from items
        return
    ring, child = begun
    try:
        yield from first  # while the other process begins
        yield from _received(ring, child)
    finally:
        ring.close()
        os.kill(child, signal.SIGKILL)  # it is a process or a zombie until it is waited for
        os.waitpid(child, 0)


def _begun(items: Iterator[Any]) -> tuple[SharedRing, int] | None:
    """Begin the other process; None where no memory or no process is to spare: slower then, and as good."""
    try:
        ring = SharedRing()
    except OSError:
        return None
    try:
        child = _forked()
    except OSError:
        ring.close()
        return None
    if not child:
        _make(items, ring)
    ring.become_reader()
    return ring, child


def _forked() -> int:
    with warnings.catch_warnings():
        # Python >= 3.12 warns of any thread; those of numpy's linear algebra rest, and know of forks.
        warnings.simplefilter("ignore", DeprecationWarning)
        return os.fork()


def _worth_it() -> bool:
    if not sys.platform.startswith("linux"):
        return False
    return len(os.sched_getaffinity(0)) > 1 and threading.active_count() == 1


def _make(items: Iterator[Any], ring: SharedRing) -> NoReturn:
    """Live as the other process: make the items, hand them over, end without a trace."""
    try:
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the other one, which ends this one
        ring.become_writer()
        try:
            for item in items:
                _send(ring, _ITEM, item)
        except BaseException as error:  # raised in the process that it is meant for
            _send_error(ring, error)
        else:
            _send(ring, _END, None)
    except BaseException:  # nobody is left to tell; the ring's end says it
        os._exit(1)
    os._exit(0)


def _send(ring: SharedRing, kind: int, item: Any) -> None:
    buffers: list[pickle.PickleBuffer] = []
    text = pickle.dumps(item, protocol=5, buffer_callback=buffers.append)
    parts: list[bytes | memoryview] = [text, *(buffer.raw() for buffer in buffers)]
    ring.write(_HEAD.pack(kind, len(parts)) + b"".join(_LENGTH.pack(len(part)) for part in parts))
    for part in parts:
        ring.write(part)
    ring.flush()


def _send_error(ring: SharedRing, error: BaseException) -> None:
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 made one line before
    except Exception:
        error = RuntimeError(f"{type(error).__name__}: {error}")
    _send(ring, _ERROR, error)


def _received(ring: SharedRing, child: int) -> Iterator[Any]:
    with suppress(EndedError):
        while True:
            kind, count = _HEAD.unpack(ring.read(_HEAD.size))
            lengths = [length for (length,) in _LENGTH.iter_unpack(ring.read(count * _LENGTH.size))]
            # A buffer for each array, so that who keeps one keeps only that.
            text, *buffers = [ring.read(length) for length in lengths]
            item = pickle.loads(text, buffers=buffers)  # noqa: S301 comes from our own fork
            if kind == _ERROR:
                raise item
            if kind == _END:
                return
            yield item
    status = os.waitid(os.P_PID, child, os.WEXITED | os.WNOWAIT)
    assert status is not None
    killed = status.si_code in (os.CLD_KILLED, os.CLD_DUMPED)
    how = signal.Signals(status.si_status).name if killed else f"exit code {status.si_status}"
    raise ChildProcessError(f"the process that reads it was ended from outside ({how}): is memory short?")
