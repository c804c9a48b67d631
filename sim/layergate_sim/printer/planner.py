"""Motion planning over a short queue: trapezoids, look-ahead, junction deviation (facts 4).

Blocks in, times out. Refuses to know axes' names, positions in work coordinates, or commands. All in mm and printer
seconds. Blocks come to rest at the end of what is queued, so a starved planner really loses time.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import Any


class Block:
    """One straight piece of motion. `cap2` is the square of the highest speed at its start, `ad2` is 2 a d."""

    __slots__ = ("accel", "ad2", "cap2", "distance", "done", "end", "speed", "unit")

    def __init__(
        self, distance: float, speed: float, accel: float, unit: tuple[float, float, float] | None, done: Any
    ) -> None:
        self.distance = distance  # mm
        self.speed = speed  # mm/s, cruise
        self.accel = accel  # mm/s2
        self.unit = unit  # direction in XYZ; None for a move of the extruder alone
        self.done = done  # handed to the owner when the block has been run
        self.ad2 = 2.0 * accel * distance
        self.cap2 = 0.0
        self.end = 0.0


def junction_speed2(cos_between: float, accel: float, deviation_mm: float) -> float:
    """Square of the corner speed, from the cosine between the two directions of travel (1 straight, -1 reversal).

    R = delta s / (1 - s), s = sin(theta/2) with theta the interior angle, v^2 = a R (facts 4).
    """
    if cos_between >= 1.0 - 1e-9:
        return math.inf
    if cos_between <= -1.0 + 1e-9:
        return 0.0
    s = math.sqrt(0.5 * (1.0 + cos_between))
    return accel * deviation_mm * s / (1.0 - s)


def block_seconds(distance: float, v0: float, v1: float, speed: float, accel: float) -> float:
    """Time of one trapezoid or triangle (facts 4). Speeds must be reachable: |v1^2 - v0^2| <= 2 a d."""
    peak2 = accel * distance + 0.5 * (v0 * v0 + v1 * v1)
    if peak2 <= speed * speed:
        peak = math.sqrt(peak2)
        return (2.0 * peak - v0 - v1) / accel
    ramps = (speed * speed - 0.5 * (v0 * v0 + v1 * v1)) / accel
    return (2.0 * speed - v0 - v1) / accel + (distance - ramps) / speed


class Planner:
    """A queue of at most `size` blocks, the running one included. `on_done(block.done, t)` follows each block's end."""

    __slots__ = (
        "_exit_speed",
        "_on_done",
        "_starts_at",
        "blocks_run",
        "chord_limit",
        "current",
        "deviation_mm",
        "motion_s",
        "queue",
        "rests",
        "size",
        "start_delay_s",
        "tail",
    )

    def __init__(
        self, size: int, deviation_mm: float, start_delay_s: float, on_done: Callable[[Any, float], None]
    ) -> None:
        self.size = size
        self.deviation_mm = deviation_mm
        self.chord_limit = False
        self.start_delay_s = start_delay_s
        self.queue: deque[Block] = deque()
        self.current: Block | None = None
        self.tail: Block | None = None  # the newest block, for the junction with the next
        self.motion_s = 0.0
        self.blocks_run = 0
        self.rests = 0  # how often motion came to rest because nothing was queued: starved, or asked to drain
        self._exit_speed = 0.0
        self._starts_at = math.inf
        self._on_done = on_done

    def __len__(self) -> int:
        return len(self.queue) + (self.current is not None)

    @property
    def full(self) -> bool:
        """True when no further block fits."""
        return len(self.queue) + (self.current is not None) >= self.size

    def add(self, block: Block, t: float) -> None:
        """Queue one block at time t. The caller has checked that there is room."""
        tail = self.tail
        if tail is not None and tail.unit is not None and block.unit is not None:
            (ax, ay, az), (bx, by, bz) = tail.unit, block.unit
            cos = ax * bx + ay * by + az * bz
            cap2 = junction_speed2(cos, min(tail.accel, block.accel), self.deviation_mm)
            if self.chord_limit and block.distance < 1.0 and 0.7071 < cos < 1.0 - 1e-9:
                cap2 = min(cap2, block.accel * block.distance / math.acos(cos))
            block.cap2 = min(cap2, tail.speed * tail.speed, block.speed * block.speed)
        # Between a move and a stroke of the extruder alone the machine stops: cap2 stays 0.
        self.tail = block
        if self.current is None and not self.queue:
            self._starts_at = t + self.start_delay_s
        self.queue.append(block)

    def next_event(self) -> float:
        """Printer time of the next start or end of a block; inf when there is none."""
        if self.current is not None:
            return self.current.end
        return self._starts_at if self.queue else math.inf

    def hurry(self, t: float) -> None:
        """Start now what waits for company: the queue is full, or somebody waits for it to drain."""
        if self.current is None and self.queue:
            self._starts_at = min(self._starts_at, t)

    def _start(self, t: float) -> None:
        block = self.queue.popleft()
        v0 = self._exit_speed
        # Highest speed at the end of this block from which everything queued can still be obeyed, with rest at the end:
        # the running minimum of (corner cap + braking length so far); it can stop as soon as braking alone exceeds it.
        best = math.inf
        braking = 0.0
        for later in self.queue:
            bound = later.cap2 + braking
            best = min(best, bound)
            braking += later.ad2
            if braking >= best:
                break
        else:
            best = min(best, braking)
        v1 = math.sqrt(min(best, v0 * v0 + block.ad2))
        seconds = block_seconds(block.distance, v0, v1, block.speed, block.accel)
        self._exit_speed = v1
        self.motion_s += seconds
        block.end = t + seconds
        self.current = block

    def advance(self, t: float) -> bool:
        """Run starts and ends due up to time t, in order. True when at least one block ended."""
        ended = False
        while True:
            if self.current is None:
                if not self.queue or self._starts_at > t:
                    return ended
                self._start(self._starts_at)
                continue
            if self.current.end > t:
                return ended
            block, self.current = self.current, None
            ended = True
            self.blocks_run += 1
            if self.queue:
                self._start(block.end)
            else:
                self.rests += 1
                self.tail = None
                self._exit_speed = 0.0
                self._starts_at = math.inf
            self._on_done(block.done, block.end)

    def run_one(self, t: float) -> float:
        """Run one block to its end now, whatever its time (for a clock that may jump); returns its end."""
        if self.current is None:
            self._start(t)
        assert self.current is not None
        end = max(self.current.end, t)
        self.advance(self.current.end)
        return end

    def abandon(self) -> int:
        """Forget everything queued or running; the number of blocks lost."""
        lost = len(self)
        self.queue.clear()
        self.current = None
        self.tail = None
        self._exit_speed = 0.0
        self._starts_at = math.inf
        return lost
