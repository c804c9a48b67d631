"""Runs of one printer from start to safe end, against an in-memory peer under a virtual clock."""

import itertools
from typing import Any

import pytest
from tests.link.jobs import blocks_of, commands_of, hose_bracket, index_of
from tests.link.peers import Peer, Wire

from layergate.gcode.dialect import Dialect
from layergate.link.protocol import LineProtocol
from layergate.link.settings import Settings
from layergate.link.states import Run
from layergate.link.streamer import Refused, Streamer

TEXT = b"\n".join(hose_bracket(400)) + b"\n"
HOT = b"M140 S60\nM104 S205\nT1\nM104 S190 T0\n" + TEXT


def wire(
    text: bytes = TEXT,
    peer: Peer | None = None,
    *,
    settings: Settings | None = None,
    numbered: bool = True,
    **more: Any,
) -> Wire:
    """Give an open wire with a job loaded, its printer ready."""
    streamer = Streamer(LineProtocol(numbered=numbered), settings)
    joined = Wire(streamer, peer or Peer(), **more)
    joined.index = index_of(text, block_bytes=2048, dialect=Dialect(line_numbers=numbered))
    joined.blocks = blocks_of(text, joined.index)
    joined.open()
    joined.run_until("link-up")
    return joined


def start(joined: Wire) -> None:
    """Start the run."""
    joined.streamer.start("run-1", joined.index, joined.now)
    joined.settle()


def steps(joined: Wire, executed: int) -> None:
    """Go on until the printer has executed so many commands of the job."""
    while len(joined.peer.job) < executed:
        assert joined.step()


def remark_kinds(joined: Wire) -> list[str]:
    """Go on until the run has ended; give the kinds of remarks told on the way."""
    kinds: list[str] = []
    while joined.streamer.state is not Run.IDLE:
        seen = len(joined.events)
        assert joined.step()
        kinds += [data["kind"] for kind, data in joined.events[seen:] if kind == "remark"]
    return kinds


def test_a_run_executes_the_payload_and_completes() -> None:
    """Started, synchronised to line 1, streamed, drained by M400, completed; every figure of the record is right."""
    joined = wire()
    start(joined)
    assert joined.run_until("run-started") == {"run": "run-1"}
    ended = joined.run_until("run-ended")
    commands = commands_of(TEXT)
    assert joined.peer.job == commands
    assert joined.peer.executed.index(b"M400") == len(joined.peer.executed) - 2  # and M105 as its witness
    assert {key: ended[key] for key in ("run", "outcome", "line", "commands", "resends")} == {
        "run": "run-1", "outcome": "completed", "line": 400, "commands": len(commands), "resends": 0,
    }  # fmt: skip
    assert sum(ended["layer_seconds"].values()) == pytest.approx(ended["seconds"], abs=0.1)
    assert joined.streamer.state is Run.IDLE


def test_completed_waits_for_motion_to_end() -> None:
    """The run is not over while M400 is not acknowledged, however long the printer drains its queue."""

    class Draining(Peer):
        def receive(self, data: bytes) -> list[bytes]:
            return [] if b" M400*" in data else super().receive(data)

    joined = wire(peer=Draining())
    start(joined)
    for _ in range(200):
        joined.run_for(1.0)
        joined.say(b"echo:busy: processing\n")
    assert joined.streamer.state is Run.DRAINING
    assert joined.peer.job == commands_of(TEXT)
    assert not any(kind == "run-ended" for kind, _ in joined.events)


def test_firmware_without_m400_is_drained_by_a_dwell() -> None:
    """An unknown M400 is answered with ok at once; G4 empties the motion queue too (facts.md 1.4)."""

    class Old(Peer):
        def _execute(self, command: bytes, number: int | None) -> list[bytes]:
            replies = super()._execute(command, number)
            return [b'echo:Unknown command: "M400"\n', *replies] if command == b"M400" else replies

    joined = wire(peer=Old())
    start(joined)
    assert joined.run_until("run-ended")["outcome"] == "completed"
    assert joined.peer.executed[-3:] == [b"M400", b"G4 P1", b"M105"]


