"""Talking HTTP to a running daemon over its Unix socket, with the standard library only.

Knows nothing of commands; every failure becomes a ``ClientError`` with a sentence for a person.
"""

import http.client
import json
import os
import socket
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

PREFIX = "/api/v1"
ANSWER_S = 90.0  # longest wait for an answer: an upload ends with an fsync on a slow card; long polls last 60 s at most


class ClientError(Exception):
    """The daemon did not do it.

    Attributes:
        status: HTTP status, None where no answer came.
    """

    def __init__(self, message: str, status: int | None = None) -> None:
        self.status = status
        super().__init__(message)


class _UnixConnection(http.client.HTTPConnection):
    def __init__(self, path: Path) -> None:
        super().__init__("localhost", timeout=ANSWER_S)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        self.sock.connect(os.fspath(self._path))


class Client:
    """One daemon."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def get(self, *parts: str, **query: Any) -> Any:
        """Ask for something. Raises ClientError."""
        return self._ask("GET", parts, query)

    def post(self, *parts: str, body: Mapping[str, Any]) -> Any:
        """Ask for something to be done. Raises ClientError."""
        return self._ask("POST", parts, {}, json.dumps(body).encode(), "application/json")

    def upload(self, *parts: str, chunks: Iterable[bytes], **query: Any) -> Any:
        """Send a job, piece by piece. Raises ClientError."""
        return self._ask("POST", parts, query, chunks, "application/octet-stream")

    def _ask(
        self,
        method: str,
        parts: tuple[str, ...],
        query: Mapping[str, Any],
        body: bytes | Iterable[bytes] | None = None,
        content_type: str = "",
    ) -> Any:
        url = PREFIX + "".join(f"/{quote(part, safe='')}" for part in parts)
        given = {key: value for key, value in query.items() if value is not None}
        if given:
            url += f"?{urlencode(given)}"
        connection = _UnixConnection(self.path)
        try:
            try:
                headers = {"Content-Type": content_type} if content_type else {}
                chunked = body is not None and not isinstance(body, bytes)
                connection.request(method, url, body=body, headers=headers, encode_chunked=chunked)
            except BrokenPipeError:
                pass  # the daemon refused in mid-upload; its answer says why
            answer = connection.getresponse()
            data = answer.read()
        except (FileNotFoundError, ConnectionRefusedError) as error:
            raise ClientError(
                f"no daemon answers on {self.path} ({error.strerror}): is 'layergate serve' running? "
                "Another socket: --socket or LAYERGATE_SOCKET"
            ) from error
        except PermissionError as error:
            raise ClientError(f"{self.path}: no permission; be of the group that owns it, or root") from error
        except TimeoutError as error:
            raise ClientError(f"the daemon on {self.path} gave no answer in {ANSWER_S:.0f} s") from error
        except (OSError, http.client.HTTPException) as error:
            raise ClientError(f"the daemon on {self.path} broke off: {error or type(error).__name__}") from error
        finally:
            connection.close()
        return self._read(answer.status, data)

    def _read(self, status: int, data: bytes) -> Any:
        try:
            answer = json.loads(data)
        except ValueError as error:
            raise ClientError(f"what answers on {self.path} is not the daemon: HTTP {status}", status) from error
        if status >= 400:
            raise ClientError(answer.get("detail") or answer.get("title") or f"HTTP {status}", status)
        return answer
