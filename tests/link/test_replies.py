"""The reply reader against the forms of facts.md 1.2, each whole, byte by byte and with trailing bytes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layergate.link import reply_tables
from layergate.link.replies import (
    LONGEST_LINE_BYTES,
    Kind,
    LineBuffer,
    Reading,
    Reply,
    WireError,
    read_reply,
    read_temperatures,
    remark_kind,
    wire_error,
)


def read_all(data: bytes, size: int) -> list[Reply]:
    """Feed bytes in pieces and read every line."""
    buffer = LineBuffer()
    return [read_reply(line) for start in range(0, len(data), size) for line in buffer.feed(data[start : start + size])]


def three_ways(text: str) -> Reply:
    """Read one reply whole, byte by byte, and with more behind it; all must agree."""
    data = text.encode() + b"\n"
    whole = read_all(data, len(data))
    assert read_all(data, 1) == whole
    assert read_all(text.encode() + b"\r\n", 3) == whole
    assert read_all(data + b"ok\nhalf a li", 7)[: len(whole)] == whole
    (reply,) = whole
    return reply


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("ok", None),
        ("ok 137", 137),
        ("ok N:4", 4),
        ("ok N4 P15 B3", 4),
        ("ok duplicate line:4", 4),
        ("ok T:44 /0 B:45 /0 @:0 B@:0", None),
        ("ok P15 B3", None),
    ],
)
def test_every_form_of_acknowledgement_is_read(text: str, number: int | None) -> None:
    """All forms of ok of facts.md 1.2, with the line number where there is one."""
    reply = three_ways(text)
    assert (reply.kind, reply.number) == (Kind.OK, number)


def test_free_slots_are_not_a_bed_temperature() -> None:
    """B3 counts free command slots, B:45 is the bed (facts.md 1.2)."""
    assert three_ways("ok N4 P15 B3").slots == 3
    assert three_ways("ok P15 B0").slots == 0
    with_bed = three_ways("ok T:44 /0 B:45 /0 @:0 B@:0")
    assert with_bed.slots is None
    assert with_bed.readings["B"] == Reading(45.0, 0.0)


@pytest.mark.parametrize(
    ("text", "number"),
    [("Resend: 3185", 3185), ("Resend:205", 205), ("Resend:4", 4), ("rs 17", 17), ("rs N17", 17), ("RS 5", 5)],
)
def test_every_form_of_resend_is_read(text: str, number: int) -> None:
    """All forms of facts.md 1.2, in both lineages."""
    reply = three_ways(text)
    assert (reply.kind, reply.number, reply.joined_ok) == (Kind.RESEND, number, False)


def test_a_resend_joined_with_its_ok_by_a_lost_line_end_is_read() -> None:
    """A lost line end between Resend and the ok that trails it does not hide the number."""
    assert three_ways("Resend: 17ok") == Reply(Kind.RESEND, "Resend: 17ok", number=17, joined_ok=True)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Error:Line Number is not Last Line Number+1, Last Line: 3184", WireError.NUMBER),
        ("Error:expected line 1 got 139", WireError.NUMBER),
        ("Error:checksum mismatch, Last Line: 12", WireError.CHECKSUM),
        ("Error:No Checksum with line number, Last Line: 11", WireError.FORM),
        ("Error:No Line Number with checksum, Last Line: 14", WireError.FORM),
        ("Error:Heating failed, system stopped! Heater_ID: 0", WireError.MACHINE),
        ("Error:Thermal Runaway, system stopped! Heater_ID: bed", WireError.MACHINE),
        ("Error:MAXTEMP triggered, system stopped! Heater_ID: 0", WireError.MACHINE),
        ("Error:Printer halted. kill() called!", WireError.MACHINE),
        ("Error:Homing failed", WireError.MACHINE),
        ("Error:something else", WireError.UNKNOWN),
    ],
)
def test_errors_of_the_wire_are_told_from_faults(text: str, expected: WireError) -> None:
    """The wire's errors are those of facts.md 1.2; the wording of faults is common practice, from memory."""
    assert three_ways(text).wire_error is expected


