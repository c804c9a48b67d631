"""The protocol machine, reply by reply, under a virtual clock. Forms and host actions are those of facts.md 1.2 and 1.3."""

import pytest

from layergate.link import signals
from layergate.link.framing import frame
from layergate.link.limits import Limits
from layergate.link.protocol import LineProtocol
from layergate.link.signals import Signal
from layergate.link.states import Link

LIMITS = Limits()


class Bench:
    """A machine that has been synchronised, with what it said and sent since."""

    def __init__(self, *, numbered: bool = True, ring_bytes: int | None = None) -> None:
        self.machine = LineProtocol(numbered=numbered, ring_bytes=ring_bytes)
        self.now = 100.0
        self.signals: list[Signal] = []
        self.machine.opened(self.now)
        self.say("start")
        self.wait(LIMITS.boot_quiet_s)
        assert self.sent() == (["N0 M110 N0*125"] if numbered else ["M105"])
        self.say("ok")
        assert self.sent() == (["N0 M110 N0*125"] if numbered else ["M105"])  # once more, to be sure
        self.say("ok")
        assert self.machine.state is Link.READY
        self.signals.clear()

    def say(self, *lines: str) -> list[Signal]:
        """Have the printer say some lines, in one piece, a millisecond later; give the signals."""
        self.now += 0.001
        return self._note(self.machine.receive("".join(line + "\n" for line in lines).encode(), self.now))

    def wait(self, seconds: float) -> list[Signal]:
        """Let time pass, ticking at every deadline."""
        until, found = self.now + seconds + 1e-9, list[Signal]()
        while (deadline := self.machine.deadline()) is not None and deadline <= until:
            self.now = max(self.now, deadline)
            found += self._note(self.machine.tick(self.now))
        self.now = until
        return found

    def send(self, *commands: str) -> None:
        """Submit commands for which there must be room."""
        for command in commands:
            assert self.machine.room(len(command)), command
            self.machine.submit(command.encode(), self.now)

    def sent(self) -> list[str]:
        """Give the lines sent since the last call."""
        return [line for line in self.machine.take_output().decode().split("\n") if line]

    def _note(self, found: list[Signal]) -> list[Signal]:
        self.signals += found
        return found


# -- opening ------------------------------------------------------------------------------------------------------------


def test_a_silent_printer_is_synchronised_after_the_boot_time() -> None:
    """Without a greeting M110 goes out when a bootloader would have ended, then again until it is acknowledged."""
    bench = Bench.__new__(Bench)
    bench.machine, bench.now, bench.signals = LineProtocol(), 0.0, []
    bench.machine.opened(0.0)
    bench.wait(LIMITS.boot_s - 0.1)
    assert bench.sent() == []
    bench.wait(0.2)
    assert bench.sent() == ["N0 M110 N0*125"]
    bench.wait(LIMITS.sync_retry_s * 2)
    assert bench.sent() == ["N0 M110 N0*125"] * 2
    assert bench.say("ok") == []
    assert bench.sent() == ["N0 M110 N0*125"]
    assert bench.say("ok") == []
    assert bench.wait(LIMITS.trailing_ok_s) == [signals.Synced()]


def test_a_repeated_sync_line_that_was_refused_after_all_is_not_agreed() -> None:
    """A printer that says ok to blank lines, and ok before the Resend, seems to have taken M110; its refusal follows."""
    bench = Bench.__new__(Bench)
    bench.machine, bench.now, bench.signals = LineProtocol(), 0.0, []
    bench.machine.opened(0.0)
    bench.wait(LIMITS.boot_s + LIMITS.sync_retry_s)
    assert bench.say("ok", "ok") == []
    bench.wait(LIMITS.settle_s)
    assert bench.say("Resend: 3") == []
    bench.wait(LIMITS.trailing_ok_s - LIMITS.settle_s)
    assert bench.machine.state is Link.SYNCING


def test_a_printer_that_does_not_know_m110_and_says_nothing_is_asked_by_a_gap() -> None:
    """It drops M110 like any number that it had; a line too far on is refused, and the refusal names what it wants."""
    bench = Bench.__new__(Bench)
    bench.machine, bench.now, bench.signals = LineProtocol(), 0.0, []
    bench.machine.opened(0.0)
    bench.wait(LIMITS.boot_s + LIMITS.sync_silences * LIMITS.sync_retry_s)
    for _ in range(LIMITS.sync_refusals):
        # Computed by facts.md 1.1, not sent by the machine under test.
        assert bench.sent()[-1] == "N32768 M105*47"
        assert bench.machine.state is Link.SYNCING
        bench.say("Resend: 8")
        bench.wait(LIMITS.trailing_ok_s)
    assert signals.Synced() in bench.signals
    bench.send("G28")
    assert bench.sent()[-1] == "N8 G28*27"  # facts.md 1.1


