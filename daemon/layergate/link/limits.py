"""Times and counts of the line protocol, each with its unit and its reason. Data only."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Times in seconds and counts of the line protocol, each with its reason."""

    boot_s: float = 2.5
    """Listen this long after opening. Opening may reset a board, whose bootloader takes 1-2 s (common practice)."""
    boot_quiet_s: float = 0.3
    """After a greeting the settings report follows; go on when it has paused this long."""
    boot_longest_s: float = 10.0
    """Go on after this long in any case: some never stop talking."""
    sync_retry_s: float = 2.0
    """M110 unanswered: again. It moves nothing, so repeating it is harmless."""
    sync_oks: int = 2
    """So many acknowledgements of M110 in a row before lines are sent."""
    sync_refusals: int = 6
    """M110 refused so often in a row, each time for the same line: the printer does not know it, and goes on counting.
    With 1 % of bytes damaged a sixth of all M110 are refused for that: six in a row come once in 50,000."""
    sync_silences: int = 3
    """M110 in vain so often, for 6 s: from then on ask in turn for the number wanted, by a line too far on. Odd."""
    sync_silence_s: float = 30.0
    """Not one byte while synchronising: the connection counts as lost and is opened anew."""
    first_timeout_s: float = 1.0
    """Line time-out before any acknowledgement was timed."""
    shortest_timeout_s: float = 0.25
    """Not below: USB converters hold bytes back for 16 ms, busy hosts for longer. A time-out costs one probe."""
    longest_timeout_s: float = 10.0
    """Not above, for the first probe: longer moves than this are rare, and a probe too many is harmless."""
    longest_probe_interval_s: float = 30.0
    longest_probe_interval_long_s: float = 300.0
    """The same with a long command under way: its lost acknowledgement is found 5 min later at most, and a heat-up of
    half an hour takes some 11 probes, which a ring holds."""
    busy_holds_s: float = 5.0
    """A ``busy`` excuses silence for so long: they come every 2 s by default (facts.md 1.2), and one may be lost."""
    lagging_answers: int = 2
    """So many polls in a row that seemed to bring the answer awaited for longer: one was lost, most likely. By chance a slow
    move ends within ``stray_wait_s`` of a poll once in ten, so a probe in vain comes once in a hundred polls."""
    person_probes: int = 5
    """So many probes, over 5 min, while a command may wait for a person: enough to find one that never arrived."""
    hurried_probes: int = 16
    """Probes in a row that may come at once because the answer could not be read. With 1 % of bytes damaged both ways
    two answers in five are unreadable, so 16 in a row come once in a million."""
    hurried_probes_long: int = 4
    """The same with a long command under way, whose reports (a bed's heights) may be unreadable to us as well."""
    settle_s: float = 0.01
    """After a Resend, quiet this long means that all answers to lines under way are in."""
    trailing_ok_s: float = 0.25
    """Wait this long for the ``ok`` that one lineage sends right after a Resend, once it was seen to do so."""
    stray_wait_s: float = 0.2
    """A ``wait`` counts only if our newest line is older: it may have been sent before that line arrived."""
    error_judged_s: float = 0.5
    """An unknown ``Error:`` is the wire's if a Resend follows within this, else the machine's."""
    reason_after_s: float = 0.1
    """An unknown ``Error:`` this soon after a Resend is the reason for that."""
    silence_s: float = 180.0
    """Nothing heard with prompt lines under way: lost. Slow single moves last minutes at most, and busy reports break
    the silence where there are any."""
    long_silence_s: float = 900.0
    """The same with heating, homing, probing or unknown macros under way, in firmware without busy reports."""
    no_progress_s: float = 900.0
    """The printer talks, but takes no line for so long, though none waits for a person: give up."""
    same_line_resends: int = 30
    """Resends of one line without progress. With 1 % of bytes damaged a third of all lines fail: 30 in a row are then
    less likely than 1e-13."""
    excess_base: int = 20
    excess_share: float = 0.25
    """Acknowledgements beyond lines: an error above base + share of the lines. With 1 % of bytes damaged both ways some
    10 % are miscounted (tests/link/test_damage.py); a printer that acknowledges everything twice reaches 100 %."""
    halted_s: float = 10.0
    """After a halt, see so often whether the printer can be synchronised again."""
    reset_slack_lines: int = 64
    """A Resend further behind the last acknowledged line than this can't come from miscounted acknowledgements."""
    sure_slack_lines: int = 4
    """One further behind than this is believed when it is repeated: replies have no checksum, and a lost digit turns
    line 53 into line 5."""
    proof_tries: int = 3
    """Repeated numbers that bring no reply at all: the printer drops them in silence, so ask by a line too far on."""
    probe_repeats: int = 3
    """A probe goes out again under its number so often, then a line too far on: the printer may have had it, and drop
    what it had in silence."""
    first_lines: int = 3
    """After so many acknowledged lines a Resend of line 1 can only come from a printer that has restarted."""
    reset_repeats: int = 4
    """One that can't be at all means a restart when it came so many times running."""
    proof_oks: int = 3
    """So many acknowledgements where a refusal is due: the printer does not mind repeated numbers, so there is no proof
    to be had."""
    long_memory_lines: int = 16
    """So many acknowledged lines may still wait in the printer's queues: a long command among them excuses silence."""
    plain_ring_bytes: int = 64
    """Receive ring assumed where only free slots are reported (facts.md 1.3)."""
    most_lines: int = 64
    """Lines under way at most, whatever rings and slots would allow."""
