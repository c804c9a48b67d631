"""The service: puts the parts together, runs them as named tasks below one root, and stops them in good order.

A print goes on in its link process whatever happens here. Knows every part by its constructor and none by its inside.
"""

import asyncio
import contextlib
import signal
import socket
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import structlog

from layergate import __version__
from layergate.config import MIB, Config, PrinterConfig, host_and_port
from layergate.jobs import keeping, store
from layergate.jobs.desk import Desk
from layergate.jobs.dropfolder import DropFolder
from layergate.jobs.errors import JournalError
from layergate.jobs.gate import Gate, check_room
from layergate.jobs.journal import Journal
from layergate.jobs.linkport import LinkOpener
from layergate.jobs.spool import Spool
from layergate.jobs.worker import Worker
from layergate.notify import outbox
from layergate.notify.hook import Hook
from layergate.notify.hub import Hub
from layergate.notify.mqtt import MqttPublisher
from layergate.notify.systemd import Stamps, notify, watchdog
from layergate.web.api import create_app
from layergate.web.server import serve as serve_http
from layergate.web.server import tcp_listener, unix_listener

log = structlog.get_logger(__name__)

ROOM_EVERY_S = 30.0
KEEPING_EVERY_S = 3600.0
JOURNAL_STAMP_EVERY_S = 5.0
FRESH_S = 60.0  # a desk waits up to 15 s for a link process to start and 30 s for its answer to a start

CARRIERS = ("hook", "mqtt")
LAST_WORDS_S = 2.0  # for alerts of the last moment; a command starts in less on the smallest computers

LinkOpenerFor = Callable[[str, PrinterConfig, Path], LinkOpener]