def test_a_stale_acknowledgement_does_not_stand_for_a_lost_sync_line() -> None:
    """A doubled ok of before arrives as M110 is refused: the counters are not taken as agreed."""
    bench = Bench()
    bench.machine.renumber(bench.now)
    bench.sent()
    assert bench.say("ok") == []
    assert bench.say("Error:checksum mismatch, Last Line: 1", "Resend: 2", "ok") == []
    bench.wait(LIMITS.trailing_ok_s)
    assert bench.say("ok", "ok") == []
    assert bench.wait(LIMITS.trailing_ok_s) == [signals.Synced()]


def test_a_greeting_is_waited_out() -> None:
    """Nothing is sent into a boot report; its lines are no remarks."""
    bench = Bench.__new__(Bench)
    bench.machine, bench.now, bench.signals = LineProtocol(), 0.0, []
    bench.machine.opened(0.0)
    for _ in range(20):
        assert bench.say("start", "echo: last reset: power up", "echo: settings") == []
        bench.wait(LIMITS.boot_quiet_s / 2)
    assert bench.sent() == []
    bench.wait(LIMITS.boot_quiet_s)
    assert bench.sent() == ["N0 M110 N0*125"]


def test_a_refused_sync_line_is_repeated() -> None:
    """A damaged M110 is asked for again; the ok that trails the Resend does not make the link ready."""
    bench = Bench()
    bench.machine.renumber(bench.now)
    assert bench.sent() == ["N0 M110 N0*125"]
    assert bench.say("Error:checksum mismatch, Last Line: 7", "Resend: 8", "ok") == []
    assert bench.machine.state is Link.SYNCING
    bench.wait(LIMITS.trailing_ok_s)
    assert bench.sent() == ["N0 M110 N0*125"]
    assert bench.say("ok", "ok") == []
    assert bench.wait(LIMITS.trailing_ok_s) == [signals.Synced()]


def test_a_printer_that_stays_mute_counts_as_lost() -> None:
    """Synchronising for ever without one byte in return ends the connection."""
    bench = Bench.__new__(Bench)
    bench.machine, bench.now, bench.signals = LineProtocol(), 0.0, []
    bench.machine.opened(0.0)
    found = bench.wait(LIMITS.boot_s + LIMITS.sync_silence_s + 1)
    assert [type(signal) for signal in found] == [signals.Unresponsive]


# -- numbering and window -----------------------------------------------------------------------------------------------


def test_lines_are_numbered_from_one_and_wait_for_acknowledgements() -> None:
    """By default one line is under way at a time, numbered from 1 with checksum."""
    bench = Bench()
    bench.send("M105")
    assert bench.sent() == ["N1 M105*38"]  # facts.md 1.1
    assert not bench.machine.room(1)
    assert signals.Acknowledged(1) in bench.say("ok T:20 /0")
    bench.send("M155 S2")
    assert bench.sent() == ["N2 M155 S2*97"]  # facts.md 1.1
    assert bench.say("ok") == [signals.Acknowledged(2)]
    assert bench.machine.quiet


def test_a_known_ring_is_filled_but_never_to_its_size() -> None:
    """With a ring of 128 bytes more lines go ahead, always fewer bytes than the ring holds (facts.md 1.3)."""
    bench = Bench(ring_bytes=128)
    move = "G1 X100.123 Y100.123 E1234.567 F1200"
    while bench.machine.room(len(move)):
        bench.send(move)
    sizes = [len(line) + 1 for line in bench.sent()]
    assert sizes == [43, 43]
    assert not bench.machine.room(len(move))
    assert bench.machine.room(128 - 86 - 10)
    bench.say("ok")
    assert bench.machine.room(len(move))


def test_reported_free_slots_widen_the_window_within_the_common_ring() -> None:
    """`ok P B` lets more lines go ahead, but never 64 bytes: the smallest common ring (facts.md 1.3)."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("ok N1 P15 B3")
    bench.send("G1 X2", "G1 X3", "G1 X4")
    assert not bench.machine.room(5)
    bench.say("ok N2 P15 B0")
    assert not bench.machine.room(5)
    bench.say("ok N3 P15 B0", "ok N4 P15 B0")
    bench.send("G1 X100.123 Y100.123 E1234.56789 F1")
    assert not bench.machine.room(34)


def test_line_numbers_of_very_long_jobs_do_not_wrap() -> None:
    """Numbers beyond 65535 and 99999 go on (seen in transcripts, facts.md 1.1); short counters in replies are understood."""
    bench = Bench()
    ledger = bench.machine.ledger
    ledger.last, ledger.cursor, ledger.acked = 65047, 65048, 65047
    bench.send("G1 X136.689 Y160.389 E6563.257")
    assert bench.sent() == ["N65048 G1 X136.689 Y160.389 E6563.257*93"]  # facts.md 1.1
    bench.say("ok")
    for number in range(65049, 131080):
        bench.machine.submit(b"G1 X1", bench.now)
        form = ("ok", f"ok {number}", f"ok {number % 65536}", f"ok N:{number}")[number % 4]
        assert bench.say(form) == [signals.Acknowledged(number)], form
    bench.send("G1 X2")
    assert bench.sent()[-1].startswith("N131080 ")
    bench.say("Error:checksum mismatch, Last Line: 7", f"Resend: {131080 - 131072}")
    bench.wait(LIMITS.settle_s)
    assert [line.split("*")[0] for line in bench.sent()] == ["N131080 G1 X2"]
    assert bench.machine.ledger.acked == 131079


# -- acknowledgements ---------------------------------------------------------------------------------------------------


def test_an_acknowledgement_with_a_number_is_matched() -> None:
    """One with the number of a line already acknowledged is a double; one with a later number covers those before it."""
    bench = Bench(ring_bytes=1000)
    bench.send("G1 X1", "G1 X2", "G1 X3", "G1 X4")
    bench.say("ok 1")
    assert bench.say("ok 1") == []
    assert bench.machine.ledger.excess == 1
    assert bench.say("ok 3") == [signals.Acknowledged(3)]
    assert bench.machine.lost_acks == 1


def test_a_doubled_acknowledgement_in_one_piece_credits_nothing() -> None:
    """What arrives with an acknowledgement can't belong to a line that was not sent yet."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("ok", "ok")
    assert bench.machine.ledger.excess == 1
    bench.send("G1 X2")
    assert not bench.machine.quiet


