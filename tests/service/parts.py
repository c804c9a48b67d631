"""Parts that tests of the service share: jobs, a link process in memory, a gate put together, and waiting."""

import asyncio
import sys
import time
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from layergate.config import Config
from layergate.jobs.errors import LinkError
from layergate.jobs.linkport import LinkOpener, LinkRefusedError
from layergate.link.messages import Event

FAKE_WORKER = Path(__file__).parents[1] / "jobs" / "fake_worker.py"
DEADLINE_S = 20.0


def job_bytes(layers: int = 5, lines: int = 20, *, orders: str = "") -> bytes:
    """A job of the harbour workshop: bollard caps, a few layers; ``orders`` go to the fake worker."""
    text = "; bollard cap\n"
    text += "".join(f";TEST {order}\n" for order in orders.split(";") if order)
    text += "M104 S200\nG28\n"
    for layer in range(1, layers + 1):
        text += f";LAYER {layer}\nG1 Z{0.2 * layer:.2f}\n"
        text += "".join(f"G1 X{n % 7} Y{n % 5} E0.1\n" for n in range(lines))
    return (text + "M104 S0\n").encode()


async def until(condition: Callable[[], Any], what: str = "", deadline_s: float = DEADLINE_S) -> Any:
    """Wait until a condition holds, looking often; fail after the deadline."""
    end = time.monotonic() + deadline_s
    while True:
        found = condition()
        if asyncio.iscoroutine(found):
            found = await found
        if found:
            return found
        assert time.monotonic() < end, f"waited {deadline_s} s in vain for: {what or condition}"
        await asyncio.sleep(0.02)


def make_config(tmp_path: Path, **tables: Any) -> Config:
    """A configuration with one printer, 'quay', and everything below a temporary folder."""
    raw: dict[str, Any] = {
        "spool": {"directory": tmp_path / "spool", "keep_free_mib": 1, "largest_job_mib": 64},
        "control": {"socket": tmp_path / "control.sock"},
        "preflight": {"command": [sys.executable, str(FAKE_WORKER)], "seconds": 15},
        "printers": {"quay": {"device": "/dev/null", "link_socket": tmp_path / "link.sock"}},
    }
    for key, value in tables.items():
        raw[key] = {**raw.get(key, {}), **value} if isinstance(value, dict) else value
    return Config.model_validate(raw)


class FakeLink:
    """A link process in memory: outlives the services that connect to it, numbers and repeats its events.

    ``prints`` says whether a started run goes on by itself; otherwise tests push events with ``emit``.
    """

    def __init__(self, *, prints: bool = False) -> None:
        self.prints = prints
        self.all: list[Event] = []
        self.commands: list[dict[str, Any]] = []
        self.run: str | None = None
        self.refuse: str | None = None
        self.reachable = True
        self.answers = True
        """Whether the printer answers when a service comes."""
        self.ports: list[FakePort] = []
        self.emit("link-up", firmware="harbour test", capabilities={})

    def emit(self, kind: Any, /, **data: Any) -> Event:
        at = datetime.now(UTC).isoformat().replace("+00:00", "Z")
        event = Event(len(self.all) + 1, kind, at, time.monotonic(), data)
        self.all.append(event)
        if kind == "run-ended":
            self.run = None
        for port in self.ports:
            port.news.set()
        return event

    def end(self, outcome: str = "completed", reason: str = "", **more: Any) -> None:
        assert self.run is not None
        self.emit("run-ended", run=self.run, outcome=outcome, reason=reason, **more)

    def die(self) -> None:
        """End the process: what it printed is lost, and the next connection reaches a fresh one."""
        for port in self.ports:
            port.dead = True
            port.news.set()
        self.ports = []
        self.run = None
        self.all = []
        self.emit("link-up", firmware="harbour test", capabilities={})

    def opener(self, *_: Any) -> LinkOpener:
        async def open_link() -> FakePort:
            if not self.reachable:
                raise LinkError("no link process")
            port = FakePort(self)
            self.ports.append(port)
            return port

        return open_link


class FakePort:
    """One connection to a FakeLink."""

    def __init__(self, link: FakeLink) -> None:
        self.link = link
        self.dead = False
        self.news = asyncio.Event()

    async def command(self, do: str, **members: Any) -> dict[str, Any]:
        if self.dead:
            raise LinkError("the link process is gone")
        link = self.link
        link.commands.append({"do": do, **members})
        if link.refuse and do != "status":
            raise LinkRefusedError(link.refuse)
        match do:
            case "status":
                return {"ready": link.answers, "firmware": "harbour test", "run": link.run, "last_event": len(link.all)}
            case "start":
                link.run = members["run"]
                link.emit("run-started", run=link.run)
                if link.prints:
                    await self._print(members)
            case "pause":
                link.emit("paused", run=link.run, by="service")
            case "resume":
                link.emit("resumed", run=link.run)
            case "cancel":
                link.end("canceled", "canceled by the service")
            case "stop" if link.run:
                link.end("aborted", "stop request")
        return {}

    async def _print(self, members: dict[str, Any]) -> None:
        lines = Path(members["job"]).read_bytes().count(b"\n")
        for line in range(1, lines + 1, max(1, lines // 20)):
            self.link.emit("progress", run=self.link.run, line=line, commands=line, layer=0)
        self.link.end(line=lines, commands=lines, resends=0, seconds=1.0, layer_seconds={"1": 0.5})

    async def events(self, after: int) -> AsyncIterator[Event]:
        while True:
            self.news.clear()
            for event in [event for event in self.link.all if event.number > after]:
                if self.dead:
                    break
                after = event.number
                yield event
            if self.dead:
                raise LinkError("the link process is gone")
            if not any(event.number > after for event in self.link.all):
                await self.news.wait()

    async def close(self) -> None:
        if self in self.link.ports:
            self.link.ports.remove(self)
