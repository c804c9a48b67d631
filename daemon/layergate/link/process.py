"""The link process: joins one printer's transport, streamer and Unix socket; owns the loop, the timer and the signals.

Nothing else lives here: no numpy, no pydantic, no web, so that nothing can delay a line. The service may vanish and
come back; printing goes on.
"""

import asyncio
import os
import secrets
import signal
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from layergate.jobindex import JobIndexError
from layergate.link import log
from layergate.link.backoff import Backoff
from layergate.link.eventlog import EventLog
from layergate.link.jobfile import Commands, JobFile
from layergate.link.limits import Limits
from layergate.link.protocol import LineProtocol
from layergate.link.server import Refused as Answer
from layergate.link.server import Server
from layergate.link.settings import Settings
from layergate.link.states import Run
from layergate.link.streamer import Refused, Streamer
from layergate.link.transports import Endpoint, OpenError, Transport, make_transport

LINGER_S = 3600.0
"""With nothing to print and no service connected, the link process ends after so long. A service that crashed is back
within seconds and one that is upgraded within minutes; until then somebody must remember how the print ended."""
SAME_COMPLAINT_S = 600.0
"""An unreachable printer is complained of once, and again this often."""
_LOGGED = frozenset({"link-up", "link-lost", "run-started", "run-ended", "paused", "pause-ends", "resumed",
                     "printer-error", "printer-reset", "remark"})  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkConfig:
    """One link process."""

    name: str
    endpoint: Endpoint
    socket: Path
    ring_bytes: int | None = None
    numbered: bool = True
    linger_s: float = LINGER_S
    settings: Settings = field(default_factory=Settings)
    limits: Limits = field(default_factory=Limits)


