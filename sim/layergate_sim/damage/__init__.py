"""The damage maker: puts one known fault into a job, at a repeatable place. Imports nothing of the daemon."""

from .layers import remove_layer
from .maker import apply_damage, apply_damage_to_text, possible_damages
from .registry import DAMAGE_GROUPS, DAMAGE_KINDS, NOT_ALWAYS_VISIBLE
from .result import BEAD_MM3, Damaged, DamageNotPossibleError

__all__ = [
    "BEAD_MM3",
    "DAMAGE_GROUPS",
    "DAMAGE_KINDS",
    "NOT_ALWAYS_VISIBLE",
    "DamageNotPossibleError",
    "Damaged",
    "apply_damage",
    "apply_damage_to_text",
    "possible_damages",
    "remove_layer",
]
