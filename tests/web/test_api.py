"""The interface: hostile uploads, problems by RFC 9457, what TCP may do, and the files that a path may name."""

import asyncio
import contextlib
import gzip
import http.client
import json
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from tests.service.parts import FakeLink, job_bytes, make_config, until
from tests.service.running import Talk, serving

from layergate.cli.client_http import ClientError
from layergate.config import Config


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return make_config(tmp_path, control={"socket": tmp_path / "control.sock", "submit_from": [tmp_path / "jobs"]})


@pytest.fixture
async def talk(config: Config) -> AsyncIterator[Talk]:
    async with serving(config, FakeLink()) as (_, made):
        yield made


def _spool_files(config: Config) -> set[str]:
    return {path.name for path in config.spool_directory().glob("*") if path.suffix in {".gcode", ".part"}}


async def _raw(path: Path, request: bytes, *, then_close: bool = False) -> tuple[int, dict[str, str], bytes]:
    """Send bytes as they are and read an HTTP answer; (0, {}, b'') where the connection was just closed."""

    def talk() -> tuple[int, dict[str, str], bytes]:
        with socket.socket(socket.AF_UNIX) as channel:
            channel.settimeout(10)
            channel.connect(str(path))
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                channel.sendall(request)
            if then_close:
                return 0, {}, b""
            with contextlib.closing(http.client.HTTPResponse(channel)) as answer:
                try:
                    answer.begin()
                    return answer.status, dict(answer.getheaders()), answer.read()
                except (http.client.HTTPException, OSError):
                    return 0, {}, b""

    return await asyncio.to_thread(talk)


async def test_a_problem_is_told_by_rfc_9457(config: Config, talk: Talk) -> None:
    """RFC 9457 section 3: application/problem+json with title, status and detail; the status is the answer's own."""
    for path, status in (("/api/v1/jobs/none", 404), ("/nowhere", 404), ("/api/v1/jobs?limit=x", 422)):
        asked = f"GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
        code, headers, body = await _raw(config.control_socket(), asked.encode())
        problem = json.loads(body)
        assert (code, problem["status"]) == (status, status)
        assert headers["content-type"] == "application/problem+json"
        assert problem["title"]
        assert problem["detail"]
    request = b"DELETE /api/v1/jobs HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    assert (await _raw(config.control_socket(), request))[0] == 405


@pytest.mark.parametrize(
    ("data", "status", "words"),
    [
        (b"", 422, "empty"),
        (gzip.compress(b""), 422, "empty"),
        (gzip.compress(job_bytes())[:-4], 422, "too early"),
        (b"\x1f\x8b\x08" + b"\xff" * 100, 422, "damaged gzip"),
        (b"x" * (65 * 1024 * 1024), 413, "larger than 64 MiB"),
        (gzip.compress(b"\n" * (65 * 1024 * 1024)), 413, "made to fill disks"),
    ],
    # Named: a head of gzip holds the time, and every process of the suite must find the same tests.
    ids=["empty", "empty-gzip", "cut-gzip", "noise-as-gzip", "large", "bomb"],
)
async def test_a_hostile_upload_is_refused_and_leaves_nothing(
    config: Config, talk: Talk, data: bytes, status: int, words: str
) -> None:
    """Empty, damaged, too large, or a bomb: refused with the reason; no file, no job."""
    with pytest.raises(ClientError, match=words) as caught:
        await talk.submit(data)
    assert caught.value.status == status
    assert _spool_files(config) == set()
    assert await talk.get("jobs", all="true") == []


@pytest.mark.parametrize(
    "name", ["../../../etc/cron.d/x", "/etc/passwd", "a\x00b", "x" * 900, "\u202egcode.exe", "a\r\nSet-Cookie: b"]
)
async def test_a_name_is_shown_and_never_a_path(config: Config, talk: Talk, name: str) -> None:
    """Whatever a client calls its job, the file in the spool is named by its digest and nothing else is written."""
    job = await talk.submit(job_bytes(), name=name)
    found = await talk.reaches(job, "queued")
    assert found["name"].isprintable()
    assert "/" not in found["name"]
    assert _spool_files(config) == {f"{found['sha256']}.gcode"}


async def test_a_gzip_upload_is_the_same_job(talk: Talk) -> None:
    """The same bytes, compressed and not, are one file in the spool."""
    first = await talk.get("jobs", await talk.submit(job_bytes()))
    second = await talk.get("jobs", await talk.submit(gzip.compress(job_bytes()), name="cap.gcode.gz"))
    assert first["sha256"] == second["sha256"]
    assert first["id"] != second["id"]