def test_progress_is_told_at_layer_changes_and_twice_a_second() -> None:
    """Every layer is told when it begins, and in between the position about twice a second."""
    joined = wire(execution_s=0.02)
    start(joined)
    joined.run_until("run-started")
    times: list[float] = []
    layers: list[int] = []
    while joined.streamer.state is not Run.IDLE:
        seen = len(joined.events)
        joined.step()
        for kind, data in joined.events[seen:]:
            if kind == "progress":
                times.append(joined.now)
                layers.append(data["layer"])
    assert sorted(set(layers)) == list(range(1, 11))
    assert layers == sorted(layers)
    assert max(after - before for before, after in itertools.pairwise(times)) < 0.7
    assert len(times) < 3 * (times[-1] - times[0]) + 15


def test_layers_that_come_back_add_up() -> None:
    """Where a height is returned to, its seconds are counted on, and progress says which layer is being laid."""
    joined = wire(execution_s=0.01)
    joined.index.spans.first_line[:] = [1, 101, 201, 301]
    joined.index.spans.layer[:] = [1, 2, 1, 2]
    start(joined)
    ended = joined.run_until("run-ended")
    assert set(ended["layer_seconds"]) == {"1", "2"}
    assert ended["layer_seconds"]["1"] == pytest.approx(ended["layer_seconds"]["2"], rel=0.1)


def test_pause_stops_feeding_and_resume_goes_on() -> None:
    """No line of the job and no command of ours that moves or cools; the job is whole in the end."""
    joined = wire(HOT)
    start(joined)
    steps(joined, 100)
    joined.streamer.pause("service", joined.now)
    joined.settle()
    assert joined.run_until("paused") == {"run": "run-1", "by": "service"}
    joined.run_for(1)
    before = len(joined.peer.executed)
    joined.run_for(600)
    assert set(joined.peer.executed[before:]) == {b"M105"}
    with pytest.raises(Refused, match="paused"):
        joined.streamer.pause("service", joined.now)
    joined.streamer.resume(joined.now)
    joined.settle()
    ended = joined.run_until("run-ended")
    assert ended["outcome"] == "completed"
    assert joined.peer.job == commands_of(HOT)
    assert sum(ended["layer_seconds"].values()) < ended["seconds"] - 590  # pauses are no part of a layer


def test_cancel_switches_heaters_off_and_moves_nothing() -> None:
    """After a cancel: every heater that the job used goes off, in order, and not one more line of the job."""
    joined = wire(HOT)
    start(joined)
    steps(joined, 100)
    joined.streamer.cancel("not needed", joined.now)
    joined.settle()
    ended = joined.run_until("run-ended")
    assert (ended["outcome"], ended["reason"]) == ("canceled", "not needed")
    at = joined.peer.executed.index(b"M104 S0")
    assert joined.peer.executed[at:] == [b"M104 S0", b"M104 T0 S0", b"M140 S0", b"M105"]
    assert joined.peer.job == commands_of(HOT)[: len(joined.peer.job)]


def test_a_completed_run_that_left_heaters_on_gets_them_switched_off() -> None:
    """A job without an end of its own does not leave a hot machine behind; one with it gets no command more."""
    joined = wire(HOT)
    start(joined)
    assert joined.run_until("run-ended")["outcome"] == "completed"
    assert joined.peer.executed[-2:] == [b"M140 S0", b"M105"]
    cooled = HOT + b"M104 S0\nM104 T0 S0\nM104 T1 S0\nM140 S0\n"
    joined = wire(cooled)
    start(joined)
    assert joined.run_until("run-ended")["outcome"] == "completed"
    assert joined.peer.executed.count(b"M140 S0") == 1


def test_the_safe_end_does_not_wait_behind_a_heat_up() -> None:
    """With M109 under way heaters-off goes into the printer's own queue, after M108 where that is acted on at once."""

    class Heating(Peer):
        def receive(self, data: bytes) -> list[bytes]:
            self.seen = getattr(self, "seen", b"") + data
            return [] if b"M109" in self.seen else super().receive(data)

    for parser in (True, False):
        peer = Heating(capabilities=("EMERGENCY_PARSER:1",) if parser else ())
        joined = wire(b"M109 S205\n" + TEXT, peer)
        start(joined)
        joined.run_for(5)
        joined.streamer.cancel("wrong filament", joined.now)
        joined.settle()
        ended = joined.run_until("run-ended", within_s=60)
        assert ended["outcome"] == "canceled"
        assert "not acknowledged" in ended["reason"]
        tail = peer.seen[peer.seen.index(b"M109") :]
        assert (b"\nM108\n" in tail) is parser
        assert b" M104 S0*" in tail
        assert b" M140 S0*" in tail
        with pytest.raises(Refused, match="busy with the end"):
            joined.streamer.start("run-2", joined.index, joined.now)


