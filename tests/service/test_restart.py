"""The service goes and comes while a print goes on; the link process goes; broker, disk and journal fail."""

import asyncio
import socket
from pathlib import Path

import pytest
from tests.notify.broker import BlackHole, Broker, listening, needs_mosquitto
from tests.service.parts import FakeLink, job_bytes, make_config, until
from tests.service.running import Talk, serving

from layergate.jobs.errors import JournalError
from layergate.jobs.spool import SpoolBusyError
from layergate.service import Service
from layergate.web.server import SocketInUseError


async def _begin(talk: Talk, link: FakeLink, line: int = 30) -> str:
    await talk.clear()
    job = await talk.submit(job_bytes())
    await talk.reaches(job, "printing")
    await until(lambda: link.run, "run begun")
    link.emit("progress", run=link.run, line=line, commands=line, layer=2)
    return job


async def test_a_service_that_comes_back_follows_the_run_that_went_on(tmp_path: Path) -> None:
    """Stopped in mid-print and started again, the service goes on following, and the job ends completed, with its record."""
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (_, talk):
        job = await _begin(talk, link)
    assert link.run is not None
    link.emit("progress", run=link.run, line=60, commands=58, layer=3)
    async with serving(config, link) as (service, talk):
        await until(lambda: service.hub.states.get(("quay", "progress"), {}).get("line") == 60, "followed")
        assert await talk.situation(job) == "printing"
        assert (await talk.get("printers", "quay"))["job"] == job
        link.emit("progress", run=link.run, line=113, commands=108, layer=5)
        link.end("completed", line=113, layer_seconds={"1": 2.0})
        found = await talk.reaches(job, "completed")
        assert found["record"]["layers"][0]["actual_s"] == 2.0
    assert len([command for command in link.commands if command["do"] == "start"]) == 1


@pytest.mark.parametrize("outcome", ["completed", "aborted"])
async def test_a_run_that_ended_while_the_service_was_away_is_entered(tmp_path: Path, outcome: str) -> None:
    """The end of a run is learnt from the link's kept events."""
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (_, talk):
        job = await _begin(talk, link)
    link.emit("progress", run=link.run, line=75, commands=70, layer=4)
    link.end(outcome, "thermal runaway" if outcome == "aborted" else "")
    async with serving(config, link) as (_, talk):
        found = await talk.reaches(job, outcome)
        assert found["layer"] == (5 if outcome == "completed" else 4)
        assert outcome in await talk.alerts()
        assert (await talk.get("printers", "quay"))["needs_clearing"]


async def test_a_link_process_that_is_gone_aborts_its_job_at_the_layer_it_had_reached(tmp_path: Path) -> None:
    """When the link died with the print, the job is aborted at the last layer on record; nothing resumes by itself."""
    config, link = make_config(tmp_path), FakeLink(prints=False)
    async with serving(config, link) as (service, talk):
        job = await _begin(talk, link, line=60)
        await until(lambda: _layer_is(service, job, 3), "on record")
    link.die()
    async with serving(config, link) as (_, talk):
        found = await talk.reaches(job, "aborted")
        assert found["message"] == "at layer 3 of 5: the link process that printed it is gone, or it never began"
        assert "aborted" in await talk.alerts()
        assert len([command for command in link.commands if command["do"] == "start"]) == 1


async def _layer_is(service: Service, job: str, layer: int) -> bool:
    return (await service.gate.job(job)).layer == layer


async def test_a_link_process_that_dies_under_a_running_service(tmp_path: Path) -> None:
    """The job is aborted, the link is sought again, and the next job is printed by the new one."""
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (_, talk):
        job = await _begin(talk, link)
        link.die()
        await talk.reaches(job, "aborted")
        link.prints = True
        again = await talk.submit(job_bytes())
        await talk.clear()
        await talk.reaches(again, "completed")