def test_the_answer_to_m105_corrects_a_miscount() -> None:
    """After doubled acknowledgements the answer that names temperatures shows which line it belongs to."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("ok")
    bench.send("M105")
    bench.say("ok")  # the double of the one before, late
    bench.send("G1 X2")
    assert bench.machine.ledger.acked == 2
    bench.say("ok T:20 /0 B:20 /0")
    assert bench.machine.ledger.acked == 2
    assert not bench.machine.quiet  # X2 is still under way, though two oks came since it was sent
    assert bench.say("ok") == [signals.Acknowledged(3)]


def test_many_more_acknowledgements_than_lines_are_an_error() -> None:
    """A printer that acknowledges everything twice speaks another dialect: give up, say why."""
    bench = Bench()
    for number in range(1000):
        bench.send(f"G1 X{number}")
        if any(isinstance(signal, signals.GaveUp) for signal in bench.say("ok", "ok")):
            break
    assert isinstance(bench.signals[-1], signals.GaveUp)
    assert "more than there were lines" in bench.signals[-1].reason
    assert bench.machine.state is Link.HALTED


# -- resends ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["Resend: 2", "Resend:2", "rs 2", "rs N2"])
@pytest.mark.parametrize("trailing_ok", [True, False])
def test_a_line_asked_for_again_goes_out_with_the_same_number(form: str, *, trailing_ok: bool) -> None:
    """Both lineages; the ok right after Resend acknowledges the bad line, not the one sent again."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("ok")
    bench.send("G1 X2")
    first = bench.sent()[-1]
    found = bench.say("Error:checksum mismatch, Last Line: 1", form, *(["ok"] if trailing_ok else []))
    assert found == [signals.ResendAsked(2)]
    bench.wait(LIMITS.settle_s)
    assert bench.sent() == [first]
    assert bench.machine.ledger.acked == 1
    assert not bench.machine.room(1)
    assert bench.say("ok") == [signals.Acknowledged(2)]


def test_the_trailing_ok_is_known_from_its_second_time_on() -> None:
    """Once learned, the line goes out again as soon as the trailing ok is there, and a late one is waited for."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("Error:checksum mismatch, Last Line: 0", "Resend: 1", "ok")
    bench.wait(LIMITS.settle_s)
    bench.say("ok")
    bench.send("G1 X2")
    bench.sent()
    bench.say("Error:checksum mismatch, Last Line: 1", "Resend: 2")
    bench.wait(LIMITS.trailing_ok_s / 2)
    assert bench.sent() == []
    bench.say("ok")
    assert [line[:2] for line in bench.sent()] == ["N2"]
    assert bench.machine.ledger.acked == 1


def test_a_window_of_refused_lines_is_one_round() -> None:
    """Every line under way past the bad one fails too and brings its own Resend: act once, from the line asked for."""
    bench = Bench(ring_bytes=1000)
    bench.send("G1 X1", "G1 X2", "G1 X3", "G1 X4")
    bench.sent()
    bench.say("ok")
    for what in ("checksum mismatch", "Line Number is not Last Line Number+1", "Line Number is not Last Line Number+1"):
        bench.say(f"Error:{what}, Last Line: 1", "Resend: 2", "ok")
    bench.wait(LIMITS.settle_s)
    assert [line.split()[0] for line in bench.sent()] == ["N2"]  # alone, until it is accepted
    bench.say("ok")
    assert [line.split()[0] for line in bench.sent()] == ["N3", "N4"]
    assert bench.machine.resends == 1
    assert bench.machine.stale_resends == 2


def test_a_refused_double_is_no_new_round() -> None:
    """A line that came twice is refused by its number; the line under way meanwhile is not sent again for it."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("ok")
    bench.send("G1 X2")
    bench.sent()
    assert bench.say("Error:Line Number is not Last Line Number+1, Last Line: 1", "Resend: 2", "ok") == []
    bench.wait(LIMITS.settle_s * 2)
    assert bench.sent() == []
    assert bench.say("ok") == [signals.Acknowledged(2)]


