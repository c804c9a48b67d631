"""The RFC 2217 codec: bytes written out from RFC 854, RFC 856 and RFC 2217 (codes in facts.md 6.2)."""

from hypothesis import given
from hypothesis import strategies as st

from layergate.link.telnet import DTR_OFF, DTR_ON, LONGEST_SUBNEGOTIATION, TelnetCodec


def test_the_opening_asks_for_binary_and_sets_the_port() -> None:
    """WILL COM-PORT, binary both ways, then 250000 baud, 8 data bits, no parity, one stop bit, no flow control."""
    hello = TelnetCodec().hello(250_000)
    assert hello.startswith(b"\xff\xfb\x2c" + b"\xff\xfb\x00" + b"\xff\xfd\x00" + b"\xff\xfd\x03")
    assert hello.endswith(
        b"\xff\xfa\x2c\x01\x00\x03\xd0\x90\xff\xf0"  # SET-BAUDRATE 250000 = 0x3d090, network order
        b"\xff\xfa\x2c\x02\x08\xff\xf0"  # SET-DATASIZE 8
        b"\xff\xfa\x2c\x03\x01\xff\xf0"  # SET-PARITY none
        b"\xff\xfa\x2c\x04\x01\xff\xf0"  # SET-STOPSIZE one
        b"\xff\xfa\x2c\x05\x01\xff\xf0"  # SET-CONTROL no flow control
    )


def test_a_baud_rate_with_a_byte_of_255_is_doubled() -> None:
    """Within a subnegotiation 255 is doubled like everywhere (RFC 854)."""
    assert b"\x01\x00\x00\xff\xff\x00\xff\xf0" in TelnetCodec().settings(0xFF00)


def test_control_lines_have_their_codes() -> None:
    """DTR on is 8, DTR off is 9 (RFC 2217, SET-CONTROL)."""
    codec = TelnetCodec()
    assert codec.control(DTR_ON) == b"\xff\xfa\x2c\x05\x08\xff\xf0"
    assert codec.control(DTR_OFF) == b"\xff\xfa\x2c\x05\x09\xff\xf0"


def test_answers_are_read_over_and_the_baud_rate_kept() -> None:
    """The server answers with the command + 100; line and modem state may come in between, anywhere in the data."""
    codec = TelnetCodec()
    codec.hello(115_200)
    wire = b"ok\n\xff\xfa\x2c\x65\x00\x01\xc2\x00\xff\xf0T:2\xff\xfa\x2c\x6b\xb0\xff\xf00 /0\n\xff\xf1"
    for size in (1, 2, 3, len(wire)):
        fresh = TelnetCodec()
        plain = b"".join(fresh.decode(wire[at : at + size]) for at in range(0, len(wire), size))
        assert plain == b"ok\nT:20 /0\n"
        assert fresh.baud == 115_200
        assert fresh.take_reply() == b""


def test_what_is_asked_of_us_is_answered_once() -> None:
    """Options we want are agreed to, others refused; a repeated request gets no answer, so that no loop can start."""
    codec = TelnetCodec()
    codec.hello(115_200)
    codec.decode(b"\xff\xfd\x2c\xff\xfd\x00\xff\xfb\x00\xff\xfb\x03")  # answers to our own requests
    assert codec.take_reply() == b""
    codec.decode(b"\xff\xfd\x18\xff\xfb\x05\xff\xfb\x01")  # DO terminal type, WILL status, WILL echo
    assert codec.take_reply() == b"\xff\xfc\x18\xff\xfe\x05\xff\xfd\x01"
    codec.decode(b"\xff\xfb\x01\xff\xfb\x01")
    assert codec.take_reply() == b""


def test_a_server_without_port_control_is_noticed() -> None:
    """DONT COM-PORT: a plain Telnet server; bytes pass all the same."""
    codec = TelnetCodec()
    codec.hello(115_200)
    assert codec.decode(b"\xff\xfe\x2cstart\n") == b"start\n"
    assert codec.refused


def test_an_endless_subnegotiation_costs_bounded_memory() -> None:
    """A server that never ends one is cut off."""
    codec = TelnetCodec()
    codec.decode(b"\xff\xfa\x2c\x00" + b"x" * 1_000_000)
    assert len(codec._sub) <= LONGEST_SUBNEGOTIATION
    assert codec.decode(b"\xff\xf0ok\n") == b"ok\n"


@given(st.binary(max_size=200), st.integers(1, 7))
def test_data_survives_the_way_there_and_back(data: bytes, size: int) -> None:
    """What one end encodes the other decodes, however it is cut; 255 is the only byte that changes."""
    sender, receiver = TelnetCodec(), TelnetCodec()
    wire = sender.encode(data)
    assert b"".join(receiver.decode(wire[at : at + size]) for at in range(0, len(wire), size)) == data


@given(st.binary(max_size=300))
def test_no_bytes_are_an_error(data: bytes) -> None:
    """Garbage from a server raises nothing."""
    codec = TelnetCodec()
    codec.decode(data)
    codec.take_reply()
