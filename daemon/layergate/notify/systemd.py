"""Telling the service manager how we are: sd_notify(3) and sd_watchdog_enabled(3), by a datagram of our own.

Does nothing where there is no service manager. A watchdog ping is sent only while every required task has a fresh
stamp of progress, so that it proves more than a turning loop. Broker or printer down is no ill health.
"""

import asyncio
import os
import socket
import time
from collections.abc import Mapping

import structlog

log = structlog.get_logger(__name__)


def notify(**values: str) -> bool:
    """Send ``KEY=value`` lines; True if somebody listens. Errors are logged and otherwise ignored."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # abstract socket, unix(7)
    text = "\n".join(f"{key}={value}" for key, value in values.items())
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK) as channel:
            channel.sendto(text.encode(), address)
    except OSError as error:
        log.warning("service manager not told", error=str(error))
        return False
    return True


def watchdog_interval_s(environment: Mapping[str, str] = os.environ) -> float | None:
    """Give the seconds between pings, half of what the manager asks for; None if it asks for none, or not us."""
    try:
        wanted_s = int(environment["WATCHDOG_USEC"]) / 1e6
        pid = environment.get("WATCHDOG_PID")
        if wanted_s <= 0 or (pid and int(pid) != os.getpid()):
            return None
    except (KeyError, ValueError):
        return None
    return wanted_s / 2


class Stamps:
    """When each required task last got on, by the monotonic clock."""

    def __init__(self, fresh_s: float = 30.0) -> None:
        self.fresh_s = fresh_s
        self._at: dict[str, float] = {}

    def stamp(self, task: str) -> None:
        self._at[task] = time.monotonic()

    def forget(self, task: str) -> None:
        self._at.pop(task, None)

    def stale(self) -> list[str]:
        """Name the tasks that did not get on lately."""
        limit = time.monotonic() - self.fresh_s
        return sorted(task for task, at in self._at.items() if at < limit)


async def watchdog(stamps: Stamps) -> None:
    """Ping the service manager for as long as all is well; for ever."""
    interval_s = watchdog_interval_s()
    was_stale: list[str] = []
    while True:
        await asyncio.sleep(interval_s or stamps.fresh_s / 2)
        stale = stamps.stale()
        if stale and stale != was_stale:
            log.error("tasks hang, watchdog not pinged", tasks=stale)
            notify(STATUS=f"hanging: {', '.join(stale)}")
        was_stale = stale
        if not stale and interval_s:
            notify(WATCHDOG="1")
