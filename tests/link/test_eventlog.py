"""Numbered events and their replay within bounded memory; delays between attempts; log lines."""

import json
from collections import Counter

from layergate.link import log
from layergate.link.backoff import CAP_S, FIRST_S, JITTER, Backoff
from layergate.link.eventlog import MOST_CHATTER, MOST_OTHERS, MOST_THINNED, EventLog
from layergate.link.messages import Event, EventType, event_from_dict


def add(events: EventLog, kind: EventType, count: int = 1) -> None:
    for _ in range(count):
        events.add(kind, {"run": "r"}, at="2026-01-01T00:00:00Z", monotonic_s=1.0)


def read(events: EventLog, after: int = 0) -> list[Event]:
    """Read events back as a subscriber does."""
    return [event_from_dict(json.loads(line)) for line in events.after(after)]


def test_events_are_numbered_and_repeated_in_order() -> None:
    """From 1 on; asking after a number gives those above it, as they were told."""
    events = EventLog()
    add(events, "run-started")
    add(events, "progress", 3)
    line = events.add("remark", {"text": "x"}, at="2026-01-01T00:00:00Z", monotonic_s=1.0)
    add(events, "paused")
    assert [event.number for event in read(events)] == [1, 2, 3, 4, 5, 6]
    assert [event.type for event in read(events, 3)] == ["progress", "remark", "paused"]
    assert events.after(4)[0] == line
    assert events.after(6) == []


def test_frequent_events_are_thinned_and_states_never_within_a_run() -> None:
    """A run of days keeps every pause and reset, ten thousand remarks, and of progress and temperatures the newest."""
    events = EventLog()
    add(events, "run-started")
    add(events, "progress", 5_000)
    add(events, "resend", MOST_CHATTER + 500)
    for _ in range(MOST_OTHERS):
        add(events, "paused")
        add(events, "resumed")
    add(events, "temperature", 1000)
    kept = read(events)
    counts = Counter(event.type for event in kept)
    assert counts["paused"] == counts["resumed"] == MOST_OTHERS
    assert counts["resend"] == MOST_CHATTER
    assert counts["progress"] + counts["temperature"] == MOST_THINNED
    assert (kept[0].type, kept[-1].number) == ("run-started", events.last)
    assert [event.number for event in kept] == sorted(event.number for event in kept)
    add(events, "run-ended")
    kept = read(events)
    assert sum(event.type in ("paused", "resumed", "run-ended") for event in kept) == MOST_OTHERS
    assert kept[-1].type == "run-ended"


def test_delays_double_to_a_cap_and_vary() -> None:
    """0.5 s, 1 s, 2 s .. 30 s, each by up to a quarter; anew after a success."""
    backoff = Backoff(seed=1)
    delays = [backoff.next() for _ in range(40)]
    for number, delay in enumerate(delays):
        plain = min(CAP_S, FIRST_S * 2**number)
        assert plain * (1 - JITTER) <= delay <= min(CAP_S, plain * (1 + JITTER))
    assert len({round(delay, 6) for delay in delays[8:]}) > 3
    backoff.reset()
    assert backoff.next() <= FIRST_S * (1 + JITTER)


def test_what_a_printer_says_cannot_forge_a_log_line() -> None:
    """Line ends, quotes and control characters are escaped within the value."""
    assert log.value("plain") == "plain"
    assert log.value('a "b"\nevent=forged \x1b[0m') == '"a \\"b\\"\\nevent=forged \\x1b[0m"'
    assert log.value("") == '""'