class Service:
    """The daemon."""

    def __init__(self, config: Config, *, opener_for: LinkOpenerFor | None = None) -> None:
        self.config = config
        self._stop = asyncio.Event()
        self.ready = asyncio.Event()
        """Set when all parts run and the control socket is served."""
        self.stamps = Stamps(fresh_s=FRESH_S)
        for name, printer in config.printers.items():
            if printer.start == "automatic":
                log.warning("jobs start without anyone's word that the bed is clear: stay near", printer=name)
            if printer.mode == "observe":
                log.warning("faulty jobs are told and printed all the same", printer=name)
        directory = config.spool_directory()
        self.spool = Spool(
            directory,
            largest_job_bytes=int(config.spool.largest_job_mib * MIB),
            keep_free_bytes=int(config.spool.keep_free_mib * MIB),
        )
        self.journal = Journal(directory / "journal.sqlite")
        most_waiting = config.mqtt.outbox if config.mqtt else 1
        self.hub = Hub(self.journal, tell_broker=config.mqtt is not None, most_waiting=most_waiting)
        self.mqtt = MqttPublisher(config.mqtt, self.hub, self.journal) if config.mqtt else None
        self.hook = Hook(config.hook) if config.hook else None
        if self.hook:
            self.hub.on_alert.append(self.hook.put)
        opener_for = opener_for or _real_opener
        self.desks = {
            name: Desk(
                name,
                printer,
                journal=self.journal,
                spool=self.spool,
                hub=self.hub,
                open_link=opener_for(name, printer, config.link_socket(name)),
            )
            for name, printer in config.printers.items()
        }
        for name, desk in self.desks.items():
            desk.stamp = _stamper(self.stamps, f"printer-{name}")
        worker = Worker(config.preflight)
        self.gate = Gate(config, journal=self.journal, spool=self.spool, hub=self.hub, worker=worker, desks=self.desks)

    def stop(self, why: str) -> None:
        """Ask for a clean stop."""
        if not self._stop.is_set():
            log.info("stopping", why=why, printing=[desk.job.id for desk in self.desks.values() if desk.job])
            self._stop.set()

    async def run(self) -> None:
        """Serve until asked to stop.

        Raises:
            OSError: spool, journal or a socket can't be had; nothing was begun.
            BaseExceptionGroup: a task failed for a mistake of ours; the others were stopped.
        """
        async with contextlib.AsyncExitStack() as stack:
            self.spool.open()
            stack.callback(self.spool.close)
            await self.journal.open()
            stack.push_async_callback(self.journal.close)
            control = self.config.control_socket()
            listeners = [(stack.enter_context(unix_listener(control)), False)]
            stack.callback(control.unlink, missing_ok=True)
            if self.config.web.listen:
                tcp = stack.enter_context(tcp_listener(*host_and_port(self.config.web.listen)))
                listeners.append((tcp, True))
            loop = asyncio.get_running_loop()
            for number in (signal.SIGTERM, signal.SIGINT):
                loop.add_signal_handler(number, self.stop, number.name)
                stack.callback(loop.remove_signal_handler, number)
            if self.journal.damage:
                await self.hub.alert("journal-damaged", self.journal.damage)
            for desk in self.desks.values():
                await desk.prepare()
            await self.gate.prepare()
            for name in await self.journal.do(store.printers_with_jobs) - set(self.desks):
                log.warning("jobs wait for a printer that is not configured any more", printer=name)
            await self._run_tasks(listeners)

    async def _run_tasks(self, listeners: list[tuple[socket.socket, bool]]) -> None:
        parts: dict[str, Coroutine[Any, Any, None]] = {
            "watchdog": watchdog(self.stamps),
            "journal": self._stamp_journal(),
            "room": self._look_at_room(),
            "keeping": self._keep(),
            "preflight": self.gate.preflight(),
        }
        for name, desk in self.desks.items():
            parts[f"printer-{name}"] = desk.run()
            folder = self.config.printers[name].drop_folder
            if folder is not None:
                parts[f"drop-{name}"] = DropFolder(self.gate, name, folder).run()
        if self.mqtt is not None:
            parts["mqtt"] = self.mqtt.run()
        if self.hook is not None:
            parts["hook"] = self.hook.run()
        for listener, over_tcp in listeners:
            app = create_app(
                self.gate,
                stamps=self.stamps,
                mqtt=self.mqtt,
                over_tcp=over_tcp,
                commands=self.config.web.commands if over_tcp else True,
                names=self.config.web.names,
            )
            parts["tcp" if over_tcp else "control"] = serve_http(app, listener)
        async with asyncio.TaskGroup() as root:
            tasks = [root.create_task(work, name=name) for name, work in parts.items()]
            self.ready.set()
            notify(READY="1", STATUS=f"printers: {', '.join(self.desks)}")
            log.info("serving", version=__version__, control=str(self.config.control_socket()), tasks=list(parts))
            await self._stop.wait()
            going_on = [f"{desk.job.id} on {name}" for name, desk in self.desks.items() if desk.job]
            status = (
                f"stopping; prints go on in their link processes: {', '.join(going_on)}" if going_on else "stopping"
            )
            notify(STOPPING="1", STATUS=status)
            await self.hub.close()
            # Whoever raises alerts ends first; then those who carry them get a short while for the last ones.
            carriers = [task for task in tasks if task.get_name() in CARRIERS]
            for task in tasks:
                if task not in carriers:
                    task.cancel()
            await asyncio.wait({task for task in tasks if task not in carriers})
            await self._last_words()
            for task in carriers:
                task.cancel()
        await self._tell_left()
        log.info(status)

    async def _last_words(self) -> None:
        finishing = [part.finish() for part in (self.hook, self.mqtt) if part is not None]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LAST_WORDS_S):
                await asyncio.gather(*finishing)

    async def _tell_left(self) -> None:
        """Log what the broker is still to be told; what the hook did not get it logs itself."""
        if self.mqtt is None:
            return
        with contextlib.suppress(JournalError):
            if waiting := await self.journal.do(outbox.count):
                log.warning("alerts wait for the broker until the next start", waiting=waiting)

    async def _stamp_journal(self) -> None:
        """Show the watchdog that the loop turns and the journal's thread answers, be it by an error."""
        while True:
            with contextlib.suppress(OSError):
                await self.journal.do(lambda db: db.execute("SELECT 1").fetchone())
            self.stamps.stamp("journal")
            await asyncio.sleep(JOURNAL_STAMP_EVERY_S)

    async def _look_at_room(self) -> None:
        while True:
            await check_room(self.gate)
            await asyncio.sleep(ROOM_EVERY_S)

    async def _keep(self) -> None:
        while True:
            if self.config.spool.keep_finished_days:
                await keeping.clear_old(self.journal, self.spool, self.config.spool.keep_finished_days)
            await asyncio.sleep(KEEPING_EVERY_S)


def _stamper(stamps: Stamps, task: str) -> Callable[[], None]:
    return lambda: stamps.stamp(task)


def _real_opener(name: str, printer: PrinterConfig, path: Path) -> LinkOpener:
    from layergate.jobs.reallink import opener  # noqa: PLC0415 (tests with a link of their own need none of it)

    return opener(name, printer, path)
