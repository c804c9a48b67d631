"""A real Mosquitto for tests: own port, own configuration, on loopback, and a subscriber that keeps what it hears."""

import asyncio
import contextlib
import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
needs_mosquitto = pytest.mark.skipif(
    not Path(MOSQUITTO).exists(), reason="no Mosquitto here: apt-get install mosquitto"
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """One Mosquitto."""

    def __init__(self, folder: Path, port: int | None = None, *, password: bool = False, tls: bool = False) -> None:
        self.port = port or free_port()
        self.folder = folder
        folder.mkdir(exist_ok=True)
        lines = [f"listener {self.port} 127.0.0.1", "persistence false", "log_dest none"]
        if password:
            subprocess.run(
                ["mosquitto_passwd", "-b", "-c", folder / "passwords", "gate", "harbour"], check=True, timeout=20
            )
            (folder / "passwords").chmod(0o644)
            lines += ["allow_anonymous false", f"password_file {folder / 'passwords'}"]
        else:
            lines.append("allow_anonymous true")
        if tls:
            # A certificate for 127.0.0.1 that signs itself: whoever is to trust it must be told so.
            subprocess.run(
                ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1",
                 "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", folder / "key.pem", "-out", folder / "ca.pem"],
                check=True, capture_output=True, timeout=30,
            )  # fmt: skip
            lines += [f"certfile {folder / 'ca.pem'}", f"keyfile {folder / 'key.pem'}"]
        # Started as root it would become another user, who may not read a test's folder.
        lines.append("user root")
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen([MOSQUITTO, "-c", self.folder / "mosquitto.conf"], stderr=subprocess.DEVNULL)
        end = time.monotonic() + 10
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            assert time.monotonic() < end, "Mosquitto does not start"
            time.sleep(0.01)

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=10)
            self._process = None


class Listener:
    """Hears everything below ``layergate/#``, with paho itself and none of our code."""

    def __init__(self, port: int, *, user: str | None = None, password: str | None = None) -> None:
        self.heard: list[tuple[str, bytes, bool, int]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        if user:
            self._client.username_pw_set(user, password)
        self._ready = threading.Event()
        self._client.on_connect = lambda client, *_: client.subscribe("layergate/#", qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10), "the listener is not subscribed"

    def _hear(self, _client: Any, _data: Any, message: Any) -> None:
        self.heard.append((message.topic, message.payload, bool(message.retain), message.qos))

    def payloads(self, topic: str) -> list[Any]:
        """Give what came on a topic, read as JSON where it is."""
        found = [payload for heard, payload, _, _ in list(self.heard) if heard == topic]
        return [payload.decode() if payload in {b"online", b"offline"} else json.loads(payload) for payload in found]

    def say(self, topic: str, text: str) -> None:
        """Publish something, as a consumer does."""
        self._client.publish(topic, text, qos=1).wait_for_publish(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def listening(port: int, **login: str) -> Any:
    listener = Listener(port, **login)
    try:
        yield listener
    finally:
        listener.close()


class BlackHole:
    """A server that takes connections and bytes, and never says a word."""

    def __init__(self) -> None:
        self.port = 0
        self.connections = 0
        self._server: asyncio.Server | None = None
        self._open: list[asyncio.StreamWriter] = []

    async def __aenter__(self) -> "BlackHole":
        self._server = await asyncio.start_server(self._swallow, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def _swallow(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._open.append(writer)
        while await reader.read(65536):
            pass
        writer.close()

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        for writer in self._open:
            writer.close()
        await self._server.wait_closed()


class Proxy:
    """Sits before a broker; can hold everything back, or cut, as a failing network does."""

    def __init__(self, target: int) -> None:
        self.target = target
        self.port = 0
        self.held = asyncio.Event()
        self.held.set()
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._writers: list[asyncio.StreamWriter] = []
        self.watch: Callable[[bytes], bool] | None = None
        """Sees what goes to the broker; when it says so, nothing more comes back from there."""

    async def __aenter__(self) -> "Proxy":
        self._server = await asyncio.start_server(self._join, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def _join(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self.target)
        self._writers += [writer, there_writer]
        for source, sink, up in ((reader, there_writer, True), (there_reader, writer, False)):
            task = asyncio.create_task(self._copy(source, sink, up))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _copy(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, up: bool) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(65536):
                if up and self.watch is not None and self.watch(data):
                    self.held.clear()
                if not up:
                    await self.held.wait()
                sink.write(data)
                await sink.drain()
            sink.close()

    def cut(self) -> None:
        """Break every connection."""
        for writer in self._writers:
            writer.transport.abort()
        self._writers = []
        self.watch = None
        self.held.set()

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()


@contextlib.asynccontextmanager
async def running(*tasks: Any) -> AsyncIterator[None]:
    """Run coroutines until the block ends; an error of theirs is the test's."""
    started = [asyncio.create_task(task) for task in tasks]
    try:
        yield
    finally:
        for task in started:
            task.cancel()
        for task in started:
            with contextlib.suppress(asyncio.CancelledError):
                async with asyncio.timeout(20):
                    await task
