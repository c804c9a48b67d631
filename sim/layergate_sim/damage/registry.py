"""The list of damages, filled by the modules that make them; knows nothing of any of them."""

from collections.abc import Callable

from .case import Case, Outcome

__all__ = ["DAMAGE_GROUPS", "DAMAGE_KINDS", "MAKERS", "damage"]

MAKERS: dict[str, Callable[[Case], Outcome]] = {}
DAMAGE_KINDS: dict[str, str] = {}  # kind: what it does, in one sentence
DAMAGE_GROUPS: dict[str, str] = {}  # kind: layer, bead, whole, heat, command or storage


def damage(kind: str, group: str, what: str) -> Callable[[Callable[[Case], Outcome]], Callable[[Case], Outcome]]:
    """Enter a maker under its kind."""

    def add(maker: Callable[[Case], Outcome]) -> Callable[[Case], Outcome]:
        MAKERS[kind] = maker
        DAMAGE_KINDS[kind] = what
        DAMAGE_GROUPS[kind] = group
        return maker

    return add