async def test_huge_headers_are_refused(config: Config, talk: Talk) -> None:
    """A request head of 1 MiB ends the connection or is answered 4xx, and the service goes on."""
    request = b"GET /api/v1/health HTTP/1.1\r\nHost: x\r\nX: " + b"a" * (1024 * 1024) + b"\r\n\r\n"
    status, _, _ = await _raw(config.control_socket(), request)
    assert status == 0 or 400 <= status < 500
    assert (await talk.get("health"))["healthy"]


async def test_nonsense_on_the_socket_is_refused(config: Config, talk: Talk) -> None:
    """Bytes that are no HTTP get a 400 or a closed connection."""
    status, _, _ = await _raw(config.control_socket(), b"\x16\x03\x01" + b"moored boats " * 100 + b"\r\n\r\n")
    assert status in {0, 400}
    assert (await talk.get("health"))["healthy"]


async def test_a_client_that_goes_away_in_mid_upload_leaves_nothing(config: Config, talk: Talk) -> None:
    """Half an upload is dropped when its client closes the connection."""
    request = b"POST /api/v1/jobs?name=cap HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000\r\n\r\n" + job_bytes()
    await _raw(config.control_socket(), request, then_close=True)
    await until(lambda: _spool_files(config) == set(), "nothing left")
    assert await talk.get("jobs", all="true") == []