@pytest.mark.parametrize("form", reply_tables.WIRE_ERRORS)
@pytest.mark.parametrize("share", [0.5, 1.0])
def test_a_damaged_error_of_the_wire_is_never_a_fault(form: str, share: float) -> None:
    """With any one character lost or changed, whole or cut short, the error is still taken as the wire's."""
    text = form[: max(len("Error:") + 8, int(len(form) * share))]
    for at in range(len("Error:"), len(text)):
        for damaged in (text[:at] + text[at + 1 :], text[:at] + "~" + text[at + 1 :]):
            assert wire_error(damaged) not in (WireError.MACHINE, WireError.UNKNOWN), damaged


@pytest.mark.parametrize("text", ["Error:", "Error:c", "Error:No", "Error:No ", "Error:Line", "Error:exp"])
def test_the_beginning_of_an_error_of_the_wire_is_no_fault(text: str) -> None:
    """A byte that was turned into a line end cuts an error in two (seen in tests/link/trials.py)."""
    assert three_ways(text).wire_error is WireError.DAMAGED


def test_faults_do_not_look_like_errors_of_the_wire() -> None:
    """The likeness of machine faults to the wire's errors stays well below the limit."""
    for text in (
        "Error:Heating failed, system stopped! Heater_ID: 0",
        "Error:MINTEMP triggered, system stopped! Heater_ID: bed",
        "Error:Printer halted. kill() called!",
        "Error:Probing failed",
        "Error:Thermal Runaway, system stopped! Heater_ID: 0",
    ):
        assert wire_error(text) is WireError.MACHINE


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("!!", Kind.FAULT),
        ("!! halted", Kind.FAULT),
        ("echo:busy: processing", Kind.BUSY),
        ("busy: paused for user", Kind.BUSY),
        ("echo:busy: paused for input", Kind.BUSY),
        ("wait", Kind.WAIT),
        ("start", Kind.GREETING),
        ("echo: cold extrusion prevented", Kind.ECHO),
        ('echo:Unknown command: "G1234"', Kind.ECHO),
        ("echo:endstops hit: Y:0.30", Kind.ECHO),
        ("// a remark", Kind.ECHO),
        ("// action:pause", Kind.ACTION),
        ("//action:cancel", Kind.ACTION),
        ("T:44 E:0 B:45", Kind.TEMPERATURE),
        (" T:20.3 /0.0 B:19.2 /0.0 @:0 B@:0", Kind.TEMPERATURE),
        ("T:101.9 E:0 W:1", Kind.TEMPERATURE),
        ("T:199.0 E:0 W:?", Kind.TEMPERATURE),
        ("X:0.00 Y:-4.00 Z:15.00 E:-2.00 Count A:-399 B:397 Z:6000", Kind.POSITION),
        ("FIRMWARE_NAME:Harbour 2.1 SOURCE_CODE_URL:none PROTOCOL_VERSION:1.0", Kind.IDENTITY),
        ("Cap:AUTOREPORT_TEMP:1", Kind.IDENTITY),
        ("okay then", Kind.OTHER),
        ("starting", Kind.OTHER),
        ("restart", Kind.OTHER),
    ],
)
def test_every_other_form_has_its_kind(text: str, kind: Kind) -> None:
    """Forms read in transcripts (facts.md 1.2), and some that only look like them."""
    assert three_ways(text).kind is kind


def test_a_greeting_is_known_behind_noise() -> None:
    """A port that restarts may put a few bytes of noise before the boot word (common practice)."""
    assert read_reply(b"\x00\xfe\xffstart").kind is Kind.GREETING


def test_position_identity_and_capabilities_are_read() -> None:
    """M114 and M115 answers of facts.md 1.2."""
    assert three_ways("X:0.00 Y:-4.00 Z:15.00 E:-2.00 Count A:-399 B:397 Z:6000").position_mm == (0.0, -4.0, 15.0, -2.0)
    assert three_ways("FIRMWARE_NAME:Harbour 2.1 (x) SOURCE_CODE_URL:none").firmware == "Harbour 2.1 (x)"
    assert three_ways("Cap:THERMAL_PROTECTION:0").capabilities == {"THERMAL_PROTECTION": False}


