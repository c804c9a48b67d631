"""Puts a simulated printer on a transport: the loop, and a context manager that runs it in a thread.

Refuses to know what the bytes mean. The loop sleeps until a byte comes, the printer has something to do, or it is told
to stop; `layergate_sim.harness` starts the same in a process of its own.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layergate_sim.printer import Instruction, PrinterSettings, SimulatedPrinter
from layergate_sim.printer.records import Records
from layergate_sim.transports import PtyTransport, TcpTransport, Transport

START_DEADLINE_S = 5.0
STOP_DEADLINE_S = 5.0


class Stopper:
    """Wakes or stops a serving loop, from a signal handler or another thread."""

    def __init__(self) -> None:
        self._receiver, self._sender = socket.socketpair()
        self._sender.setblocking(False)
        self._receiver.setblocking(False)
        self.stopped = False

    def stop(self) -> None:
        """Stop soon. May be called again."""
        self.stopped = True
        self.wake()

    def wake(self) -> None:
        """Look at the printer again: it has been changed from outside."""
        with contextlib.suppress(OSError):  # full or closed: it has been told already
            self._sender.send(b"x")

    def heard(self) -> None:
        """The loop is awake."""
        with contextlib.suppress(BlockingIOError):
            self._receiver.recv(4096)

    def fileno(self) -> int:
        """Readable once woken or stopped."""
        return self._receiver.fileno()

    def close(self) -> None:
        """Free the descriptors."""
        self._receiver.close()
        self._sender.close()


def serve(
    printer: SimulatedPrinter,
    transport: Transport,
    stopper: Stopper,
    *,
    ready: Callable[[str], None] = lambda _: None,
    lock: contextlib.AbstractContextManager[Any] | None = None,
) -> None:
    """Run until stopped. `ready` is called with the transport's name once it can be opened.

    The lock (if given) is held whenever the printer is touched. Closes the transport. Raises OSError when an unplugged
    transport can't come back or a record can't be written.
    """
    guard = lock if lock is not None else contextlib.nullcontext()
    plugged = True
    try:
        ready(transport.name)
        while not stopper.stopped:
            with guard:
                now = time.monotonic()
                out = printer.poll(now)
                if printer.link_up != plugged:
                    plugged = printer.link_up
                    if plugged:
                        transport.plug()
                    else:
                        transport.unplug()
                if out:
                    transport.write(out)
                wakeup = printer.next_wakeup_s()
            waits = [None if wakeup is None else max(0.0, wakeup - time.monotonic()), transport.poll_s]
            # select and not epoll: its time-outs are in microseconds, and a paced wire needs them.
            select.select(
                [stopper.fileno(), *transport.descriptors()],
                transport.wants_write(),
                [],
                min((wait for wait in waits if wait is not None), default=None),
            )
            stopper.heard()
            data, opened = transport.read()
            if opened or data:
                with guard:
                    now = time.monotonic()
                    if data:
                        printer.receive(data, now)
                    if opened:
                        printer.opened(now)
            if transport.wants_write():
                transport.write(b"")
    finally:
        with guard:
            printer.records.flush()
        transport.close()


@dataclass
class RunningPrinter:
    """A printer that serves in a thread. `url` is what a host opens: a device path or socket://HOST:PORT."""

    printer: SimulatedPrinter
    url: str
    lock: threading.Lock
    thread: threading.Thread
    stopper: Stopper

    def report(self) -> dict[str, Any]:
        """Totals and fault counts now."""
        with self.lock:
            return self.printer.report()

    def do_fault(self, verb: str, *arguments: str) -> None:
        """Make one fault happen now (names and arguments as in scenario files)."""
        from layergate_sim.printer.scenario import instruction  # noqa: PLC0415  # only tests need it

        with self.lock:
            self.printer.poll(time.monotonic())
            self.printer.acts.do(instruction("at-s", 0.0, verb, arguments))
        self.stopper.wake()


@contextlib.contextmanager
def running_printer(
    settings: PrinterSettings | None = None,
    *,
    pty: Path | None = None,
    tcp: tuple[str, int] = ("127.0.0.1", 0),
    faults: Iterable[Instruction] = (),
    records: Records | None = None,
) -> Iterator[RunningPrinter]:
    """A printer on a pty (when a path is given) or a TCP port, in a thread, ready when the block begins.

    Raises OSError when the transport can't be made; an error in the loop is raised at the end of the block.
    """
    printer = SimulatedPrinter(settings, faults=faults, records=records)
    transport: Transport = PtyTransport(pty) if pty is not None else TcpTransport(*tcp)
    url = str(pty) if pty is not None else f"socket://{transport.name}"
    stopper, lock, started = Stopper(), threading.Lock(), threading.Event()
    failures: list[BaseException] = []

    def loop() -> None:
        try:
            serve(printer, transport, stopper, ready=lambda _: started.set(), lock=lock)
        except BaseException as error:  # handed to the thread that waits for us
            failures.append(error)

    thread = threading.Thread(target=loop, name=f"simulated printer {transport.name}", daemon=True)
    thread.start()
    try:
        if not started.wait(START_DEADLINE_S):
            raise TimeoutError(f"the simulated printer at {url} did not start within {START_DEADLINE_S} s")
        yield RunningPrinter(printer, url, lock, thread, stopper)
    finally:
        stopper.stop()
        thread.join(STOP_DEADLINE_S)
        alive = thread.is_alive()
        stopper.close()
    if alive:
        raise TimeoutError(f"the simulated printer at {url} did not stop within {STOP_DEADLINE_S} s")
    if failures:
        raise failures[0]
