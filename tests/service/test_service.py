"""The way of a job through the service, with a link in memory and the tests' worker: what people and sources see."""

import asyncio
import json
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from tests.service.parts import FakeLink, job_bytes, make_config, until
from tests.service.running import Talk, serving

from layergate.cli.client_http import ClientError
from layergate.jobs import desk

HOLD = "finding starved-layer hold yes 3"
BLOCK = "finding missing-layer block yes 2"
FIXED = "finding outside-build-volume block no 4"


async def _release(talk: Talk, job: str, **changes: Any) -> Any:
    report = (await talk.get("jobs", job))["report_sha256"]
    return await talk.post(
        "jobs", job, "release", **{"by": "Maren", "reason": "seen", "report_sha256": report, **changes}
    )


async def test_a_clear_job_waits_for_the_bed_and_is_then_printed_to_its_last_layer(tmp_path: Path) -> None:
    """A clear job is queued, starts only after somebody confirmed the bed, and ends completed with a record."""
    link = FakeLink(prints=True)
    async with serving(make_config(tmp_path), link) as (service, talk):
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "queued")
        (printer,) = await talk.get("printers")
        assert (printer["state"], printer["reasons"]) == ("stopped", ["output-area-full"])  # RFC 8011 section 5.4.12
        assert not any(command["do"] == "start" for command in link.commands)
        await talk.clear()
        found = await talk.reaches(job, "completed")
        assert (found["state"], found["reasons"]) == ("completed", ["job-completed-successfully"])
        assert (found["layer"], found["layers"]) == (5, 5)
        first = {"layer": 1, "z_mm": 0.2, "planned_s": 2.2, "actual_s": 0.5, "filament_mm": 1.0}
        assert found["record"]["layers"][0] == first
        assert found["record"]["filament_commanded_mm"] == 5.0
        assert service.hub.states["quay", "progress"]["layer"] == 5
        assert (await talk.get("printers", "quay"))["needs_clearing"]
        assert await talk.alerts() == ["waiting-for-person", "completed", "needs-clearing"]
        (start,) = [command for command in link.commands if command["do"] == "start"]
        assert Path(start["job"]).read_bytes() == job_bytes()
        assert [row["what"].split(":")[0] for row in found["history"]] == [
            "accepted",
            "queued",
            "printing",
            "completed",
        ]


async def test_one_confirmation_is_for_one_job(tmp_path: Path) -> None:
    """After the end of a job the next waits again, until the bed was confirmed once more."""
    async with serving(make_config(tmp_path), FakeLink(prints=True)) as (_, talk):
        first, second = await talk.submit(job_bytes(1)), await talk.submit(job_bytes(2))
        await talk.reaches(second, "queued")
        await talk.clear()
        await talk.reaches(first, "completed")
        assert await talk.situation(second) == "queued"
        await talk.clear()
        await talk.reaches(second, "completed")


async def test_jobs_are_printed_in_their_order(tmp_path: Path) -> None:
    """With start = "automatic" three jobs are printed one after another, in the order in which they came."""
    config = make_config(tmp_path, printers={"quay": {"device": "/dev/null", "start": "automatic"}})
    link = FakeLink(prints=True)
    async with serving(config, link) as (_, talk):
        jobs = [await talk.submit(job_bytes(layers)) for layers in (1, 2, 3)]
        for job in jobs:
            await talk.reaches(job, "completed")
        runs = [command["run"].split("-")[0] for command in link.commands if command["do"] == "start"]
        assert runs == jobs
        assert "needs-clearing" not in await talk.alerts()


async def test_after_a_start_of_the_service_the_bed_is_not_known_to_be_clear(tmp_path: Path) -> None:
    """A confirmation does not outlive the service."""
    config, link = make_config(tmp_path), FakeLink()
    async with serving(config, link) as (_, talk):
        await talk.clear()
        assert not (await talk.get("printers", "quay"))["needs_clearing"]
    async with serving(config, link) as (_, talk):
        printer = await talk.get("printers", "quay")
        assert printer["needs_clearing"]
        assert "the service was started" in printer["bed"]


