"""Telling an MQTT broker: availability with a will, retained states, and alerts from the outbox.

The only file that imports aiomqtt. States are retained, latest wins, and all are sent again after every connect;
alerts are not retained, QoS 1, in order, and leave the outbox only when acknowledged (MQTT 5.0 section 4.3.2: at least
once, so each carries an id). A broker that is absent, dies or never answers costs nothing but its own time here.
"""

import asyncio
import contextlib
import json
import random
import ssl
from typing import Any

import aiomqtt
import structlog

from layergate.config import MqttConfig
from layergate.jobs.errors import JournalError
from layergate.jobs.journal import Journal
from layergate.notify import outbox
from layergate.notify.hub import Hub

log = structlog.get_logger(__name__)

ANSWER_S = 10.0  # longest wait for any answer of the broker; a broker on the same net needs milliseconds
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0  # capped, so that a broker that was away for a week is back within a minute
PACE_S = 0.5  # states are gathered for this long, so that a fast print does not flood a broker
GOODBYE_S = 3.0  # for saying 'offline' on a clean stop, before systemd grows impatient


class MqttPublisher:
    """Keeps a broker told, for ever.

    Attributes:
        connected: whether the broker knows us now.
        connects: how often it came to that.
    """

    def __init__(
        self,
        config: MqttConfig,
        hub: Hub,
        journal: Journal,
        *,
        first_pause_s: float = FIRST_PAUSE_S,
        longest_pause_s: float = LONGEST_PAUSE_S,
        answer_s: float = ANSWER_S,
    ) -> None:
        self.config = config
        self.hub = hub
        self.journal = journal
        self.root = f"{config.base}/{config.gateway_name()}"
        self.connected = False
        self.connects = 0
        self._first_pause_s = first_pause_s
        self._longest_pause_s = longest_pause_s
        self._answer_s = answer_s

    @property
    def availability_topic(self) -> str:
        return f"{self.root}/availability"

    def topic(self, printer: str, kind: str) -> str:
        """Give the topic of a printer's ``state``, ``job``, ``progress`` or ``alert``."""
        return f"{self.root}/{printer}/{kind}"

    async def run(self) -> None:
        """Connect, tell, and connect again after every loss; returns only by being cancelled."""
        pause_s = self._first_pause_s
        last_problem = ""
        while True:
            _heed_cancel()
            connects = self.connects
            try:
                await self._session()
                problem = "the session ended"
            except (aiomqtt.MqttError, OSError, ValueError) as error:  # ValueError: from ssl and paho, for bad values
                problem = f"{type(error).__name__}: {error}"
            finally:
                self.connected = False
            if self.connects > connects:
                pause_s, last_problem = self._first_pause_s, ""
            if problem != last_problem:  # on a change, not for every try of a long night
                log.warning("broker not reached", broker=f"{self.config.host}:{self.config.port}", problem=problem)
                last_problem = problem
            await asyncio.sleep(pause_s * random.uniform(0.5, 1.0))  # noqa: S311 (spreads load, hides nothing)
            pause_s = min(self._longest_pause_s, pause_s * 2)

    async def finish(self) -> None:
        """Return when a broker that is there was told everything, or none is there: alerts then wait in the outbox."""
        with contextlib.suppress(JournalError):
            while self.connected and (self.hub.changed or (await self.journal.do(outbox.count)) > 0):
                self.hub.wake.set()
                await asyncio.sleep(PACE_S / 10)

    async def _session(self) -> None:
        """Connect once and tell until the connection is lost or we are cancelled."""
        client = aiomqtt.Client(
            self.config.host,
            self.config.port,
            identifier=f"layergate-{self.config.gateway_name()}",
            username=self.config.username,
            password=await asyncio.to_thread(self._password),
            tls_context=await asyncio.to_thread(self._tls),
            keepalive=self.config.keepalive_s,
            timeout=self._answer_s,
            # Will and birth: same topic, same QoS, both retained, so that neither can outlive the other.
            will=aiomqtt.Will(self.availability_topic, "offline", qos=1, retain=True),
        )
        async with client:
            try:
                await client.publish(self.availability_topic, "online", qos=1, retain=True)
                self.connected = True
                self.connects += 1
                log.info("broker connected", broker=f"{self.config.host}:{self.config.port}")
                self.hub.changed.update(self.hub.states)  # a broker may have forgotten everything
                await self._until_lost(client)
            finally:
                # aiomqtt says a clean goodbye even when left by an exception, at which brokers drop the will: so we
                # say ourselves that we are gone. On a dead connection this fails at once or after GOODBYE_S.
                client.timeout = GOODBYE_S
                with contextlib.suppress(aiomqtt.MqttError):
                    await client.publish(self.availability_topic, "offline", qos=1, retain=True)

    async def _until_lost(self, client: aiomqtt.Client) -> None:
        _heed_cancel()
        tasks = {
            asyncio.create_task(self._listen(client), name="mqtt-listen"),
            asyncio.create_task(self._tell(client), name="mqtt-tell"),
        }
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _listen(self, client: aiomqtt.Client) -> None:
        """Wait for consumers that start; and this is how a lost connection is noticed while there is nothing to tell."""
        if self.config.consumer_topic:
            await client.subscribe(self.config.consumer_topic, qos=1)
        async for message in client.messages:
            if not message.retain:  # what a consumer said before we came is answered by our own connect
                self.hub.changed.update(self.hub.states)
                self.hub.wake.set()

    async def _tell(self, client: aiomqtt.Client) -> None:
        while True:
            _heed_cancel()
            self.hub.wake.clear()
            while self.hub.changed:
                _heed_cancel()
                key = min(self.hub.changed)
                self.hub.changed.discard(key)
                payload = json.dumps(self.hub.states[key], separators=(",", ":"))
                await client.publish(self.topic(*key), payload, qos=1, retain=True)
            try:
                while (waiting := await self.journal.do(outbox.next_waiting)) is not None:
                    await client.publish(self._alert_topic(waiting.body), json.dumps(waiting.body), qos=1)
                    _heed_cancel()
                    seq = waiting.seq
                    await self.journal.do(lambda db, seq=seq: outbox.told(db, seq))  # type: ignore[misc]
            except JournalError as error:
                log.warning("outbox not readable", error=str(error))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._longest_pause_s):  # looks again even if nobody wakes us
                    await self.hub.wake.wait()
            await asyncio.sleep(PACE_S)

    def _alert_topic(self, body: dict[str, Any]) -> str:
        # Alerts of the gateway itself (disk-low, journal-damaged) have no printer.
        return self.topic(body["printer"], "alert") if body.get("printer") else f"{self.root}/alert"

    def _password(self) -> str | None:
        if self.config.password_file is None:
            return None
        return self.config.password_file.read_text(encoding="utf-8").rstrip("\r\n")

    def _tls(self) -> ssl.SSLContext | None:
        if not self.config.tls:
            return None
        context = ssl.create_default_context(cafile=self.config.ca_file)
        if self.config.certificate_file is not None:
            context.load_cert_chain(self.config.certificate_file, self.config.key_file)
        return context


def _heed_cancel() -> None:
    """Raise a cancellation that was lost on its way.

    aiomqtt waits by asyncio.wait_for, which in Python 3.11 drops a cancellation that comes in the same turn as the
    answer (bpo-42130, from memory; wait_for was rewritten in 3.12); a stop would then never end.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
