"""Serve one printer on a port of the loopback interface until SIGTERM."""

import asyncio
import os
import signal
import sys

from tests.link.counterpart.options import options
from tests.link.counterpart.port import Printer


async def main() -> None:
    """Say the port, then be a printer."""
    chosen = options()
    printer = Printer(chosen)
    server = await asyncio.start_server(printer.serve, "127.0.0.1", chosen.port)
    print(server.sockets[0].getsockname()[1], flush=True)
    clock = asyncio.create_task(printer.clock())
    done = asyncio.Event()
    for which in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(which, done.set)
    await done.wait()
    clock.cancel()
    sys.stdout.flush()
    os._exit(0)  # whatever still waits for somebody is of no interest any more


asyncio.run(main())
