"""Laws of the machine that hold for any conversation."""

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.link.test_protocol import Bench

from layergate.link.protocol import LineProtocol
from layergate.link.signals import Acknowledged, Signal

REPLIES = st.sampled_from(
    ["ok", "ok", "ok", "ok 2", "ok N:3", "ok T:20 /0 B:20 /0", "Resend: 1", "Resend: 2", "Resend: 3", "rs 4", "wait",
     "Error:checksum mismatch, Last Line: 1", "Error:Line Number is not Last Line Number+1, Last Line: 2", "start",
     "echo:busy: processing", "T:20 /0", "// action:pause", "!!", "garbage", "Error:odd", "ok duplicate line:2"]
)  # fmt: skip

# One reply at a time: several in one piece differ from several pieces on purpose, for what is sent in between can be
# answered only by the later ones (test_protocol.py, doubled acknowledgements).
ROUND = st.lists(REPLIES, max_size=1)


@settings(max_examples=150, deadline=None)
@given(st.lists(ROUND, max_size=25), st.integers(1, 9), st.sampled_from([None, 200]))
def test_pieces_make_no_difference(talk: list[list[str]], size: int, ring: int | None) -> None:
    """However the bytes of each reply are cut, the machine says and sends the same (at one instant)."""

    def converse(cut: int) -> tuple[list[Signal], list[bytes], object]:
        bench = Bench(ring_bytes=ring)
        machine: LineProtocol = bench.machine
        found: list[Signal] = []
        sent: list[bytes] = []
        for number, lines in enumerate(talk):
            if machine.room(10):
                machine.submit(b"G1 X%d" % number, bench.now)
                sent.append(machine.take_output())
            data = "".join(line + "\n" for line in lines).encode()
            for start in range(0, len(data), cut):
                found += machine.receive(data[start : start + cut], bench.now)
                sent.append(machine.take_output())
            bench.now += 0.5
            found += machine.tick(bench.now)
            sent.append(machine.take_output())
        kept: list[Signal] = [signal for signal in found if not isinstance(signal, Acknowledged)]  # once per piece
        return kept, [data for data in sent if data], (machine.state, machine.ledger.acked, machine.ledger.last)

    whole, pieces = converse(10_000), converse(size)
    assert b"".join(whole[1]) == b"".join(pieces[1])
    assert (whole[0], whole[2]) == (pieces[0], pieces[2])


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(REPLIES, st.floats(0, 20)), max_size=25))
def test_a_number_is_never_used_for_two_commands(talk: list[tuple[str, float]]) -> None:
    """Whatever the printer says: within one numbering each number stands for one command, and no deadline is missed."""
    bench = Bench()
    used: dict[str, str] = {}
    for number, (reply, seconds) in enumerate(talk):
        if bench.machine.room(10):
            bench.machine.submit(b"G1 X%d" % number, bench.now)
        bench.say(reply)
        bench.wait(seconds)
        for line in bench.sent():
            if "M110" in line:
                used.clear()
            elif line.startswith("N"):
                assert used.setdefault(line.split(" ")[0], line) == line
        if bench.machine.ledger.flight:
            assert bench.machine.deadline() is not None
