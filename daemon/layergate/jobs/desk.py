"""One printer's desk: its queue, its bed, its link, and the run that is followed.

The link process prints; the desk starts runs, follows them by numbered events, and keeps the journal true to them. It
may die at any instant and be started again: it asks the link what became of the run. Knows neither clients nor brokers.
"""

import asyncio
import contextlib
import json
import secrets
import time
from collections.abc import Awaitable, Callable
from dataclasses import asdict
from typing import Any

import structlog

from layergate import jobindex
from layergate.config import PrinterConfig
from layergate.jobs import store
from layergate.jobs.errors import JournalError, LinkError, StateError
from layergate.jobs.journal import Journal, now
from layergate.jobs.linkport import LinkOpener, LinkPort, LinkRefusedError
from layergate.jobs.record import record_of
from layergate.jobs.spool import Spool
from layergate.jobs.states import ACTIVE, PRINTER_STATES, PrinterCondition, Situation
from layergate.jobs.store import Bed, Job
from layergate.jobs.views import job_view
from layergate.link.messages import Event
from layergate.notify.hub import Hub
from layergate.watch.progress import Limits, Remark, RunWatch

log = structlog.get_logger(__name__)

TICK_S = 2.0  # how often the watch looks at what did not happen
CHECKPOINT_S = 15.0  # progress goes to the journal at layers and this often: spares the card (anchors B.6)
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 15.0
GONE_AFTER_S = 30.0  # a link that can't be reached or started for so long is gone, and its run with it
JOURNAL_PAUSE_S = 5.0
REFUSED_PAUSE_S = 3.0  # a printer that ends its last run settles in seconds
MOST_REFUSALS = 10
STOP_REQUEST = "stop request"
CANCELED_BY = "canceled by"  # how the link's reason begins where we asked for it; the printer's own is another


