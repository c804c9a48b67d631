"""Log lines of the link process: ``key=value`` to stderr, through the standard library only, to stay small."""

import logging
import sys

_logger = logging.getLogger("layergate.link")


def set_up(name: str) -> None:
    """Send log lines to stderr, each with the link's name."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(logging.Formatter(f"time=%(asctime)s level=%(levelname)s link={value(name)} %(message)s"))
    _logger.addHandler(handler)
    _logger.setLevel(logging.INFO)
    _logger.propagate = False


def info(event: str, **fields: object) -> None:
    """Log what happens in the ordinary course."""
    _logger.info(_line(event, fields))


def warning(event: str, **fields: object) -> None:
    """Log what somebody should look at."""
    _logger.warning(_line(event, fields))


def value(raw: object) -> str:
    """Give a value as it stands in a log line: quoted where it has blanks; control characters of a printer escaped."""
    text = str(raw)
    if text and text.isprintable() and not any(mark in text for mark in ' "='):
        return text
    escaped = text.encode("unicode_escape").decode("ascii").replace('"', '\\"')
    return f'"{escaped}"'


def _line(event: str, fields: dict[str, object]) -> str:
    return " ".join([f"event={event}", *(f"{key}={value(raw)}" for key, raw in fields.items())])
