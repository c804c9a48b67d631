"""Reaching a printer's real link process: started where there is none, found again where it went on without us."""

from pathlib import Path

from layergate.config import PrinterConfig
from layergate.jobs.errors import LinkError
from layergate.jobs.linkport import LinkOpener, LinkPort


def opener(name: str, printer: PrinterConfig, path: Path) -> LinkOpener:
    """Give the function that reaches the link process of a printer."""

    async def open_link() -> LinkPort:
        # The link's own side is being built; until its client is there, nothing can be printed.
        raise LinkError(f"{name}: the link to {printer.device} by {path} is not built yet")

    return open_link