def test_a_stop_request_is_m112_and_ends_the_run_at_once() -> None:
    """M112 ahead of all that waits; the run is aborted; the printer needs to be synchronised anew."""
    joined = wire(HOT)
    start(joined)
    steps(joined, 50)
    joined.streamer.stop(joined.now)
    joined.settle()
    assert joined.run_until("link-lost")["reason"].startswith("stop request")
    ended = joined.run_until("run-ended", within_s=1)
    assert (ended["outcome"], ended["reason"]) == ("aborted", "stop request")
    joined.run_for(0.1)
    assert joined.peer.urgent == [b"M112"]
    assert bytes(joined.sent).index(b"\nM112\n") < bytes(joined.sent).index(b"\nM104 S0\n")
    with pytest.raises(Refused, match="does not answer"):
        joined.streamer.start("run-2", joined.index, joined.now)


def test_a_reset_in_mid_job_aborts_and_nothing_is_printed_on_blindly() -> None:
    """The printer has restarted: the run is aborted, heaters go off when it answers, no line of the job follows."""
    joined = wire(HOT)
    start(joined)
    steps(joined, 100)
    joined.peer.last = 0
    joined.say(b"start\n")
    joined.run_until("printer-reset")
    ended = joined.run_until("run-ended")
    assert ended["outcome"] == "aborted"
    assert "restarted" in ended["reason"]
    printed = len(joined.peer.job)
    joined.run_until("link-up")
    joined.run_for(60)
    assert len(joined.peer.job) <= printed + 1  # the one under way
    assert joined.peer.executed[-5:].count(b"M140 S0") <= 1
    assert b"M104 S0" in joined.peer.executed
    start(joined)
    assert joined.run_until("run-ended")["outcome"] == "completed"


def test_a_lost_link_aborts_and_heaters_go_off_on_return() -> None:
    """The run is aborted with the reason; whoever comes back is told to cool before anything else, and is not fed."""
    joined = wire(HOT)
    start(joined)
    steps(joined, 100)
    joined.streamer.lost("unplugged", joined.now)
    joined.settle()
    assert joined.run_until("link-lost")["reason"] == "unplugged"
    assert joined.run_until("run-ended")["reason"] == "link lost: unplugged"
    assert joined.streamer.state is Run.IDLE
    joined.run_for(10)
    printed = len(joined.peer.job)
    joined.open()
    joined.run_until("link-up")
    at = joined.peer.executed.index(b"M110 N0", 100)
    assert joined.peer.executed[at + 1 : at + 4] == [b"M110 N0", b"M104 S0", b"M104 T0 S0"]
    joined.run_for(60)
    assert len(joined.peer.job) == printed


def test_a_machine_fault_aborts_and_sends_heaters_off_unnumbered() -> None:
    """The protocol has halted, so the safe end goes out raw; the fault is told with its text."""
    joined = wire(HOT)
    start(joined)
    steps(joined, 100)
    joined.say(b"Error:Thermal Runaway, system stopped! Heater_ID: 0\n")
    assert "Thermal Runaway" in joined.run_until("printer-error")["text"]
    assert joined.run_until("run-ended")["outcome"] == "aborted"
    assert b"\nM104 S0\n" in bytes(joined.sent)
    assert b"\nM140 S0\n" in bytes(joined.sent)


def test_a_job_that_changed_ends_before_its_first_bad_line() -> None:
    """A block that fails its digest is never offered: the run is aborted in order, with the reason."""
    joined = wire(HOT)
    good = joined.blocks[:2]
    joined.blocks = good
    joined.streamer.start("run-1", joined.index, joined.now)
    while joined.streamer.state is not Run.IDLE:
        block = joined.streamer.wanted_block
        if block is not None and block >= len(good):
            joined.streamer.abort("block 2 is not what was checked", joined.now)
        elif block is not None:
            joined.streamer.offer("run-1", block, good[block], joined.now)
        data = joined.streamer.take_output()
        joined.sent += data
        for reply in joined.peer.receive(data):
            joined.streamer.receive(reply, joined.now)
        joined.now += 0.01
        joined.streamer.tick(joined.now)
        joined.events += joined.streamer.take_events()
    ended = joined.run_until("run-ended")
    assert (ended["outcome"], ended["reason"]) == ("aborted", "block 2 is not what was checked")
    allowed = [command for block in good for _, command in block]
    assert joined.peer.job == allowed[: len(joined.peer.job)]
    assert joined.peer.executed[-2:] == [b"M140 S0", b"M105"]


