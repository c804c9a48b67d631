"""The specimen maker: good print jobs of many kinds, made from parametric solids, with everything that is true of them.

Imports nothing of the daemon, so that a mistake in its reader cannot hide in both.
"""

from .demo import bollard_cap, drawer_pull, hose_bracket
from .kinds import SPECIMEN_KINDS, Draft, draft_specimen, make_specimen, write_specimen
from .styles import STYLES, WritingStyle
from .truth import LayerTruth, PrimeTruth, Specimen, Truth

__all__ = [
    "SPECIMEN_KINDS",
    "STYLES",
    "Draft",
    "LayerTruth",
    "PrimeTruth",
    "Specimen",
    "Truth",
    "WritingStyle",
    "bollard_cap",
    "draft_specimen",
    "drawer_pull",
    "hose_bracket",
    "make_specimen",
    "write_specimen",
]
