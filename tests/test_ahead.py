"""Items made in another process: the same items, the same errors, and nothing left behind, however either side ends."""

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import numpy as np
import pytest

from layergate.ahead import made_ahead
from layergate.gcode.blocks import UnreadableJobError

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux") or len(os.sched_getaffinity(0)) < 2, reason="all is made here on one core"
)
DEADLINE_S = 10.0


def pids(count: int) -> Generator[int, None, None]:
    """Say for each item which process made it."""
    for _ in range(count):
        yield os.getpid()


def drained(items: Iterator[int]) -> tuple[list[int], BaseException | None]:
    """Take all items; give them, and what was raised then."""
    found: list[int] = []
    try:
        for item in items:
            found.append(item)  # noqa: PERF402 a copy would lose what came before the error
    except BaseException as error:
        return found, error
    return found, None


def children() -> set[int]:
    return {int(pid) for pid in Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()}


@pytest.fixture(autouse=True)
def _nothing_is_left() -> Iterator[None]:
    before, files = children(), len(os.listdir("/proc/self/fd"))
    yield
    assert children() <= before
    assert len(os.listdir("/proc/self/fd")) == files


@pytest.mark.parametrize("here_first", [0, 1, 3])
@pytest.mark.parametrize("count", [0, 1, 3, 4, 50])
def test_the_items_are_the_same_and_the_first_are_made_here(count: int, here_first: int) -> None:
    """All items in order; after the first few, another process has made them."""
    assert list(made_ahead(iter(range(count)), here_first)) == list(range(count))
    makers = list(made_ahead(pids(count), here_first))
    assert set(makers[:here_first]) <= {os.getpid()}
    assert os.getpid() not in makers[here_first:]
    assert len(set(makers[here_first:])) <= 1


def test_arrays_come_through_bit_by_bit() -> None:
    """Large and empty arrays of several types, views with gaps, NaN with any payload; they can be written to."""
    rng = np.random.default_rng(1)
    items = [
        {"a": rng.bytes(size), "b": rng.integers(0, 2**63, size).view(np.float64), "c": rng.random((size, 3))[::2, 1]}
        for size in (0, 1, 1000, 300_000)
    ]
    for given, found in zip(items, made_ahead(iter(items), 0), strict=True):
        assert given["a"] == found["a"]
        for name in "bc":
            ours, theirs = np.asarray(given[name]), np.asarray(found[name])
            assert ours.dtype == theirs.dtype
            assert ours.tobytes() == theirs.tobytes()
            assert theirs.flags.writeable


class _UnpicklableError(Exception):
    def __reduce__(self) -> str:
        raise TypeError("no")


@pytest.mark.parametrize(
    ("error", "seen"),
    [
        (UnreadableJobError("line 7 is odd"), UnreadableJobError),
        (OSError(5, "Input/output error"), OSError),
        (KeyboardInterrupt(), KeyboardInterrupt),
        (_UnpicklableError("words"), RuntimeError),
    ],
)
def test_what_goes_wrong_there_is_raised_here(error: BaseException, seen: type[BaseException]) -> None:
    """After the items that were made before it; one that can't travel is told in words."""

    def failing() -> Iterator[int]:
        yield from range(5)
        raise error

    found, raised = drained(made_ahead(failing(), 2))
    assert found == list(range(5))
    assert isinstance(raised, seen)
    assert all(word in str(raised) for word in map(str, error.args))
    if isinstance(error, OSError):
        assert isinstance(raised, OSError)
        assert raised.errno == error.errno


@pytest.mark.timeout(DEADLINE_S)
@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGTERM])
def test_a_killed_maker_is_an_error_and_no_end(sign: signal.Signals) -> None:
    """Out of memory, say: what was made so far is given, then it is told how the process ended."""

    def dying() -> Iterator[int]:
        yield from range(4)
        os.kill(os.getpid(), sign)

    found, raised = drained(made_ahead(dying(), 0))
    assert found == list(range(4))
    assert isinstance(raised, ChildProcessError)
    assert sign.name in str(raised)


@pytest.mark.timeout(DEADLINE_S)
@pytest.mark.parametrize("leave", [lambda items: items.close(), lambda items: None], ids=["closed", "forgotten"])
def test_whoever_takes_no_more_ends_the_maker(leave: Callable[[Generator[int, None, None]], None]) -> None:
    """An endless maker, left in mid-job: it is gone when the iterator is."""

    def endless() -> Iterator[int]:
        while True:
            yield os.getpid()

    items = made_ahead(endless(), 0)
    maker = next(items)
    leave(items)
    del items
    with pytest.raises(ProcessLookupError):
        os.kill(maker, 0)


@pytest.mark.timeout(2 * DEADLINE_S)
@pytest.mark.parametrize("wait", ["sys.stdin.read()", "time.sleep(3600)"])
def test_a_maker_ends_with_the_process_that_it_works_for(wait: str) -> None:
    """Killed without a chance to say so, while the maker waits for something that never comes: no orphan."""
    program = f"""
        import os, sys, time
        from layergate.ahead import made_ahead
        def items():
            yield os.getpid()
            {wait}
            yield 0
        for item in made_ahead(items(), 0):
            print(item, flush=True)
    """
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        maker = int(process.stdout.readline())
        process.kill()
        end = time.monotonic() + DEADLINE_S
        while Path(f"/proc/{maker}/stat").exists() and _state(maker) != "Z":
            assert time.monotonic() < end, "the maker outlived the process that it worked for"
            time.sleep(0.01)


def _state(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1][0]
    except OSError:
        return "Z"


def test_beside_other_threads_all_is_made_here() -> None:
    """A fork would leave them in mid-step."""
    done = threading.Event()
    thread = threading.Thread(target=done.wait, args=(DEADLINE_S,))
    thread.start()
    try:
        assert set(made_ahead(pids(9), 2)) == {os.getpid()}
    finally:
        done.set()
        thread.join()


def test_with_one_core_all_is_made_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two processes on one core only get in each other's way."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0})
    assert set(made_ahead(pids(9), 2)) == {os.getpid()}


@pytest.mark.parametrize("lacking", ["fork", "eventfd"])
def test_without_a_process_to_spare_all_is_made_here(lacking: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full process table or no memory costs time, and no item."""

    def fails(*_: object) -> int:
        raise OSError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(os, lacking, fails)
    assert list(made_ahead(pids(9), 2)) == [os.getpid()] * 9