def test_refusals_of_a_repeated_probe_are_told_from_that_of_the_next_line() -> None:
    """A slow printer refuses each repetition afterwards, for a reason that says nothing; the line sent meanwhile stays."""
    bench = Bench()
    bench.send("G1 X1")
    bench.wait(LIMITS.first_timeout_s * 8)
    repeats = bench.sent().count("N2 M105*37") - 1
    assert repeats >= 2
    bench.say("ok", "ok T:20 /0")
    bench.say("Error:that was no good", "Resend: 3")
    bench.send("G1 X2")
    for _ in range(repeats - 1):
        bench.say("Error:that was no good", "Resend: 3")
    bench.wait(LIMITS.settle_s)
    assert [line.split("*")[0] for line in bench.sent()] == ["N3 G1 X2"]
    assert bench.say("ok") == [signals.Acknowledged(3)]
    assert bench.machine.resends == 0


def test_a_wrong_guess_at_the_trailing_ok_is_unlearned() -> None:
    """An ok came by chance after a Resend, of a printer that sends none; the next lines' own are believed soon again."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("Resend: 1")
    bench.say("ok")
    bench.wait(LIMITS.settle_s)
    bench.say("ok")
    for _ in range(5):
        bench.say(f"Resend: {bench.machine.ledger.last + 1}")
        bench.send("G1 X2")
        if signals.Acknowledged(bench.machine.ledger.last) in bench.say("ok"):
            break
        bench.wait(LIMITS.first_timeout_s)
        assert signals.Acknowledged(bench.machine.ledger.last) in bench.say("ok T:20 /0")
    assert bench.machine.quiet
    assert bench.machine.probes <= 4  # two rounds


def test_a_resend_of_the_next_line_acknowledges_all() -> None:
    """Who asks for the line after the last has taken all others."""
    bench = Bench(ring_bytes=1000)
    bench.send("G1 X1", "G1 X2")
    assert signals.Acknowledged(2) in bench.say("Resend: 3")
    assert bench.machine.quiet
    assert bench.machine.lost_acks == 2


def test_a_resend_storm_is_given_up() -> None:
    """A line asked for again and again without progress ends the attempt, with a reason."""
    bench = Bench()
    bench.send("G1 X1")
    for _ in range(LIMITS.same_line_resends + 1):
        assert bench.machine.state is not Link.HALTED
        bench.say("Error:checksum mismatch, Last Line: 0", "Resend: 1", "ok")
        bench.wait(LIMITS.trailing_ok_s)
    assert isinstance(bench.signals[-1], signals.GaveUp)
    bench.sent()
    bench.wait(LIMITS.halted_s - LIMITS.trailing_ok_s - 0.1)
    assert bench.sent() == []


def test_damaged_digits_of_a_resend_are_not_believed() -> None:
    """Replies have no checksum: a number far behind or ahead starts a probe instead, whose answer is believed."""
    bench = Bench()
    for number in range(40):
        bench.send(f"G1 X{number}")
        bench.say("ok")
    bench.send("G1 X99")
    bench.sent()
    for wrong in (4, 1, 411, 9999):
        bench.say("Error:checksum mismatch, Last Line: 40", f"Resend: {wrong}")
        bench.wait(LIMITS.settle_s)
        assert bench.sent() == [bench.machine.ledger.line(42).frame.decode().strip()]  # the same probe each time
    bench.say("Error:Line Number is not Last Line Number+1, Last Line: 40", "Resend: 41")
    bench.wait(LIMITS.trailing_ok_s)
    assert bench.sent()[0].startswith("N41 G1 X99*")


# -- silence ------------------------------------------------------------------------------------------------------------


def test_a_lost_acknowledgement_is_found_by_a_probe() -> None:
    """Overdue: one more numbered line that moves nothing; its acceptance shows that all before it were accepted."""
    bench = Bench()
    bench.send("G1 X1")
    bench.sent()
    bench.wait(LIMITS.first_timeout_s)
    assert bench.sent() == ["N2 M105*37"]
    assert signals.Acknowledged(2) in bench.say("ok T:20 /0 B:20 /0")
    assert bench.machine.quiet
    assert bench.machine.lost_acks == 1


def test_a_lost_line_is_found_by_a_probe() -> None:
    """Overdue: the probe's number leaves a gap, and the printer names the line that it misses (facts.md 1.2)."""
    bench = Bench()
    bench.send("G1 X1")
    line = bench.sent()[-1]
    bench.wait(LIMITS.first_timeout_s)
    probe = bench.sent()[-1]
    bench.say("Error:Line Number is not Last Line Number+1, Last Line: 0", "Resend: 1")
    bench.wait(LIMITS.settle_s * 3)
    assert bench.sent() == [line]
    bench.say("ok")
    assert bench.sent() == [probe]