async def test_a_link_process_that_can_not_be_had_again_ends_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the link is gone and none can be started, the job does not stay 'printing' for ever."""
    monkeypatch.setattr("layergate.jobs.desk.GONE_AFTER_S", 0.3)
    monkeypatch.setattr("layergate.jobs.desk.FIRST_PAUSE_S", 0.05)
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (_, talk):
        job = await _begin(talk, link)
        link.reachable = False
        link.die()
        assert "the link process is gone" in (await talk.reaches(job, "aborted"))["message"]


async def test_replayed_remarks_are_told_once(tmp_path: Path) -> None:
    """What was told before a restart is not told again by the replay; what happened meanwhile is."""
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (service, talk):
        job = await _begin(talk, link, line=5)
        link.emit("remark", text="cold extrusion prevented", kind="cold-extrusion")
        link.emit("progress", run=link.run, line=30, commands=28, layer=2)
        await until(lambda: _layer_is(service, job, 2), "on record")
        assert (await talk.alerts()).count("air-printing") == 1
    link.emit("printer-reset", text="start")
    link.end("aborted", "the printer was restarted")
    async with serving(config, link) as (_, talk):
        await talk.reaches(job, "aborted")
        alerts = await talk.alerts()
        assert (alerts.count("air-printing"), alerts.count("printer-reset")) == (1, 1)


async def test_jobs_that_wait_are_there_again(tmp_path: Path) -> None:
    """Queued, held and half-checked jobs of a service before are found by the next, which checks what it must."""
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (_, talk):
        queued = await talk.submit(job_bytes())
        held = await talk.submit(job_bytes(orders="finding starved-layer hold yes 3"))
        checking = await talk.submit(job_bytes(2, orders="sleep 1"))
        await talk.reaches(queued, "queued")
        await talk.reaches(held, "held")
    async with serving(config, link) as (_, talk):
        assert await talk.situation(queued) == "queued"
        assert await talk.situation(held) == "held"
        await talk.reaches(checking, "queued")


async def test_a_damaged_journal_is_told_and_service_goes_on(tmp_path: Path) -> None:
    """A damaged journal is kept aside, an alert is raised, jobs are accepted, and the bed needs clearing."""
    config = make_config(tmp_path)
    async with serving(config, FakeLink()) as (_, talk):
        await talk.submit(job_bytes())
    (tmp_path / "spool" / "journal.sqlite").write_bytes(b"moored boats\n" * 500)
    async with serving(config, FakeLink()) as (_, talk):
        assert await talk.alerts() == ["journal-damaged"]
        assert (await talk.get("printers", "quay"))["needs_clearing"]
        await talk.reaches(await talk.submit(job_bytes()), "queued")


async def test_a_journal_on_a_full_disk_does_not_disturb_the_print(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Progress that can't be kept is no end of the run; its end is entered as soon as the disk takes it."""
    monkeypatch.setattr("layergate.jobs.desk.JOURNAL_PAUSE_S", 0.1)
    monkeypatch.setattr("layergate.jobs.bench.JOURNAL_PAUSE_S", 0.1)
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (service, talk):
        job = await _begin(talk, link)
        failed = 0

        async def fails(_: object) -> None:
            nonlocal failed
            failed += 1
            raise JournalError("database or disk is full")

        with monkeypatch.context() as full:
            full.setattr(service.journal, "do", fails)
            for line in range(31, 114, 7):
                link.emit("progress", run=link.run, line=line, commands=line, layer=2)
            link.end("completed")
            await until(lambda: service.hub.states.get(("quay", "progress"), {}).get("line", 0) > 100, "followed on")
            await until(lambda: failed > 5, "tried")
        await talk.reaches(job, "completed")


async def test_a_second_daemon_is_refused(tmp_path: Path) -> None:
    """Neither the spool nor the control socket is shared."""
    config = make_config(tmp_path)
    async with serving(config, FakeLink()):
        with pytest.raises(SpoolBusyError):
            await Service(config, opener_for=FakeLink().opener).run()
        other = config.model_copy(update={"spool": config.spool.model_copy(update={"directory": tmp_path / "other"})})
        with pytest.raises(SocketInUseError):
            await Service(other, opener_for=FakeLink().opener).run()


