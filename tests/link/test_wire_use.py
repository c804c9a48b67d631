"""How well the window uses a slow wire, against the ceilings of facts.md 6.1, under a virtual clock (so exactly)."""

import pytest
from tests.link.jobs import blocks_of, index_of
from tests.link.peers import Peer, Wire

from layergate.link.protocol import LineProtocol
from layergate.link.streamer import Streamer

BAUD = 250_000
BYTE_S = 10 / BAUD  # 8N1
LATENCY_S = 0.001
OK_BYTES = 3
LINES = 800


def seconds_on_the_wire(ring_bytes: int | None) -> tuple[float, int, int]:
    """Print lines of 41 bytes as framed; give the seconds that took, the lines and the bytes sent meanwhile."""
    text = b"".join(b"G1 X%07.3f Y%07.3f E%010.5f\n" % (n % 200, n % 150, n / 30) for n in range(LINES))
    wire = Wire(Streamer(LineProtocol(ring_bytes=ring_bytes)), Peer(), latency_s=LATENCY_S, baud=BAUD)
    wire.index = index_of(text)
    wire.blocks = blocks_of(text, wire.index)
    wire.open()
    wire.run_until("link-up")
    wire.streamer.start("run", wire.index, wire.now)
    wire.settle()
    began, sent = wire.now, len(wire.sent)
    while len(wire.peer.job) < LINES:
        assert wire.step()
    lines = len(wire.peer.numbered_since_sync)
    return wire.now - began, lines, len(wire.sent) - sent


def test_ping_pong_is_within_5_percent_of_its_ceiling() -> None:
    """Line, ok, twice the latency, and next to nothing else: 266 lines/s for 41 bytes at 250,000 baud, 1 ms each way."""
    seconds, lines, size = seconds_on_the_wire(None)
    assert size / lines == pytest.approx(41, abs=1.5)
    ceiling = lines / (size * BYTE_S + lines * (OK_BYTES * BYTE_S + 2 * LATENCY_S))
    assert ceiling == pytest.approx(266.0, rel=0.03)  # facts.md 6.1, 2 ms in all
    assert lines / seconds >= 0.95 * ceiling


def test_a_known_ring_of_127_bytes_fills_the_wire() -> None:
    """At least 95 % of the pipelined ceiling, which is the wire's own: 610 lines/s."""
    seconds, lines, size = seconds_on_the_wire(127)
    ceiling = lines / (size * BYTE_S)
    assert ceiling == pytest.approx(609.8, rel=0.03)  # facts.md 6.1
    assert lines / seconds >= 0.95 * ceiling
