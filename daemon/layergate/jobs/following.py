"""Following a run by the link's numbered events: progress, remarks, pauses, and its end, kept true in the journal.

Events may be repeated, since a service that comes back asks for all of them again: what the journal's row tells already
is not told twice. Starts nothing and sends nothing; knows neither clients nor brokers.
"""

import asyncio
import contextlib
import json
import time
from dataclasses import asdict
from typing import Any

import structlog

from layergate import jobindex
from layergate.jobs import store
from layergate.jobs.bench import Bench
from layergate.jobs.errors import JournalError, StateError
from layergate.jobs.record import record_of
from layergate.jobs.states import Situation
from layergate.jobs.store import Bed, Job
from layergate.link.messages import Event
from layergate.watch.progress import Limits, Remark, RunWatch

log = structlog.get_logger(__name__)

CHECKPOINT_S = 15.0  # progress goes to the journal at layers and this often: spares the card (anchors B.6)
STOP_REQUEST = "stop request"
CANCELED_BY = "canceled by"  # how the link's reason begins where we asked for it; the printer's own is another


class Following:
    """Follows the runs of one printer."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.watch: RunWatch | None = None
        self._limits = Limits(**bench.config.watch.model_dump())
        self._checkpoint_at = 0.0
        self._journal_told = False

    async def begin(self, job: Job) -> None:
        """Get ready to follow the run of a job against its layer map."""
        try:
            index = await asyncio.to_thread(jobindex.load, self.bench.spool.index_path(job.id))
        except (OSError, ValueError) as error:
            self.watch = None
            log.warning("run can't be followed against its layer map", job=job.id, error=str(error))
            return
        self.watch = RunWatch(index, self._limits)

    async def tick(self) -> None:
        """Look at what did not happen."""
        if self.watch is not None:
            await self._remark(self.watch.tick(time.monotonic()))

    async def handle(self, event: Event, *, replayed: bool) -> None:
        """Take one event.

        Raises:
            JournalError: a change of state can't be kept; the event is to be asked for again.
        """
        bench = self.bench
        bench.stamp()
        run = event.data.get("run")
        if run is not None and (bench.job is None or run != bench.job.run):
            return  # of a run before, replayed
        job = bench.job
        told_before = job is not None and event.number <= job.event
        news = not told_before if job is not None else not replayed
        if self.watch is not None:
            remarks = self.watch.handle(event)
            if not told_before:
                await self._remark(remarks)
        match event.type:
            case "unreachable":
                bench.link_text = str(event.data.get("reason", "the printer is not reached"))
                bench.publish()
            case "link-up":
                bench.link_up, bench.stopped = True, False
                bench.identify(event.data)
                bench.publish()
                bench.wake.set()
                await bench.look_for_heat_guards(event.data)
            case "link-lost":
                bench.link_up = False
                bench.link_text = str(event.data.get("reason", "the printer does not answer"))
                if not replayed:
                    await bench.void_clearing("the connection to the printer was lost")
                bench.publish()
                if news and bench.stopped:
                    # It was asked to halt; that it is silent now is no news, that it stays so until a reset is.
                    bench.link_text = (
                        "halted by the stop request; it answers again after a reset, or switched off and on"
                    )
                    bench.publish()
                    await bench.alert("link-lost", f"{bench.name} is {bench.link_text}.", job, "warning")
                elif news:
                    text = f"{bench.link_text}. Heaters may still be on: look at the printer."
                    await bench.alert("link-lost", text, job)
            case "printer-reset" if news:
                if not replayed:
                    await bench.void_clearing("the printer started anew")
                text = f"the printer started anew: {event.data.get('text', '')}".rstrip(": ")
                await bench.alert("printer-reset", text, job)
            case "printer-error":
                bench.link_text = str(event.data.get("text", "the printer reports a fault"))
                log.error("printer reports a fault", printer=bench.name, text=bench.link_text)
            case "paused" if job is not None and job.situation == "printing":
                by = event.data.get("by", "service")
                await self._move(job, "paused", "by the printer" if by == "printer" else "", event)
                if by == "printer" and news:
                    text = f"{job.name} was paused by the printer and waits for somebody"
                    await bench.alert("waiting-for-person", text, job)
            case "pause-ends" if job is not None and news:
                await bench.alert("waiting-for-person", _pause_ends_text(job, event.data), job, "warning")
            case "resumed" if job is not None and job.situation == "paused":
                await self._move(job, "printing", "", event)
            case "progress" | "temperature" if self.watch is not None:
                self._publish_progress()
                await self._checkpoint(event)
            case "run-ended" if job is not None:
                await self.end(event.data)

    async def _move(self, job: Job, situation: Situation, message: str, event: Event) -> None:
        try:
            await self.bench.move(job, situation, message=message, event=max(event.number, job.event))
        except StateError as error:  # somebody's cancel was quicker
            log.info("state not changed", printer=self.bench.name, reason=str(error))

    async def _remark(self, remarks: list[Remark]) -> None:
        for remark in remarks:
            job = self.bench.job
            await self.bench.alert(remark.name, remark.text, job)
            if job is not None:
                with contextlib.suppress(JournalError):  # the alert is out; the count only colours the end
                    self.bench.refresh(await self._count_remark(job.id))

    async def _count_remark(self, job_id: str) -> Job:
        return await self.bench.journal.do(lambda db: store.count_remark(db, job_id))

    def _publish_progress(self) -> None:
        job = self.bench.job
        if self.watch is not None and job is not None:
            values = {"job": job.id, **_rounded(asdict(self.watch.progress()))}
            self.bench.hub.state(self.bench.name, "progress", values)

    async def _checkpoint(self, event: Event) -> None:
        """Keep in the journal how far the run is: what is known of it should the link be lost."""
        job, watch = self.bench.job, self.watch
        if job is None or watch is None or event.number <= job.event:
            return
        at = time.monotonic()
        layer, line = watch.layer, watch.line
        if layer == job.layer and at - self._checkpoint_at < CHECKPOINT_S:
            return
        self._checkpoint_at = at
        try:
            kept = await self.bench.journal.do(
                lambda db: store.change_job(db, job.id, layer=layer, line=line, event=event.number)
            )
            self.bench.refresh(kept)
            self._journal_told = False
        except JournalError as error:
            # The print goes on: nothing of it depends on this row but what is remembered after a crash.
            if not self._journal_told:
                self._journal_told = True
                log.warning("progress not kept", printer=self.bench.name, error=str(error))

    # The end --------------------------------------------------------------------------------------------------------

    async def end(self, ended: dict[str, Any]) -> None:
        """Enter the end of the run, by the link's ``run-ended`` or ours; tries until the journal takes it."""
        bench, job, watch = self.bench, self.bench.job, self.watch
        assert job is not None
        situation = self._end_situation(job, ended)
        reached = max(watch.layer if watch is not None else 0, job.layer)
        if situation in {"completed", "completed-with-warnings"}:
            reached = job.layers or reached
        line = max(watch.line if watch is not None else 0, job.line, int(ended.get("line") or 0))
        record = json.dumps(record_of(watch.index, ended, reached)) if watch is not None else None
        reason = str(ended.get("reason") or "")
        where = f"at layer {reached} of {job.layers}" if job.layers else f"at line {line}"
        message = reason if situation.startswith("completed") else f"{where}: {reason}".rstrip(": ")

        def enter(db: Any) -> tuple[Job, Bed]:
            moved = store.move_job(db, job.id, situation, message=message, layer=reached, line=line, record=record)
            text = f"after job {job.id} ({job.name}): {situation}"
            return moved, store.set_bed(db, bench.name, clear=False, text=text)

        moved, bench.bed = await bench.insist(enter)
        self._publish_progress()
        bench.job = self.watch = None
        bench.last_end = f"{moved.name} ended {moved.message}" if moved.message else f"{moved.name} has ended"
        bench.publish_job(moved)
        bench.publish()
        await self._tell_end(moved)
        bench.wake.set()

    async def _tell_end(self, job: Job) -> None:
        if job.situation.startswith("completed"):
            await self.bench.alert("completed", _completed_text(job), job)
        elif job.situation in {"aborted", "stopped", "canceled-at-printer"}:
            text = f"{job.name} ended {job.message}. Look at the printer and make sure that its heaters are off."
            await self.bench.alert("aborted", text, job)
        if self.bench.needs_clearing:
            text = f"take the part off {self.bench.name}, then confirm that its bed is clear"
            await self.bench.alert("needs-clearing", text, job)

    def _end_situation(self, job: Job, ended: dict[str, Any]) -> Situation:
        reason = str(ended.get("reason") or "")
        match ended.get("outcome"):
            case "completed":
                return "completed-with-warnings" if job.remarks else "completed"
            case "canceled":
                ours = job.situation == "ending" or reason.startswith(CANCELED_BY)
                return "canceled" if ours else "canceled-at-printer"
            case _:
                ours = job.run == self.bench.stopped_run or (job.situation, job.message) == ("ending", STOP_REQUEST)
                return "stopped" if ours else "aborted"


def _pause_ends_text(job: Job, told: dict[str, Any]) -> str:
    left_s = float(told.get("in_s") or 0)
    left = f"{left_s / 60:.0f} min" if left_s >= 120 else f"{left_s:.0f} s"
    return (
        f"{job.name} is paused and the printer is hot. Unless it is resumed within {left}, the job is ended and heaters "
        "are switched off; it can't be resumed after that."
    )


def _completed_text(job: Job) -> str:
    """Say what was printed: the file's layers, which need not be those of a whole part."""
    layers = f"the {job.layers} layers of the file are printed" if job.layers else "the file is printed to its end"
    judged = "" if job.verdict in {"clear", None} else f"; it was judged {job.verdict!r} ('layergate show {job.id}')"
    return f"{job.name}: {layers}{judged}"


def _rounded(values: dict[str, Any]) -> dict[str, Any]:
    return {key: round(value, 2) if isinstance(value, float) else value for key, value in values.items()}