@pytest.mark.parametrize(("orders", "situation"), [(HOLD, "held"), (BLOCK, "blocked"), (f"{HOLD};{BLOCK}", "blocked")])
async def test_a_faulty_job_is_stopped_released_by_name_and_not_stopped_again(
    tmp_path: Path, orders: str, situation: str
) -> None:
    """A held or blocked job starts only after a named person's release with a reason; its reprint passes at once."""
    config = make_config(tmp_path)
    async with serving(config, FakeLink(prints=True)) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes(orders=orders))
        found = await talk.reaches(job, situation)
        assert found["state"] == "pending-held"
        assert "in layer" in found["message"]
        assert "7 of 7 rules could judge this job" in found["message"]
        assert await talk.alerts() == [situation]
        for wrong in ({"by": " "}, {"reason": "\t"}, {"by": ""}, {"report_sha256": "0" * 64}):
            with pytest.raises(ClientError):
                await _release(talk, job, **wrong)
        assert await talk.situation(job) == situation
        await _release(talk, job)
        done = await talk.reaches(job, "completed")
        assert any(
            row["what"] == "queued: released by Maren: seen" and row["who"] == "Maren" for row in done["history"]
        )
        await talk.clear()
        again = await talk.submit(job_bytes(orders=orders), name="the same again")
        found = await talk.reaches(again, "completed")
        assert any("passes by the release of Maren on 20" in row["what"] for row in found["history"])
        assert any("(seen): " in row["what"] for row in found["history"])
        another = await talk.submit(job_bytes(6, orders=orders))
        await talk.reaches(another, situation)


async def test_what_can_not_be_released_stays_blocked(tmp_path: Path) -> None:
    """A finding that can't be released is named in the refusal, whoever asks and why ever."""
    async with serving(make_config(tmp_path), FakeLink()) as (_, talk):
        job = await talk.submit(job_bytes(orders=f"{BLOCK};{FIXED}"))
        await talk.reaches(job, "blocked")
        with pytest.raises(ClientError, match=r"can't be released by anyone: outside-build-volume") as caught:
            await _release(talk, job)
        assert caught.value.status == 409
        assert await talk.situation(job) == "blocked"


async def test_observing_stops_nothing_and_tells_all(tmp_path: Path) -> None:
    """In mode "observe" a blocked job is told by its alert, and printed."""
    config = make_config(tmp_path, printers={"quay": {"device": "/dev/null", "mode": "observe"}})
    async with serving(config, FakeLink(prints=True)) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes(orders=FIXED))
        found = await talk.reaches(job, "completed")
        assert (await talk.alerts())[0] == "blocked"
        assert any("would be blocked, but quay only observes" in row["what"] for row in found["history"])


@pytest.mark.parametrize("orders", ["kill", "exit 3", "garbage", "silent", "sleep 30"])
async def test_a_job_that_was_not_judged_is_never_printed(tmp_path: Path, orders: str) -> None:
    """Whatever becomes of the worker: the job is held as 'not judged', and can be checked again but not released."""
    config = make_config(tmp_path, preflight={"seconds": 1, "seconds_per_mib": 0})
    link = FakeLink(prints=True)
    async with serving(config, link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes(orders=orders))
        found = await talk.reaches(job, "not-judged")
        assert (found["state"], found["verdict"]) == ("pending-held", None)
        assert await talk.alerts() == ["not-judged"]
        with pytest.raises(ClientError, match="nothing to release"):
            await talk.post("jobs", job, "release", by="Maren", reason="seen", report_sha256="0" * 64)
        await talk.post("jobs", job, "recheck", by="Maren")
        await until(lambda: _count(talk, "not-judged", 2), "judged again")
        assert not any(command["do"] == "start" for command in link.commands)


async def _count(talk: Talk, name: str, count: int) -> bool:
    return (await talk.alerts()).count(name) >= count


async def test_a_job_that_is_not_readable_is_aborted_with_the_reason(tmp_path: Path) -> None:
    """Exit 2 of the worker ends the job; the reason is the worker's."""
    async with serving(make_config(tmp_path), FakeLink()) as (_, talk):
        job = await talk.submit(job_bytes(orders="exit 2"))
        found = await talk.reaches(job, "not-readable")
        assert (found["state"], found["reasons"]) == ("aborted", ["document-format-error"])
        assert found["message"] == "line 3: this is no print job"


