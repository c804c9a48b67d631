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
from typing import Any, BinaryIO, NoReturn, TypeVar

T = TypeVar("T")

HERE_FIRST = 1
"""Items made here before the other process is begun: a small job is done before it would pay."""
_PIPE_BYTES = 1024 * 1024  # the most that Linux grants to anybody; holds the next item while this process is at work
_ITEM, _ERROR, _END = range(3)
_HEAD = struct.Struct("<BI")
_LENGTH = struct.Struct("<Q")
_PR_SET_PDEATHSIG = 1  # prctl(2)


def made_ahead(items: Iterator[T], here_first: int = HERE_FIRST) -> Generator[T, None, None]:
    """Give the items of an iterator, in order; those after the first few are made in another process.

    With one core, without fork, and beside other threads (which a fork would leave in mid-step) all are made here.
    The iterator given must not be used by anybody else; what it reads from is left at a place unknown here.

    Raises:
        ChildProcessError: the other process was ended from outside.
        Exception: what the iterator raises.
    """
    yield from islice(items, here_first)
    if not _worth_it():
        yield from items
        return
    source, sink = os.pipe()
    with warnings.catch_warnings():
        # Python >= 3.12 warns of any thread; those of numpy's linear algebra rest, and know of forks.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if not child:
        os.close(source)
        _make(items, sink)
    os.close(sink)
    try:
        with open(source, "rb") as stream:
            yield from _received(stream, child)
    finally:
        with suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        with suppress(ChildProcessError):  # waited for by _received
            os.waitpid(child, 0)


def _worth_it() -> bool:
    if not sys.platform.startswith("linux"):
        return False
    return len(os.sched_getaffinity(0)) > 1 and threading.active_count() == 1


def _make(items: Iterator[Any], sink: int) -> NoReturn:
    """Live as the other process: make the items, hand them over, end without a trace."""
    try:
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the other one, which ends this one
        import fcntl  # noqa: PLC0415 on systems without it nothing comes here

        with suppress(OSError):  # many users of pipes: a smaller one does, too
            fcntl.fcntl(sink, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
        with open(sink, "wb") as stream:
            try:
                for item in items:
                    _send(stream, _ITEM, item)
            except BrokenPipeError:
                raise
            except BaseException as error:
                _send_error(stream, error)
            else:
                _send(stream, _END, None)
    except BaseException:
        os._exit(1)
    os._exit(0)


def _send(stream: BinaryIO, kind: int, item: Any) -> None:
    buffers: list[pickle.PickleBuffer] = []
    text = pickle.dumps(item, protocol=5, buffer_callback=buffers.append)
    parts: list[bytes | memoryview] = [text, *(buffer.raw() for buffer in buffers)]
    stream.write(_HEAD.pack(kind, len(parts)) + b"".join(_LENGTH.pack(len(part)) for part in parts))
    for part in parts:
        stream.write(part)
    stream.flush()


def _send_error(stream: BinaryIO, error: BaseException) -> None:
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 made one line before
    except Exception:
        error = RuntimeError(f"{type(error).__name__}: {error}")
    _send(stream, _ERROR, error)


def _received(stream: BinaryIO, child: int) -> Iterator[Any]:
    while head := stream.read(_HEAD.size):
        if len(head) < _HEAD.size:
            break
        kind, count = _HEAD.unpack(head)
        table = stream.read(count * _LENGTH.size)
        if len(table) < count * _LENGTH.size:
            break
        # A buffer for each array, so that who keeps one keeps only that.
        parts = [bytearray(length) for (length,) in _LENGTH.iter_unpack(table)]
        if any(stream.readinto(part) < len(part) for part in parts):  # type: ignore[attr-defined]
            break
        item = pickle.loads(parts[0], buffers=parts[1:])  # noqa: S301 comes from our own fork
        if kind == _ERROR:
            raise item
        if kind == _END:
            return
        yield item
    _, status = os.waitpid(child, 0)
    how = signal.Signals(os.WTERMSIG(status)).name if os.WIFSIGNALED(status) else f"exit code {os.WEXITSTATUS(status)}"
    raise ChildProcessError(f"the process that reads it was ended from outside ({how}): is memory short?")
