"""Figures of the link process: ``python -m tests.link.bench`` prints lines/s over TCP, memory, and CPU at 115,200 baud.

A command, not part of the suite. The peer is a process of its own that does as little as it can: it splits lines and
acknowledges each, paced like a wire where a baud rate is given. With a C compiler at hand it is bench_peer.c, else the
same in Python, which then takes as long for a line as the link does: the first line printed says which.

The reference of the same run is a loop that sends a line and waits for the answer, in a blocking socket, and does nothing
else: on a machine at rest it is bound by how long the kernel takes to wake two sleeping processes.
"""

import asyncio
import contextlib
import multiprocessing
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.link.hosts import link_process
from tests.link.jobs import hose_bracket, index_of, write_job

TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def serve(listener: socket.socket, baud: int) -> None:
    """Acknowledge every line of one connection; with a baud rate, no faster than 8N1 carries it."""
    connection, _ = listener.accept()
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    rest = b""
    due = time.monotonic()
    while data := connection.recv(65536):
        if baud:
            due = max(due, time.monotonic()) + 10 * len(data) / baud
            time.sleep(max(0.0, due - time.monotonic()))
        *lines, rest = (rest + data).split(b"\n")
        reply = b"".join(b"ok T:20 /0 B:20 /0\n" if b"M105*" in line else b"ok\n" for line in lines if line)
        if reply:
            connection.sendall(reply)


def compiled(folder: Path) -> Path | None:
    """Give the peer in C; None where there is no compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        return None
    program = folder / "bench_peer"
    subprocess.run([compiler, "-O2", "-o", program, Path(__file__).with_name("bench_peer.c")], check=True, timeout=60)
    return program


@contextlib.contextmanager
def peer(listener: socket.socket, baud: int, program: Path | None) -> Iterator[None]:
    """A printer behind a listening socket, until the block ends."""
    if program is None:
        process = multiprocessing.get_context("fork").Process(target=serve, args=(listener, baud), daemon=True)
        process.start()
        try:
            yield
        finally:
            process.terminate()
            process.join()
        return
    descriptor = listener.fileno()
    with subprocess.Popen([program, str(descriptor), str(baud)], pass_fds=[descriptor]) as process_c:
        try:
            yield
        finally:
            process_c.terminate()


def cpu_s(pid: int) -> float:
    """Processor seconds that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def memory_mib(pid: int) -> tuple[float, float, float]:
    """Give resident, highest resident and proportional memory."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    rollup = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()[1:])
    figures = status["VmRSS"], status["VmHWM"], rollup["Pss"]
    return tuple(int(figure.split()[0]) / 1024 for figure in figures)  # type: ignore[return-value]


def plain_loop(program: Path | None, lines: int) -> float:
    """Give the lines a second of the reference: one line out, one answer in, nothing else."""
    with (
        socket.create_server(("127.0.0.1", 0)) as listener,
        peer(listener, 0, program),
        socket.create_connection(listener.getsockname(), timeout=10) as connection,
    ):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        begun = time.monotonic()
        for _ in range(lines):
            connection.sendall(b"N12345 G1 X100.123 Y100.123*99\n")
            connection.recv(4096)
        return lines / (time.monotonic() - begun)


async def trial(program: Path | None, lines: int, baud: int, *options: str, block_bytes: int = 65536) -> None:
    """Stream a job and print the figures."""
    with tempfile.TemporaryDirectory() as name, socket.create_server(("127.0.0.1", 0)) as listener:
        folder = Path(name)
        text = b"\n".join(hose_bracket(lines)) + b"\n"
        job, index = write_job(folder, text, index_of(text, block_bytes=block_bytes))
        device = f"socket://127.0.0.1:{listener.getsockname()[1]}"
        with peer(listener, baud, program):
            async with link_process(folder, device, *options) as link:
                pid = (await link.client.status())["pid"]
                await link.event("link-up")
                idle = memory_mib(pid)
                before, begun = cpu_s(pid), time.monotonic()
                await link.client.start("r", job, index)
                ended = (await link.event("run-ended", 600)).data
                took, used = time.monotonic() - begun, cpu_s(pid) - before
                rate = ended["commands"] / ended["seconds"]
                print(
                    f"{lines} lines, {len(text) / 1e6:.1f} MB, {baud or 'no'} baud, {' '.join(options) or 'ping-pong'}: "
                    f"{rate:.0f} lines/s, cpu {100 * used / took:.1f} % of a core, "
                    f"{1e6 * used / ended['commands']:.1f} us a line, {ended['outcome']}; "
                    f"resident MiB idle {idle[0]:.1f}, after {memory_mib(pid)[0]:.1f}, highest {memory_mib(pid)[1]:.1f}, "
                    f"proportional {memory_mib(pid)[2]:.1f}"
                )


async def main() -> None:
    """All figures."""
    quick = "--quick" in sys.argv
    with tempfile.TemporaryDirectory() as name:
        program = None if "--python-peer" in sys.argv else compiled(Path(name))
        print(f"peer in {'Python' if program is None else 'C'}; load average {os.getloadavg()[0]:.2f}", flush=True)
        await trials(program, quick=quick)


async def trials(program: Path | None, *, quick: bool) -> None:
    """All figures with one peer."""
    print(f"a plain loop of one line and one answer: {plain_loop(program, 50_000):.0f} lines/s", flush=True)
    await trial(program, 50_000 if quick else 150_000, 0)
    await trial(program, 50_000 if quick else 150_000, 0, "--ring", "128")
    await trial(program, 50_000 if quick else 150_000, 0, "--ring", "1024")
    # As many blocks as a job of 400 MB has, in a job of a size that a trial can make.
    await trial(program, 100_000, 0, block_bytes=600)
    await trial(program, 2_000 if quick else 6_000, 115_200)
    await trial(program, 2_000 if quick else 6_000, 115_200, "--ring", "128")


if __name__ == "__main__":
    asyncio.run(main())
