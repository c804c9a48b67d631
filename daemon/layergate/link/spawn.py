"""How the service starts a link process: by exec, in a session of its own, without inherited descriptors, so that it
survives the service. Standard library only.
"""

import asyncio
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import IO

from layergate.link.client import LinkClient

START_S = 15.0
"""Starting Python takes 1-2 s on the smallest computers."""
ATTEMPT_S = 0.05


class LinkNotStarted(OSError):  # noqa: N818
    """The link process ended, or did not answer in time; the text says which."""


def link_command(
    *,
    name: str,
    device: str,
    socket: Path,
    baud: int = 115200,
    ring_bytes: int | None = None,
    numbered: bool = True,
    reset_on_open: str = "keep",
    actions: Sequence[str] = ("pause", "paused", "resume", "resumed", "cancel"),
    emergency_parser: bool | None = None,
    position_witness: bool = False,
    paused_limit_s: float | None = None,
    boot_wait_s: float | None = None,
) -> list[str]:
    """Give the command line of a link process."""
    command = [sys.executable, "-m", "layergate.link", "--name", name, "--device", device, "--baud", str(baud)]
    command += ["--socket", str(socket), "--reset-on-open", reset_on_open, "--actions", ",".join(actions)]
    if ring_bytes is not None:
        command += ["--ring", str(ring_bytes)]
    if not numbered:
        command.append("--no-line-numbers")
    if emergency_parser is not None:
        command += ["--emergency-parser", "yes" if emergency_parser else "no"]
    if boot_wait_s is not None:
        command += ["--boot-wait", str(boot_wait_s)]
    if paused_limit_s is not None:
        command += ["--paused-limit", str(paused_limit_s)]
    if position_witness:
        command.append("--position-witness")
    return command


async def ensure_link(command: Sequence[str], socket: Path, log: IO[bytes] | None = None) -> LinkClient:
    """Connect to the link process of a socket; start it if none runs.

    Args:
        command: see `link_command`.
        log: where its log lines go; None: where ours go.

    Raises:
        LinkNotStarted: it ended at once or did not answer.
    """
    client = LinkClient(socket)
    try:
        await client.connect()
    except OSError:
        pass  # none runs, or only its socket is left
    else:
        return client
    # Popen, not asyncio's: nobody waits for this child, it is to outlive us.
    process = await asyncio.get_running_loop().run_in_executor(None, _spawn, list(command), log)
    try:
        async with asyncio.timeout(START_S):
            while True:
                client = LinkClient(socket)
                try:
                    await client.connect()
                except OSError:
                    if (code := process.poll()) is not None:
                        raise LinkNotStarted(f"the link process ended at once with code {code}: see its log") from None
                    await asyncio.sleep(ATTEMPT_S)
                else:
                    process.returncode = 0  # it is not ours to wait for (and no warning when this handle goes)
                    return client
    except TimeoutError:
        process.kill()
        raise LinkNotStarted(f"the link process did not answer within {START_S:.0f} s") from None


def _spawn(command: list[str], log: IO[bytes] | None) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(  # noqa: S603  (our own command line)
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=log,
        close_fds=True,
        start_new_session=True,
    )
