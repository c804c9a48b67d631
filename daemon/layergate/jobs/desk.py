"""One printer's desk: its queue, what people ask of it, and the connection to its link process.

The link process prints; the desk starts runs and has them followed. It may die at any instant and be started again: it
asks the link what became of the run. Knows neither clients nor brokers.
"""

import asyncio
import contextlib
import secrets
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import structlog

from layergate.config import PrinterConfig
from layergate.jobs import store
from layergate.jobs.bench import JOURNAL_PAUSE_S, Bench
from layergate.jobs.errors import JournalError, LinkError, StateError
from layergate.jobs.following import CANCELED_BY, STOP_REQUEST, Following
from layergate.jobs.journal import Journal, now
from layergate.jobs.linkport import LinkOpener, LinkPort, LinkRefusedError
from layergate.jobs.spool import Spool
from layergate.jobs.states import Situation
from layergate.jobs.store import Bed, Job
from layergate.notify.hub import Hub

log = structlog.get_logger(__name__)

TICK_S = 2.0  # how often the watch looks at what did not happen
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 15.0
GONE_AFTER_S = 30.0  # a link that can't be reached or started for so long is gone, and its run with it
REACH_S = 15.0  # somebody who has just switched the printer on need not ask twice: controllers start in seconds
REFUSED_PAUSE_S = 3.0  # a printer that ends its last run settles in seconds
MOST_REFUSALS = 10
DISMISS_S = 2.0  # an idle link process answers in milliseconds; the service must not be kept from ending


