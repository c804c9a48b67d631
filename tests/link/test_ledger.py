"""Bookkeeping of lines: history, lines under way, credits, rewinding."""

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from layergate.link.commands import Patience
from layergate.link.ledger import HISTORY_LINES, SHORT_COUNTER, Ledger


def send(ledger: Ledger, count: int) -> None:
    """Give numbers to commands and have them go out."""
    for _ in range(count):
        ledger.depart(ledger.append(b"G1 X1", Patience.PROMPT, query=False))


def test_credits_go_to_the_oldest_line() -> None:
    """In the order sent; with nothing under way they are in excess."""
    ledger = Ledger()
    send(ledger, 2)
    assert [line.number for line in (ledger.credit_oldest(), ledger.credit_oldest()) if line] == [1, 2]
    assert ledger.credit_oldest() is None
    assert (ledger.acked, ledger.excess, ledger.flight_bytes) == (2, 1, 0)


def test_a_frame_made_ahead_is_used_for_its_command_and_number_only() -> None:
    """Frames of facts.md 1.1. Another command in between (a question of the link) makes the one made ahead worthless."""
    ledger = Ledger()
    move, query = b"G28", b"M105"
    ledger.look_ahead(move)
    assert ledger.append(move, Patience.LONG, query=False).frame == b"N1 G28*18\n"
    ledger.look_ahead(query)
    assert ledger.append(move, Patience.LONG, query=False).frame == b"N2 G28*17\n"
    ledger.look_ahead(move)
    ledger.restart()
    assert ledger.append(query, Patience.PROMPT, query=True).frame == b"N1 M105*38\n"
    ledger.look_ahead(move)
    ledger.restart()
    assert ledger.append(move, Patience.LONG, query=False).frame == b"N1 G28*18\n"
    unnumbered = Ledger(numbered=False)
    unnumbered.look_ahead(move)
    assert unnumbered.append(move, Patience.LONG, query=False).frame == b"G28\n"


def test_a_certain_statement_corrects_the_count_both_ways() -> None:
    """Fewer accepted than credited: excess, and under way again. More: no longer under way."""
    ledger = Ledger()
    send(ledger, 5)
    for _ in range(4):
        ledger.credit_oldest()
    ledger.assume_accepted(2)
    assert (ledger.acked, ledger.excess) == (2, 2)
    assert [line.number for line in ledger.flight] == [3, 4, 5]
    ledger.assume_accepted(5)
    assert not ledger.flight


def test_the_history_is_bounded_but_keeps_what_may_be_asked_for() -> None:
    """Accepted lines go when there are many; lines not accepted never."""
    ledger = Ledger()
    send(ledger, HISTORY_LINES + 50)
    assert ledger.oldest() == 1
    for _ in range(100):
        ledger.credit_oldest()
    send(ledger, 1)
    assert ledger.oldest() == 52
    with pytest.raises(IndexError):
        ledger.line(51)


def test_short_counters_are_understood() -> None:
    """A printer that counts in 16 bits means the line that is near (common practice)."""
    ledger = Ledger()
    ledger.last = SHORT_COUNTER + 20
    assert ledger.resolve(15, SHORT_COUNTER) == SHORT_COUNTER + 15
    assert ledger.resolve(21, SHORT_COUNTER) == SHORT_COUNTER + 21
    assert ledger.resolve(22, SHORT_COUNTER) is None
    assert ledger.resolve(SHORT_COUNTER + 3, SHORT_COUNTER) == SHORT_COUNTER + 3
    assert ledger.resolve(SHORT_COUNTER - 1, SHORT_COUNTER) is None


class Bookkeeping(RuleBasedStateMachine):
    """Whatever is done in whatever order, the books agree."""

    def __init__(self) -> None:
        super().__init__()
        self.ledger = Ledger()

    @rule(count=st.integers(1, 5))
    @precondition(lambda self: self.ledger.cursor == self.ledger.last + 1)
    def send(self, count: int) -> None:
        send(self.ledger, count)

    @rule()
    def credit(self) -> None:
        self.ledger.credit_oldest()

    @rule()
    def reject(self) -> None:
        self.ledger.drop_oldest()

    @rule(data=st.data())
    def learn(self, data: st.DataObject) -> None:
        self.ledger.assume_accepted(data.draw(st.integers(self.ledger.oldest() - 1, self.ledger.last)))

    @rule(data=st.data())
    @precondition(lambda self: self.ledger.last > 0)
    def go_back(self, data: st.DataObject) -> None:
        self.ledger.rewind(data.draw(st.integers(self.ledger.oldest(), self.ledger.last + 1)))

    @rule()
    @precondition(lambda self: self.ledger.cursor <= self.ledger.last)
    def send_again(self) -> None:
        self.ledger.depart(self.ledger.line(self.ledger.cursor))

    @invariant()
    def books_agree(self) -> None:
        ledger = self.ledger
        assert ledger.flight_bytes == sum(len(line.frame) for line in ledger.flight)
        assert 1 <= ledger.cursor <= ledger.last + 1
        assert 0 <= ledger.acked <= ledger.last
        assert all(line is ledger.line(line.number) for line in ledger.flight)
        assert ledger.excess >= 0


TestBookkeeping = Bookkeeping.TestCase
TestBookkeeping.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