def test_what_moves_is_never_sent_again_for_being_slow() -> None:
    """Through a quarter of an hour of silence broken only by reports, the move goes out exactly once."""
    bench = Bench()
    bench.send("G1 X200 F10")
    assert [line.split("*")[0] for line in bench.sent()] == ["N1 G1 X200 F10"]
    for _ in range(800):
        bench.wait(1.0)
        bench.say("T:200 /200 B:60 /60")
    assert {line.split("*")[0].split()[1] for line in bench.sent()} == {"M105"}
    assert bench.machine.state is Link.PROBING


@pytest.mark.parametrize("answer", [b"ok 1 T:20.3 /0.0 B:19.2 /0.0", b"ok 31\n", b"\xf7k 131\n"])
def test_an_unreadable_answer_to_a_long_command_is_asked_for_at_once(answer: bytes) -> None:
    """Its end was lost, or a digit of its number: waiting for more would take the ten seconds of a long command."""
    bench = Bench()
    for number in range(1, 131):
        bench.send("G1 X1")
        bench.say(f"ok {number}")
    bench.send("M400")
    bench.sent()
    bench.machine.receive(answer, bench.now)
    assert bench.machine.ledger.acked == 130
    bench.wait(LIMITS.stray_wait_s + LIMITS.shortest_timeout_s)
    assert [line.split("*")[0] for line in bench.sent()] == ["N132 M105"]
    bench.say("", "ok T:20.3 /0.0 B:19.2 /0.0")
    assert bench.machine.ledger.acked == 132
    assert bench.machine.ledger.last == 132


def test_a_probe_that_may_have_been_had_is_followed_by_one_too_far_on() -> None:
    """Its answer was lost, and this printer drops repeated numbers in silence: a gap makes it say where it is."""
    bench = Bench()
    bench.send("G1 X1")
    bench.wait(120)
    numbers = [line.split()[0] for line in bench.sent()[1:]]
    assert numbers[: 2 * LIMITS.probe_repeats] == ["N2"] * (1 + LIMITS.probe_repeats) + ["N32770"] * (
        LIMITS.probe_repeats - 1
    )
    assert signals.Acknowledged(2) in bench.say("Resend: 3")
    assert bench.machine.quiet


def test_temperatures_on_every_acknowledgement_show_nothing() -> None:
    """A printer says them with each line: once that is known, one ok credits one line, question under way or not."""
    bench = Bench(ring_bytes=200)
    always = "ok T:20.3 /0.0 B:19.2 /0.0"
    for _ in range(6):
        bench.send("G1 X1")
        bench.say(always)
    acked = bench.machine.ledger.acked
    bench.send("G1 X2", "G1 X3", "M105")
    bench.say(always)
    assert bench.machine.ledger.acked == acked + 1
    bench.say(always, always)
    assert (bench.machine.ledger.acked, bench.machine.ledger.excess) == (acked + 3, 0)


def test_doubled_answers_do_not_make_temperatures_meaningless() -> None:
    """One in five answers to M105 comes twice (far more than any wire does): the answers go on to show their lines."""
    bench = Bench(ring_bytes=200)
    for number in range(40):
        bench.send("M105")
        bench.say(*["ok T:20.3 /0.0"] * (2 if number % 5 == 0 else 1))
    acked = bench.machine.ledger.acked
    bench.send("G1 X2", "G1 X3", "M105")
    bench.say("ok T:20.3 /0.0")
    assert bench.machine.ledger.acked == acked + 3


def test_long_commands_have_no_line_timeout() -> None:
    """A heat-up that says its temperatures is waited for; a probe now and then finds a lost acknowledgement."""
    bench = Bench()
    bench.send("M109 S205")
    bench.sent()
    bench.wait(LIMITS.longest_timeout_s - 0.1)
    assert bench.sent() == []
    for second in range(2000):
        bench.wait(1.0)
        found = bench.say(f"T:{20 + second / 10} E:0 W:?")
        assert [type(signal) for signal in found] == [signals.Temperatures]
    assert len(bench.sent()) < 12
    assert bench.machine.state is Link.PROBING
    bench.say("ok")
    assert bench.machine.ledger.acked == 1


def test_a_long_command_that_falls_silent_counts_as_lost() -> None:
    """No line time-out, but a liveness condition."""
    bench = Bench()
    bench.send("G29")
    assert bench.wait(LIMITS.long_silence_s - 1) == []
    assert [type(signal) for signal in bench.wait(2)] == [signals.Unresponsive]


def test_moves_that_fall_silent_count_as_lost_sooner() -> None:
    """Silence is indistinguishable from unplugging (anchors.md B.3): prompt lines allow less of it."""
    bench = Bench()
    bench.send("G1 X1")
    found = bench.wait(LIMITS.silence_s + 1)
    assert [type(signal) for signal in found] == [signals.Unresponsive]


