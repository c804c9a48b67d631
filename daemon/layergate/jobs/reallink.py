"""Reaching a printer's real link process: started where there is none, found again where it went on without us.

Translates between the desk's words and layergate.link's client, and knows neither jobs nor states.
"""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from layergate.config import PrinterConfig
from layergate.jobs.errors import LinkError
from layergate.jobs.linkport import LinkOpener, LinkPort, LinkRefusedError
from layergate.link.client import LinkClient, LinkLost, LinkRefused
from layergate.link.messages import Event
from layergate.link.spawn import ensure_link, link_command
from layergate.printer import UNSTATED, load_description
from layergate.tomlfile import TomlFileError


class RealLink:
    """A connection to a link process; see layergate.jobs.linkport.LinkPort."""

    def __init__(self, client: LinkClient) -> None:
        self._client = client

    async def command(self, do: str, **members: Any) -> dict[str, Any]:
        client = self._client
        try:
            match do:
                case "status":
                    return await client.status()
                case "start":
                    await client.start(members["run"], Path(members["job"]), Path(members["index"]))
                case "pause":
                    await client.pause()
                case "resume":
                    await client.resume()
                case "cancel":
                    await client.cancel(**members)
                case "stop":
                    await client.stop()
                case "quit":
                    await client.quit()
                case _:
                    raise ValueError(f"not a command of a link: {do}")
        except LinkRefused as error:
            raise LinkRefusedError(error.error) from error
        except OSError as error:  # LinkLost too
            raise LinkError(str(error)) from error
        return {}

    async def events(self, after: int) -> AsyncIterator[Event]:
        try:
            async for event in self._client.events(after):
                yield event
        except LinkLost as error:
            raise LinkError(error.reason) from error

    async def close(self) -> None:
        await self._client.close()


def opener(name: str, printer: PrinterConfig, path: Path) -> LinkOpener:
    """Give the function that reaches the link process of a printer."""

    async def open_link() -> LinkPort:
        try:
            description = (
                await asyncio.to_thread(load_description, printer.description) if printer.description else UNSTATED
            )
        except TomlFileError as error:
            raise LinkError(f"the printer description can't be used: {'; '.join(error.problems)}") from error
        dialect = description.printer.dialect
        command = link_command(
            name=name,
            device=printer.device,
            socket=path,
            baud=printer.baud,
            ring_bytes=printer.ring_bytes,
            numbered=dialect.line_numbers,
            reset_on_open=printer.reset_on_open,
            position_witness=printer.position_witness,
            paused_limit_s=printer.paused_limit_s,
            emergency_parser=dialect.emergency_parser,
        )
        try:
            await asyncio.to_thread(path.parent.mkdir, parents=True, exist_ok=True)
            return RealLink(await ensure_link(command, path))
        except OSError as error:
            raise LinkError(f"the link process of {name} is not reached: {error}") from error

    return open_link
