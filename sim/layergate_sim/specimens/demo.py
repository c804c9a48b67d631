"""Small jobs for the demonstration and for the simulated printer; each prints in minutes. Knows nothing of damage."""

from dataclasses import replace
from typing import Literal

from .build import job
from .recipe import Modes, Recipe
from .solids import bracket, cap, posts_with_bridge
from .truth import Specimen

__all__ = ["bollard_cap", "drawer_pull", "hose_bracket"]

_DEMO = Recipe(first_layer=0.2, perimeters=2, skirt=1)


def bollard_cap(
    *,
    height_mm: float = 6.0,
    diameter_mm: float = 30.0,
    wall_mm: float = 1.628,
    floor_mm: float = 1.2,
    layer_mm: float = 0.2,
    square: bool = False,
    style: str = "plain",
    e_mode: Literal["absolute", "relative"] = "absolute",
) -> Specimen:
    """A round (or rounded-square) bollard cap, printed upside down: a floor with a brim wall; 30 layers as it stands.

    Lengths in mm. Walls are two beads from each side, so `wall_mm` should stay near 1.63. Raises ValueError for a cap
    without inside.
    """
    recipe = replace(_DEMO, layer=layer_mm, first_layer=layer_mm, modes=Modes(e_relative=e_mode == "relative"))
    solid = cap(110.0, 110.0, diameter=diameter_mm, wall=wall_mm, floor=floor_mm, height=height_mm, square=square)
    return job("bollard-cap", "demo", [solid], recipe, style)


def hose_bracket(*, height_mm: float = 5.0, style: str = "plain") -> Specimen:
    """An L-shaped hose bracket with a bore, sparse inside; 25 layers as it stands."""
    recipe = replace(_DEMO, density=0.25, brim=3, skirt=0)
    return job("hose-bracket", "demo", [bracket(95.0, 95.0, 34.0, 26.0, height_mm)], recipe, style)


def drawer_pull(*, height_mm: float = 6.0, style: str = "plain") -> Specimen:
    """A drawer pull: two posts and a bar that bridges them; 30 layers as it stands."""
    return job("drawer-pull", "demo", [posts_with_bridge(98.0, 110.0, 14.0, 9.0, height_mm)], replace(_DEMO), style)