def test_a_person_may_take_as_long_as_needed() -> None:
    """M0 and filament changes wait in silence without limit; a few probes see whether the command had arrived at all."""
    bench = Bench()
    bench.send("M600")
    bench.sent()
    assert bench.wait(24 * 3600) == []
    probes = bench.sent()
    assert len(probes) == LIMITS.person_probes
    # Computed by facts.md 1.1, not sent by the machine under test.
    assert set(probes) == {"N2 M105*37", "N32770 M105*38"}


def test_a_wait_for_a_person_that_never_arrived_is_found() -> None:
    """The line was lost, so nobody will ever be asked: a probe finds the gap, and the printer asks for the line."""
    bench = Bench()
    bench.send("M600")
    bench.sent()
    bench.wait(LIMITS.longest_timeout_s + 0.1)
    bench.say("Error:Line Number is not Last Line Number+1, Last Line: 0", "Resend: 1", "ok")
    bench.wait(1.0)
    assert bench.sent()[-1].startswith("N1 M600*")


def test_an_unreadable_answer_is_asked_for_again_at_once() -> None:
    """Answers that are damaged come from a printer that is not slow: sixteen probes within seconds, then fewer."""
    bench = Bench()
    bench.send("G1 X1")
    bench.sent()
    for _ in range(LIMITS.hurried_probes):
        bench.say("Re\x05end 1")
        bench.wait(LIMITS.shortest_timeout_s + 0.01)
        assert [line.split("*")[0].split()[1] for line in bench.sent()] == ["M105"]
    for _ in range(20):
        bench.say("Re\x05end 1")
        bench.wait(LIMITS.shortest_timeout_s + 0.01)
    assert len(bench.sent()) <= 4  # at growing intervals again, within 5 s: not even the worst wire makes a storm


def test_half_a_reply_does_not_spoil_the_answer_to_a_probe() -> None:
    """A reply whose line end was lost is dropped before the printer is asked anew."""
    bench = Bench()
    bench.send("G1 X1")
    bench.machine.receive(b"o", bench.now)
    bench.wait(LIMITS.first_timeout_s + 0.1)
    bench.say("ok T:20.0 /0.0")
    assert bench.machine.ledger.acked == 2


def test_busy_restarts_the_timeout() -> None:
    """While the printer says that it works, nothing is probed (keepalive period 2 s by default, facts.md 1.2)."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("ok")
    bench.send("G1 Z100 F60")
    bench.sent()
    first = bench.wait(0.2)
    for _ in range(60):
        found = bench.say("echo:busy: processing")
        assert found == [signals.Busy("processing", waits_for_person=False)]
        bench.wait(2.0)
    assert first == []
    assert bench.sent() == []


def test_wait_with_lines_under_way_means_a_lost_acknowledgement() -> None:
    """Idle firmware says so: the probe goes out at once, unless the word may have crossed our line."""
    bench = Bench()
    bench.send("G1 X1")
    bench.sent()
    bench.say("wait")
    assert bench.sent() == []
    bench.wait(LIMITS.stray_wait_s + 0.05)
    bench.say("wait")
    assert bench.sent() == ["N2 M105*37"]


def test_wait_with_nothing_under_way_means_nothing() -> None:
    """About once a second, for hours, without effect."""
    bench = Bench()
    for _ in range(100):
        assert bench.say("wait") == []
        bench.wait(1.0)
    assert bench.sent() == []
    assert bench.machine.state is Link.READY


# -- resets, faults, stops ----------------------------------------------------------------------------------------------


def test_a_greeting_in_mid_job_is_a_reset() -> None:
    """Position and temperatures are gone: told at once, and nothing is renumbered and carried on."""
    bench = Bench()
    bench.send("G1 X1")
    bench.sent()
    assert bench.say("start") == [signals.PrinterReset("start")]
    assert bench.machine.state is Link.BOOTING
    assert not bench.machine.room(1)
    bench.wait(LIMITS.boot_quiet_s)
    assert bench.sent() == ["N0 M110 N0*125"]
    bench.say("ok")
    bench.say("ok")
    bench.sent()
    bench.wait(5)
    assert bench.sent() == []


def test_a_reset_whose_greeting_was_lost_is_seen_by_its_counter() -> None:
    """Who asks for line 1 after line 138, again and again, has restarted ("expected line 1 got 139", facts.md 1.2)."""
    bench = Bench()
    for _ in range(138):
        bench.send("G1 X1")
        bench.say("ok")
    bench.send("G1 X2")
    for _ in range(LIMITS.reset_repeats):
        bench.say("Error:expected line 1 got 139", "Resend:1")
        bench.wait(LIMITS.trailing_ok_s)
    assert [type(signal) for signal in bench.signals if not isinstance(signal, signals.Acknowledged)] == [
        signals.PrinterReset
    ]
    assert not any(" G1 X1*" in line for line in bench.sent()[139:])


@pytest.mark.parametrize("text", ["!!", "Error:Heating failed, system stopped! Heater_ID: 0"])
def test_a_machine_fault_stops_sending(text: str) -> None:
    """Hardware faults (facts.md 1.2): nothing more goes out, and it is told once."""
    bench = Bench()
    bench.send("G1 X1")
    bench.sent()
    assert bench.say(text, text, "ok") == [signals.MachineFault(text)]
    assert not bench.machine.room(1)
    bench.wait(LIMITS.halted_s - 0.1)
    assert bench.sent() == []


def test_an_unknown_error_is_the_wires_only_if_a_resend_follows() -> None:
    """`Error:` of unknown words: a Resend within half a second shows that the wire is meant."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("Error:bad bytes", "Resend: 1")
    bench.wait(1)
    assert bench.machine.state is not Link.HALTED
    bench.say("ok")
    bench.send("G1 X2")
    bench.say("Error:bad bytes")
    assert signals.MachineFault("Error:bad bytes") in bench.wait(LIMITS.error_judged_s)