def test_an_acknowledgement_may_carry_position_or_identity() -> None:
    """Old forms of M114 and M115 (common practice, from memory); neither is an answer to M105."""
    where = three_ways("ok C: X:1.00 Y:2.00 Z:3.00 E:0.00")
    assert (where.kind, where.position_mm, where.readings) == (Kind.OK, (1.0, 2.0, 3.0, 0.0), {})
    who = three_ways("ok PROTOCOL_VERSION:0.1 FIRMWARE_NAME:Quay FIRMWARE_URL:none EXTRUDER_COUNT:1 T:1")
    assert (who.kind, who.firmware, who.readings) == (Kind.OK, "Quay", {})


@pytest.mark.parametrize("text", ["ok 11T:200.00 /200.00 B:50.00 /50.00", "ok B:50.00 /50.00", "ok N12 W:1"])
def test_two_replies_run_together_are_no_answer_to_m105(text: str) -> None:
    """A cut acknowledgement before a report is an acknowledgement, and tells no line by its temperatures."""
    assert (three_ways(text).kind, three_ways(text).readings) == (Kind.OK, {})


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "ok T:20.3 /0.0 B:19.2 /0.0 T0:20.3 /0.0 T1:20.6 /0.0 @:0 B@:0",
            {"T": (20.3, 0.0), "B": (19.2, 0.0), "T0": (20.3, 0.0), "T1": (20.6, 0.0)},
        ),
        ("T:27.62 /0 B:31.93 /0 B@:0 @:0", {"T": (27.62, 0.0), "B": (31.93, 0.0)}),
        (
            "ok T:40.00/39.00 B:29.64/10.00 X:32.00/36.00 A:40.45/0.00 @:0 B@:0 C@:27.65 HBR@:0",
            {"T": (40.0, 39.0), "B": (29.64, 10.0), "X": (32.0, 36.0), "A": (40.45, 0.0)},
        ),
        (
            "ok T:161.3 /195.0 B:0.0 /0.0 T0:161.3 /195.0 @:127 B@:0",
            {"T": (161.3, 195.0), "B": (0.0, 0.0), "T0": (161.3, 195.0)},
        ),
        ("T:44 E:0 B:45", {"T": (44.0, None), "B": (45.0, None)}),
        ("T:101.9 E:0 W:1", {"T": (101.9, None)}),
        ("T:-274.0 /0 B:-12.5 /0", {"B": (-12.5, 0.0)}),
    ],
)
def test_temperature_reports_are_read(text: str, expected: dict[str, tuple[float, float | None]]) -> None:
    """The test strings of facts.md 1.2; outputs are not temperatures, and below -273 there is no sensor."""
    found = read_temperatures(text.removeprefix("ok "))
    assert {name: (reading.value_c, reading.target_c) for name, reading in found.items()} == expected
    if text.startswith("ok"):
        assert read_reply(text.encode()).readings == found


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("echo: cold extrusion prevented", "cold-extrusion"),
        ('echo:Unknown command: "M900"', "unknown-command"),
        ("echo:endstops hit: Y:0.30", "endstop"),
        ("echo:SD card ok", "other"),
    ],
)
def test_remarks_have_kinds(text: str, kind: str) -> None:
    """Cold extrusion, unknown commands and endstops are alerts in a job (facts.md 1.2)."""
    assert remark_kind(text) == kind


def test_an_endless_line_is_dropped() -> None:
    """A printer that never ends its line costs bounded memory, and the next line is read again."""
    buffer = LineBuffer()
    for _ in range(100):
        assert buffer.feed(b"x" * 1000) == []
    assert buffer.dropped_bytes >= 100_000 - LONGEST_LINE_BYTES - 1000
    assert buffer.feed(b"\nok\n")[-1] == b"ok"


@given(st.binary(max_size=300))
def test_no_bytes_are_an_error(data: bytes) -> None:
    """Whatever comes over the wire, reading it raises nothing and does not depend on how it was cut."""
    assert read_all(data, 1) == read_all(data, 300)
