"""The transition tables: total, closed, reachable, and drawn."""

from enum import Enum

import pytest

from layergate.link import diagram, states

TABLES = [
    (states.LINK, states.Link, states.On, states.Link.CLOSED),
    (states.RUN, states.Run, states.Do, states.Run.IDLE),
]


@pytest.mark.parametrize(("table", "members", "triggers", "first"), TABLES)
def test_every_state_answers_every_trigger(
    table: dict[Enum, dict[Enum, Enum]], members: type[Enum], triggers: type[Enum], first: Enum
) -> None:
    """No trigger can find a gap in mid-print, and every state can be reached."""
    assert set(table) == set(members)
    assert all(set(row) == set(triggers) for row in table.values())
    reached, todo = {first}, [first]
    while todo:
        for target in table[todo.pop()].values():
            if target not in reached:
                reached.add(target)
                todo.append(target)
    assert reached == set(members)


def test_from_everywhere_a_lost_connection_is_closed() -> None:
    """Loss ends in one state, whatever went on."""
    assert {row[states.On.LOST] for row in states.LINK.values()} == {states.Link.CLOSED}


def test_nothing_but_a_new_synchronisation_leads_out_of_a_halt() -> None:
    """After a fault, a stop request or a storm no acknowledgement makes the link ready again."""
    assert set(states.LINK[states.Link.HALTED].values()) == {
        states.Link.HALTED, states.Link.BOOTING, states.Link.SYNCING, states.Link.CLOSED,
    }  # fmt: skip


def test_every_state_of_a_run_can_end() -> None:
    """No run is without an end."""
    assert {row[states.Do.ENDED] for row in states.RUN.values()} == {states.Run.IDLE}


def test_the_diagrams_are_not_stale() -> None:
    """protocol.md is what the tables draw; else run `python -m layergate.link.diagram`."""
    assert diagram.PAGE.read_text(encoding="utf-8") == diagram.page()