async def test_a_client_that_falls_silent_is_given_up(
    config: Config, talk: Talk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client that sends nothing for a while is answered 408, and its part is dropped."""
    monkeypatch.setattr("layergate.web.api.UPLOAD_SILENCE_S", 0.2)
    request = b"POST /api/v1/jobs?name=cap HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000\r\n\r\n" + job_bytes()
    status, _, body = await _raw(config.control_socket(), request)
    assert status == 408, body
    assert _spool_files(config) == set()


async def test_low_room_is_507_and_one_alert(tmp_path: Path) -> None:
    """While the disk is low uploads are refused by 507 (RFC 4918), one alert is raised, and what is there is served."""
    config = make_config(tmp_path, spool={"keep_free_mib": 10**9})
    async with serving(config, FakeLink()) as (_, talk):
        for _ in range(3):
            with pytest.raises(ClientError, match="keep_free_mib") as caught:
                await talk.submit(job_bytes())
            assert caught.value.status == 507
        assert await talk.alerts() == ["disk-low"]
        assert (await talk.get("health"))["disk_is_low"]


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("jobs/{job}/release", {"by": "Maren"}),
        ("jobs/{job}/release", {"by": "Maren", "reason": "r", "report_sha256": "x"}),
        ("jobs/{job}/cancel", {}),
        ("jobs/{job}/cancel", {"by": "Maren", "force": True}),
        ("jobs/{job}/cancel", {"by": "M" * 81}),
        ("printers/quay/cleared", {"by": ["Maren"]}),
    ],
)
async def test_a_request_that_lacks_something_is_refused_whole(talk: Talk, path: str, body: dict[str, Any]) -> None:
    """Missing, unknown or wrong members are named in the answer, and nothing is done."""
    job = await talk.submit(job_bytes())
    with pytest.raises(ClientError, match="body") as caught:
        await talk.post(*path.format(job=job).split("/"), **body)
    assert caught.value.status == 422


async def test_a_printer_must_be_named_where_there_are_several(tmp_path: Path) -> None:
    """With one printer no name is needed; with two it is; a name that is not there is told with those that are."""
    printers = {"quay": {"device": "/dev/null"}, "slip": {"device": "/dev/zero"}}
    async with serving(make_config(tmp_path, printers=printers), FakeLink()) as (_, talk):
        with pytest.raises(ClientError, match="quay, slip"):
            await talk.submit(job_bytes())
        with pytest.raises(ClientError, match="there is no printer 'pier'"):
            await talk.submit(job_bytes(), printer="pier")
        job = await talk.get("jobs", await talk.submit(job_bytes(), printer="slip"))
        assert job["printer"] == "slip"


async def test_a_job_is_named_by_path_only_from_the_folders_allowed(tmp_path: Path, talk: Talk) -> None:
    """A path outside the folders, also by '..' or by a link, is refused: the daemon reads nothing for a client there."""
    allowed = tmp_path / "jobs"
    allowed.mkdir()
    (allowed / "cap.gcode").write_bytes(job_bytes())
    (tmp_path / "secret").write_bytes(b"G28\n")
    (allowed / "link").symlink_to(tmp_path / "secret")
    answer = await talk.post("jobs", "by-path", path=str(allowed / "cap.gcode"))
    assert (answer["name"], answer["source"]) == ("cap.gcode", "path")
    for path, status in (("../secret", 403), ("link", 403), ("none", 422), (".", 422)):
        with pytest.raises(ClientError) as caught:
            await talk.post("jobs", "by-path", path=str(allowed / path))
        assert caught.value.status == status, path


async def test_the_report_is_given_as_it_was_written(config: Config, talk: Talk) -> None:
    """A report comes whole; without a verdict there is none, and the answer says how the job is."""
    job = await talk.submit(job_bytes(orders="finding starved-layer hold yes 3"))
    await talk.reaches(job, "held")
    report = await talk.get("jobs", job, "report")
    assert report == json.loads((config.spool_directory() / f"{job}.report.json").read_text(encoding="utf-8"))
    none = await talk.submit(job_bytes(orders="kill"))
    await talk.reaches(none, "not-judged")
    with pytest.raises(ClientError, match="has no report: it is not-judged") as caught:
        await talk.get("jobs", none, "report")
    assert caught.value.status == 404


async def test_events_are_waited_for(talk: Talk) -> None:
    """A long poll returns as soon as something happens, with the number to ask after next."""
    last = (await talk.get("events", after=0, wait_s=0))["last"]
    waiting = asyncio.create_task(talk.get("events", after=last, wait_s=10))
    await talk.submit(job_bytes())
    answer = await waiting
    assert answer["events"][0]["number"] == last + 1
    assert answer["last"] == answer["events"][-1]["number"]


async def test_the_control_socket_is_for_owner_and_group(config: Config, talk: Talk) -> None:
    """Others can't reach it."""
    assert config.control_socket().stat().st_mode & 0o777 == 0o660


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def _tcp(port: int, method: str, path: str, body: bytes = b"", **headers: str) -> int:
    def ask() -> int:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        connection.request(method, path, body=body, headers=headers)
        status = connection.getresponse().status
        connection.close()
        return status

    return await asyncio.to_thread(ask)


@pytest.mark.parametrize("commands", [False, True])
async def test_over_tcp_nothing_is_changed_unless_configured(tmp_path: Path, commands: bool) -> None:
    """TCP is off by default, read-only when on, never takes paths, and refuses foreign names and pages."""
    port = _free_port()
    config = make_config(
        tmp_path, web={"listen": f"127.0.0.1:{port}", "commands": commands, "names": ["shed.example.org"]}
    )
    async with serving(config, FakeLink()):
        assert await _tcp(port, "GET", "/api/v1/printers") == 200
        assert await _tcp(port, "GET", "/api/v1/printers", Host=f"localhost:{port}") == 200
        assert await _tcp(port, "GET", "/api/v1/printers", Host="shed.example.org") == 200
        # A foreign site whose name resolves to us, and a page of another origin.
        assert await _tcp(port, "GET", "/api/v1/printers", Host="evil.example:80") == 421
        by = b'{"by": "Maren"}'
        typed = {"Content-Type": "application/json"}
        cleared = "/api/v1/printers/quay/cleared"
        assert await _tcp(port, "POST", cleared, by, **typed) == (200 if commands else 403)
        assert await _tcp(port, "POST", cleared, by, Origin="https://evil.example", **typed) == 403
        same = await _tcp(port, "POST", cleared, by, Origin=f"http://127.0.0.1:{port}", **typed)
        assert same == (200 if commands else 403)
        by_path = await _tcp(port, "POST", "/api/v1/jobs/by-path", b'{"path": "/etc/passwd"}', **typed)
        assert by_path == (405 if commands else 403)


async def test_a_port_that_is_taken_is_an_error_that_names_it(tmp_path: Path) -> None:
    """When the port is taken the daemon does not start, and says which."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        config = make_config(tmp_path, web={"listen": f"127.0.0.1:{port}"})
        with pytest.raises(OSError, match=f"127.0.0.1:{port}"):
            async with serving(config, FakeLink()):
                pass
    assert not config.control_socket().exists()


async def test_our_own_mistakes_are_problems_too(config: Config, talk: Talk, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error that nobody foresaw is a 500 in the same form, and does not tell the inside."""
    monkeypatch.setattr("layergate.web.api._printer", lambda *_: 1 / 0)
    request = b"GET /api/v1/printers HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    status, headers, body = await _raw(config.control_socket(), request)
    assert (status, headers["content-type"]) == (500, "application/problem+json")
    assert json.loads(body)["detail"] == "ZeroDivisionError; the daemon's log has more"


async def test_the_interface_describes_itself(config: Config, talk: Talk) -> None:
    """The OpenAPI document names every path that the command line uses."""
    paths = (await talk.get("openapi.json"))["paths"]
    for path in ("/jobs", "/jobs/{job_id}/release", "/printers/{printer}/cleared", "/events", "/health"):
        assert f"/api/v1{path}" in paths