def test_a_job_that_sets_the_line_counter_is_refused_at_that_line() -> None:
    """M110 within a job would break the numbering that guards it: the run ends there, and says so."""
    joined = wire(b"G90\nG91\nM110 N0\nG1 X1\n")
    start(joined)
    ended = joined.run_until("run-ended")
    assert ended["outcome"] == "aborted"
    assert "line 3" in ended["reason"]
    assert joined.peer.job == [b"G90", b"G91"]


@pytest.mark.parametrize(("allowed", "paused"), [(frozenset({"pause", "resume"}), True), (frozenset(), False)])
def test_actions_of_the_printer_are_honoured_by_a_list(allowed: frozenset[str], *, paused: bool) -> None:
    """`// action:` requests are honoured only where configured; others are told and nothing else (facts.md 1.2)."""
    joined = wire(settings=Settings(actions=allowed))
    start(joined)
    steps(joined, 50)
    joined.say(b"// action:pause\n")
    joined.run_for(2)
    assert ("remark", {"text": "pause", "kind": "action"}) in joined.events
    assert (joined.streamer.state is Run.PAUSED) is paused
    if paused:
        assert joined.run_until("paused") == {"run": "run-1", "by": "printer"}
        joined.say(b"// action:resume\n// action:cancel\n// action:poweroff\n")
    assert joined.run_until("run-ended")["outcome"] == "completed"
    assert joined.peer.job == commands_of(TEXT)


def test_the_printer_may_cancel() -> None:
    """`// action:cancel` ends the run in order."""
    joined = wire(HOT)
    start(joined)
    steps(joined, 50)
    joined.say(b"//action:cancel\n")
    ended = joined.run_until("run-ended")
    assert (ended["outcome"], ended["reason"]) == ("canceled", "canceled at the printer")
    assert b"M140 S0" in joined.peer.executed


def test_a_wait_for_a_person_is_told_as_a_pause_by_the_printer() -> None:
    """busy: paused for user; the next acknowledgement ends it."""
    joined = wire()
    start(joined)
    steps(joined, 50)
    joined.peer.mute = True
    joined.run_for(0.05)
    joined.say(b"busy: paused for user\n")
    assert joined.run_until("paused") == {"run": "run-1", "by": "printer"}
    for _ in range(30):
        joined.run_for(2)
        joined.say(b"busy: paused for user\n")
    joined.peer.mute = False
    joined.run_until("resumed", within_s=60)
    assert joined.run_until("run-ended")["outcome"] == "completed"
    assert joined.peer.job == commands_of(TEXT)


def test_a_remark_that_comes_with_every_move_is_told_once_in_a_while() -> None:
    """Cold extrusion prevented is followed by ok (facts.md 1.2), move after move: an event now and then tells enough."""

    class Cold(Peer):
        def _execute(self, command: bytes, number: int | None) -> list[bytes]:
            return [b"echo: cold extrusion prevented\n", *super()._execute(command, number)]

    joined = wire(peer=Cold(), execution_s=0.05)
    start(joined)
    kinds = remark_kinds(joined)
    assert set(kinds) == {"cold-extrusion"}
    assert 2 <= len(kinds) < 10


@pytest.mark.parametrize("reports", [True, False])
def test_temperatures_come_by_report_or_by_polling(*, reports: bool) -> None:
    """M155 where the capability is there; else M105 every two seconds, never more often."""
    joined = wire(peer=Peer(capabilities=("AUTOREPORT_TEMP:1",) if reports else ()))
    joined.run_for(60)
    asked = joined.peer.executed.count(b"M105")
    assert (b"M155 S2" in joined.peer.executed) is reports
    assert asked == (6 if reports else 30) or abs(asked - (6 if reports else 30)) <= 1
    if not reports:
        temperatures = [data for kind, data in joined.events if kind == "temperature"]
        assert len(temperatures) == asked
        assert temperatures[0] == {
            "hot_end_c": 20.3, "hot_end_target_c": 0.0, "bed_c": 19.2, "bed_target_c": 0.0,
        }  # fmt: skip


