"""The list of damages, filled by the modules that make them; knows nothing of any of them."""

from collections.abc import Callable

from .case import Case, Outcome

__all__ = ["DAMAGE_GROUPS", "DAMAGE_KINDS", "MAKERS", "NOT_ALWAYS_VISIBLE", "damage"]

MAKERS: dict[str, Callable[[Case], Outcome]] = {}
DAMAGE_KINDS: dict[str, str] = {}  # kind: what it does, in one sentence
DAMAGE_GROUPS: dict[str, str] = {}  # kind: layer, bead, whole, heat, command or storage
# What no reader of the job alone can always see, and why: for the table of a trial, not as an excuse for the rest.
NOT_ALWAYS_VISIBLE = {
    "object-missing": "What is left is a good job of fewer objects; only labels or claims can tell.",
    "e-mode-missing": "Where M82 is gone the default says the same; only M83 gone changes anything (size: was_relative).",
    "bit-flipped": "Most bits stand in comments, in last decimals, or turn a letter small: nothing changes (changed_mm3).",
    "digit-gone": "A digit of a short step or a small decimal moves a bead by less than its width (changed_mm3).",
    "digit-changed": "A small decimal moves a bead by less than its width (changed_mm3).",
    "point-gone": "In a word that hardly differs from the one before, nothing is moved by more than a bead (changed_mm3).",
    "layers-shifted": "A shift below one bead width still lies on what is below (size: shift_mm).",
    "other-machine-origin": "Any place is a good one until the printer's bed is known.",
    "moved-off-bed": "Any place is a good one until the printer's bed is known.",
    "heat-too-high": "Any temperature is possible until the printer's limit or the material is known.",
    "other-machine-filament": "Every bead is thinner alike: only widths that no nozzle lays, or the claims, can tell.",
    "region-lost": "Beads of sparse infill, or one of two walls side by side, leave no gap that good jobs do not have.",
    "half-layer-lost": "As region-lost, where the half is sparse infill.",
    "lines-swapped": "Two short neighbours swapped move less than a bead (changed_mm3).",
}


def damage(kind: str, group: str, what: str) -> Callable[[Callable[[Case], Outcome]], Callable[[Case], Outcome]]:
    """Enter a maker under its kind."""

    def add(maker: Callable[[Case], Outcome]) -> Callable[[Case], Outcome]:
        MAKERS[kind] = maker
        DAMAGE_KINDS[kind] = what
        DAMAGE_GROUPS[kind] = group
        return maker

    return add