def test_an_error_in_a_boot_report_is_a_remark() -> None:
    """What a printer complains of while it starts (settings that can't be read, say) does not halt the link."""
    bench = Bench()
    bench.say("start", "Error:settings not readable")
    bench.wait(LIMITS.boot_quiet_s * 2)
    bench.say("ok")
    bench.say("ok")
    assert bench.machine.state is Link.READY


def test_a_stop_request_goes_ahead_of_everything() -> None:
    """M112 unnumbered, with a leading LF, and what waited to be sent is dropped (facts.md 1.3)."""
    bench = Bench(ring_bytes=1000)
    bench.send("G1 X1", "G1 X2")
    assert bench.machine.stop_request(bench.now) == b"\nM112\n"
    assert bench.sent() == []
    assert bench.machine.state is Link.HALTED
    assert bench.say("ok", "ok", "Resend: 1") == []
    assert bench.sent() == []


def test_after_a_halt_the_printer_is_synchronised_anew() -> None:
    """Either by its greeting, or when it answers M110 again after a while."""
    bench = Bench()
    bench.machine.stop_request(bench.now)
    bench.wait(LIMITS.halted_s)
    assert bench.sent() == ["N0 M110 N0*125"]
    assert bench.say("ok") == []
    assert bench.say("ok") == [signals.Synced()]


def test_a_lost_connection_forgets_what_was_under_way() -> None:
    """After reopening the numbering begins anew; nothing of before is sent."""
    bench = Bench(ring_bytes=1000)
    bench.send("G1 X1", "G1 X2")
    bench.machine.closed()
    assert bench.sent() == []
    bench.machine.opened(bench.now)
    bench.wait(LIMITS.boot_s)
    assert bench.sent() == ["N0 M110 N0*125"]
    bench.say("ok")
    bench.say("ok")
    bench.sent()
    bench.send("M105")
    assert bench.sent() == ["N1 M105*38"]


# -- what else it says --------------------------------------------------------------------------------------------------


def test_remarks_actions_and_reports_become_signals() -> None:
    """Information is passed on with its kind; none of it is an acknowledgement."""
    bench = Bench()
    bench.send("G1 X1")
    assert bench.say("echo: cold extrusion prevented") == [
        signals.Remark("echo: cold extrusion prevented", "cold-extrusion")
    ]
    assert bench.say("// action:pause") == [signals.Action("pause")]
    assert bench.say("X:1.00 Y:2.00 Z:3.00 E:4.00 Count X:0") == [signals.Position(1.0, 2.0, 3.0, 4.0)]
    assert bench.say("busy: paused for user") == [signals.Busy("paused for user", waits_for_person=True)]
    assert not bench.machine.quiet


# -- proof --------------------------------------------------------------------------------------------------------------


def test_a_proof_repeats_the_last_query_and_believes_the_refusal() -> None:
    """The refusal of a repeated number names the next one: all was taken."""
    bench = Bench()
    bench.send("M105")
    bench.say("ok T:20 /0")
    bench.sent()
    bench.machine.prove(bench.now)
    assert bench.sent() == ["N1 M105*38"]
    assert signals.Proved() in bench.say("Error:Line Number is not Last Line Number+1, Last Line: 1", "Resend: 2", "ok")
    assert bench.machine.quiet


def test_a_failed_proof_finds_the_missing_line() -> None:
    """Acknowledged by mistake, but not taken: the proof names it, it is sent, and the proof is tried again."""
    bench = Bench()
    bench.send("G1 X1")
    bench.say("ok")
    bench.send("M105")
    bench.say("ok T:20 /0")
    sent = bench.sent()
    bench.machine.prove(bench.now)
    bench.sent()
    bench.say("Error:Line Number is not Last Line Number+1, Last Line: 0", "Resend: 1")
    bench.wait(LIMITS.settle_s)
    bench.say("ok")
    bench.say("ok T:20 /0")
    assert bench.sent() == [*sent, sent[-1]]
    assert signals.Proved() in bench.say("Resend: 3")