class LinkProcess:
    """See the module."""

    def __init__(self, config: LinkConfig) -> None:
        self._config = config
        self._streamer = Streamer(
            LineProtocol(numbered=config.numbered, ring_bytes=config.ring_bytes, limits=config.limits), config.settings
        )
        self._events = EventLog()
        self._epoch = secrets.token_hex(8)
        self._server = Server(config.socket, self._events, self._dispatch)
        self._transport: Transport | None = None
        self._gone = asyncio.Event()
        self._was_ready = False
        """The printer had answered before the connection was lost."""
        self._unreachable = ""
        """Why the port can't be opened."""
        self._closing: asyncio.Task[None] | None = None
        self._ending = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self._idle_since = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self._job: JobFile | None = None
        self._reading: asyncio.Future[Commands] | None = None
        self._loop = asyncio.get_running_loop()

    async def main(self) -> None:
        """Serve until told to end. Raises SocketTakenError."""
        await self._server.start()
        for number in (signal.SIGTERM, signal.SIGINT):
            self._loop.add_signal_handler(number, self._end)
        keeper = asyncio.create_task(self._keep_connected(), name="link-connection")
        ending = asyncio.create_task(self._ending.wait(), name="link-ending")
        lingering = asyncio.create_task(self._end_when_left_alone(), name="link-lingering")
        log.info("started", device=self._config.endpoint.device, socket=self._config.socket, pid=os.getpid())
        try:
            await asyncio.wait({keeper, ending}, return_when=asyncio.FIRST_COMPLETED)
            if keeper.done():
                keeper.result()  # it ends only by an error, which must not go unheard
            if self._streamer.state is not Run.IDLE:
                self._streamer.abort("the link process was told to end", self._loop.time())
                self._after(self._loop.time())
                try:
                    await asyncio.wait_for(self._idle.wait(), self._config.settings.safe_end_s + 5)
                except TimeoutError:
                    log.warning("ended-in-mid-run", reason="the safe end did not come to its end; check the printer")
        finally:
            for task in (keeper, ending, lingering):
                task.cancel()
            await asyncio.gather(keeper, ending, lingering, return_exceptions=True)
            if self._timer is not None:
                self._timer.cancel()
            if self._transport is not None:
                await self._transport.close("the link process ends")
            await self._server.stop()
            log.info("ended")

    def _end(self) -> None:
        self._ending.set()

    async def _end_when_left_alone(self) -> None:
        """End when nothing is printed and no service has been connected for a long time."""
        linger_s = self._config.linger_s
        while True:
            await self._idle.wait()
            alone_since = self._server.alone_since
            left_s = linger_s
            if alone_since is not None:
                left_s = max(alone_since, self._idle_since) + linger_s - self._loop.time()
            if left_s > 0:
                await asyncio.sleep(left_s)
            elif self._streamer.state is Run.IDLE:
                break
        log.info("left-alone", reason=f"nothing to print and no service for {linger_s:.0f} s")
        if self._streamer.owes_heaters_off:
            log.warning("heaters-unconfirmed", reason="the printer has not answered since its run ended; look at it")
        self._end()

    # -- the connection -------------------------------------------------------------------------------------------

    async def _keep_connected(self) -> None:
        backoff = Backoff()
        complained_at = float("-inf")
        while True:
            self._gone.clear()
            try:
                transport = make_transport(self._config.endpoint, self._on_data, self._on_lost)
                await transport.open()
            except OpenError as error:
                now = self._loop.time()
                news = str(error) != self._unreachable
                if news or now > complained_at + SAME_COMPLAINT_S:
                    complained_at = now
                    log.warning("unreachable", reason=error)
                if news:
                    self._unreachable = str(error)
                    self._tell("unreachable", {"reason": self._unreachable}, now)
            else:
                self._unreachable = ""
                log.info("connected", device=self._config.endpoint.device)
                self._transport = transport
                if transport.is_open:
                    now = self._loop.time()
                    self._streamer.opened(now)
                    self._after(now)
                    await self._gone.wait()
                    if self._was_ready:
                        backoff.reset()
            await asyncio.sleep(backoff.next())

    def _on_data(self, data: bytes) -> None:
        now = self._loop.time()
        self._streamer.receive(data, now)
        self._after(now)

    def _on_lost(self, reason: str) -> None:
        self._transport = None
        now = self._loop.time()
        self._was_ready = self._streamer.ready
        self._streamer.lost(reason, now)
        self._gone.set()
        self._after(now)

    def _on_timer(self) -> None:
        self._timer = None
        now = self._loop.time()
        self._streamer.tick(now)
        self._after(now)

    def _after(self, now: float) -> None:
        """Do what the streamer wants done: bytes out first, then all else."""
        streamer, transport = self._streamer, self._transport
        if (urgent := streamer.take_urgent()) and transport is not None:
            transport.write_urgent(urgent)
        if (out := streamer.take_output()) and transport is not None:
            transport.write(out)
            streamer.look_ahead()
        for kind, data in streamer.take_events():
            self._tell(kind, data, now)
        if streamer.state is Run.IDLE:
            if self._job is not None:
                self._close_job()
            if not self._idle.is_set():
                self._idle_since = now
                self._idle.set()
        elif self._job is not None and (block := streamer.wanted_block) is not None:
            self._read(self._job, block)
        if streamer.reopen is not None and transport is not None:
            reason, streamer.reopen = streamer.reopen, None
            self._closing = asyncio.create_task(transport.close(reason), name="link-closing")
        self._arm()

    def _arm(self) -> None:
        deadline = self._streamer.deadline()
        if deadline is None:
            return
        if self._timer is not None:
            if self._timer.when() <= deadline:
                return  # it looks again then; moving it with every line would cost more
            self._timer.cancel()
        self._timer = self._loop.call_at(deadline, self._on_timer)

    def _tell(self, kind: Any, data: dict[str, Any], now: float) -> None:
        at = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        self._server.publish(self._events.add(kind, data, at=at, monotonic_s=round(now, 6)))
        if kind in _LOGGED:
            short = {key: value for key, value in data.items() if key not in ("layer_seconds", "capabilities")}
            log.info(kind, **short)

    # -- the job --------------------------------------------------------------------------------------------------

    def _read(self, job: JobFile, block: int) -> None:
        run = self._streamer.run or ""
        reading = self._loop.run_in_executor(None, job.block, block)
        self._reading = reading

        def done(result: "asyncio.Future[Commands]") -> None:
            now = self._loop.time()
            error = result.exception()
            if error is None:
                self._streamer.offer(run, block, result.result(), now)
            elif self._streamer.run == run:
                self._streamer.abort(str(error), now)
            self._after(now)

        reading.add_done_callback(done)

    def _close_job(self) -> None:
        job, self._job = self._job, None
        if job is None:
            return
        if self._reading is not None and not self._reading.done():
            self._reading.add_done_callback(lambda _: job.close())
        else:
            job.close()

    # -- commands of the service ----------------------------------------------------------------------------------

    async def _dispatch(self, do: str, command: dict[str, Any]) -> dict[str, Any]:
        now = self._loop.time()
        try:
            match do:
                case "start":
                    await self._start(command)
                case "pause":
                    self._streamer.pause("service", now)
                case "resume":
                    self._streamer.resume(now)
                case "cancel":
                    self._streamer.cancel(str(command.get("reason", "canceled by request")), now)
                case "stop":
                    self._streamer.stop(now)
                case "status":
                    return self._status()
                case "quit":
                    if self._streamer.state is not Run.IDLE:
                        raise Answer(f"run {self._streamer.run} is in progress: cancel it first")
                    if self._streamer.owes_heaters_off:
                        raise Answer("heaters are still to be switched off, once the printer answers again")
                    self._loop.call_soon(self._end)
                case _:
                    raise Answer(f"unknown command {do!r}")
        except Refused as refused:
            raise Answer(str(refused)) from refused
        self._after(self._loop.time())
        return {}

    async def _start(self, command: dict[str, Any]) -> None:
        run, job_path, index_path = (command.get(key) for key in ("run", "job", "index"))
        if not (isinstance(run, str) and run and isinstance(job_path, str) and isinstance(index_path, str)):
            raise Answer('start needs "run", "job" and "index"')
        if self._ending.is_set():
            raise Answer("the link process is ending")
        if self._streamer.state is not Run.IDLE:
            raise Answer(f"run {self._streamer.run} is in progress on this printer")
        try:
            job = await self._loop.run_in_executor(None, JobFile, Path(job_path), Path(index_path))
        except (OSError, JobIndexError) as error:
            raise Answer(f"the job can't be started: {error}") from error
        try:
            if self._ending.is_set():
                raise Refused("the link process is ending")
            if job.index.dialect.line_numbers is not self._config.numbered:
                raise Refused("the job was checked for another dialect: line numbers are on here and off there")
            self._streamer.start(run, job.index, self._loop.time())
        except Refused:
            job.close()
            raise
        self._job = job
        self._idle.clear()

    def _status(self) -> dict[str, Any]:
        return {
            **self._streamer.status(),
            "name": self._config.name,
            "device": self._config.endpoint.device,
            "pid": os.getpid(),
            "epoch": self._epoch,
            "unreachable": self._unreachable or None,
            "last_event": self._events.last,
        }
