"""The service with a link in memory and a worker of the tests: what people and sources see."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from tests.service.parts import FakeLink, job_bytes, make_config, until

from layergate.cli.client_http import Client
from layergate.config import Config
from layergate.service import Service


@contextlib.asynccontextmanager
async def serving(config: Config, link: FakeLink) -> AsyncIterator[tuple[Service, Client]]:
    """Run a service in this loop until the block ends."""
    service = Service(config, opener_for=link.opener)
    task = asyncio.create_task(service.run())
    client = Client(config.control_socket())
    try:
        await until(lambda: config.control_socket().is_socket() or task.done(), "control socket")
        yield service, client
    finally:
        service.stop("test ends")
        async with asyncio.timeout(20):
            await task


async def ask(call: Any, *args: Any, **kwargs: Any) -> Any:
    return await asyncio.to_thread(call, *args, **kwargs)


async def submit(client: Client, data: bytes, name: str = "bollard-cap.gcode") -> str:
    answer = await ask(client.upload, "jobs", chunks=[data], name=name)
    return str(answer["id"])


async def situation(client: Client, job: str) -> str:
    return str((await ask(client.get, "jobs", job))["situation"])


async def reaches(client: Client, job: str, wanted: str) -> None:
    async def there() -> bool:
        return await situation(client, job) == wanted

    await until(there, f"{job} {wanted}")


async def test_a_clear_job_waits_for_the_bed_and_is_then_printed_to_its_last_layer(tmp_path: Path) -> None:
    """A clear job is queued, starts only after somebody confirmed the bed, and ends completed with a record."""
    link = FakeLink(prints=True)
    async with serving(make_config(tmp_path), link) as (service, client):
        job = await submit(client, job_bytes())
        await reaches(client, job, "queued")
        (printer,) = await ask(client.get, "printers")
        assert printer["state"] == "stopped"
        assert printer["reasons"] == ["output-area-full"]  # RFC 8011 section 5.4.12
        assert not any(command["do"] == "start" for command in link.commands)
        await ask(client.post, "printers", "quay", "cleared", body={"by": "Maren"})
        await reaches(client, job, "completed")
        found = await ask(client.get, "jobs", job)
        assert (found["state"], found["reasons"]) == ("completed", ["job-completed-successfully"])
        assert (found["layer"], found["layers"]) == (5, 5)
        assert found["record"]["layers"][0] == {
            "layer": 1, "z_mm": 0.2, "planned_s": 2.2, "actual_s": 0.5, "filament_mm": 1.0,
        }  # fmt: skip
        assert service.hub.states["quay", "progress"]["layer"] == 5
        assert (await ask(client.get, "printers", "quay"))["needs_clearing"]
        names = [alert["name"] for alert in await ask(client.get, "alerts")]
        assert names == ["waiting-for-person", "completed", "needs-clearing"]