async def test_a_changed_description_makes_the_verdict_anew_before_the_start(tmp_path: Path) -> None:
    """A queued job whose printer description changed is checked again before its first byte is sent."""
    description = tmp_path / "quay.toml"
    description.write_text("[printer]\nnozzle_diameter_mm = 0.4\n", encoding="utf-8")
    config = make_config(tmp_path, printers={"quay": {"device": "/dev/null", "description": description}})
    async with serving(config, FakeLink(prints=True)) as (service, talk):
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "queued")
        key = (await service.gate.job(job)).verdict_key
        description.write_text("[printer]\nnozzle_diameter_mm = 0.6\n", encoding="utf-8")
        await talk.clear()
        found = await talk.reaches(job, "completed")
        assert any("rules changed since it was judged" in row["what"] for row in found["history"])
        assert (await service.gate.job(job)).verdict_key != key


async def test_a_description_with_a_mistake_judges_nothing(tmp_path: Path) -> None:
    """A printer description that can't be used means 'not judged', with file, line and key."""
    description = tmp_path / "quay.toml"
    description.write_text("[printer]\nnozle = 0.4\n", encoding="utf-8")
    config = make_config(tmp_path, printers={"quay": {"device": "/dev/null", "description": description}})
    async with serving(config, FakeLink()) as (_, talk):
        job = await talk.submit(job_bytes())
        assert "quay.toml:2: printer.nozle: unknown key" in (await talk.reaches(job, "not-judged"))["message"]