class Desk:
    """One printer."""

    def __init__(
        self, name: str, config: PrinterConfig, *, journal: Journal, spool: Spool, hub: Hub, open_link: LinkOpener
    ) -> None:
        self.name = name
        self.config = config
        self.journal = journal
        self.spool = spool
        self.hub = hub
        self.open_link = open_link
        self.still_valid: Callable[[Job], Awaitable[bool]] = _always_valid
        """Asked before a start: is the verdict of this job still the one to go by? Set by the gate."""
        self.stamp: Callable[[], None] = lambda: None
        """Called whenever the desk got on, for the watchdog."""
        self.job: Job | None = None
        self.watch: RunWatch | None = None
        self.bed = Bed(clear=False, text="", at=now())
        self.link: LinkPort | None = None
        self.link_up = False
        self.link_text = "not reached yet"
        self.other_printer = False
        self.wake = asyncio.Event()
        """Set when there may be something to start."""
        self._lock = asyncio.Lock()
        self._after = 0
        self._replay_until = 0
        self._checkpoint_at = 0.0
        self._refusals = 0
        self._not_before = 0.0
        self._stopped_run: str | None = None
        self._waits_told: str | None = None
        self._journal_told = False
        self._limits = Limits(**config.watch.model_dump())

    # What others see ------------------------------------------------------------------------------------------------

    @property
    def condition(self) -> PrinterCondition:
        """Say how the printer is, in one word of ours."""
        if self.job is not None:
            situation = self.job.situation
            return "paused" if situation == "paused" else "ending" if situation == "ending" else "printing"
        if not self.link_up:
            return "connecting"
        if self.other_printer:
            return "other-printer"
        return "needs-clearing" if self.needs_clearing else "idle"

    @property
    def needs_clearing(self) -> bool:
        return not self.bed.clear and self.config.start == "confirmed"

    def view(self) -> dict[str, Any]:
        """Give the printer's state in the standard's words, with ours beside them."""
        condition = self.condition
        state, reasons = PRINTER_STATES[condition]
        if self.job is not None and not self.link_up:
            reasons = (*(reason for reason in reasons if reason != "none"), "connecting-to-device")
        return {
            "printer": self.name,
            "state": state,
            "reasons": list(reasons),
            "condition": condition,
            "message": self._message(condition),
            "link_up": self.link_up,
            "needs_clearing": self.needs_clearing,
            "bed": self.bed.text,
            "job": self.job.id if self.job else None,
            "mode": self.config.mode,
            "start": self.config.start,
        }

    def _message(self, condition: PrinterCondition) -> str:
        match condition:
            case "connecting" | "other-printer":
                return self.link_text
            case "needs-clearing":
                return f"clear the bed, then confirm it ('layergate cleared {self.name}'): {self.bed.text}"
            case "idle":
                return "ready"
            case _:
                assert self.job is not None
                return f"{self.job.name} ({self.job.id})"

    def publish(self) -> None:
        """Tell the printer's state."""
        self.hub.state(self.name, "state", self.view())

    def publish_job(self, job: Job) -> None:
        """Tell the job that this printer deals with."""
        self.hub.state(self.name, "job", job_view(job))

    # What people ask for --------------------------------------------------------------------------------------------

    async def cleared(self, who: str) -> Bed:
        """Take a person's word that the bed is clear. Raises StateError while something is printed."""
        async with self._lock:
            if self.job is not None:
                raise StateError(f"job {self.job.id} is being printed on {self.name}: confirm the bed after its end")
            text = f"confirmed clear by {who}"
            self.bed = await self.journal.do(lambda db: store.set_bed(db, self.name, clear=True, text=text, who=who))
        self.publish()
        self.wake.set()
        return self.bed

    async def pause(self, who: str) -> None:
        """Ask for a pause of the run."""
        job = self._must_print({"printing"}, "paused")
        await self._connected().command("pause")
        await self._note(job, "pause asked for", who)

    async def resume(self, who: str) -> None:
        """Go on after a pause."""
        job = self._must_print({"paused"}, "resumed")
        await self._connected().command("resume")
        await self._note(job, "resume asked for", who)

    async def cancel(self, job_id: str, who: str) -> Job:
        """End the run of a job in good order: no more lines, then the safe end."""
        job = self._must_print({"printing", "paused"}, "canceled")
        if job.id != job_id:
            raise StateError(f"{self.name} prints job {job.id}, not {job_id}")
        await self._connected().command("cancel", reason=f"{CANCELED_BY} {who}")
        return await self._ending(job, "cancel asked for", who)

    async def stop(self, who: str) -> None:
        """Send a stop request (M112), ahead of every queue. It is no safety device: see the README."""
        link = self._connected()
        job = self.job
        self._stopped_run = job.run if job else None
        await link.command("stop")  # before anything is written: a card may be slow
        log.warning("stop request sent", printer=self.name, who=who)
        if job is not None:
            await self._ending(job, STOP_REQUEST, who)
        what = f"{STOP_REQUEST} sent"
        await self.journal.do(
            lambda db: store.add_history(db, job=job.id if job else None, printer=self.name, what=what, who=who)
        )

    async def _ending(self, job: Job, message: str, who: str) -> Job:
        """Enter that a run is being ended, unless the link was quicker and it has ended."""
        async with self._lock:
            if self.job is not None and self.job.id == job.id and self.job.situation in {"printing", "paused"}:
                return await self._move(self.job, "ending", message=message, who=who)
        return await self.journal.do(lambda db: store.get_job(db, job.id))

    def _must_print(self, situations: set[Situation], done: str) -> Job:
        if self.job is None or self.job.situation not in situations:
            now_is = f"job {self.job.id} is {self.job.situation}" if self.job else "nothing is printed"
            raise StateError(f"{self.name}: {now_is}, so nothing can be {done}")
        return self.job

    def _connected(self) -> LinkPort:
        if self.link is None:
            raise LinkError(f"the link process of {self.name} is not reached ({self.link_text}); go to the printer")
        return self.link

    async def _note(self, job: Job, what: str, who: str) -> None:
        await self.journal.do(lambda db: store.add_history(db, job=job.id, printer=self.name, what=what, who=who))

    # The task -------------------------------------------------------------------------------------------------------

    async def prepare(self) -> None:
        """Read from the journal what was going on. After any start of the service the bed is not known to be clear."""

        def read(db: Any) -> tuple[Job | None, Bed]:
            job = store.active_job(db, self.name)
            bed = store.get_bed(db, self.name)
            if bed.clear or not bed.text:
                bed = store.set_bed(db, self.name, clear=False, text="the service was started since it was confirmed")
            return job, bed

        self.job, self.bed = await self.journal.do(read)
        if self.job is not None:
            await self._watch_job(self.job)
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
                finally:
                    self.link, self.link_up = None, False
                    with contextlib.suppress(LinkError, OSError):  # it may be gone already
                        await link.close()
            except LinkError as error:
                problem = str(error)
            else:
                problem = "the link process ended"
            if self._attended:
                self._attended, pause_s, lost_at = False, FIRST_PAUSE_S, time.monotonic()
            self.link_text = problem
            if problem != told:
                log.warning("link not reached", printer=self.name, problem=problem)
                told = problem
                self.publish()
            if self.job is not None and time.monotonic() - lost_at > GONE_AFTER_S:
                await self._end({"outcome": "aborted", "reason": f"the link process is gone: {problem}"})
            await asyncio.sleep(pause_s)
            pause_s = min(LONGEST_PAUSE_S, pause_s * 2)

    _attended = False

    async def _attend(self, link: LinkPort) -> None:
        """Follow one connection to the link process until it is lost."""
        status = await link.command("status")
        self._attended = True
        self._after = 0
        self._replay_until = int(status.get("last_event", 0))
        self._take_status(status)
        if self._replay_until == 0:
            await self._settle(status)
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

    def _take_status(self, status: dict[str, Any]) -> None:
        self.link_up = bool(status["ready"]) or status.get("run") is not None
        if self.link_up:
            self._identify({"firmware": status.get("firmware")})
        else:
            self.link_text = "the printer does not answer yet"
        self.publish()

    async def _follow(self, link: LinkPort, status: dict[str, Any]) -> None:
        settled = self._replay_until == 0
        async for event in link.events(self._after):
            self._after = event.number
            await self._handle(event)
            if not settled and event.number >= self._replay_until:
                settled = True
                await self._settle(status)

    async def _settle(self, status: dict[str, Any]) -> None:
        """After the replay: a job that the journal calls printing, and the link knows nothing of, is aborted."""
        if self.job is not None and self.job.run != status.get("run"):
            await self._end({"outcome": "aborted", "reason": "the link process that printed it is gone"})

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
            except JournalError as error:
                log.warning("queue waits for the journal", printer=self.name, error=str(error))
                await asyncio.sleep(JOURNAL_PAUSE_S)
            if self.watch is not None:
                await self._remark(self.watch.tick(time.monotonic()))

    # Starting -------------------------------------------------------------------------------------------------------

    async def _try_start(self, link: LinkPort) -> None:
        if self.job is not None or not self.link_up or self.other_printer or self._after < self._replay_until:
            return
        if time.monotonic() < self._not_before:
            return
        waiting = await self.journal.do(
            lambda db: store.list_jobs(db, situations=["queued"], printer=self.name, limit=1)
        )
        if not waiting:
            self._waits_told = None
            return
        job = waiting[0]
        if self.needs_clearing:
            if self._waits_told != job.id:
                self._waits_told = job.id
                text = f"{job.name} waits until the bed of {self.name} is confirmed clear"
                await self.hub.alert("waiting-for-person", text, printer=self.name, job=job.id)
            return
        if not await self.still_valid(job):
            return
        async with self._lock:
            if self.needs_clearing or self.job is not None:
                return
            await self._start(link, job)

    async def _start(self, link: LinkPort, job: Job) -> None:
        run = f"{job.id}-{secrets.token_hex(4)}"
        before = self.bed

        def begin(db: Any) -> tuple[Job, Bed]:
            # On record before the first byte is sent, so that a kill in between can't leave a print unknown.
            started = store.move_job(db, job.id, "printing", run=run, started_at=now(), event=0)
            return started, store.set_bed(db, self.name, clear=False, text=f"job {job.id} ({job.name}) is on it")

        started, self.bed = await self.journal.do(begin)
        self.job = started
        await self._watch_job(started)
        self.publish_job(started)
        self.publish()
        try:
            await link.command(
                "start", run=run, job=str(self.spool.job_path(job.sha256)), index=str(self.spool.index_path(job.id))
            )
        except LinkRefusedError as error:
            await self._not_started(started, before, error.detail)
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

        waits, self.bed = await self.journal.do(undo)
        self.job = self.watch = None
        self.publish_job(waits)
        self.publish()
        if situation == "held":
            self._refusals = 0
            await self.hub.alert("held", f"{job.name}: {message}", printer=self.name, job=job.id)

    async def _watch_job(self, job: Job) -> None:
        try:
            index = await asyncio.to_thread(jobindex.load, self.spool.index_path(job.id))
        except (OSError, ValueError) as error:
            self.watch = None
            log.warning("run can't be followed against its layer map", job=job.id, error=str(error))
            return
        self.watch = RunWatch(index, self._limits)

    # Events ---------------------------------------------------------------------------------------------------------

    async def _handle(self, event: Event) -> None:
        self.stamp()
        replayed = event.number <= self._replay_until
        told_before = self.job is not None and event.number <= self.job.event
        run = event.data.get("run")
        if run is not None and (self.job is None or run != self.job.run):
            return  # of a run before, replayed
        if self.watch is not None:
            remarks = self.watch.handle(event)
            if not told_before:
                await self._remark(remarks)
        match event.type:
            case "link-up":
                self.link_up = True
                self._identify(event.data)
                self.publish()
                self.wake.set()
            case "link-lost":
                self.link_up = False
                self.link_text = str(event.data.get("reason", "the printer does not answer"))
                self.publish()
                if not replayed or (self.job is not None and not told_before):
                    await self.hub.alert(
                        "link-lost",
                        f"{self.link_text}. Heaters may still be on: look at the printer.",
                        printer=self.name,
                        job=self.job.id if self.job else None,
                    )
            case "printer-reset" if not replayed or (self.job is not None and not told_before):
                text = f"the printer started anew: {event.data.get('text', '')}".rstrip(": ")
                await self.hub.alert("printer-reset", text, printer=self.name, job=self.job.id if self.job else None)
            case "printer-error":
                self.link_text = str(event.data.get("text", "the printer reports a fault"))
                log.error("printer reports a fault", printer=self.name, text=self.link_text)
            case "paused" if self.job is not None and self.job.situation == "printing":
                by = event.data.get("by", "service")
                self.job = await self._move(self.job, "paused", message=f"by {by}", event=event.number)
                if by == "printer" and not told_before:
                    text = f"{self.job.name} was paused by the printer and waits for somebody"
                    await self.hub.alert("waiting-for-person", text, printer=self.name, job=self.job.id)
            case "resumed" if self.job is not None and self.job.situation == "paused":
                await self._move(self.job, "printing", event=event.number)
            case "progress" | "temperature" if self.watch is not None:
                self._publish_progress()
                await self._checkpoint(event)
            case "run-ended" if self.job is not None:
                await self._end(event.data)

    def _identify(self, printer: dict[str, Any]) -> None:
        wanted = self.config.identity
        self.other_printer = bool(wanted and printer and wanted not in json.dumps(printer, ensure_ascii=False))
        if self.other_printer:
            self.link_text = f"another printer answers: nothing in its answer says {wanted!r}; nothing is sent to it"
            log.error("another printer answers", printer=self.name, wanted=wanted, answer=printer)

    async def _remark(self, remarks: list[Remark]) -> None:
        for remark in remarks:
            job = self.job
            await self.hub.alert(remark.name, remark.text, printer=self.name, job=job.id if job else None)
            if job is not None:
                with contextlib.suppress(JournalError):  # the alert is out; the count only colours the end
                    self.job = await self._count_remark(job)

    async def _count_remark(self, job: Job) -> Job:
        return await self.journal.do(lambda db: store.change_job(db, job.id, remarks=job.remarks + 1))

    def _publish_progress(self) -> None:
        if self.watch is None or self.job is None:
            return
        self.hub.state(self.name, "progress", {"job": self.job.id, **_rounded(asdict(self.watch.progress()))})

    async def _checkpoint(self, event: Event) -> None:
        """Keep in the journal how far the run is: what is known of it should the link be lost."""
        if self.job is None or self.watch is None or event.number <= self.job.event:
            return
        at = time.monotonic()
        layer, line = self.watch.layer, self.watch.line
        if layer == self.job.layer and at - self._checkpoint_at < CHECKPOINT_S:
            return
        self._checkpoint_at = at
        job_id, number = self.job.id, event.number
        try:
            self.job = await self.journal.do(
                lambda db: store.change_job(db, job_id, layer=layer, line=line, event=number)
            )
            self._journal_told = False
        except JournalError as error:
            # The print goes on: nothing of it depends on this row but what is remembered after a crash.
            if not self._journal_told:
                self._journal_told = True
                log.warning("progress not kept", printer=self.name, error=str(error))

    async def _move(self, job: Job, situation: Situation, *, message: str = "", who: str = "", **changes: Any) -> Job:
        moved = await self.journal.do(
            lambda db: store.move_job(db, job.id, situation, message=message, who=who, **changes)
        )
        self.job = moved if moved.situation in ACTIVE else None
        self.publish_job(moved)
        self.publish()
        return moved

    def _end_situation(self, job: Job, ended: dict[str, Any]) -> Situation:
        reason = str(ended.get("reason") or "")
        match ended.get("outcome"):
            case "completed":
                return "completed-with-warnings" if job.remarks else "completed"
            case "canceled":
                ours = job.situation == "ending" or reason.startswith(CANCELED_BY)
                return "canceled" if ours else "canceled-at-printer"
            case _:
                ours = job.run == self._stopped_run or (job.situation == "ending" and job.message == STOP_REQUEST)
                return "stopped" if ours else "aborted"

    async def _end(self, ended: dict[str, Any]) -> None:
        """Enter the end of the run; tries until the journal takes it."""
        job, watch = self.job, self.watch
        assert job is not None
        situation = self._end_situation(job, ended)
        reached = watch.layer if watch is not None and watch.line else job.layer
        line = max(watch.line if watch is not None else 0, job.line, int(ended.get("line") or 0))
        if situation in {"completed", "completed-with-warnings"}:
            reached = job.layers or reached
        reached = max(reached, job.layer)
        record = record_of(watch.index, ended, reached) if watch is not None else None
        reason = str(ended.get("reason") or "")
        where = f"at layer {reached} of {job.layers}" if job.layers else f"at line {line}"
        message = reason if situation.startswith("completed") else f"{where}: {reason}".rstrip(": ")

        def enter(db: Any) -> tuple[Job, Bed]:
            moved = store.move_job(
                db,
                job.id,
                situation,
                message=message,
                layer=reached,
                line=line,
                record=json.dumps(record) if record else None,
            )
            return moved, store.set_bed(
                db, self.name, clear=False, text=f"after job {job.id} ({job.name}): {situation}"
            )

        while True:
            try:
                moved, self.bed = await self.journal.do(enter)
                break
            except JournalError as error:
                log.warning("end of run not kept yet", printer=self.name, job=job.id, error=str(error))
                await asyncio.sleep(JOURNAL_PAUSE_S)
        self._publish_progress()
        self.job = self.watch = None
        self.publish_job(moved)
        self.publish()
        if situation.startswith("completed"):
            await self.hub.alert("completed", f"{job.name}: all {job.layers} layers", printer=self.name, job=job.id)
        elif situation in {"aborted", "stopped", "canceled-at-printer"}:
            text = f"{job.name} ended {message}. Look at the printer and make sure that its heaters are off."
            await self.hub.alert("aborted", text, printer=self.name, job=job.id)
        if self.needs_clearing:
            text = f"take the part off {self.name}, then confirm that its bed is clear"
            await self.hub.alert("needs-clearing", text, printer=self.name, job=job.id)
        self.wake.set()


async def _always_valid(_: Job) -> bool:
    return True


def _rounded(values: dict[str, Any]) -> dict[str, Any]:
    return {key: round(value, 2) if isinstance(value, float) else value for key, value in values.items()}
