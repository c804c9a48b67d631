"""Numbered events and their replay within bounded memory; delays between attempts; log lines."""

from layergate.link import log
from layergate.link.backoff import CAP_S, FIRST_S, JITTER, Backoff
from layergate.link.eventlog import MOST_OTHERS, MOST_THINNED, EventLog
from layergate.link.messages import EventType, event_from_dict


def add(events: EventLog, kind: EventType, count: int = 1) -> None:
    for _ in range(count):
        events.add(kind, {"run": "r"}, at="2026-01-01T00:00:00Z", monotonic_s=1.0)


def test_events_are_numbered_and_repeated_in_order() -> None:
    """From 1 on; asking after a number gives those above it."""
    events = EventLog()
    add(events, "run-started")
    add(events, "progress", 3)
    add(events, "paused")
    assert [event.number for event in events.after(0)] == [1, 2, 3, 4, 5]
    assert [event.type for event in events.after(3)] == ["progress", "paused"]
    assert list(events.after(5)) == []
    assert event_from_dict(next(events.after(4)).as_dict()) == next(events.after(4))


def test_frequent_events_are_thinned_and_others_never_within_a_run() -> None:
    """A run of days keeps every remark and resend; of progress and temperatures the newest are kept."""
    events = EventLog()
    add(events, "run-started")
    add(events, "progress", 100_000)
    add(events, "resend", MOST_OTHERS * 2)
    add(events, "temperature", 1000)
    kept = list(events.after(0))
    assert sum(event.type == "resend" for event in kept) == MOST_OTHERS * 2
    assert sum(event.type in ("progress", "temperature") for event in kept) == MOST_THINNED
    assert kept[0].type == "run-started"
    assert kept[-1].number == events.last
    add(events, "run-ended")
    assert sum(event.type == "resend" for event in events.after(0)) == MOST_OTHERS - 1
    assert list(events.after(0))[-1].type == "run-ended"


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
