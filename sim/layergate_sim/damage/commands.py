"""Damages by commands: forbidden ones and changed settings slipped in, heat too high or cut off in mid-print.

Which commands belong in no job: facts 1.4 (marked "forbid", common practice) and 1.2 (replies forged by M118).
"""

import re

from .case import Case, Outcome
from .rebuild import insert_lines, renumber
from .registry import damage
from .scan import COMMENT

__all__ = ["FORBIDDEN", "SETTINGS"]

FORBIDDEN = (
    "M997",
    "M502",
    "M500",
    "M28 next.g",
    "M23 next.g",
    "M32 next.g",
    "M30 next.g",
    "M575 P1 B250000",
    "M110 N5",
    "M302 P1",
    "M302 S0",
    "M111 S8",
    "M118 ok",
    "M112",
    "M999",
)
SETTINGS = (
    "M92 E210.5",
    "M851 Z-1.9",
    "M206 X5",
    "M301 P30 I2 D60",
    "M303 E0 S240 C8",
    "M211 S0",
    "M218 T1 X25",
    "M569 S0 X",
    "M350 E8",
)


def _slipped_in(case: Case, command: str) -> Outcome:
    layer = case.pick((x for x in case.layers if x.beads), "nothing is laid")
    after = case.rng.choice(range(layer.first, layer.last + 1))
    return Outcome(
        insert_lines(case.scan, after, [command]),
        f"{command} stands in the job",
        (layer.index,),
        (after + 1, after + 1),
        (layer.z, layer.z),
        None,
        {},
    )


@damage("forbidden-command", "command", "A command that belongs in no job stands among the moves.")
def forbidden_command(case: Case) -> Outcome:
    """Firmware update, factory reset, the printer's own card, cold extrusion allowed, forged replies and the like."""
    return _slipped_in(case, case.rng.choice(FORBIDDEN))


@damage("settings-changed", "command", "A command that changes the printer's settings stands among the moves.")
def settings_changed(case: Case) -> Outcome:
    """Steps per mm, offsets, heater tuning, soft end stops off."""
    return _slipped_in(case, case.rng.choice(SETTINGS))


@damage("heat-too-high", "heat", "The nozzle's temperature is 100 to 200 degrees too high.")
def heat_too_high(case: Case) -> Outcome:
    """Every temperature word of the nozzle ahead of the first bead, as by a wrong digit: 210 becomes 310 or 410."""
    lines = case.scan.lines
    more = case.rng.choice((100, 200))
    raw = list(case.scan.raw)
    where = []
    for i in range(case.first_bead):
        if lines[i].code not in ("M104", "M109") or not any(lines[i].words.get(k, 0) > 100 for k in "SR"):
            continue
        bare = COMMENT.sub(lambda m: " " * len(m[0]), raw[i])
        for m in re.finditer(r"[SRsr]\s*(\d+(?:\.\d+)?)", bare):
            raw[i] = raw[i][: m.start(1)] + f"{float(m[1]) + more:g}" + raw[i][m.end(1) :]
        where.append(i)
    case.need(where or None, "the job sets no temperature of the nozzle")
    return Outcome(
        case.scan.text(renumber(raw)),
        f"the nozzle is set {more} degrees too high",
        (),
        (where[0], where[-1]),
        None,
        None,
        {"more_c": float(more)},
    )


@damage("heat-cut-off", "heat", "The nozzle is switched off in mid-print and the job goes on laying.")
def heat_cut_off(case: Case) -> Outcome:
    """M104 S0 at a layer in the lower half."""
    layer = case.pick(case.middle_layers()[: max(len(case.layers) // 2, 1)], "no layer has neighbours")
    after = layer.z_line
    return Outcome(
        insert_lines(case.scan, after, ["M104 S0"]),
        f"the nozzle is switched off at {layer.z:.3f} mm",
        (layer.index,),
        (after + 1, after + 1),
        (layer.z, layer.z),
        None,
        {},
    )
