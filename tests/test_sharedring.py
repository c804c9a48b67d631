"""The shared ring between a process and its fork: every byte once and in order, whatever the sizes, and an end that is seen."""

import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from layergate.sharedring import EndedError, SharedRing

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "eventfd"), reason="a ring is made on Linux only"),
    pytest.mark.timeout(30),
]


@contextmanager
def written_by_a_fork(write: Callable[[SharedRing], None], size_bytes: int) -> Iterator[SharedRing]:
    """Give the reader's end of a ring that a fork writes to, which then ends without a word."""
    ring = SharedRing(size_bytes)
    child = os.fork()
    if not child:
        try:
            ring.become_writer()
            write(ring)
        finally:
            os._exit(0)
    ring.become_reader()
    try:
        yield ring
    finally:
        ring.close()
        os.waitpid(child, 0)


@pytest.mark.parametrize("size_bytes", [1, 7, 64, 4096, 100_000])
def test_every_byte_comes_once_and_in_order(size_bytes: int) -> None:
    """Written and read in differing random portions, many times around a ring smaller and larger than they are."""
    rng = random.Random(size_bytes)
    data = rng.randbytes(min(50_000, 2000 * size_bytes))

    def write(ring: SharedRing) -> None:
        at = 0
        while at < len(data):
            size = rng.choice((0, 1, 3, 50, 5000))
            ring.write(data[at : at + size])
            at += size
            if rng.random() < 0.5:
                ring.flush()
        ring.flush()

    other = random.Random(-size_bytes)
    found = b""
    with written_by_a_fork(write, size_bytes) as ring:
        while len(found) < len(data):
            found += ring.read(min(other.choice((0, 1, 2, 77, 3000)), len(data) - len(found)))
        assert found == data
        with pytest.raises(EndedError):
            ring.read(1)


def test_what_was_told_before_the_end_is_read() -> None:
    """The writer is gone for long: what it flushed is there, what it did not is not, and then the end is told."""

    def write(ring: SharedRing) -> None:
        ring.write(b"told")
        ring.flush()
        ring.write(b"untold")

    with written_by_a_fork(write, 4096) as ring:
        assert ring.read(2) == b"to"
        assert ring.read(2) == b"ld"
        with pytest.raises(EndedError):
            ring.read(1)


def test_nothing_stays_open() -> None:
    """Closing gives every descriptor back."""
    before = os.listdir("/proc/self/fd")
    with written_by_a_fork(lambda ring: ring.flush(), 64):
        pass
    assert os.listdir("/proc/self/fd") == before