@pytest.mark.parametrize("answer", ["ok duplicate line:1", "ok N:1"])
def test_a_proof_may_be_an_acknowledgement_with_the_number(answer: str) -> None:
    """One lineage acknowledges a repeated number, and names it (facts.md 1.2)."""
    bench = Bench()
    bench.send("M105")
    bench.say("ok T:20 /0")
    bench.machine.prove(bench.now)
    assert signals.Proved() in bench.say(answer)


def test_a_printer_that_refuses_nothing_does_not_hold_a_run_up() -> None:
    """Where repeated numbers are accepted there is no proof to be had; that ends after a few attempts."""
    bench = Bench()
    bench.send("M105")
    bench.say("ok T:20 /0")
    bench.machine.prove(bench.now)
    for _ in range(LIMITS.proof_oks + 1):
        bench.say("ok T:20 /0")
        bench.wait(0.001)
    assert signals.Proved() in bench.signals


def test_a_printer_that_drops_repeated_numbers_in_silence_does_not_hold_a_run_up() -> None:
    """No refusal comes: after a few attempts a line too far on, whose refusal is the proof."""
    bench = Bench()
    bench.send("M105")
    bench.say("ok T:20 /0")
    bench.machine.prove(bench.now)
    bench.sent()
    bench.wait(60)
    lines = bench.sent()
    gaps = len(lines) - LIMITS.proof_tries + 1
    assert [line.split()[0] for line in lines] == ["N1"] * (LIMITS.proof_tries - 1) + ["N32769"] * gaps
    assert 1 <= gaps < 10
    assert signals.Proved() in bench.say("Resend: 2")
    assert bench.machine.quiet


def test_an_answer_that_shows_its_line_is_certain_and_a_plain_one_is_not() -> None:
    """A plain ok may be another line's double; where answers to M105 are known to show, nothing less is certain."""
    bench = Bench()
    bench.send("M105")
    bench.say("ok T:20 /0")
    assert bench.machine.is_certain(1)
    bench.send("G1 X1")
    bench.say("ok")
    bench.send("M105")
    bench.say("ok")  # a double of the one before
    assert bench.machine.quiet
    assert not bench.machine.is_certain(3)


# -- without line numbers -----------------------------------------------------------------------------------------------


def test_without_numbers_lines_go_bare_and_acknowledgements_count() -> None:
    """Where the dialect has no numbers: no frame, no resend; a lost acknowledgement is still found by M105."""
    bench = Bench(numbered=False)
    bench.send("G1 X1")
    assert bench.sent() == ["G1 X1"]
    assert bench.say("ok") == [signals.Acknowledged(1)]
    bench.send("G1 X2")
    bench.sent()
    bench.say("Resend: 1")
    bench.wait(LIMITS.longest_timeout_s)
    assert set(bench.sent()) == {"M105"}
    assert signals.Acknowledged(3) in bench.say("ok T:20 /0")
    assert not bench.machine.doubtful


# -- lines that were there before ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("dropped", [("ok duplicate line:0",), ("skip 0", "ok")])
def test_an_m110_dropped_as_a_duplicate_sets_no_counter(dropped: tuple[str, ...]) -> None:
    """A printer that keeps counting drops N0 as a line it had (facts.md 1.2): its next number is asked for instead."""
    bench = Bench()
    bench.send("M105")
    bench.say("ok T:20 /0")
    bench.sent()
    bench.machine.renumber(bench.now)
    assert bench.sent() == ["N0 M110 N0*125"]
    for _ in range(LIMITS.sync_refusals):
        bench.say(*dropped)
        bench.wait(LIMITS.settle_s)
        dropped = ()
        assert [line.split()[0] for line in bench.sent()] == ["N32768"]
        bench.say("Error:Line Number is not Last Line Number+1, Last Line: 2", "Resend: 3", "ok")
        bench.wait(LIMITS.trailing_ok_s)
    bench.sent()
    bench.send("G28")
    assert bench.sent() == [frame(3, b"G28").decode().strip()]


@pytest.mark.parametrize("dropped", [("ok duplicate line:2",), ("skip 2", "ok")])
def test_a_line_that_went_out_once_can_not_have_been_there_before(dropped: tuple[str, ...]) -> None:
    """The printer has dropped it and counts otherwise: taking it as accepted would lose it in silence."""
    bench = Bench()
    bench.send("G28")
    bench.say("ok")
    bench.send("G1 X1")
    found = bench.say(*dropped)
    assert any(isinstance(signal, signals.GaveUp) for signal in found)
    assert signals.Acknowledged(2) not in bench.signals


def test_a_line_that_went_out_twice_may_have_been_there_before() -> None:
    """An acknowledgement was lost; the repeated question is dropped, which says that it was taken (facts.md 1.2)."""
    bench = Bench()
    bench.send("M105")
    bench.sent()
    bench.wait(LIMITS.first_timeout_s)
    assert bench.sent() == [frame(1, b"M105").decode().strip()]
    assert signals.Acknowledged(1) in bench.say("ok duplicate line:1")
    assert bench.machine.quiet