async def test_a_release_is_refused_when_the_rules_changed_since(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A person releases what they saw: with other rules the job is judged again, and they must look again."""
    async with serving(make_config(tmp_path), FakeLink()) as (_, talk):
        job = await talk.submit(job_bytes(orders=BLOCK))
        await talk.reaches(job, "blocked")
        monkeypatch.setattr("layergate.jobs.gate.rules_digest", lambda _: "other rules")
        with pytest.raises(ClientError, match="rules changed"):
            await _release(talk, job)
        await talk.reaches(job, "blocked")
        await _release(talk, job)
        await talk.reaches(job, "queued")


async def test_pause_resume_and_cancel(tmp_path: Path) -> None:
    """A print is paused, goes on, and is canceled in good order; each state is the standard's, and the bed needs clearing."""
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        with pytest.raises(ClientError, match="is being printed on quay"):
            await talk.clear()
        link.emit("progress", run=link.run, line=30, commands=28, layer=2)
        await talk.post("printers", "quay", "pause", by="Maren")
        found = await talk.reaches(job, "paused")
        assert (found["state"], found["reasons"]) == ("processing-stopped", ["printer-stopped"])
        assert (await talk.get("printers", "quay"))["reasons"] == ["paused"]
        with pytest.raises(ClientError, match="nothing can be paused"):
            await talk.post("printers", "quay", "pause", by="Maren")
        await talk.post("printers", "quay", "resume", by="Maren")
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        await talk.post("jobs", job, "cancel", by="Maren")
        found = await talk.reaches(job, "canceled")
        assert (found["state"], found["reasons"]) == ("canceled", ["job-canceled-by-user"])
        assert found["message"].startswith("at layer 2 of 5")
        assert (await talk.get("printers", "quay"))["needs_clearing"]
        with pytest.raises(ClientError, match="has ended"):
            await talk.post("jobs", job, "cancel", by="Maren")


async def test_a_pause_at_the_printer_calls_for_a_person(tmp_path: Path) -> None:
    """When the printer itself pauses, say for new filament, somebody is told."""
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        link.emit("paused", run=link.run, by="printer")
        await talk.reaches(job, "paused")
        await until(lambda: _count(talk, "waiting-for-person", 1), "alert")
        link.emit("resumed", run=link.run)
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        link.end("canceled", "canceled at the printer")
        assert (await talk.reaches(job, "canceled-at-printer"))["reasons"] == ["job-canceled-at-device"]


async def test_a_pause_that_is_about_to_end_the_job_is_told_and_says_why_nothing_can_be_resumed(tmp_path: Path) -> None:
    """Before the link ends a paused run somebody is told; who comes too late is told what became of it."""
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        await talk.post("printers", "quay", "pause", by="Maren")
        await talk.reaches(job, "paused")
        link.emit("pause-ends", run=link.run, in_s=600)
        await until(lambda: _count(talk, "waiting-for-person", 1), "alert")
        alert = next(alert for alert in await talk.get("alerts") if alert["name"] == "waiting-for-person")
        assert alert["severity"] == "warning"
        assert "Unless it is resumed within 10 min, the job is ended and heaters are switched off" in alert["text"]
        link.end("aborted", "paused for 3600 s, and nobody resumed it: heaters off")
        await talk.reaches(job, "aborted")
        with pytest.raises(ClientError, match=r"nothing is printed .*paused for 3600 s, and nobody resumed it"):
            await talk.post("printers", "quay", "resume", by="Maren")


async def test_alerts_of_the_last_moment_get_to_the_hook_or_are_named_in_the_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stop right after an alert still runs the command for it; one that takes too long is ended and said, and so is
    each alert behind it."""
    heard, link = tmp_path / "heard", FakeLink()
    command = [sys.executable, "-c", f"import sys; open({str(heard)!r}, 'a').write(sys.stdin.read())"]
    async with serving(make_config(tmp_path, hook={"command": command}), link) as (service, _):
        await service.hub.alert("disk-low", "one", printer="quay")
        await service.hub.alert("disk-low", "two", printer="quay")
        service.stop("test")
    assert [json.loads(line)["text"] for line in heard.read_text("utf-8").splitlines()] == ["one", "two"]
    monkeypatch.setattr("layergate.service.LAST_WORDS_S", 0.3)
    capsys.readouterr()
    async with serving(make_config(tmp_path, hook={"command": ["sleep", "60"]}), link) as (service, _):
        await service.hub.alert("disk-low", "three", printer="quay")
        await service.hub.alert("held", "four", printer="quay")
        began = time.monotonic()
        service.stop("test")
    assert time.monotonic() - began < 5
    said = capsys.readouterr().out
    assert "hook was ended with the service" in said
    assert "alert not given to the hook: the service ends" in said
    assert "four" in said.split("alert not given to the hook")[1]


async def test_a_stop_request_aborts_the_job(tmp_path: Path) -> None:
    """A stop request goes to the link at once, and the job is aborted by an operator."""
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        await talk.post("printers", "quay", "stop", by="Maren")
        found = await talk.reaches(job, "stopped")
        assert (found["state"], found["reasons"]) == ("aborted", ["job-canceled-by-operator"])
        assert "aborted" in await talk.alerts()
        assert {"do": "stop"} in link.commands


async def test_waiting_jobs_are_canceled_in_every_situation(tmp_path: Path) -> None:
    """Held, blocked, queued or being checked: a job that waits can be canceled, and its check then counts for nothing."""
    async with serving(make_config(tmp_path), FakeLink()) as (_, talk):
        wanted = {HOLD: "held", BLOCK: "blocked", "": "queued", "kill": "not-judged", "sleep 3": "checking"}
        for orders, situation in wanted.items():
            job = await talk.submit(job_bytes(orders=orders))
            await talk.reaches(job, situation)
            await talk.post("jobs", job, "cancel", by="Maren")
            assert await talk.situation(job) == "canceled"


async def test_a_start_that_the_link_refuses_waits_and_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A refused start has sent nothing: the job waits, the bed stays confirmed, and the next try prints it."""
    monkeypatch.setattr("layergate.jobs.desk.REFUSED_PAUSE_S", 0.05)
    monkeypatch.setattr("layergate.jobs.desk.TICK_S", 0.05)
    link = FakeLink(prints=True)
    link.refuse = "the printer is still busy with the end of the last run"
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        await until(lambda: len([c for c in link.commands if c["do"] == "start"]) == 2, "two tries")
        link.refuse = None
        await talk.reaches(job, "completed")


async def test_a_start_that_is_always_refused_is_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After some refusals the job is held with the link's own words, and a person may let it try again."""
    monkeypatch.setattr("layergate.jobs.desk.REFUSED_PAUSE_S", 0.01)
    monkeypatch.setattr("layergate.jobs.desk.TICK_S", 0.02)
    link = FakeLink(prints=True)
    link.refuse = "the job was checked for another dialect"
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        found = await talk.reaches(job, "held")
        assert "another dialect" in found["message"]
        assert not (await talk.get("printers", "quay"))["needs_clearing"]
        link.refuse = None
        await _release(talk, job)
        await talk.reaches(job, "completed")


async def test_another_printer_on_the_cable_gets_nothing(tmp_path: Path) -> None:
    """With identity = "..." a printer that does not say these words gets no job."""
    config = make_config(tmp_path, printers={"quay": {"device": "/dev/null", "identity": "Quay 2"}})
    link = FakeLink(prints=True)
    async with serving(config, link) as (service, talk):
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "queued")
        printer = await talk.get("printers", "quay")
        assert (printer["state"], printer["condition"]) == ("stopped", "other-printer")
        with pytest.raises(ClientError, match="another printer answers"):
            await talk.clear()
        link.emit("link-up", firmware="Quay 2", capabilities={})
        await until(lambda: service.desks["quay"].condition == "needs-clearing", "the right one")
        await talk.clear()
        await talk.reaches(job, "completed")