async def test_a_socket_left_by_a_killed_daemon_is_taken_over(tmp_path: Path) -> None:
    """A stale socket file is no hindrance."""
    config = make_config(tmp_path)
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(config.control_socket()))
    assert config.control_socket().exists()
    async with serving(config, FakeLink()) as (_, talk):
        assert (await talk.get("health"))["healthy"]


async def test_the_daemon_is_ready_and_stops_with_a_word_on_the_print(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """READY after start; STOPPING with the job that goes on in its link process."""
    told: list[dict[str, str]] = []
    monkeypatch.setattr("layergate.service.notify", lambda **values: told.append(values))
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        job = await _begin(talk, link)
    assert told[0]["READY"] == "1"
    assert told[-1]["STOPPING"] == "1"
    assert f"{job} on quay" in told[-1]["STATUS"]
    assert link.run is not None


@pytest.mark.parametrize("broker", ["absent", "silent"])
async def test_a_broker_that_is_not_there_never_disturbs_printing(tmp_path: Path, broker: str) -> None:
    """With a broker absent or silent a job goes its whole way, and stopping is not held up."""
    async with BlackHole() as hole:
        port = 1 if broker == "absent" else hole.port
        config = make_config(tmp_path, mqtt={"host": "127.0.0.1", "port": port, "gateway": "shed"})
        async with serving(config, FakeLink(prints=True)) as (_, talk):
            await talk.clear()
            await talk.reaches(await talk.submit(job_bytes()), "completed")
            health = await talk.get("health")
            assert (health["healthy"], health["broker_connected"]) == (True, False)
            assert health["alerts_waiting"] == 2


@needs_mosquitto
async def test_a_broker_that_dies_in_mid_print_learns_the_end_when_it_is_back(tmp_path: Path) -> None:
    """Broker killed in mid-print: the print goes on; back again, it gets the alerts and the last progress, retained."""
    broker = Broker(tmp_path / "broker")
    broker.start()
    link = FakeLink()
    try:
        config = make_config(tmp_path, mqtt={"host": "127.0.0.1", "port": broker.port, "gateway": "shed"})
        async with serving(config, link) as (service, talk):
            job = await _begin(talk, link)
            mqtt = service.mqtt
            assert mqtt is not None
            await until(lambda: mqtt.connected, "connected")
            broker.kill()
            link.emit("progress", run=link.run, line=113, commands=108, layer=5)
            link.end("completed", line=113)
            await talk.reaches(job, "completed")
            broker.start()
            with listening(broker.port) as listener:
                root = "layergate/shed/quay"
                await until(lambda: len(listener.payloads(f"{root}/alert")) >= 2, "alerts")
                assert [a["name"] for a in listener.payloads(f"{root}/alert")][-2:] == ["completed", "needs-clearing"]
                await until(lambda: listener.payloads(f"{root}/progress"), "progress")
                progress = listener.payloads(f"{root}/progress")[-1]
                assert (progress["layer"], progress["layers"], progress["job"]) == (5, 5, job)
                await until(lambda: listener.payloads(f"{root}/job")[-1]["state"] == "completed", "job")
                assert listener.payloads(f"{root}/state")[-1]["needs_clearing"]
    finally:
        broker.kill()


@needs_mosquitto
async def test_a_mistake_of_ours_ends_the_service_in_order_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A task that fails takes the service down with its error, for the service manager to start anew; 'offline' is told."""
    broker = Broker(tmp_path / "broker")
    broker.start()
    try:
        config = make_config(tmp_path, mqtt={"host": "127.0.0.1", "port": broker.port, "gateway": "shed"})
        service = Service(config, opener_for=FakeLink().opener)
        with listening(broker.port) as listener:
            task = asyncio.create_task(service.run())
            await until(lambda: listener.payloads("layergate/shed/availability") == ["online"], "online")
            monkeypatch.setattr(service.desks["quay"].following, "tick", lambda: 1 / 0)
            with pytest.raises(ExceptionGroup) as caught:
                await task
            assert caught.group_contains(ZeroDivisionError)
            await until(lambda: listener.payloads("layergate/shed/availability")[-1] == "offline", "offline")
        assert not config.control_socket().exists()
    finally:
        broker.kill()
