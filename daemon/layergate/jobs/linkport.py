"""What a desk asks of a printer's link process, and nothing more: the seam at which tests put a link of their own."""

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, Protocol

from layergate.jobs.errors import LinkError
from layergate.link.messages import Event


class LinkRefusedError(LinkError):
    """The link process is there and says no; nothing was done."""

    status = 409
    title = "Refused by the link"


class LinkPort(Protocol):
    """A connection to one link process."""

    async def command(self, do: str, **members: Any) -> dict[str, Any]:
        """Send a command and give its answer. Raises LinkRefusedError for a no, LinkError where none came."""

    def events(self, after: int) -> AsyncIterator[Event]:
        """Give every event numbered above ``after``, then those to come. Raises LinkError when the process is gone."""

    async def close(self) -> None:
        """Leave; the link process and its run go on."""


LinkOpener = Callable[[], Awaitable[LinkPort]]
"""Reaches the link process of a printer, starting it where there is none. Raises LinkError."""
