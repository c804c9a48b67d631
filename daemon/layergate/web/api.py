"""The interface over HTTP: what people and programs may ask of the gate. Problems are told by RFC 9457.

Served on the control socket for all, and over TCP only where configured (then read-only unless commands are allowed
there too). Translates between HTTP and layergate.jobs.gate, and decides nothing itself. No page.
"""

import asyncio
import contextlib
import json
import time
from collections.abc import Awaitable, Callable, Sequence
from http import HTTPStatus
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit

import structlog
from fastapi import Depends, FastAPI, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from layergate import __version__
from layergate.config import MIB
from layergate.jobs import store
from layergate.jobs.desk import Desk
from layergate.jobs.errors import DiskLowError, GateError, NotFoundError, RefusedError
from layergate.jobs.gate import Gate
from layergate.jobs.spool import CHUNK_BYTES, Spooled
from layergate.jobs.store import Job
from layergate.jobs.views import job_view
from layergate.notify import outbox
from layergate.notify.mqtt import MqttPublisher
from layergate.notify.systemd import Stamps
from layergate.web.models import (
    By,
    ClearedModel,
    EventsModel,
    Health,
    JobDetail,
    JobModel,
    LiveEventModel,
    PathRequest,
    PrinterModel,
    Problem,
    ReleaseRequest,
)

log = structlog.get_logger(__name__)

PREFIX = "/api/v1"
UPLOAD_SILENCE_S = 60.0  # a client that sends nothing for so long has gone
LONGEST_WAIT_S = 60.0
PROBLEM_TYPE = "application/problem+json"  # RFC 9457 section 3


def problem(status: int, title: str, detail: str, instance: str | None = None) -> Response:
    """Answer with a problem."""
    body = Problem(title=title, status=status, detail=detail, instance=instance)
    return Response(body.model_dump_json(exclude_none=True), status_code=status, media_type=PROBLEM_TYPE)