class Desk(Bench):
    """One printer."""

    def __init__(
        self, name: str, config: PrinterConfig, *, journal: Journal, spool: Spool, hub: Hub, open_link: LinkOpener
    ) -> None:
        super().__init__(name, config, journal=journal, spool=spool, hub=hub)
        self.open_link = open_link
        self.still_valid: Callable[[Job], Awaitable[bool]] = _always_valid
        """Asked before a start: is the verdict of this job still the one to go by? Set by the gate."""
        self.link: LinkPort | None = None
        self.following = Following(self)
        self._lock = asyncio.Lock()
        """Held while bed and job change together, or a start is under way."""
        self._attended = False
        self._after = 0
        self._replay_until = 0
        self._refusals = 0
        self._not_before = 0.0
        self._waits_told: str | None = None

    # What people ask for --------------------------------------------------------------------------------------------

    async def cleared(self, who: str) -> Job | None:
        """Take a person's word that the bed is clear, and give the job that starts by it.

        Raises:
            StateError: something is printed, or the printer is not reached. A word given now would start a job at
                some later time, when the printer is switched on and perhaps nobody looks.
        """
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(REACH_S):
                await self.reached.wait()
        async with self._lock:
            if self.job is not None:
                raise StateError(f"job {self.job.id} is being printed on {self.name}: confirm the bed after its end")
            if not self.link_up or self.other_printer:
                raise StateError(
                    f"{self.name} is not reached, so nothing is confirmed: {self.link_text}. Once 'layergate jobs' shows "
                    "that it answers, look at its bed and confirm it then"
                )
            text = f"confirmed clear by {who}"
            self.bed = await self.journal.do(lambda db: store.set_bed(db, self.name, clear=True, text=text, who=who))
            starts = await self.next_job()
        self.publish()
        self.wake.set()
        return starts

    async def next_job(self) -> Job | None:
        """Give the job that starts next."""
        waiting = await self.journal.do(
            lambda db: store.list_jobs(db, situations=["queued"], printer=self.name, limit=1)
        )
        return waiting[0] if waiting else None

    async def pause(self, who: str) -> None:
        """Ask for a pause of the run."""
        job = self._must_print({"printing"}, "paused")
        link = self._connected()
        await self._note("pause asked for", who, job)
        await link.command("pause")

    async def resume(self, who: str) -> None:
        """Go on after a pause."""
        job = self._must_print({"paused"}, "resumed")
        link = self._connected()
        await self._note("resume asked for", who, job)
        await link.command("resume")

    async def cancel(self, job_id: str, who: str) -> Job:
        """End the run of a job in good order: no more lines, then the safe end."""
        job = self._must_print({"printing", "paused"}, "canceled")
        if job.id != job_id:
            raise StateError(f"{self.name} prints job {job.id}, not {job_id}")
        await self._connected().command("cancel", reason=f"{CANCELED_BY} {who}")
        return await self._ending(job, "cancel asked for", who)

    async def stop(self, who: str) -> None:
        """Send a stop request (M112), ahead of every queue. It is no safety device: see the README."""
        link, job = self._connected(), self.job
        self.stopped_run, self.stopped = job.run if job else None, True
        await link.command("stop")  # before anything is written: a card may be slow
        log.warning("stop request sent", printer=self.name, who=who)
        if job is not None:
            await self._ending(job, STOP_REQUEST, who)
        await self.void_clearing("a stop request was sent")
        await self._note(f"{STOP_REQUEST} sent", who, job)

    async def _ending(self, job: Job, message: str, who: str) -> Job:
        """Enter that a run is being ended, unless the link was quicker and it has ended."""
        if self.job is not None and self.job.id == job.id and self.job.situation in {"printing", "paused"}:
            with contextlib.suppress(StateError):  # it ended while this was handed over
                return await self.move(self.job, "ending", message=message, who=who)
        return await self.journal.do(lambda db: store.get_job(db, job.id))

    def _must_print(self, situations: set[Situation], done: str) -> Job:
        if self.job is None or self.job.situation not in situations:
            now_is = f"job {self.job.id} is {self.job.situation}" if self.job else "nothing is printed"
            if self.job is None and self.last_end:
                now_is += f" ({self.last_end})"
            raise StateError(f"{self.name}: {now_is}, so nothing can be {done}")
        return self.job

    def _connected(self) -> LinkPort:
        if self.link is None:
            raise LinkError(f"the link process of {self.name} is not reached ({self.link_text}); go to the printer")
        return self.link

    async def _note(self, what: str, who: str, job: Job | None) -> None:
        job_id = job.id if job else None
        await self.journal.do(lambda db: store.add_history(db, job=job_id, printer=self.name, what=what, who=who))

    # The task -------------------------------------------------------------------------------------------------------

    async def prepare(self) -> None:
        """Read from the journal what was going on. After any start of the service the bed is not known to be clear."""

        def read(db: Any) -> tuple[Job | None, Bed]:
            bed = store.get_bed(db, self.name)
            if bed.clear:
                bed = store.set_bed(db, self.name, clear=False, text="the service was started since it was confirmed")
            return store.active_job(db, self.name), bed

        self.job, self.bed = await self.journal.do(read)
        if self.job is not None:
            await self.following.begin(self.job)
            self.publish_job(self.job)
        self.publish()

    async def run(self) -> None:
        """Keep the link and the queue going, for ever."""
        pause_s, lost_at, told = FIRST_PAUSE_S, time.monotonic(), ""
        while True:
            self.stamp()
            try:
                link = await self.open_link()
                self.link = link
                try:
                    await self._attend(link)
                except asyncio.CancelledError:
                    await self._dismiss(link)
                    raise
                finally:
                    self.link, self.link_up = None, False
                    with contextlib.suppress(LinkError, OSError):  # it may be gone already
                        await link.close()
            except (LinkError, JournalError) as error:  # after the journal's, everything is asked for again
                problem = str(error)
            else:
                problem = "the link process ended"
            if self._attended:
                self._attended, pause_s, lost_at = False, FIRST_PAUSE_S, time.monotonic()
                await self.void_clearing("the link process was lost")
            self.link_text = problem
            if problem != told:
                log.warning("link not reached", printer=self.name, problem=problem)
                told = problem
                self.publish()
            if self.job is not None and time.monotonic() - lost_at > GONE_AFTER_S:
                await self.following.end({"outcome": "aborted", "reason": f"the link process is gone: {problem}"})
            await asyncio.sleep(pause_s)
            pause_s = min(LONGEST_PAUSE_S, pause_s * 2)

    async def _dismiss(self, link: LinkPort) -> None:
        """The service ends: a link process that has nothing to print ends with it and frees the port. Does not raise."""
        if self.job is not None:
            return  # it goes on, or has something to tell the next service
        # It says no where a run is in progress all the same.
        with contextlib.suppress(LinkError, OSError, TimeoutError):
            async with asyncio.timeout(DISMISS_S):
                await link.command("quit")

    async def _attend(self, link: LinkPort) -> None:
        """Follow one connection to the link process until it is lost."""
        status = await link.command("status")
        self._attended = True
        self._after = 0
        self._replay_until = int(status.get("last_event", 0))
        self.link_up = bool(status["ready"]) or status.get("run") is not None
        if self.link_up:
            self.identify({"firmware": status.get("firmware")})
        else:
            self.link_text = str(status.get("unreachable") or "the printer does not answer yet")
        self.publish()
        tasks = {
            asyncio.create_task(self._follow(link, status), name=f"follow-{self.name}"),
            asyncio.create_task(self._feed(link), name=f"queue-{self.name}"),
        }
        self.wake.set()
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _follow(self, link: LinkPort, status: dict[str, Any]) -> None:
        settled = self._replay_until == 0
        if settled:
            await self._settle(status)
        async for event in link.events(0):
            await self.following.handle(event, replayed=event.number <= self._replay_until)
            self._after = event.number
            if not settled and event.number >= self._replay_until:
                settled = True
                await self._settle(status)
                self.wake.set()

    async def _settle(self, status: dict[str, Any]) -> None:
        """After the replay: a job that the journal calls printing, and the link knows nothing of, is aborted."""
        if self.job is not None and self.job.run != status.get("run"):
            await self.following.end(
                {"outcome": "aborted", "reason": "the link process that printed it is gone, or it never began"}
            )

    async def _feed(self, link: LinkPort) -> None:
        """Start what waits whenever all is ready, and let the watch look at the clock."""
        while True:
            self.stamp()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(TICK_S):
                    await self.wake.wait()
            self.wake.clear()
            try:
                await self._try_start(link)
            except StateError as error:  # canceled between two looks
                log.info("not started", printer=self.name, reason=str(error))
            except JournalError as error:
                log.warning("queue waits for the journal", printer=self.name, error=str(error))
                await asyncio.sleep(JOURNAL_PAUSE_S)
            await self.following.tick()

    # Starting -------------------------------------------------------------------------------------------------------

    def _ready(self) -> bool:
        settled = self._after >= self._replay_until and time.monotonic() >= self._not_before
        return settled and self.job is None and self.link_up and not self.other_printer

    async def _try_start(self, link: LinkPort) -> None:
        if not self._ready():
            return
        job = await self.next_job()
        if job is None:
            self._waits_told = None
            return
        if self.needs_clearing:
            if self._waits_told != job.id:
                self._waits_told = job.id
                text = f"{job.name} waits until the bed of {self.name} is confirmed clear"
                await self.alert("waiting-for-person", text, job)
            return
        if not await self.still_valid(job):
            return
        async with self._lock:
            if self._ready() and not self.needs_clearing:
                await self._start(link, job)

    async def _start(self, link: LinkPort, job: Job) -> None:
        run = f"{job.id}-{secrets.token_hex(4)}"
        before, voided = self.bed, self.voided

        def begin(db: Any) -> tuple[Job, Bed]:
            # On record before the first byte is sent, so that a kill in between can't leave a print unknown.
            started = store.move_job(db, job.id, "printing", run=run, started_at=now(), layer=0, line=0, event=0)
            return started, store.set_bed(db, self.name, clear=False, text=f"job {job.id} ({job.name}) is on it")

        started, self.bed = await self.journal.do(begin)
        self.job = started
        await self.following.begin(started)
        self.publish_job(started)
        self.publish()
        try:
            await link.command(
                "start", run=run, job=str(self.spool.job_path(job.sha256)), index=str(self.spool.index_path(job.id))
            )
        except LinkRefusedError as error:
            bed = before if self.voided == voided else replace(before, clear=False)
            await self._not_started(started, bed, error.detail)
        else:
            self._refusals = 0
        # LinkError, no answer: not known whether it began; the next connection asks the link (see _settle).

    async def _not_started(self, job: Job, before: Bed, why: str) -> None:
        """The link said no, so nothing was sent: the job waits again, and is held when that does not pass."""
        self._refusals += 1
        self._not_before = time.monotonic() + REFUSED_PAUSE_S
        situation: Situation = "queued" if self._refusals < MOST_REFUSALS else "held"
        message = f"not started: {why}"

        def undo(db: Any) -> tuple[Job, Bed]:
            waits = store.move_job(db, job.id, situation, message=message, run=None, started_at=None)
            return waits, store.set_bed(db, self.name, clear=before.clear, text=before.text)

        waits, self.bed = await self.insist(undo)
        self.job = self.following.watch = None
        self.publish_job(waits)
        self.publish()
        if situation == "held":
            self._refusals = 0
            await self.alert("held", f"{job.name}: {message}", job)


async def _always_valid(_: Job) -> bool:
    return True