@pytest.mark.parametrize("what", ["link-lost", "printer-reset", "stop", "process"])
async def test_a_word_on_the_bed_does_not_outlive_what_it_was_said_of(tmp_path: Path, what: str) -> None:
    """After a lost connection, a reset of the printer or a stop request nothing starts until the bed is confirmed anew."""
    link = FakeLink(prints=True)
    async with serving(make_config(tmp_path), link) as (service, talk):
        await talk.clear()
        match what:
            case "stop":
                await talk.post("printers", "quay", "stop", by="Maren")
            case "process":
                link.die()
            case "link-lost":
                link.emit("link-lost", reason="cable out")
                link.emit("link-up", firmware="harbour test", capabilities={})
            case _:
                link.emit("printer-reset", text="start")
        await until(lambda: service.desks["quay"].condition == "needs-clearing", "needs clearing")
        assert "confirmed before" in (await talk.get("printers", "quay"))["bed"]
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "queued")
        await until(lambda: _told(talk, "waiting-for-person"), "told")
        assert await talk.situation(job) == "queued"
        answer = await talk.post("printers", "quay", "cleared", by="Maren")
        assert answer["starts"]["id"] == job
        await talk.reaches(job, "completed")


async def test_the_bed_of_a_printer_that_is_not_reached_can_not_be_confirmed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No word given now starts a print at some later time, when the printer is switched on."""
    monkeypatch.setattr(desk, "REACH_S", 0.2)
    link = FakeLink()
    link.all.clear()
    link.emit("unreachable", reason="/dev/null is in use by another program")
    link.answers = False
    async with serving(make_config(tmp_path), link) as (_, talk):
        with pytest.raises(ClientError, match="in use by another program"):
            await talk.clear()
        assert (await talk.get("printers", "quay"))["message"] == "/dev/null is in use by another program"
        monkeypatch.setattr(desk, "REACH_S", 20)
        confirming = asyncio.create_task(talk.clear())
        link.emit("link-up", firmware="harbour test", capabilities={})
        await confirming
        assert (await talk.get("printers", "quay"))["condition"] == "idle"


async def _told(talk: Talk, name: str) -> bool:
    return name in await talk.alerts()


async def test_remarks_of_the_watch_become_alerts_and_colour_the_end(tmp_path: Path) -> None:
    """A printer that refuses to extrude is told as air-printing, and the job ends 'completed with warnings'."""
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        link.emit("progress", run=link.run, line=30, commands=28, layer=2)
        link.emit("remark", text="cold extrusion prevented", kind="cold-extrusion")
        off = {"reported_mm": [211.0, 50.0, 0.4, None], "planned_mm": [121.0, 50.0, 0.4, None], "off_mm": 90.0}
        link.emit("position", run=link.run, line=31, **off)
        link.emit("printer-error", text="something odd")
        link.end("completed")
        found = await talk.reaches(job, "completed-with-warnings")
        assert found["reasons"] == ["job-completed-with-warnings"]
        assert {"air-printing", "position-off-plan"} <= set(await talk.alerts())


async def test_a_lost_printer_is_told_and_its_job_aborted_at_its_layer(tmp_path: Path) -> None:
    """When the printer is gone the alert says that heaters may be on, and the job ends at the layer it had reached."""
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        await talk.clear()
        job = await talk.submit(job_bytes())
        await talk.reaches(job, "printing")
        await until(lambda: link.run, "run begun")
        link.emit("progress", run=link.run, line=50, commands=48, layer=3)
        link.emit("link-lost", reason="the device is gone")
        link.end("aborted", "link lost: the device is gone", line=50)
        found = await talk.reaches(job, "aborted")
        assert found["message"] == "at layer 3 of 5: link lost: the device is gone"
        assert (found["layer"], found["line"]) == (3, 50)
        printer = await talk.get("printers", "quay")
        assert (printer["state"], printer["reasons"]) == ("stopped", ["connecting-to-device"])
        assert (await talk.alerts())[-3:] == ["link-lost", "aborted", "needs-clearing"]
