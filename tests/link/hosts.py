"""What the operating system adds: peers on TCP ports and ptys, and real link processes. Every wait has a deadline."""

import asyncio
import contextlib
import os
import pty
import socket
import sys
import termios
import tty
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from tests.link.peers import Peer

from layergate.link.client import LinkClient
from layergate.link.messages import Event

DEADLINE_S = 20.0


class TcpPeer:
    """A peer on a TCP port of the loopback."""

    def __init__(self, peer: Peer) -> None:
        self.peer = peer
        self.port = 0
        self.connections = 0
        self.on_line: Callable[[], None] = lambda: None
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    async def start(self, port: int = 0) -> None:
        """Listen."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        self.port = self._server.sockets[0].getsockname()[1]

    @property
    def device(self) -> str:
        return f"socket://127.0.0.1:{self.port}"

    def say(self, data: bytes) -> None:
        """Have the printer say something on its own account."""
        for writer in self._writers:
            writer.write(data)

    def drop(self) -> None:
        """Cut all connections."""
        for writer in self._writers:
            writer.transport.abort()

    async def stop(self) -> None:
        """Stop listening and cut all connections."""
        self.drop()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.add(writer)
        try:
            while data := await reader.read(65536):
                for reply in self.peer.receive(data):
                    writer.write(reply)
                self.on_line()
        except OSError:
            pass
        finally:
            self._writers.discard(writer)
            writer.close()


class PtyPeer:
    """A peer on a pty; ``device`` is a symlink, as below /dev/serial/by-id."""

    def __init__(self, peer: Peer, folder: Path) -> None:
        self.peer = peer
        self.link = folder / "printer"
        self._master, self._slave = -1, -1

    @property
    def device(self) -> str:
        return str(self.link)

    def plug(self) -> None:
        """Make the device appear."""
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._slave = slave  # held, or the master would see hang-ups between openings
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        asyncio.get_running_loop().add_reader(self._master, self._readable)

    def unplug(self) -> None:
        """Make the device disappear."""
        if self._master < 0:
            return
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1
        self.link.unlink(missing_ok=True)

    def settings(self) -> list[Any]:
        """Give the terminal settings as the opener left them."""
        return termios.tcgetattr(self._slave)

    def _readable(self) -> None:
        with contextlib.suppress(BlockingIOError):
            data = os.read(self._master, 65536)
            os.write(self._master, b"".join(self.peer.receive(data)))


class LinkUnderTest:
    """A real link process and a client of it."""

    def __init__(self, process: asyncio.subprocess.Process, client: LinkClient, socket_path: Path) -> None:
        self.process, self.client, self.socket = process, client, socket_path
        self.seen: list[Event] = []
        self._events: AsyncIterator[Event] = client.events()

    async def event(self, kind: str, within_s: float = DEADLINE_S) -> Event:
        """Wait for the next event of a kind; all that came are in ``seen``."""
        async with asyncio.timeout(within_s):
            while True:
                event = await anext(self._events)
                self.seen.append(event)
                if event.type == kind:
                    return event

    async def reconnect(self, after: int) -> None:
        """Connect anew, as a restarted service does."""
        await self.client.close()
        self.client = LinkClient(self.socket)
        await self.client.connect()
        self._events = self.client.events(after)


@contextlib.asynccontextmanager
async def link_process(folder: Path, device: str, *options: str) -> AsyncIterator[LinkUnderTest]:
    """Run a link process until the block ends."""
    path = folder / "link.sock"
    with (folder / "link.log").open("ab") as log:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "layergate.link", "--name", "bench", "--device", device, "--socket", str(path), *options,
            stderr=log,
        )  # fmt: skip
    try:
        client = await connect(path)
        under_test = LinkUnderTest(process, client, path)
        try:
            yield under_test
        finally:
            await under_test.client.close()
    finally:
        if process.returncode is None:
            process.terminate()
            try:
                await asyncio.wait_for(process.wait(), 10)
            except TimeoutError:
                process.kill()
                await process.wait()


async def connect(path: Path, within_s: float = DEADLINE_S) -> LinkClient:
    """Connect to a link process that may still be starting."""
    async with asyncio.timeout(within_s):
        while True:
            client = LinkClient(path)
            try:
                await client.connect()
            except OSError:
                await asyncio.sleep(0.02)
            else:
                return client


def free_port() -> int:
    """Give a TCP port of the loopback that nobody uses now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
