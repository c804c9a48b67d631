"""The Unix socket of a link process: one JSON object a line, as messages.py says; one owner, mode 0600.

Carries commands in and answers and events out; what a command does is the owner's business. A client that does not read
is dropped: it may come back and ask for what it missed. Knows no printer.
"""

import asyncio
import fcntl
import json
import os
import socket
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from layergate.link import log
from layergate.link.eventlog import EventLog

LONGEST_COMMAND_BYTES = 65536
UNREAD_BYTES = 8 << 20
"""A client with more than this unread is dropped; a replay of everything kept is some 3 MB at most."""

Dispatch = Callable[[str, dict[str, Any]], Awaitable[dict[str, Any]]]


class SocketTakenError(OSError):
    """Another link process serves this socket."""


class Refused(Exception):  # noqa: N818  (it is an answer, not a fault)
    """A command that can't be done; the text is a sentence for a person."""


class Server:
    """Serves one Unix socket."""

    def __init__(self, path: Path, events: EventLog, dispatch: Dispatch) -> None:
        self._path = path
        self._events = events
        self._dispatch = dispatch
        self._subscribers: set[asyncio.StreamWriter] = set()
        self._clients: set[asyncio.Task[None]] = set()
        self.alone_since: float | None = None
        """Since when nobody is connected, by the loop's clock; None while somebody is."""
        self._lock = -1
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        """Listen. Raises SocketTakenError; a socket left behind by a dead process is replaced."""
        self._lock = os.open(f"{self._path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._lock)
            self._lock = -1
            raise SocketTakenError(f"{self._path}: another link process serves this socket") from None
        self._path.unlink(missing_ok=True)  # nobody holds the lock, so nobody listens there
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            mask = os.umask(0o177)
            try:
                listener.bind(str(self._path))
            finally:
                os.umask(mask)
            self._server = await asyncio.start_unix_server(
                self._serve, sock=listener, limit=LONGEST_COMMAND_BYTES, backlog=8
            )
        except BaseException:
            listener.close()
            raise
        self.alone_since = asyncio.get_running_loop().time()

    async def stop(self) -> None:
        """Stop listening; give clients a moment to take what was sent."""
        if self._server is not None:
            self._server.close()
        for writer in list(self._subscribers):
            writer.close()
        for task in list(self._clients):
            task.cancel()
        if self._clients:
            await asyncio.wait(self._clients, timeout=2)
        self._path.unlink(missing_ok=True)
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def publish(self, line: bytes) -> None:
        """Send an event's line to all who subscribed."""
        for writer in list(self._subscribers):
            self._push(writer, line)

    def _push(self, writer: asyncio.StreamWriter, line: bytes) -> None:
        if writer.is_closing():
            self._subscribers.discard(writer)
            return
        writer.write(line)
        if writer.transport.get_write_buffer_size() > UNREAD_BYTES:
            log.warning("client-dropped", reason="does not read its events")
            self._subscribers.discard(writer)
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is not None:
            task.set_name("link-client")
            self._clients.add(task)
            self.alone_since = None
        try:
            while line := await reader.readline():
                writer.write(await self._answer(line, writer))
                await writer.drain()
        except (OSError, ValueError) as error:  # ValueError: a line beyond the limit
            log.info("client-lost", reason=error)
        except asyncio.CancelledError:
            pass  # the process ends
        finally:
            self._subscribers.discard(writer)
            if task is not None:
                self._clients.discard(task)
            if not self._clients:
                self.alone_since = asyncio.get_running_loop().time()
            writer.close()

    async def _answer(self, line: bytes, writer: asyncio.StreamWriter) -> bytes:
        identifier: object = None
        try:
            command = json.loads(line)
            if not isinstance(command, dict) or not isinstance(command.get("do"), str):
                raise Refused('expected one object a line, with "id" and "do"')
            identifier = command.get("id")
            if command["do"] == "subscribe":
                return self._subscribe(command, writer)
            return _line({"id": identifier, "ok": True, **await self._dispatch(command["do"], command)})
        except ValueError as error:
            return _line({"id": identifier, "ok": False, "error": f"not readable: {error}"})
        except Refused as refused:
            return _line({"id": identifier, "ok": False, "error": str(refused)})

    def _subscribe(self, command: dict[str, Any], writer: asyncio.StreamWriter) -> bytes:
        after = command.get("after", 0)
        if not isinstance(after, int):
            raise Refused('"after" must be the number of the last event seen')
        # Numbers beyond ours are those of a process before this one: all of ours are news.
        restarted = after > self._events.last
        answer = _line({"id": command.get("id"), "ok": True, "last": self._events.last, "restarted": restarted})
        replay = b"".join(self._events.after(0 if restarted else after))
        self._subscribers.add(writer)
        return answer + replay


def _line(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":")).encode() + b"\n"