def create_app(
    gate: Gate, *, stamps: Stamps, mqtt: MqttPublisher | None, over_tcp: bool, commands: bool, names: Sequence[str] = ()
) -> FastAPI:
    """Make the application.

    Args:
        gate: what it asks.
        stamps: how the tasks get on, for the health.
        mqtt: whose connection is told in the health.
        over_tcp: whether browsers may reach it, against whom Host and Origin are checked.
        commands: whether anything may be changed through it.
        names: host names by which browsers may ask for it.
    """
    app = FastAPI(
        title="Layergate", version=__version__, docs_url=None, redoc_url=None, openapi_url=f"{PREFIX}/openapi.json"
    )
    begun = time.monotonic()
    _add_problems(app)

    @app.middleware("http")
    async def guard(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        refusal = _refusal(request, over_tcp=over_tcp, commands=commands, names=names)
        return refusal if refusal is not None else await call_next(request)

    def desk(printer: str) -> Desk:
        return gate.desk(printer)

    TheDesk = Annotated[Desk, Depends(desk)]  # noqa: N806 (an alias of a type)

    @app.get(f"{PREFIX}/health")
    async def health() -> Health:
        hanging = stamps.stale()
        waiting = await gate.journal.do(outbox.count)
        return Health(
            healthy=not hanging,
            hanging=hanging,
            version=__version__,
            uptime_s=time.monotonic() - begun,
            broker_connected=mqtt.connected if mqtt else None,
            alerts_waiting=waiting,
            alerts_unwritten=gate.hub.unwritten,
            journal_failures=gate.journal.failures,
            disk_free_mib=await asyncio.to_thread(gate.spool.free_bytes) / MIB,
            disk_is_low=gate.disk_is_low,
        )

    @app.get(f"{PREFIX}/printers")
    async def printers() -> list[PrinterModel]:
        return [_printer(gate, desk) for desk in gate.desks.values()]

    @app.get(f"{PREFIX}/printers/{{printer}}")
    async def printer(desk: TheDesk) -> PrinterModel:
        return _printer(gate, desk)

    @app.post(f"{PREFIX}/printers/{{printer}}/cleared")
    async def cleared(desk: TheDesk, by: By) -> ClearedModel:
        starts = await desk.cleared(by.by)
        return ClearedModel(**_printer(gate, desk).model_dump(), starts=_job(starts) if starts else None)

    @app.post(f"{PREFIX}/printers/{{printer}}/pause")
    async def pause(desk: TheDesk, by: By) -> PrinterModel:
        await desk.pause(by.by)
        return _printer(gate, desk)

    @app.post(f"{PREFIX}/printers/{{printer}}/resume")
    async def resume(desk: TheDesk, by: By) -> PrinterModel:
        await desk.resume(by.by)
        return _printer(gate, desk)

    @app.post(f"{PREFIX}/printers/{{printer}}/stop")
    async def stop(desk: TheDesk, by: By) -> PrinterModel:
        await desk.stop(by.by)
        return _printer(gate, desk)

    @app.get(f"{PREFIX}/jobs")
    async def jobs(
        *, ended_too: Annotated[bool, Query(alias="all")] = False, limit: Annotated[int, Query(ge=1, le=1000)] = 200
    ) -> list[JobModel]:
        return [_job(job) for job in await gate.jobs(ended_too=ended_too, limit=limit)]

    @app.post(f"{PREFIX}/jobs", status_code=HTTPStatus.CREATED)
    async def submit(
        request: Request, name: Annotated[str, Query(max_length=1024)], printer: str | None = None
    ) -> JobModel:
        chosen = gate.printer_for(printer)
        spooled = await _upload(gate, request)
        return _job(await gate.accept(spooled, name=name, printer=chosen, source="upload"))

    if not over_tcp:

        @app.post(f"{PREFIX}/jobs/by-path", status_code=HTTPStatus.CREATED)
        async def submit_path(wanted: PathRequest) -> JobModel:
            chosen = gate.printer_for(wanted.printer)
            path = Path(wanted.path)
            spooled = await _guarded(gate, asyncio.to_thread(_spool_path, gate, path))
            return _job(await gate.accept(spooled, name=path.name, printer=chosen, source="path"))

    @app.get(f"{PREFIX}/jobs/{{job_id}}")
    async def job(job_id: str) -> JobDetail:
        found = await gate.job(job_id)
        record = await gate.journal.do(lambda db: store.get_record(db, job_id))
        return JobDetail(
            **job_view(found), history=await gate.history(job_id), record=json.loads(record) if record else None
        )

    @app.get(f"{PREFIX}/jobs/{{job_id}}/report")
    async def report(job_id: str) -> JSONResponse:
        return JSONResponse(await gate.report(job_id))

    @app.post(f"{PREFIX}/jobs/{{job_id}}/release")
    async def release(job_id: str, wanted: ReleaseRequest) -> JobModel:
        done = gate.release(job_id, who=wanted.by, why=wanted.reason, report_sha256=wanted.report_sha256)
        return _job(await done)

    @app.post(f"{PREFIX}/jobs/{{job_id}}/cancel")
    async def cancel(job_id: str, by: By) -> JobModel:
        return _job(await gate.cancel(job_id, who=by.by))

    @app.post(f"{PREFIX}/jobs/{{job_id}}/recheck")
    async def recheck(job_id: str, by: By) -> JobModel:
        return _job(await gate.recheck(job_id, who=by.by))

    @app.get(f"{PREFIX}/alerts")
    async def alerts(limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> list[dict[str, Any]]:
        return await gate.journal.do(lambda db: outbox.recent(db, limit))

    @app.get(f"{PREFIX}/events")
    async def events(
        after: Annotated[int, Query(ge=0)] = 0, wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 20
    ) -> EventsModel:
        found = await gate.hub.events_after(after, wait_s=wait_s)
        listed = [LiveEventModel(number=e.number, kind=e.kind, printer=e.printer, data=e.data) for e in found]
        return EventsModel(last=gate.hub.last_number if not found else found[-1].number, events=listed)

    return app


def _job(job: Job) -> JobModel:
    return JobModel(**job_view(job))


def _printer(gate: Gate, desk: Desk) -> PrinterModel:
    progress = gate.hub.states.get((desk.name, "progress"))
    current = progress if progress and desk.job and progress.get("job") == desk.job.id else None
    return PrinterModel(**desk.view(), progress=current)


async def _upload(gate: Gate, request: Request) -> Spooled:
    """Take the body of a request into the spool, piece by piece, off the loop."""
    return await _guarded(gate, _upload_pieces(gate, request))


async def _upload_pieces(gate: Gate, request: Request) -> Spooled:
    intake = await asyncio.to_thread(gate.spool.receive)
    stream = request.stream()
    with contextlib.ExitStack() as stack:
        await asyncio.to_thread(stack.enter_context, intake)
        gathered = bytearray()
        while True:
            try:
                async with asyncio.timeout(UPLOAD_SILENCE_S):
                    piece = await anext(stream, None)
            except TimeoutError:
                raise RefusedError(
                    f"nothing came for {UPLOAD_SILENCE_S:.0f} s", status=408, reason="submission-interrupted"
                ) from None
            except ClientDisconnect:
                raise RefusedError("the client went away", status=400, reason="submission-interrupted") from None
            if piece is None:
                break
            gathered += piece
            if len(gathered) >= CHUNK_BYTES:
                await asyncio.to_thread(intake.write, bytes(gathered))
                gathered.clear()
        await asyncio.to_thread(intake.write, bytes(gathered))
        return await asyncio.to_thread(intake.finish)


async def _guarded(gate: Gate, work: Awaitable[Spooled]) -> Spooled:
    try:
        return await work
    except DiskLowError as error:
        await gate.told_disk_low(error)
        raise


def _spool_path(gate: Gate, path: Path) -> Spooled:
    try:
        real = path.resolve(strict=True)  # so that no link leads out of the folders allowed
    except OSError as error:
        raise RefusedError(f"{path} can't be read: {error.strerror}") from error
    if not any(real.is_relative_to(folder.resolve()) for folder in gate.config.control.submit_from):
        raise RefusedError(
            f"{path} is in none of the folders from which jobs may be named by path ([control] submit_from): upload it",
            status=403,
        )
    if not real.is_file():
        raise RefusedError(f"{path} is not a file")
    try:
        with real.open("rb") as file:
            return gate.spool.store(iter(lambda: file.read(CHUNK_BYTES), b""))
    except OSError as error:
        if isinstance(error, GateError):
            raise
        raise RefusedError(f"{path} can't be read: {error.strerror}") from error


def _refusal(request: Request, *, over_tcp: bool, commands: bool, names: Sequence[str]) -> Response | None:
    """Refuse what a read-only or a browser's foreign request may not do."""
    changes = request.method not in {"GET", "HEAD", "OPTIONS"}
    if changes and not commands:
        return problem(403, "Read-only", "nothing can be changed over this address: [web] commands is false")
    if over_tcp:
        host = request.headers.get("host", "")
        # A page of another site that got its name to resolve to us still sends its own name as Host.
        if not _is_address(host) and host.partition(":")[0] not in {"localhost", *names}:
            return problem(421, "Misdirected", f"asked for as {host!r}, which is not one of [web] names")
        origin = request.headers.get("origin")
        if changes and origin is not None and urlsplit(origin).netloc != host:
            return problem(403, "Foreign page", f"a page of {origin!r} may not command this service")
    return None


def _is_address(host: str) -> bool:
    import ipaddress  # noqa: PLC0415 (only where TCP is on)

    name = host.rpartition(":")[0] if host.count(":") == 1 or host.startswith("[") else host
    name = name.removeprefix("[").removesuffix("]")
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _add_problems(app: FastAPI) -> None:
    @app.exception_handler(GateError)
    async def of_gate(request: Request, error: GateError) -> Response:
        return problem(error.status, error.title, error.detail, request.url.path)

    @app.exception_handler(RequestValidationError)
    async def of_request(request: Request, error: RequestValidationError) -> Response:
        wrong = "; ".join(f"{'.'.join(str(part) for part in e['loc'])}: {e['msg']}" for e in error.errors())
        return problem(422, "Wrong request", wrong, request.url.path)

    @app.exception_handler(HTTPException)
    async def of_http(request: Request, error: HTTPException) -> Response:
        return problem(error.status_code, HTTPStatus(error.status_code).phrase, str(error.detail), request.url.path)

    @app.exception_handler(Exception)
    async def of_us(request: Request, error: Exception) -> Response:
        # The last resort: a mistake of ours must reach the log whole and the client as a problem, not as a page.
        log.critical("request failed", path=request.url.path, exc_info=error)
        return problem(500, "Internal mistake", f"{type(error).__name__}; the daemon's log has more", request.url.path)


__all__ = ["PREFIX", "NotFoundError", "create_app", "problem"]
