"""Running a service within a test, and talking to it as clients do."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

from tests.service.parts import FakeLink, until

from layergate.cli.client_http import Client
from layergate.config import Config
from layergate.service import Service


@contextlib.asynccontextmanager
async def serving(config: Config, link: FakeLink) -> AsyncIterator[tuple[Service, "Talk"]]:
    """Run a service in this loop until the block ends."""
    service = Service(config, opener_for=link.opener)
    task = asyncio.create_task(service.run())
    try:
        await until(lambda: service.ready.is_set() or task.done(), "ready")
        if task.done():
            task.result()
        yield service, Talk(Client(config.control_socket()))
    finally:
        service.stop("test ends")
        async with asyncio.timeout(20):
            await task


class Talk:
    """The client's calls, off the loop."""

    def __init__(self, client: Client) -> None:
        self.client = client

    async def get(self, *parts: str, **query: Any) -> Any:
        return await asyncio.to_thread(self.client.get, *parts, **query)

    async def post(self, *parts: str, **body: Any) -> Any:
        return await asyncio.to_thread(self.client.post, *parts, body=body)

    async def submit(self, data: bytes, name: str = "bollard-cap.gcode", **query: Any) -> str:
        answer = await asyncio.to_thread(self.client.upload, "jobs", chunks=[data], name=name, **query)
        return str(answer["id"])

    async def situation(self, job: str) -> str:
        return str((await self.get("jobs", job))["situation"])

    async def reaches(self, job: str, wanted: str) -> dict[str, Any]:
        """Wait until a job is in a situation, and give the job."""
        last = ""

        async def there() -> dict[str, Any] | None:
            nonlocal last
            found: dict[str, Any] = await self.get("jobs", job)
            last = f"{found['situation']}: {found['message']}"
            return found if found["situation"] == wanted else None

        try:
            found: dict[str, Any] = await until(there, f"{job} {wanted}", 10)
        except AssertionError as error:
            raise AssertionError(f"{error}; it is {last}") from None
        return found

    async def alerts(self) -> list[str]:
        return [alert["name"] for alert in await self.get("alerts")]

    async def clear(self, printer: str = "quay") -> None:
        await self.post("printers", printer, "cleared", by="Maren")
