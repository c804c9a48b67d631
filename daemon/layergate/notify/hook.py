"""The hook: a command of the owner's that gets every alert as JSON on standard input.

One at a time, limited in time, never through a shell, and never in anyone's way: a full queue drops and counts. When the
service ends, what is queued gets a short while more (`finish`); what did not get out is logged by name.
"""

import asyncio
import contextlib
import json

import structlog

from layergate.config import HookConfig
from layergate.notify.alerts import Alert

log = structlog.get_logger(__name__)

LONGEST_QUEUE = 100


class Hook:
    """Runs the command for alerts.

    Attributes:
        failures: runs that failed or took too long.
        dropped: alerts for which there was no room in the queue.
    """

    def __init__(self, config: HookConfig) -> None:
        self.config = config
        self.failures = 0
        self.dropped = 0
        self._queue: asyncio.Queue[Alert] = asyncio.Queue(LONGEST_QUEUE)
        self._calling: Alert | None = None

    def put(self, alert: Alert) -> None:
        """Take an alert, at once."""
        if self.config.alerts and alert.name not in self.config.alerts:
            return
        try:
            self._queue.put_nowait(alert)
        except asyncio.QueueFull:
            self.dropped += 1
            log.warning("hook too slow, alert dropped", alert=alert.name, dropped=self.dropped)

    async def run(self) -> None:
        """Serve the queue for ever."""
        try:
            while True:
                self._calling = alert = await self._queue.get()
                problem = await self._call(alert)
                self._calling = None
                self._queue.task_done()
                if problem:
                    self.failures += 1
                    log.warning("hook failed", alert=alert.name, problem=problem, failures=self.failures)
        finally:
            self._tell_left()

    async def finish(self) -> None:
        """Return when the command has had all that is queued."""
        await self._queue.join()

    def _tell_left(self) -> None:
        if self._calling is not None:
            log.warning("hook was ended with the service", alert=self._calling.name, id=self._calling.id)
        while not self._queue.empty():
            alert = self._queue.get_nowait()
            log.warning("alert not given to the hook: the service ends", alert=alert.name, id=alert.id, text=alert.text)

    async def _call(self, alert: Alert) -> str | None:
        body = json.dumps(alert.as_dict()).encode() + b"\n"
        try:
            process = await asyncio.create_subprocess_exec(
                *self.config.command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.DEVNULL,
            )
        except OSError as error:
            return f"can't be started: {error}"
        try:
            async with asyncio.timeout(self.config.timeout_s):
                await process.communicate(body)
        except TimeoutError:
            return f"took longer than {self.config.timeout_s:g} s and was ended"
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        return f"ended with {process.returncode}" if process.returncode else None
