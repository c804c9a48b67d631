"""The hub: the one place where what happens is handed on to whoever wants to know - broker, hook, live listeners.

Never blocks and never fails for a listener's sake: states are kept as latest values, alerts go through the journal, and
live events through a bounded ring. Knows no broker, no HTTP, and nothing of what states mean.
"""

import asyncio
import uuid
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import structlog

from layergate.jobs.errors import JournalError
from layergate.jobs.journal import Journal, now
from layergate.notify import outbox
from layergate.notify.alerts import SEVERITIES, Alert, AlertName, Severity

log = structlog.get_logger(__name__)

StateKind = Literal["state", "job", "progress"]
RING = 2000  # live events kept for slow listeners: some minutes of a print


@dataclass(frozen=True, slots=True)
class LiveEvent:
    """Something that happened, for those who watch live."""

    number: int
    kind: str
    printer: str | None
    data: dict[str, Any]


class Hub:
    """Takes states and alerts in and hands them on."""

    def __init__(self, journal: Journal, *, tell_broker: bool = False, most_waiting: int = 1000) -> None:
        self.journal = journal
        self.tell_broker = tell_broker
        self.most_waiting = most_waiting
        self.states: dict[tuple[str, StateKind], dict[str, Any]] = {}
        """Latest value by printer and kind."""
        self.changed: set[tuple[str, StateKind]] = set()
        """What a broker was not yet told."""
        self.wake = asyncio.Event()
        """Set when there is something new for a broker."""
        self.unwritten = 0
        """Alerts that the journal could not keep; they were logged and shown, but a broker may never get them."""
        self.on_alert: list[Callable[[Alert], None]] = []
        self._ring: deque[LiveEvent] = deque(maxlen=RING)
        self._number = 0
        self._closing = False
        self._news = asyncio.Condition()
        self._tasks: set[asyncio.Task[None]] = set()

    def state(self, printer: str, kind: StateKind, value: dict[str, Any]) -> None:
        """Take the latest value of a state; the value before is of no interest any more."""
        stamped = value | {"at": now()}
        self.states[printer, kind] = stamped
        self.changed.add((printer, kind))
        self.wake.set()
        self._live(kind, printer, stamped)

    async def alert(
        self,
        name: AlertName,
        text: str,
        *,
        printer: str | None = None,
        job: str | None = None,
        severity: Severity | None = None,
    ) -> Alert:
        """Raise an alert: logged, kept in the journal, handed to hook and listeners. Does not raise.

        ``severity``: where it is another than the name's own.
        """
        alert = Alert(
            id=str(uuid.uuid4()),
            name=name,
            time=now(),
            printer=printer,
            job=job,
            text=text,
            severity=severity or SEVERITIES[name],
        )
        tell = log.info if alert.severity == "info" else log.warning
        tell("alert", **{"alert" if key == "name" else key: value for key, value in alert.as_dict().items()})
        self._live("alert", printer, alert.as_dict())
        for listener in self.on_alert:
            listener(alert)
        try:
            await self.journal.do(
                lambda db: outbox.put(db, alert, waiting=self.tell_broker, most_waiting=self.most_waiting)
            )
        except JournalError as error:
            self.unwritten += 1
            log.warning("alert not kept", error=str(error), unwritten=self.unwritten)
        self.wake.set()
        return alert

    def _live(self, kind: str, printer: str | None, data: dict[str, Any]) -> None:
        self._number += 1
        self._ring.append(LiveEvent(self._number, kind, printer, data))
        task = asyncio.ensure_future(self._tell_news())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _tell_news(self) -> None:
        async with self._news:
            self._news.notify_all()

    async def close(self) -> None:
        """Send every listener home: the service stops."""
        self._closing = True
        await self._tell_news()

    @property
    def last_number(self) -> int:
        return self._number

    async def events_after(self, number: int, *, wait_s: float) -> list[LiveEvent]:
        """Give the live events numbered above ``number``, waiting up to ``wait_s`` for a first one.

        A listener that lags by more than the ring holds misses events, and sees it by the gap in the numbers. A number
        from before a restart of the service is larger than any of now and gets everything.
        """
        if number > self._number:
            number = 0
        try:
            async with asyncio.timeout(wait_s), self._news:
                await self._news.wait_for(lambda: self._number > number or self._closing)
        except TimeoutError:
            return []
        return [event for event in self._ring if event.number > number]