def test_the_position_witness_compares_reports_with_the_plan() -> None:
    """Where configured, M114 at the first block of a layer; the greatest difference stands in the event."""

    class Shifted(Peer):
        def _execute(self, command: bytes, number: int | None) -> list[bytes]:
            replies = super()._execute(command, number)
            return [b"X:10.00 Y:20.00 Z:0.40 E:5.00 Count X:800\n", *replies] if command == b"M114" else replies

    joined = wire(peer=Shifted(), settings=Settings(position_witness=True))
    blocks = joined.index.blocks
    blocks.x_mm[:], blocks.y_mm[:], blocks.z_mm[:] = ([value] * len(blocks.offset) for value in (10.0, 18.5, None))
    start(joined)
    found = joined.run_until("position")
    assert found["reported_mm"] == [10.0, 20.0, 0.4, 5.0]
    assert found["off_mm"] == 1.5
    assert joined.run_until("run-ended")["outcome"] == "completed"
    assert [command for command in joined.peer.job if command != b"M114"] == commands_of(TEXT)


def test_commands_out_of_place_are_refused_with_a_sentence() -> None:
    """Every command that makes no sense now says why and changes nothing."""
    joined = wire()
    with pytest.raises(Refused, match="nothing to pause"):
        joined.streamer.pause("service", joined.now)
    with pytest.raises(Refused, match="nothing to resume"):
        joined.streamer.resume(joined.now)
    with pytest.raises(Refused, match="nothing to cancel"):
        joined.streamer.cancel("x", joined.now)
    start(joined)
    with pytest.raises(Refused, match="in progress"):
        start(joined)
    assert joined.run_until("run-ended")["outcome"] == "completed"
    unconnected = Streamer(LineProtocol())
    with pytest.raises(Refused, match="does not answer"):
        unconnected.start("r", joined.index, 0.0)
    with pytest.raises(Refused, match="switch it off"):
        unconnected.stop(0.0)


def test_without_line_numbers_the_payload_goes_bare() -> None:
    """A printer that takes no numbers executes the payload as it stands."""
    joined = wire(numbered=False)
    start(joined)
    assert joined.run_until("run-ended")["outcome"] == "completed"
    assert joined.peer.job == commands_of(TEXT)
    assert b"N1" not in bytes(joined.sent)


def test_a_line_that_the_printer_never_takes_is_named_as_the_jobs() -> None:
    """A controller that cuts long lines asks for them again for ever: the end names line, length and what may be done."""
    text = TEXT + b"M117 " + b"bollard " * 16 + b"\n"

    class Cuts(Peer):
        def _take(self, line: bytes, replies: list[bytes]) -> None:
            super()._take(line[:96], replies)

    joined = wire(text, Cuts())
    start(joined)
    ended = joined.run_until("run-ended")
    assert ended["outcome"] == "aborted"
    assert "line 401 of the job" in ended["reason"]
    assert "bytes) was asked for 31 times" in ended["reason"]
    assert "longest_line_bytes" in ended["reason"]
    assert joined.peer.job == commands_of(TEXT)


def test_end_stops_reached_in_homing_are_no_news() -> None:
    """Homing is meant to end there; the same words in mid-print are passed on as what they are (facts.md 1.2)."""

    class Hits(Peer):
        def _execute(self, command: bytes, number: int | None) -> list[bytes]:
            hit = [b"echo:endstops hit: Y:0.30\n"] if command in {b"G28", b"M117 here"} else []
            return [*hit, *super()._execute(command, number)]

    moves = TEXT.split(b"\n")
    joined = wire(b"\n".join([b"G28", *moves[:100], b"M117 here", *moves[100:]]), Hits())
    start(joined)
    assert remark_kinds(joined) == ["other", "endstop"]


def test_unknown_commands_are_told_by_their_code() -> None:
    """A printer that does not know G1 says so of every move: once in a while is enough, whatever the figures."""

    class Knows(Peer):
        def _execute(self, command: bytes, number: int | None) -> list[bytes]:
            unknown = [b'echo:Unknown command: "%b"\n' % command] if command[:2] == b"G1" else []
            return [*unknown, *super()._execute(command, number)]

    joined = wire(peer=Knows())
    start(joined)
    assert remark_kinds(joined) == ["unknown-command"]
