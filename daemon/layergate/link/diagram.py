"""Draws the transition tables of states.py as Mermaid diagrams: ``python -m layergate.link.diagram`` writes
protocol.md.

Pure, apart from the last lines. A test fails when protocol.md is not what this draws.
"""

from enum import Enum
from pathlib import Path
from typing import TypeVar

from layergate.link import states

PAGE = Path(__file__).with_name("protocol.md")

S = TypeVar("S", bound=Enum)
T = TypeVar("T", bound=Enum)


def draw(table: dict[S, dict[T, S]], first: S) -> str:
    """Give a Mermaid state diagram; transitions that stay where they are have been left out, parallel ones joined."""
    lines = ["stateDiagram-v2", f"    [*] --> {first.name}"]
    for state, row in table.items():
        joined: dict[S, list[str]] = {}
        for trigger, target in row.items():
            if target is not state:
                joined.setdefault(target, []).append(str(trigger.value))
        lines += [f"    {state.name} --> {target.name}: {' / '.join(triggers)}" for target, triggers in joined.items()]
    return "\n".join(lines)


def page() -> str:
    """Give the whole page."""
    theory = (states.__doc__ or "").split("-------------------------------\n", 1)[1].strip()
    return (
        "# The line protocol\n\nGenerated from the tables in states.py by `python -m layergate.link.diagram`; "
        "a test fails when it is stale. A trigger that is not drawn leaves the state as it is.\n\n"
        f"{theory}\n\n## The link\n\n```mermaid\n{draw(states.LINK, states.Link.CLOSED)}\n```\n\n"
        f"## A run\n\n```mermaid\n{draw(states.RUN, states.Run.IDLE)}\n```\n"
    )


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
