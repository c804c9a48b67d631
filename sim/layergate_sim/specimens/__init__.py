"""The specimen maker: good print jobs of many kinds, made from parametric solids, with everything that is true of them.

Imports nothing of the daemon, so that a mistake in its reader cannot hide in both.
"""

from .demo import bollard_cap, drawer_pull, hose_bracket
from .truth import LayerTruth, PrimeTruth, Specimen, Truth

__all__ = ["LayerTruth", "PrimeTruth", "Specimen", "Truth", "bollard_cap", "drawer_pull", "hose_bracket"]
