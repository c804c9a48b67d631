"""Telling a broker, with a real Mosquitto: absent, killed in mid-publish, restarted, silent, refusing; nothing is lost."""

import asyncio
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from tests.notify.broker import BlackHole, Broker, Proxy, listening, needs_mosquitto, running
from tests.service.parts import until

from layergate.config import MqttConfig
from layergate.jobs.journal import Journal
from layergate.notify import outbox
from layergate.notify.hub import Hub
from layergate.notify.mqtt import MqttPublisher

pytestmark = needs_mosquitto


@pytest.fixture(autouse=True)
def _short_goodbye(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("layergate.notify.mqtt.GOODBYE_S", 0.5)


ROOT = "layergate/shed"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


@pytest.fixture
async def journal(tmp_path: Path) -> AsyncIterator[Journal]:
    made = Journal(tmp_path / "journal.sqlite")
    await made.open()
    yield made
    await made.close()


def _publisher(journal: Journal, port: int, hub: Hub | None = None, **more: Any) -> tuple[Hub, MqttPublisher]:
    hub = hub or Hub(journal, tell_broker=True, most_waiting=5)
    config = MqttConfig(host="127.0.0.1", port=port, gateway="shed", **more)
    return hub, MqttPublisher(config, hub, journal, first_pause_s=0.05, longest_pause_s=0.2, answer_s=0.7)


async def test_states_are_retained_and_alerts_are_not(journal: Journal, broker: Broker) -> None:
    """Facts 6.3, practice: state topics retained with QoS 1, alerts QoS 1, not retained, each with its own id."""
    hub, publisher = _publisher(journal, broker.port)
    with listening(broker.port) as early:
        async with running(publisher.run()):
            await until(lambda: publisher.connected, "connected")
            hub.state("quay", "progress", {"layer": 3})
            await hub.alert("blocked", "missing-layer in layer 3", printer="quay", job="k7m2")
            await until(lambda: early.payloads(f"{ROOT}/quay/alert"), "alert")
            await until(lambda: early.payloads(f"{ROOT}/quay/progress"), "progress")
            with listening(broker.port) as late:
                await until(lambda: late.payloads(f"{ROOT}/quay/progress"), "retained progress")
                assert late.payloads(f"{ROOT}/availability") == ["online"]
                assert late.payloads(f"{ROOT}/quay/alert") == []
                assert all(retained for _, _, retained, _ in late.heard)
            (alert,) = early.payloads(f"{ROOT}/quay/alert")
            assert (alert["name"], alert["severity"], alert["job"]) == ("blocked", "warning", "k7m2")
            assert alert["id"]
            assert {qos for _, _, _, qos in early.heard} == {1}
        await until(lambda: early.payloads(f"{ROOT}/availability")[-1] == "offline", "explicit offline on a clean stop")
    assert await journal.do(outbox.count) == 0


async def test_only_the_latest_state_is_told(journal: Journal, broker: Broker) -> None:
    """A thousand quick changes of one state become few messages, of which the last is the last state."""
    hub, publisher = _publisher(journal, broker.port)
    with listening(broker.port) as listener:
        async with running(publisher.run()):
            await until(lambda: publisher.connected, "connected")
            for line in range(1000):
                hub.state("quay", "progress", {"line": line})
                if line % 100 == 0:
                    await asyncio.sleep(0)
            await until(lambda: [p["line"] for p in listener.payloads(f"{ROOT}/quay/progress")][-1:] == [999], "last")
        assert len(listener.payloads(f"{ROOT}/quay/progress")) < 20


async def test_a_broker_absent_at_the_start_gets_all_alerts_in_order_later(journal: Journal, tmp_path: Path) -> None:
    """Alerts raised while no broker is there are told in their order when it comes, with the states of then."""
    broker = Broker(tmp_path / "late")
    hub, publisher = _publisher(journal, broker.port)
    async with running(publisher.run()):
        for layer in range(3):
            await hub.alert("stalled", f"layer {layer}", printer="quay")
        hub.state("quay", "state", {"state": "idle"})
        assert await journal.do(outbox.count) == 3
        broker.start()
        try:
            with listening(broker.port) as listener:
                await until(lambda: len(listener.payloads(f"{ROOT}/quay/alert")) == 3, "three alerts")
                assert [a["text"] for a in listener.payloads(f"{ROOT}/quay/alert")] == ["layer 0", "layer 1", "layer 2"]
                await until(lambda: listener.payloads(f"{ROOT}/quay/state"), "state")
        finally:
            broker.kill()


async def test_the_outbox_is_bounded_and_says_what_is_missing(journal: Journal, tmp_path: Path) -> None:
    """With room for five, nine alerts leave the last five, and the first of those tells that four are missing."""
    broker = Broker(tmp_path / "late")
    hub, publisher = _publisher(journal, broker.port)
    for layer in range(9):
        await hub.alert("stalled", f"layer {layer}", printer="quay")
    assert await journal.do(outbox.count) == 5
    broker.start()
    try:
        with listening(broker.port) as listener:
            async with running(publisher.run()):
                await until(lambda: len(listener.payloads(f"{ROOT}/quay/alert")) == 5, "five alerts")
            alerts = listener.payloads(f"{ROOT}/quay/alert")
        assert [alert["text"] for alert in alerts] == [f"layer {layer}" for layer in range(4, 9)]
        assert [alert.get("given_up_before") for alert in alerts] == [4, None, None, None, None]
    finally:
        broker.kill()


async def test_a_broker_that_forgot_everything_is_told_all_again(journal: Journal, broker: Broker) -> None:
    """After a restart without persistence every state and the availability are there again, without a new change."""
    hub, publisher = _publisher(journal, broker.port)
    async with running(publisher.run()):
        hub.state("quay", "state", {"state": "idle"})
        hub.state("slip", "state", {"state": "stopped"})
        await until(lambda: publisher.connected and not hub.changed, "told")
        broker.kill()
        await until(lambda: not publisher.connected, "loss noticed")
        broker.start()
        with listening(broker.port) as listener:
            await until(lambda: listener.payloads(f"{ROOT}/quay/state"), "quay")
            await until(lambda: listener.payloads(f"{ROOT}/slip/state"), "slip")
            await until(lambda: "online" in listener.payloads(f"{ROOT}/availability"), "online")


async def test_an_alert_that_was_not_acknowledged_is_sent_again(journal: Journal, broker: Broker) -> None:
    """Cut off between publish and acknowledgement: the alert stays in the outbox and comes again, with the same id."""
    async with Proxy(broker.port) as proxy:
        hub, publisher = _publisher(journal, proxy.port)
        with listening(broker.port) as listener:
            async with running(publisher.run()):
                await until(lambda: publisher.connected, "connected")
                proxy.watch = lambda data: b"quay/alert" in data
                await hub.alert("aborted", "at layer 7", printer="quay")
                await until(lambda: listener.payloads(f"{ROOT}/quay/alert"), "first copy")
                assert await journal.do(outbox.count) == 1
                proxy.cut()
                await until(lambda: len(listener.payloads(f"{ROOT}/quay/alert")) >= 2, "second copy")
                await until(lambda: _count_is_zero(journal), "acknowledged")
            assert len({alert["id"] for alert in listener.payloads(f"{ROOT}/quay/alert")}) == 1


async def _count_is_zero(journal: Journal) -> bool:
    return await journal.do(outbox.count) == 0


async def test_a_silent_broker_costs_time_and_nothing_else(journal: Journal, tmp_path: Path) -> None:
    """A server that takes the connection and never answers is given up and tried again; alerts wait, states go on."""
    async with BlackHole() as hole:
        hub, publisher = _publisher(journal, hole.port)
        async with running(publisher.run()):
            begun = time.monotonic()
            await hub.alert("completed", "all 30 layers", printer="quay")
            hub.state("quay", "state", {"state": "idle"})
            assert time.monotonic() - begun < 1.0
            await until(lambda: hole.connections >= 2, "tried again")
            assert not publisher.connected
        assert await journal.do(outbox.count) == 1


async def test_a_connection_that_goes_silent_is_noticed_by_the_next_publish(journal: Journal, broker: Broker) -> None:
    """When acknowledgements stop coming, the session is given up after the time for an answer."""
    async with Proxy(broker.port) as proxy:
        hub, publisher = _publisher(journal, proxy.port)
        async with running(publisher.run()):
            await until(lambda: publisher.connected and not hub.changed, "connected")
            proxy.held.clear()
            hub.state("quay", "state", {"state": "idle"})
            await until(lambda: not publisher.connected, "given up")
            connects = publisher.connects
            proxy.held.set()
            await until(lambda: publisher.connects > connects, "connected again")


async def test_alerts_of_a_service_before_are_told_by_the_next(journal: Journal, broker: Broker) -> None:
    """An alert that was raised just before the end of a service is in the outbox of the next."""
    first = Hub(journal, tell_broker=True)
    alert = await first.alert("link-lost", "gone", printer="quay")
    hub, publisher = _publisher(journal, broker.port)
    with listening(broker.port) as listener:
        async with running(publisher.run()):
            await until(lambda: listener.payloads(f"{ROOT}/quay/alert"), "alert")
        assert listener.payloads(f"{ROOT}/quay/alert")[0]["id"] == alert.id
    assert hub.unwritten == 0


async def test_an_alert_of_the_last_moment_is_told_before_the_end(journal: Journal, broker: Broker) -> None:
    """`finish` returns when the broker acknowledged all, and at once where there is no broker: the outbox keeps it."""
    hub, publisher = _publisher(journal, broker.port)
    with listening(broker.port) as listener:
        async with running(publisher.run()):
            await until(lambda: publisher.connected, "connected")
            await hub.alert("link-lost", "gone", printer="quay")
            async with asyncio.timeout(5):
                await publisher.finish()
            assert await journal.do(outbox.count) == 0
        await until(lambda: listener.payloads(f"{ROOT}/quay/alert"), "alert")
    await hub.alert("link-lost", "gone again", printer="quay")
    async with asyncio.timeout(1):
        await publisher.finish()
    assert await journal.do(outbox.count) == 1


async def test_a_password_is_read_from_its_file(journal: Journal, tmp_path: Path) -> None:
    """With name and password the broker lets us in; with a wrong one we go on trying, and the log says it once."""
    broker = Broker(tmp_path / "guarded", password=True)
    broker.start()
    secret = tmp_path / "secret"
    try:
        secret.write_text("wrong\n", encoding="utf-8")
        _, publisher = _publisher(journal, broker.port, username="gate", password_file=secret)
        async with running(publisher.run()):
            await asyncio.sleep(0.3)
            assert not publisher.connected
            secret.write_text("harbour\n", encoding="utf-8")
            await until(lambda: publisher.connected, "let in with the right one, without a restart")
            secret.unlink()
    finally:
        broker.kill()


async def test_an_alert_of_the_gateway_itself_has_its_own_topic(journal: Journal, broker: Broker) -> None:
    """An alert without a printer goes to BASE/GATEWAY/alert."""
    hub, publisher = _publisher(journal, broker.port)
    with listening(broker.port) as listener:
        async with running(publisher.run()):
            await hub.alert("disk-low", "12 MiB are free")
            await until(lambda: listener.payloads(f"{ROOT}/alert"), "alert")


async def test_a_journal_that_fails_stops_no_state(journal: Journal, broker: Broker) -> None:
    """With a journal that can't be written an alert is counted as not kept, and states are told all the same."""
    hub, publisher = _publisher(journal, broker.port)
    await journal.close()
    with listening(broker.port) as listener:
        async with running(publisher.run()):
            await hub.alert("stalled", "layer 3", printer="quay")
            hub.state("quay", "state", {"state": "idle"})
            await until(lambda: listener.payloads(f"{ROOT}/quay/state"), "state")
    assert hub.unwritten == 1


async def test_a_consumer_that_starts_is_told_all_again(journal: Journal, broker: Broker) -> None:
    """When a consumer says on its topic that it has started, every state is published once more."""
    hub, publisher = _publisher(journal, broker.port, consumer_topic="layergate-consumer/status")
    with listening(broker.port) as listener:
        async with running(publisher.run()):
            hub.state("quay", "state", {"state": "idle"})
            await until(lambda: len(listener.payloads(f"{ROOT}/quay/state")) == 1, "told")
            await until(lambda: not hub.changed, "nothing more to tell")
            listener.say("layergate-consumer/status", "online")
            await until(lambda: len(listener.payloads(f"{ROOT}/quay/state")) == 2, "told again")


async def test_a_stop_is_never_lost_between_two_answers(
    journal: Journal, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Though every cancellation within a publish is dropped, as Python 3.11 may drop one, the publisher ends."""
    real = aiomqtt.Client.publish
    dropped = 0

    async def publish(self: aiomqtt.Client, *args: Any, **kwargs: Any) -> None:
        nonlocal dropped
        try:
            await asyncio.sleep(0.05)  # so that the cancellation comes here
            await real(self, *args, **kwargs)
        except asyncio.CancelledError:
            dropped += 1

    monkeypatch.setattr(aiomqtt.Client, "publish", publish)
    hub, publisher = _publisher(journal, broker.port)
    task = asyncio.create_task(publisher.run())
    await until(lambda: publisher.connected, "connected")
    for line in range(200):
        hub.state(f"quay-{line}", "progress", {"line": line})
    await until(lambda: 0 < len(hub.changed) < 190, "telling")
    task.cancel()
    done, _ = await asyncio.wait({task}, timeout=5)
    assert done, "still running"
    assert dropped


# paho leaves the socket of a refused handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
async def test_a_broker_behind_tls_is_told_only_where_its_certificate_is_trusted(
    journal: Journal, tmp_path: Path
) -> None:
    """MQTT over TLS (RFC 8446): with ca_file it connects and keeps the outbox's alert; without, it does not connect."""
    broker = Broker(tmp_path / "secret", tls=True)
    broker.start()
    try:
        hub, publisher = _publisher(journal, broker.port, tls=True)
        async with running(publisher.run()):
            await hub.alert("blocked", "missing-layer in layer 3", printer="quay", job="k7m2")
            await asyncio.sleep(0.5)  # several tries
            assert publisher.connects == 0
            assert await journal.do(outbox.count) == 1
        _, publisher = _publisher(journal, broker.port, hub, tls=True, ca_file=broker.folder / "ca.pem")
        async with running(publisher.run()):
            await until(lambda: publisher.connected, "connected")

            async def told() -> bool:
                return await journal.do(outbox.count) == 0

            await until(told, "told")
    finally:
        broker.kill()
