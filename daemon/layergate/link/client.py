"""Client of a link process, for the service: commands, answers, events. Standard library only; reconnecting is the
caller's business.
"""

import asyncio
import contextlib
import itertools
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, Self

from layergate.link.messages import Event, event_from_dict

ANSWER_S = 30.0
"""The longest answer is that to a start: it reads a job index."""
LONGEST_LINE_BYTES = 1 << 20
"""A run-ended event carries the seconds of every layer: some 20 bytes each."""


class LinkRefused(Exception):  # noqa: N818  (it is an answer, not a fault)
    """The link process refused a command; ``error`` is a sentence for a person."""

    def __init__(self, error: str) -> None:
        super().__init__(error)
        self.error = error


class LinkLost(ConnectionError):  # noqa: N818
    """The connection to the link process is gone; ``reason`` says why."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class LinkClient:
    """One connection to a link process."""

    def __init__(self, socket_path: Path) -> None:
        self._path = socket_path
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._task: asyncio.Task[None] | None = None
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._events: asyncio.Queue[Event | None] = asyncio.Queue()
        self._ids = itertools.count(1)
        self._lost: str | None = None

    async def __aenter__(self) -> Self:
        await self.connect()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def connect(self) -> None:
        """Connect. Raises OSError where no link process listens."""
        self._reader, self._writer = await asyncio.open_unix_connection(str(self._path), limit=LONGEST_LINE_BYTES)
        self._task = asyncio.create_task(self._read(self._reader), name="link-client-reader")

    async def close(self) -> None:
        """Disconnect; the link process goes on."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        if self._writer is not None:
            self._writer.close()
            with contextlib.suppress(OSError):  # it may be gone already
                await self._writer.wait_closed()
        self._fail("closed")

    async def events(self, after: int = 0) -> AsyncIterator[Event]:
        """Subscribe, and give every event numbered above ``after`` until the connection ends (raises LinkLost then)."""
        await self.subscribe(after)
        while True:
            event = await self._events.get()
            if event is None:
                raise LinkLost(self._lost or "closed")
            yield event

    async def subscribe(self, after: int = 0) -> dict[str, Any]:
        """Ask for events; ``restarted`` in the answer tells that numbers have begun anew."""
        return await self._ask("subscribe", after=after)

    async def start(self, run: str, job: Path, index: Path) -> None:
        """Start a run. Raises LinkRefused."""
        await self._ask("start", run=run, job=str(job), index=str(index))

    async def pause(self) -> None:
        """Pause. Raises LinkRefused."""
        await self._ask("pause")

    async def resume(self) -> None:
        """Resume. Raises LinkRefused."""
        await self._ask("resume")

    async def cancel(self, reason: str = "canceled by request") -> None:
        """Cancel in order: no more lines, heaters off. Raises LinkRefused."""
        await self._ask("cancel", reason=reason)

    async def stop(self) -> None:
        """Stop request: M112 ahead of every queue. Raises LinkRefused."""
        await self._ask("stop")

    async def status(self) -> dict[str, Any]:
        """Give state, run, line, last_event and more."""
        return await self._ask("status")

    async def quit(self) -> None:
        """End the link process; refused while a run is in progress, or heaters are still to be switched off."""
        await self._ask("quit")

    async def _ask(self, do: str, **arguments: Any) -> dict[str, Any]:
        if self._writer is None or self._lost is not None:
            raise LinkLost(self._lost or "not connected")
        identifier = next(self._ids)
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._answers[identifier] = answer
        try:
            self._writer.write(json.dumps({"id": identifier, "do": do, **arguments}).encode() + b"\n")
            async with asyncio.timeout(ANSWER_S):
                await self._writer.drain()
                found = await answer
        except TimeoutError:
            raise LinkLost(f"no answer to {do!r} within {ANSWER_S:.0f} s") from None
        except OSError as error:
            raise LinkLost(str(error)) from error
        finally:
            self._answers.pop(identifier, None)
        if not found.get("ok"):
            raise LinkRefused(str(found.get("error", "refused without a reason")))
        return found

    async def _read(self, reader: asyncio.StreamReader) -> None:
        reason = "the link process closed the connection"
        try:
            while line := await reader.readline():
                message = json.loads(line)
                if "number" in message:
                    self._events.put_nowait(event_from_dict(message))
                elif (waiting := self._answers.get(message.get("id"))) is not None and not waiting.done():
                    waiting.set_result(message)
        except (OSError, ValueError) as error:
            reason = str(error)
        self._fail(reason)

    def _fail(self, reason: str) -> None:
        if self._lost is None:
            self._lost = reason
            # Waiters first: whoever is told of the end must find them resolved.
            for waiting in self._answers.values():
                if not waiting.done():
                    waiting.set_exception(LinkLost(reason))
            self._events.put_nowait(None)
