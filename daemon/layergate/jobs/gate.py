"""The gate: everything that a person or a source may ask for, and the preflight of what was accepted.

Brings spool, journal, worker and desks together. Verdicts belong to (job, printer description, rule set) and are made
again when one of them changed before the first byte is sent. Knows no HTTP, no broker and no command line.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from layergate import jobindex
from layergate.config import Config
from layergate.jobs import store
from layergate.jobs.desk import Desk
from layergate.jobs.errors import DiskLowError, JournalError, NotFoundError, ReleaseError, StateError
from layergate.jobs.journal import Journal
from layergate.jobs.spool import Spool, Spooled, display_name
from layergate.jobs.states import ACTIVE, WAITING, Situation
from layergate.jobs.store import Job, Waiver
from layergate.jobs.verdict import (
    Finding,
    Report,
    ReportError,
    not_waived,
    read_raw,
    read_report,
    rules_digest,
    summary,
    verdict_key,
)
from layergate.jobs.worker import Worker
from layergate.notify.alerts import AlertName
from layergate.notify.hub import Hub
from layergate.printer import UNSTATED, load_description
from layergate.tomlfile import TomlFileError

log = structlog.get_logger(__name__)

LOOK_AGAIN_S = 5.0  # after a journal that can't be read; otherwise the preflight is woken
LONGEST_PERSON = 80
LONGEST_REASON = 1000


@dataclass(frozen=True, slots=True)
class JudgedBy:
    """What a verdict to come will belong to."""

    description: Path | None
    key: str


class Gate:
    """The service's heart."""

    def __init__(
        self, config: Config, *, journal: Journal, spool: Spool, hub: Hub, worker: Worker, desks: Mapping[str, Desk]
    ) -> None:
        self.config = config
        self.journal = journal
        self.spool = spool
        self.hub = hub
        self.worker = worker
        self.desks = desks
        self.disk_is_low = False
        self._to_check = asyncio.Event()
        for desk in desks.values():
            desk.still_valid = self.still_valid

    # Coming in ------------------------------------------------------------------------------------------------------

    def printer_for(self, name: str | None) -> str:
        """Give the printer that a job is for: the one named, or the only one there is. Raises NotFoundError."""
        if name is None and len(self.desks) == 1:
            return next(iter(self.desks))
        if name is None:
            raise NotFoundError(f"several printers are here, name one of them: {', '.join(self.desks)}")
        self.desk(name)
        return name

    def desk(self, printer: str) -> Desk:
        """Give the desk of a printer. Raises NotFoundError."""
        if printer not in self.desks:
            raise NotFoundError(f"there is no printer {printer!r} here; there are: {', '.join(self.desks)}")
        return self.desks[printer]

    async def accept(
        self, spooled: Spooled, *, name: str, printer: str, source: str, source_key: str | None = None
    ) -> Job:
        """Enter a spooled job into the journal; only after this may a client be told that it was accepted."""
        self.desk(printer)
        job = await self.journal.do(
            lambda db: store.add_job(
                db,
                name=display_name(name),
                printer=printer,
                sha256=spooled.sha256,
                size_bytes=spooled.size_bytes,
                source=source,
                source_key=source_key,
            )
        )
        log.info("job accepted", job=job.id, name=job.name, printer=printer, source=source, bytes=job.size_bytes)
        self.desks[printer].publish_job(job)
        self._to_check.set()
        return job

    async def told_disk_low(self, error: DiskLowError) -> None:
        """Raise the alert once for each time that the disk runs low."""
        if not self.disk_is_low:
            self.disk_is_low = True
            await self.hub.alert("disk-low", str(error))

    # Asking ---------------------------------------------------------------------------------------------------------

    async def job(self, job_id: str) -> Job:
        return await self.journal.do(lambda db: store.get_job(db, job_id))

    async def jobs(self, *, ended_too: bool = False, limit: int = 200) -> list[Job]:
        """Give jobs in the order of their arrival: those not ended, or the latest of all."""
        situations = None if ended_too else WAITING | ACTIVE
        found = await self.journal.do(
            lambda db: store.list_jobs(db, situations=situations, limit=limit, newest_first=True)
        )
        return found[::-1]

    async def history(self, job_id: str) -> list[dict[str, str]]:
        return await self.journal.do(lambda db: store.history_of(db, job_id))

    async def report(self, job_id: str) -> dict[str, Any]:
        """Give the report of a job as its preflight wrote it. Raises NotFoundError."""
        job = await self.job(job_id)
        if job.verdict is None:
            raise NotFoundError(f"job {job_id} has no report: it is {job.situation} {job.message}".rstrip())
        try:
            return await asyncio.to_thread(read_raw, self.spool.report_path(job_id))
        except ReportError as error:
            raise NotFoundError(f"the report of job {job_id} is not there any more: {error}") from error

    async def standing(self, job: Job) -> tuple[Report, tuple[Finding, ...]]:
        """Give a job's report and the findings in it that stand in the way and nobody released."""
        try:
            report, digest = await asyncio.to_thread(read_report, self.spool.report_path(job.id))
        except ReportError as error:
            raise StateError(f"job {job.id} must be checked again ('layergate recheck {job.id}'): {error}") from error
        if digest != job.report_sha256:
            raise StateError(f"the report of job {job.id} is not the one that was judged by: check the job again")
        waivers = await self.journal.do(lambda db: store.waivers_of(db, job.sha256))
        return report, not_waived(report, waivers)

    # A person's decisions -------------------------------------------------------------------------------------------

    async def release(self, job_id: str, *, who: str, why: str, report_sha256: str) -> Job:
        """Let a held or blocked job pass, on a named person's word, who has seen the report of this digest.

        Raises:
            StateError: it is neither held nor blocked, or must be judged anew first.
            ReleaseError: what stands in the way can't be released, or who, why or the report is missing.
        """
        who, why = _text(who, "name", LONGEST_PERSON), _text(why, "reason", LONGEST_REASON)
        job = await self.job(job_id)
        if job.situation not in {"held", "blocked"}:
            raise StateError(f"job {job_id} is {job.situation}, so there is nothing to release")
        if not await self.still_valid(job):
            raise StateError(f"printer description or rules changed: job {job_id} is checked again, see it then")
        if report_sha256 != job.report_sha256:
            raise ReleaseError(f"that is not the report that job {job_id} was judged by: look at it again first")
        _, standing = await self.standing(job)
        fixed = [finding for finding in standing if not finding.releasable]
        if fixed:
            raise ReleaseError(
                "this can't be released by anyone: " + "; ".join(f"{f.rule}: {f.message}" for f in fixed)
            )

        def enter(db: Any) -> Job:
            for finding in standing:
                store.add_waiver(db, sha256=job.sha256, rule=finding.rule, place=finding.place(), who=who, why=why)
            return store.move_job(db, job_id, "queued", message=f"released by {who}: {why}", who=who)

        return await self._moved(await self.journal.do(enter))

    async def cancel(self, job_id: str, *, who: str) -> Job:
        """Cancel a job that waits, or end its run in good order."""
        job = await self.job(job_id)
        if job.situation in ACTIVE:
            return await self.desk(job.printer).cancel(job_id, who)
        if job.situation not in WAITING:
            raise StateError(f"job {job_id} has ended: {job.situation}")
        message = "canceled before it was printed"
        return await self._moved(
            await self.journal.do(lambda db: store.move_job(db, job_id, "canceled", message=message, who=who))
        )

    async def recheck(self, job_id: str, *, who: str) -> Job:
        """Have a job that waits checked again."""
        job = await self.job(job_id)
        if job.situation not in WAITING:
            raise StateError(f"job {job_id} is {job.situation}: only a job that waits can be checked again")
        return await self._check_again(job, "checked again on demand", who)

    async def _check_again(self, job: Job, message: str, who: str = "") -> Job:
        moved = await self.journal.do(
            lambda db: store.move_job(
                db, job.id, "checking", message=message, who=who, verdict=None, verdict_key=None, report_sha256=None
            )
        )
        self._to_check.set()
        return await self._moved(moved)

    async def _moved(self, job: Job) -> Job:
        desk = self.desks.get(job.printer)
        if desk is not None:
            if desk.job is None:
                desk.publish_job(job)
            desk.wake.set()
        return job

    # Checking -------------------------------------------------------------------------------------------------------

    async def prepare(self) -> None:
        """At the start of the service: whatever waits with a verdict that is out of date is checked again."""
        for job in await self.journal.do(lambda db: store.list_jobs(db, situations=["held", "blocked", "queued"])):
            if job.printer in self.desks:
                await self.still_valid(job)
        self._to_check.set()

    async def preflight(self) -> None:
        """Check what waits for it, one at a time and in order, for ever."""
        while True:
            self._to_check.clear()
            try:
                waiting = await self.journal.do(lambda db: store.list_jobs(db, situations=["checking"]))
                job = next((job for job in waiting if job.printer in self.desks), None)
                if job is not None:
                    await self._check(job)
                    continue
            except JournalError as error:
                log.warning("preflight waits for the journal", error=str(error))
                await asyncio.sleep(LOOK_AGAIN_S)
                continue
            await self._to_check.wait()

    async def still_valid(self, job: Job) -> bool:
        """Say whether a job's verdict still belongs to what is here; if not, the job is sent to be checked again."""
        try:
            judged_by = await self._judged_by(job)
        except (TomlFileError, OSError):
            judged_by = None  # the check will say what is wrong with the description or the rules
        if judged_by is not None and judged_by.key == job.verdict_key:
            return True
        await self._check_again(job, "printer description or rules changed since it was judged")
        return False

    async def _judged_by(self, job: Job) -> JudgedBy:
        path = self.config.printers[job.printer].description

        def key() -> str:
            description = load_description(path) if path is not None else UNSTATED
            return verdict_key(job.sha256, description.sha256(), rules_digest(self.config.preflight.rules_plugins))

        return JudgedBy(path, await asyncio.to_thread(key))

    async def _check(self, job: Job) -> None:
        try:
            judged_by = await self._judged_by(job)
        except TomlFileError as error:
            await self._judge(job, "not-judged", f"the printer description can't be used: {'; '.join(error.problems)}")
            return
        except OSError as error:
            await self._judge(job, "not-judged", f"the rules can't be read: {error}")
            return
        report_path, index_path = self.spool.report_path(job.id), self.spool.index_path(job.id)
        outcome = await self.worker.check(
            job=self.spool.job_path(job.sha256),
            name=job.name,
            description=judged_by.description,
            report=report_path,
            index=index_path,
            size_bytes=job.size_bytes,
        )
        log.info("checked", job=job.id, outcome=outcome.kind, reason=outcome.reason, seconds=round(outcome.seconds, 2))
        if outcome.kind != "judged":
            await self._judge(job, outcome.kind, outcome.reason)
            return
        try:
            report, digest = await asyncio.to_thread(read_report, report_path)
            index = await asyncio.to_thread(jobindex.load, index_path)
            for what, found in (("report", report.job.sha256), ("index", index.sha256)):
                if found != job.sha256:
                    raise ReportError(f"the {what} is of another job ({found[:12]})")
        except (ReportError, jobindex.JobIndexError, OSError) as error:
            await self._judge(job, "not-judged", str(error))
            return
        waivers = await self.journal.do(lambda db: store.waivers_of(db, job.sha256))
        standing = not_waived(report, waivers)
        changes: dict[str, Any] = {
            "verdict": report.verdict,
            "verdict_key": judged_by.key,
            "report_sha256": digest,
            "layers": len(index.layers.z_mm),
            "planned_s": index.print_seconds,
        }
        text = summary(standing, report)
        situation: Situation = "queued"
        if standing:
            situation = "blocked" if any(finding.severity == "block" for finding in standing) else "held"
            if self.config.printers[job.printer].mode == "observe":
                text = f"would be {situation}, but {job.printer} only observes, so it is printed all the same: {text}"
                await self._judge(job, "queued", text, alert=situation, **changes)
                return
        elif report.verdict != "clear":
            text = f"{_released_before(report, waivers)}; {text}"
        await self._judge(job, situation, text, **changes)

    async def _judge(
        self, job: Job, situation: Situation, text: str, *, alert: AlertName | Situation | None = None, **changes: Any
    ) -> None:
        """Enter what came of a check, unless the job was canceled meanwhile."""
        try:
            moved = await self.journal.do(lambda db: store.move_job(db, job.id, situation, message=text, **changes))
        except StateError:
            log.info("check came too late", job=job.id)
            return
        await self._moved(moved)
        names: dict[str, AlertName] = {
            "blocked": "blocked",
            "held": "held",
            "not-judged": "not-judged",
            "not-readable": "blocked",  # the table of alerts has no word of its own for it, and it is stopped for good
        }
        name = names.get(alert or situation)
        if name is not None:
            await self.hub.alert(name, f"{job.name}: {text}", printer=job.printer, job=job.id)


def _released_before(report: Report, waivers: list[Waiver]) -> str:
    """Say by whose word a job passes that would be stopped, so that a release does not act unseen for ever."""
    of_this = {(finding.rule, finding.place()) for finding in report.standing()}
    used = [waiver for waiver in waivers if (waiver.rule, waiver.place) in of_this]
    latest = max(used, key=lambda waiver: waiver.at)
    rules = ", ".join(dict.fromkeys(waiver.rule for waiver in used))
    return f"passes by the release of {latest.who} on {latest.at[:10]} ({latest.why}): {rules}"


def _text(value: str, what: str, longest: int) -> str:
    value = " ".join(value.split())
    if not value:
        raise ReleaseError(f"a release needs a person's {what}")
    if len(value) > longest:
        raise ReleaseError(f"the {what} is longer than {longest} characters")
    return value


async def check_room(gate: Gate) -> None:
    """Look at the room on the disk and tell when it runs low, and when it is well again."""
    try:
        await asyncio.to_thread(gate.spool.check_room)
    except DiskLowError as error:
        await gate.told_disk_low(error)
    except OSError as error:
        log.warning("room on the spool's disk not known", error=str(error))
    else:
        gate.disk_is_low = False
