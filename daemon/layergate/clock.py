"""The wall clock, as reports give it. Durations never come from here: a clock that is set would falsify them."""

from datetime import UTC, datetime


def now() -> str:
    """Give the time in UTC, RFC 3339, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
