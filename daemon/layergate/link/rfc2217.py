"""RFC 2217: a serial device behind a TCP server. The codec is telnet.py; this joins it to a TCP connection."""

import asyncio
from collections.abc import Callable

from layergate.link.tcp import TcpTransport
from layergate.link.telnet import DTR_OFF, DTR_ON, TelnetCodec
from layergate.link.transports import Endpoint

PULSE_S = 0.1
"""See serial.py."""


class Rfc2217Transport(TcpTransport):
    """A serial device at a port control server."""

    def __init__(
        self,
        host: str,
        port: int,
        endpoint: Endpoint,
        on_data: Callable[[bytes], None],
        on_lost: Callable[[str], None],
    ) -> None:
        super().__init__(host, port, on_data, on_lost)
        self._endpoint = endpoint
        self.codec = TelnetCodec()

    async def open(self) -> None:
        """Connect and ask for the port's settings. Raises OpenError."""
        await super().open()
        self._send(self.codec.hello(self._endpoint.baud))
        if self._endpoint.reset_on_open == "pulse":
            self._send(self.codec.control(DTR_OFF))
            await asyncio.sleep(PULSE_S)
            if self.is_open:
                self._send(self.codec.control(DTR_ON))

    def _decode(self, data: bytes) -> bytes:
        plain = self.codec.decode(data)
        if reply := self.codec.take_reply():
            self._send(reply)
        return plain

    def _encode(self, data: bytes) -> bytes:
        return self.codec.encode(data)
