"""Bytes from a forked process to the one that forked it, through memory that both share.

A pipe would do the same, but by the way in which it wakes its ends Linux takes them to be at work in turns, and puts them on
one core: measured, two processes then took as long as one. How much was written, and how much room was given back, travels as
the counts of two eventfd(2), whose calls also order the accesses to the memory. Knows nothing of the bytes.
"""

import mmap
import os
import select
from typing import Any

SIZE_BYTES = 8 * 1024 * 1024


class EndedError(EOFError):
    """The other process is gone and nothing is left to read."""


class SharedRing:
    """Made before the fork; then ``write`` and ``flush`` are the forked process's, ``read`` is the other's."""

    def __init__(self, size_bytes: int = SIZE_BYTES) -> None:
        self._map = mmap.mmap(-1, size_bytes)
        self._memory = memoryview(self._map)
        self._written, self._room = os.eventfd(0), os.eventfd(0)
        self._alive, self._life = os.pipe()  # closed by the kernel when the writer ends, whatever ends it
        self._at = 0
        self._count = 0
        """Of the writer: bytes of room that it knows of; of the reader: bytes to be read that it knows of."""
        self._untold = 0
        """Bytes written or read that the other side was not told of yet."""

    def become_writer(self) -> None:
        """Be the forked process's end."""
        os.close(self._alive)
        self._alive = -1
        self._count = len(self._memory)

    def become_reader(self) -> None:
        """Be the other end."""
        os.close(self._life)
        self._life = -1

    def write(self, data: Any) -> None:
        """Write bytes, waiting for room as long as it takes; ``flush`` tells the reader."""
        view = memoryview(data)
        while view:
            if not self._count:
                self.flush()
                self._count = os.eventfd_read(self._room)
            size = min(len(view), self._count, len(self._memory) - self._at)
            self._memory[self._at : self._at + size] = view[:size]
            self._move(size)
            view = view[size:]

    def flush(self) -> None:
        """Tell the reader of what was written."""
        if self._untold:
            os.eventfd_write(self._written, self._untold)
            self._untold = 0

    def read(self, size: int) -> bytearray:
        """Read so many bytes, waiting for them as long as the writer lives.

        Raises:
            EndedError: it is gone.
        """
        data = bytearray()
        while len(data) < size:
            if not self._count:
                self._await_data()
            part = min(size - len(data), self._count, len(self._memory) - self._at)
            data += self._memory[self._at : self._at + part]
            self._move(part)
        return data

    def close(self) -> None:
        """Give back what this end holds."""
        for descriptor in (self._written, self._room, self._alive, self._life):
            if descriptor >= 0:
                os.close(descriptor)
        self._written = self._room = self._alive = self._life = -1
        self._memory.release()
        self._map.close()

    def _move(self, size: int) -> None:
        self._at = (self._at + size) % len(self._memory)
        self._count -= size
        self._untold += size

    def _await_data(self) -> None:
        if self._untold:
            os.eventfd_write(self._room, self._untold)
            self._untold = 0
        poll = select.poll()
        poll.register(self._written, select.POLLIN)
        poll.register(self._alive, select.POLLIN)
        if all(descriptor == self._alive for descriptor, _ in poll.poll()):
            raise EndedError("the writer is gone")
        self._count = os.eventfd_read(self._written)
