"""What is known of one printer, and how it is told: link, bed, the job on it. Shared by its desk and its following.

Knows the journal's rows and the hub; starts nothing, follows nothing.
"""

import asyncio
import json
import sqlite3
from collections.abc import Callable
from typing import Any, TypeVar

import structlog

from layergate.config import PrinterConfig
from layergate.jobs import store
from layergate.jobs.errors import JournalError
from layergate.jobs.journal import Journal, now
from layergate.jobs.spool import Spool
from layergate.jobs.states import ACTIVE, PRINTER_STATES, PrinterCondition, Situation
from layergate.jobs.store import Bed, Job
from layergate.jobs.views import job_view
from layergate.notify.alerts import AlertName, Severity
from layergate.notify.hub import Hub

log = structlog.get_logger(__name__)

T = TypeVar("T")
JOURNAL_PAUSE_S = 5.0


class Bench:
    """One printer's state."""

    def __init__(self, name: str, config: PrinterConfig, *, journal: Journal, spool: Spool, hub: Hub) -> None:
        self.name = name
        self.config = config
        self.journal = journal
        self.spool = spool
        self.hub = hub
        self.job: Job | None = None
        """The job whose run goes on."""
        self.last_end = ""
        """How the last run ended, as a sentence; empty after a start of the service."""
        self.bed = Bed(clear=False, text="", at=now())
        self.reached = asyncio.Event()
        """Set while the printer answers."""
        self.link_text = "not reached yet"
        self.other_printer = False
        self._unguarded_told = False
        self.stopped_run: str | None = None
        """The run at which a stop request was sent."""
        self.stopped = False
        """A stop request was sent since the printer last answered: its silence is what was asked for."""
        self.voided = 0
        """How often something happened that makes an earlier word on the bed worthless."""
        self.stamp: Callable[[], None] = lambda: None
        """Called whenever this printer's tasks got on, for the watchdog."""
        self.wake = asyncio.Event()
        """Set when there may be something to start."""

    @property
    def link_up(self) -> bool:
        return self.reached.is_set()

    @link_up.setter
    def link_up(self, up: bool) -> None:
        if up:
            self.reached.set()
        else:
            self.reached.clear()

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

    async def void_clearing(self, why: str) -> None:
        """Take back that the bed is clear: the person who said so can't have meant a printer that went away since.

        Without it a job would start by itself when the printer is back, perhaps with nobody near. Does not raise.
        """
        self.voided += 1
        if not self.bed.clear:
            return
        text = f"confirmed before {why}"
        self.bed = Bed(clear=False, text=text, at=now())  # what counts, even where the journal can't keep it now
        try:
            self.bed = await self.journal.do(lambda db: store.set_bed(db, self.name, clear=False, text=text))
        except JournalError as error:  # after a start of the service no bed is taken for clear, whatever is kept
            log.warning("not kept that the bed needs clearing", printer=self.name, error=str(error))
        self.publish()

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
                return f"ready; bed {self.bed.text}, {self.bed.at}" if self.bed.clear else "ready"
            case _:
                assert self.job is not None
                return f"{self.job.name} ({self.job.id})"

    def publish(self) -> None:
        """Tell the printer's state."""
        self.hub.state(self.name, "state", self.view())

    def publish_job(self, job: Job) -> None:
        """Tell the job that this printer deals with."""
        self.hub.state(self.name, "job", job_view(job))

    async def alert(self, name: AlertName, text: str, job: Job | None, severity: Severity | None = None) -> None:
        """Raise an alert of this printer. Does not raise."""
        await self.hub.alert(name, text, printer=self.name, job=job.id if job else None, severity=severity)

    async def look_for_heat_guards(self, printer: dict[str, Any]) -> None:
        """Warn, once in the service's life, where the printer says that it does not watch its own heaters.

        Only what it says itself counts: one that says nothing of it may well have guards.
        """
        if (printer.get("capabilities") or {}).get("THERMAL_PROTECTION") is not False:
            self._unguarded_told = False
        elif not self._unguarded_told:
            self._unguarded_told = True
            text = (
                f"{self.name} says that its firmware was built without thermal protection (THERMAL_PROTECTION:0): "
                "should a sensor slip out or a heater stick on, nothing in the printer switches off. "
                "Don't leave it alone while it is hot, and get firmware that has the protection."
            )
            await self.alert("heat-off-plan", text, self.job, "warning")

    def identify(self, printer: dict[str, Any]) -> None:
        """Hold what the printer says of itself against what it should say."""
        wanted = self.config.identity
        self.other_printer = bool(wanted and wanted not in json.dumps(printer, ensure_ascii=False))
        if self.other_printer:
            self.link_text = f"another printer answers: nothing in its answer says {wanted!r}; nothing is sent to it"
            log.error("another printer answers", printer=self.name, wanted=wanted, answer=printer)

    async def move(self, job: Job, situation: Situation, *, message: str = "", who: str = "", **changes: Any) -> Job:
        """Bring the running job into another situation of a run, and tell it. Raises StateError, JournalError."""
        moved = await self.journal.do(
            lambda db: store.move_job(db, job.id, situation, message=message, who=who, **changes)
        )
        self.refresh(moved)
        self.publish_job(moved)
        self.publish()
        return moved

    async def insist(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Have something entered that has happened already, trying until the journal takes it."""
        while True:
            self.stamp()
            try:
                return await self.journal.do(work)
            except JournalError as error:
                log.warning("not kept yet", printer=self.name, error=str(error))
                await asyncio.sleep(JOURNAL_PAUSE_S)

    def refresh(self, job: Job) -> None:
        """Take a newer row of the running job; one that comes late, after the run's end, changes nothing."""
        if self.job is not None and self.job.id == job.id and job.situation in ACTIVE:
            self.job = job
