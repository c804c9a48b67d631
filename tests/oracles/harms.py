"""Harms done to good jobs of the outside trial, each at a known place. Knows the plate and the text; nothing of any rule.

A harm of the plate is written again in the same manner, so that E goes on without a trace of it; a harm of the text is done
to lines or bytes. Each gives the harmed bytes and where: heights in mm, lines from 1, or None where it has no one place.
"""

import copy
import re
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np
from tests.oracles.dialects import Writer
from tests.oracles.pathmaker import Bead, Layer
from tests.oracles.plates import Plate

NUMBER = re.compile(r"(?<=[XYZE])-?\d*\.\d+")


@dataclass
class Harm:
    kind: str
    text: bytes
    z_mm: tuple[float, float] | None = None
    lines: tuple[int, int] | None = None
    alters_part: bool = True  # whether what it is meant to alter is the part; else it is the machine or the file
    note: str = ""


@dataclass
class Subject:
    """A good job to be harmed."""

    plate: Plate
    writer: Writer
    text: bytes
    rewrite: Callable[[Plate], bytes]


def middle_layer(s: Subject, r: Random, margin: int = 3) -> int:
    """The index of a layer with something of its own part below it and above it."""
    layers = s.plate.layers
    many = len(s.plate.solids) > 1
    full = [
        i
        for i in range(margin, len(layers) - margin)
        if many or layers[i - 1].part == layers[i + 1].part == layers[i].part
    ]
    return r.choice(full or [len(layers) // 2])


def _planned(kind: str, s: Subject, index: int, change: Callable[[Plate, Layer], Any], last: int | None = None) -> Harm:
    plate = copy.deepcopy(s.plate)
    note = change(plate, plate.layers[index])
    layers = s.plate.layers
    z = layers[index].z - layers[index].height, layers[index if last is None else last].z
    return Harm(kind, s.rewrite(plate), z, None, True, f"part {layers[index].part} {note or ''}")


def layer_lost(s: Subject, r: Random) -> Harm:
    """One height of one part is gone, the rest written as if nothing were."""
    i, count = middle_layer(s, r), r.choice([1, 1, 1, 2])
    gone = [layer for layer in s.plate.layers[i:] if layer.part == s.plate.layers[i].part][:count]
    heights = {layer.z for layer in gone}

    def change(plate: Plate, layer: Layer) -> None:
        plate.layers = [x for x in plate.layers if x.part != layer.part or x.z not in heights]

    return _planned("layer-lost", s, i, change, s.plate.layers.index(gone[-1]))


def half_layer_lost(s: Subject, r: Random) -> Harm:
    i = middle_layer(s, r)
    share = r.uniform(0.35, 0.65)

    def change(plate: Plate, layer: Layer) -> str:
        count = max(1, int(len(layer.beads) * share))
        gone, kept = layer.beads[count:], layer.beads[:count]
        if r.random() < 0.5:
            gone, kept = kept, gone
        layer.beads = kept or gone[:1]
        return f"share {share:.2f}, {sum(b.lengths.sum() for b in gone):.0f} mm of {'/'.join(sorted({b.kind for b in gone}))}"

    return _planned("half-layer-lost", s, i, change)


def region_lost(s: Subject, r: Random) -> Harm:
    """Everything of a layer to one side of a line is gone, beads cut where they cross it."""
    i = middle_layer(s, r)

    def change(plate: Plate, layer: Layer) -> str:
        points = np.vstack([b.path for b in layer.beads])
        axis, way = r.choice([0, 1]), r.choice([-1, 1])
        border = float(np.quantile(points[:, axis] * way, r.uniform(0.35, 0.65)))
        kept, gone = [], 0.0
        for bead in layer.beads:
            inside = (bead.path[:-1, axis] + bead.path[1:, axis]) / 2 * way < border
            gone += float(bead.lengths[~inside].sum())
            runs = np.split(np.arange(len(inside)), np.flatnonzero(np.diff(inside)) + 1)
            kept += [
                Bead(bead.path[run[0] : run[-1] + 2], bead.area[run], bead.kind, bead.tool)
                for run in runs
                if inside[run[0]]
            ]
        layer.beads = kept or layer.beads[:1]
        return f"{gone:.0f} mm gone"

    return _planned("region-lost", s, i, change)


def starved(s: Subject, r: Random) -> Harm:
    i, count, factor = middle_layer(s, r), r.choice([1, 1, 2, 3, 5]), r.uniform(0.3, 0.8)
    part = s.plate.layers[i].part
    heights = [x.z for x in s.plate.layers[i:] if x.part == part][:count]

    def change(plate: Plate, layer: Layer) -> str:
        for x in plate.layers:
            if x.part == part and x.z in heights:
                for bead in x.beads:
                    bead.area = bead.area * factor
        return f"{count} layers x {factor:.2f}"

    harm = _planned("starved", s, i, change)
    harm.z_mm = (harm.z_mm[0], heights[-1]) if harm.z_mm else None
    return harm


def shifted(s: Subject, r: Random) -> Harm:
    i, by = middle_layer(s, r), r.uniform(0.5, 4) * r.choice([-1, 1])
    axis = r.choice([0, 1])

    def change(plate: Plate, layer: Layer) -> str:
        for x in plate.layers[i:]:
            for bead in x.beads:
                bead.path = bead.path.copy()
                bead.path[:, axis] += by
        return f"by {by:.2f}"

    return _planned("shifted", s, i, change)


def stray_bead(s: Subject, r: Random) -> Harm:
    i = middle_layer(s, r)

    def change(plate: Plate, layer: Layer) -> str:
        at = layer.beads[-1].path[-1]
        way = np.array([r.uniform(-1, 1), r.uniform(-1, 1)])
        long = r.uniform(8, 30)
        end = at + way / max(float(np.hypot(*way)), 0.1) * long
        layer.beads.append(Bead(np.array([at, end]), layer.beads[-1].area[-1:], "stray"))
        return f"{long:.0f} mm"

    return _planned("stray-bead", s, i, change)


def blob(s: Subject, r: Random) -> Harm:
    i, factor = middle_layer(s, r), r.uniform(6, 40)

    def change(plate: Plate, layer: Layer) -> str:
        bead = r.choice(layer.beads)
        bead.area = bead.area.copy()
        k = int(np.argmax(bead.lengths))
        bead.area[k] *= factor
        return f"x {factor:.0f} over {bead.lengths[k]:.1f} mm"

    return _planned("blob", s, i, change)


def plunge(s: Subject, r: Random) -> Harm:
    """One bead is laid deep in what stands there already, as if its height had been misread."""
    i, by = middle_layer(s, r, 8), r.uniform(0.6, 3)

    def change(plate: Plate, layer: Layer) -> str:
        k = r.randrange(len(layer.beads))
        low = Layer(max(0.1, layer.z - by), layer.height, [layer.beads[k]], layer.part)
        rest = Layer(layer.z, layer.height, layer.beads[k + 1 :], layer.part)
        layer.beads = layer.beads[:k]
        plate.layers[i : i + 1] = [x for x in (layer, low, rest) if x.beads]
        return f"by {by:.1f} mm"

    return _planned("plunge", s, i, change)


def lost_kind(s: Subject, r: Random) -> Harm:
    """Walls, or all the filling, of one layer are gone."""
    i = middle_layer(s, r)
    kinds = ({"outer", "wall", "thin"}, {"solid", "bridge"})[r.random() < 0.4]

    def change(plate: Plate, layer: Layer) -> str:
        gone = [b for b in layer.beads if b.kind in kinds]
        layer.beads = [b for b in layer.beads if b.kind not in kinds] or layer.beads[:1]
        return f"{sum(b.lengths.sum() for b in gone):.0f} mm of {sorted(kinds)}"

    return _planned("walls-or-fill-lost", s, i, change)


# ---- harms of the text ----


def _lines(s: Subject) -> list[bytes]:
    return s.text.split(b"\n")


def _spots(s: Subject, *whats: str) -> list[int]:
    """Indexes of lines inside the part that do one of these."""
    layers = len(s.plate.layers)
    return [
        n for n, (layer, what) in enumerate(s.writer.spots)
        if what in whats and min(2, layers // 4) <= layer < layers - 1
    ]  # fmt: skip


def _z_at(s: Subject, line: int) -> tuple[float, float] | None:
    number = s.writer.spots[min(line, len(s.writer.spots) - 1)][0]
    if number < 0:
        return None
    layer = s.plate.layers[number]
    return layer.z - layer.height, layer.z


def _edited(
    kind: str, s: Subject, n: int, new: list[bytes], *, old: int = 1, part: bool = True, note: str = ""
) -> Harm:
    lines = _lines(s)
    was = lines[n : n + old]
    lines[n : n + old] = new
    note = note or f"{was[:2]!r} -> {new[:2]!r}"
    return Harm(kind, b"\n".join(lines), _z_at(s, n), (n + 1, n + max(old, len(new))), part, note[:160])


def layer_cut_out(s: Subject, r: Random) -> Harm:
    """The lines of a layer are gone; nothing else is."""
    i = middle_layer(s, r)
    span = [n for n, (layer, _) in enumerate(s.writer.spots) if layer == i]
    if r.random() < 0.4:
        span = span[: len(span) // 2] if r.random() < 0.5 else span[len(span) // 2 :]
    return _edited("lines-of-layer-cut", s, span[0], [], old=len(span))


def line_lost(s: Subject, r: Random) -> Harm:
    return _edited("line-lost", s, r.choice(_spots(s, "bead")), [])


def height_lost(s: Subject, r: Random) -> Harm:
    """A line that moves Z is gone: what follows is laid at the wrong height."""
    return _edited("z-line-lost", s, r.choice(_spots(s, "lift", "lower") or _spots(s, "travel")), [])


def number_harmed(s: Subject, r: Random) -> Harm | None:
    lines, how = _lines(s), r.choice(["digit", "point", "changed", "sign"])
    for _ in range(200):
        n = r.choice(_spots(s, "bead", "bead", "travel", "lift", "prime"))
        text = lines[n].decode()
        found = list(NUMBER.finditer(text))
        if not found:
            continue
        m = r.choice(found)
        old = m.group()
        places = [k for k, c in enumerate(old) if c.isdigit()]
        k = r.choice(places)
        new = {"digit": old[:k] + old[k + 1 :], "point": old.replace(".", ""), "sign": "-" + old.lstrip("-"),
               "changed": old[:k] + str((int(old[k]) + r.randint(1, 9)) % 10) + old[k + 1 :]}[how]  # fmt: skip
        if new != old and new:
            return _edited(f"number-{how}", s, n, [(text[: m.start()] + new + text[m.end() :]).encode()])
    return None


def lines_swapped(s: Subject, r: Random) -> Harm:
    n = r.choice([n for n in _spots(s, "bead") if s.writer.spots[n + 1][1] == "bead"])
    lines = _lines(s)
    return _edited("lines-swapped", s, n, [lines[n + 1], lines[n]], old=2)


def bytes_harmed(s: Subject, r: Random) -> Harm:
    how, size = r.choice(["deleted", "repeated", "zeroed", "noise", "swapped-in"]), 2 ** r.randint(9, 15)
    step = r.choice([1, 512, 4096])
    size = min(size, len(s.text) // 4)
    at = r.randint(len(s.text) // 8, len(s.text) - 2 * size) // step * step
    block = s.text[at : at + size]
    if how == "swapped-in":  # a block of elsewhere in the job stands here
        other = r.randrange(0, len(s.text) - size) // step * step
        new = s.text[other : other + size]
    else:
        new = {"deleted": b"", "repeated": block * 2, "zeroed": bytes(size), "noise": r.randbytes(size)}.get(how, b"")
    text = s.text[:at] + new + s.text[at + size :]
    first, last = s.text.count(b"\n", 0, at) + 1, s.text.count(b"\n", 0, at + size) + 1
    return Harm(
        f"block-{how}", text, None, (first, max(last, first + new.count(b"\n"))), True, f"{size} at {at} step {step}"
    )


def bits_flipped(s: Subject, r: Random) -> Harm:
    data, places = bytearray(s.text), []
    at = r.randint(len(data) // 8, len(data) * 9 // 10)
    for _ in range(r.choice([1, 1, 2, 5])):
        place = min(len(data) - 1, at + r.randint(0, 400))
        data[place] ^= 1 << r.randrange(8)
        places.append(place)
    first, last = s.text.count(b"\n", 0, min(places)) + 1, s.text.count(b"\n", 0, max(places)) + 1
    lines = _lines(s)
    new = bytes(data).split(b"\n")
    return Harm(
        "bits-flipped",
        bytes(data),
        None,
        (first, last),
        True,
        f"{len(places)}: {lines[first - 1]!r} {new[first - 1]!r}",
    )


def truncated(s: Subject, r: Random) -> Harm:
    at = r.randint(len(s.text) // 10, len(s.text) * 95 // 100)
    if r.random() < 0.5:
        at = s.text.rfind(b"\n", 0, at) + 1
    return Harm("truncated", s.text[:at], None, None)


def _without(kind: str, s: Subject, pattern: bytes, note: str = "") -> Harm:
    lines = [line for line in _lines(s) if not re.match(pattern, re.sub(rb"^N\d+ ", b"", line))]
    return Harm(kind, b"\n".join(lines), None, None, False, note)


def heat_removed(s: Subject, r: Random) -> Harm:
    """No hot-end heat at all; the end still switches it off."""
    return _without("heat-removed", s, rb"M10[49](?! ?(T\d+ )?S0\b)")


def heat_left_on(s: Subject, r: Random) -> Harm:
    return _without("heat-left-on", s, rb"(M104 (T\d+ )?S0\b|M140 S0\b|FINISH_JOB)")


def homing_removed(s: Subject, r: Random) -> Harm:
    return _without("homing-removed", s, rb"G28")


def _inserted(kind: str, s: Subject, r: Random, line: bytes, *, part: bool) -> Harm:
    n = r.choice(_spots(s, "bead", "travel"))
    return _edited(kind, s, n, [line, _lines(s)[n]], part=part)


def heat_off_midway(s: Subject, r: Random) -> Harm:
    return _inserted("heat-off-midway", s, r, b"M104 S0", part=False)


def forbidden(s: Subject, r: Random) -> Harm:
    line = r.choice(
        [
            b"M997",
            b"M502",
            b"M28 x.gco",
            b"M112",
            b"M302 P1",
            b"M111 S8",
            b"M30 x.gco",
            b"M575 B9600",
            b"M110 N5",
            b"M999",
        ]
    )
    harm = _inserted("forbidden-command", s, r, line, part=False)
    harm.note = line.decode()
    return harm


def mode_changed(s: Subject, r: Random) -> Harm:
    line = r.choice(
        [
            b"G91",
            b"G20",
            b"M83" if s.writer.m.e_absolute else b"M82",
            b"M221 S40",
            b"G92 Z0",
            b"G92 E50",
            b"M18",
            b"G28 X",
        ]
    )
    if s.writer.m.xyz_relative and line == b"G91":
        line = b"G90"
    return _inserted("mode-changed", s, r, line, part=True)


def two_jobs(s: Subject, r: Random) -> Harm:
    return Harm("two-jobs", s.text + s.text, None, (_lines(s).__len__(), 2 * len(_lines(s))), False)


def prime_lost(s: Subject, r: Random) -> Harm:
    return _edited("prime-lost", s, r.choice(_spots(s, "prime") or _spots(s, "travel")), [])


HARMS: tuple[Callable[[Subject, Random], Harm | None], ...] = (
    layer_lost, half_layer_lost, region_lost, starved, shifted, stray_bead, blob, plunge, lost_kind, layer_cut_out, line_lost,
    height_lost, number_harmed, number_harmed, lines_swapped, bytes_harmed, bytes_harmed, bits_flipped, truncated, heat_removed,
    heat_left_on, homing_removed, heat_off_midway, forbidden, mode_changed, two_jobs, prime_lost,
)  # fmt: skip
