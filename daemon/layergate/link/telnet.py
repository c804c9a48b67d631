"""Codec for RFC 2217 (Telnet Com Port Control) over RFC 854 framing: bytes in, bytes out.

No I/O. Client side only, and only what a printer needs: binary both ways, baud rate, 8N1, no flow control, control
lines. Codes are those of the RFC's sections 3 and 4 (facts.md 6.2). What the server says of line and modem state is
read over; a baud rate that it answers other than asked for is kept for whoever wants to know.
"""

from enum import Enum, auto

IAC, DONT, DO, WONT, WILL, SB, SE = 255, 254, 253, 252, 251, 250, 240
BINARY, ECHO, SUPPRESS_GO_AHEAD, COM_PORT = 0, 1, 3, 44
SET_BAUD, SET_DATA_SIZE, SET_PARITY, SET_STOP_SIZE, SET_CONTROL = 1, 2, 3, 4, 5
NO_FLOW_CONTROL, DTR_ON, DTR_OFF, RTS_ON = 1, 8, 9, 11
ANSWER = 100
"""Answers of the server carry the client's command + this."""
LONGEST_SUBNEGOTIATION = 1024
"""Bytes; longer ones are cut off. The RFC's longest, the signature, is a line of text."""


class _At(Enum):
    DATA = auto()
    IAC = auto()
    OPTION = auto()
    SUB = auto()
    SUB_IAC = auto()


class TelnetCodec:
    """One connection's codec."""

    def __init__(self) -> None:
        self._at = _At.DATA
        self._verb = 0
        self._sub = bytearray()
        self._reply = bytearray()
        self._ours: set[int] = set()
        self._theirs: set[int] = set()
        self.refused = False
        """The server does not do port control: a plain Telnet server; bytes still pass."""
        self.baud: int | None = None
        """Baud rate that the server has answered."""

    def hello(self, baud: int) -> bytes:
        """Give the opening: options wanted, then the port's settings (8 data bits, no parity, one stop bit)."""
        self._ours |= {BINARY, COM_PORT}
        self._theirs |= {BINARY, SUPPRESS_GO_AHEAD}
        return bytes(
            [IAC, WILL, COM_PORT, IAC, WILL, BINARY, IAC, DO, BINARY, IAC, DO, SUPPRESS_GO_AHEAD]
        ) + self.settings(baud)

    def settings(self, baud: int) -> bytes:
        """Give the port's settings; the server applies them in order."""
        return (
            _sub(SET_BAUD, baud.to_bytes(4, "big"))
            + _sub(SET_DATA_SIZE, b"\x08")
            + _sub(SET_PARITY, b"\x01")
            + _sub(SET_STOP_SIZE, b"\x01")
            + _sub(SET_CONTROL, bytes([NO_FLOW_CONTROL]))
        )

    def control(self, code: int) -> bytes:
        """Give a SET-CONTROL request (DTR_ON, DTR_OFF, RTS_ON)."""
        return _sub(SET_CONTROL, bytes([code]))

    def encode(self, data: bytes) -> bytes:
        """Give bytes for the port as they go over the wire."""
        return data.replace(b"\xff", b"\xff\xff")

    def decode(self, data: bytes) -> bytes:
        """Give bytes of the port from what came over the wire, cut anywhere."""
        if self._at is _At.DATA and IAC not in data:
            return data
        plain = bytearray()
        for byte in data:
            match self._at:
                case _At.DATA:
                    if byte == IAC:
                        self._at = _At.IAC
                    else:
                        plain.append(byte)
                case _At.IAC:
                    self._command(byte, plain)
                case _At.OPTION:
                    self._negotiate(self._verb, byte)
                    self._at = _At.DATA
                case _At.SUB:
                    if byte == IAC:
                        self._at = _At.SUB_IAC
                    elif len(self._sub) < LONGEST_SUBNEGOTIATION:
                        self._sub.append(byte)
                case _At.SUB_IAC:
                    if byte == IAC:
                        self._sub.append(IAC)
                        self._at = _At.SUB
                    else:
                        self._subnegotiated(bytes(self._sub))
                        self._at = _At.DATA
        return bytes(plain)

    def take_reply(self) -> bytes:
        """Give what the codec itself has to answer."""
        reply = bytes(self._reply)
        self._reply.clear()
        return reply

    def _command(self, byte: int, plain: bytearray) -> None:
        self._at = _At.DATA
        if byte == IAC:
            plain.append(IAC)
        elif byte in (DO, DONT, WILL, WONT):
            self._verb, self._at = byte, _At.OPTION
        elif byte == SB:
            self._sub.clear()
            self._at = _At.SUB

    def _negotiate(self, verb: int, option: int) -> None:
        # An answer is given only to what changes something, so that two ends can't answer each other for ever (RFC
        # 854).
        if verb == DO and option not in self._ours:
            wanted = option in (BINARY, COM_PORT, SUPPRESS_GO_AHEAD)
            if wanted:
                self._ours.add(option)
            self._reply += bytes([IAC, WILL if wanted else WONT, option])
        elif verb == DONT and option in self._ours:
            self._ours.discard(option)
            self.refused |= option == COM_PORT
        elif verb == WILL and option not in self._theirs:
            wanted = option in (BINARY, ECHO, SUPPRESS_GO_AHEAD)
            if wanted:
                self._theirs.add(option)
            self._reply += bytes([IAC, DO if wanted else DONT, option])
        elif verb == WONT:
            self._theirs.discard(option)

    def _subnegotiated(self, sub: bytes) -> None:
        if len(sub) >= 6 and sub[0] == COM_PORT and sub[1] == SET_BAUD + ANSWER:
            self.baud = int.from_bytes(sub[2:6], "big")


def _sub(command: int, value: bytes) -> bytes:
    return bytes([IAC, SB, COM_PORT, command]) + value.replace(b"\xff", b"\xff\xff") + bytes([IAC, SE])
