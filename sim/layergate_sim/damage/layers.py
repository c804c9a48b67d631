"""Takes a layer, or a part of one, out of a job; leaves everything else as it was."""

from layergate_sim.specimens.truth import Truth

from .scan import Scan, renumber, rewrite_word, scan_job

__all__ = ["layer_bounds", "remove_layer", "remove_lines"]


def layer_bounds(scan: Scan, truth: Truth | None) -> list[tuple[int, int, int]]:
    """(move to its height, first line after it, last line) of each layer, from 0; from the truth if there is one."""
    if truth is not None:
        return [(layer.z_line - 1, layer.z_line, layer.last_line - 1) for layer in truth.layers]
    return [(layer.z_line, layer.z_line + 1, layer.last) for layer in scan.layers]


def remove_lines(scan: Scan, first: int, last: int, *, consistent: bool = True) -> bytes:
    """The job without the moves of lines first..last (from 0).

    With `consistent` the job reads as though its generator had never made them: later absolute E words are lowered by
    what the lines pushed (up to the next G92), steps of a relative job lead on from the right place, a retraction
    that would come twice is left out, numbers and checksums are right. Without it the lines are simply gone, as in a
    lost block.
    """
    raw, lines = list(scan.raw), scan.lines
    if not consistent:
        return scan.text(raw[:first] + raw[last + 1 :])
    before = lines[first - 1] if first else None
    e0, x0, y0, z0 = (before.e_after, before.x, before.y, before.z) if before else (0.0, 0.0, 0.0, 0.0)
    end = lines[last]
    # Debt that the lines would have paid back and pulled again: whether they begin or end pulled back.
    net = sum(line.de for line in lines[first : last + 1])
    laid = sum(line.laid for line in lines[first : last + 1])
    owed = net - laid  # above 0: the lines pay a debt from before, which now stays
    owed = 0.0 if scan.no_e else owed
    kept = [
        i
        for i in range(first, last + 1)
        if not lines[i].moves and lines[i].code not in ("G10", "G11", "M486", "M101", "M103", "G92")
    ]
    firmware = [lines[i].code for i in range(first, last + 1) if lines[i].code in ("G10", "G11") and not lines[i].words]
    skip: set[int] = set()
    drop_g10 = bool(firmware) and firmware[0] == "G11" and firmware[-1] == "G11"
    out = raw[:first] + [raw[i] for i in kept]
    relative = _relative_xyz(scan, last)
    unit = _unit(scan, last)
    if relative and (abs(end.x - x0) > 1e-6 or abs(end.y - y0) > 1e-6 or abs(end.z - z0) > 1e-6):
        words = [
            f"{a}{(q - p) / unit:.5f}"
            for a, p, q in (("X", x0, end.x), ("Y", y0, end.y), ("Z", z0, end.z))
            if abs(q - p) > 1e-6
        ]
        out.append("G0 " + " ".join(words))
    shift = end.e_after - e0 if any(lines[i].code == "G92" for i in range(first, last + 1)) is False else None
    if shift is None:
        # The counter was set inside: say where it stands afterwards.
        out.append(f"G92 {scan.e_letter}{end.e_after:.5f}")
        shift = 0.0
    # The next pull-back is the one that the lines' own ending would have needed: with the debt still open it must not
    # come again.
    for j in range(last + 1, len(lines)):
        line = lines[j]
        if line.bead:
            break
        if drop_g10 and line.code == "G10" and not line.words:
            skip.add(j)
            drop_g10 = False
        if owed > 1e-6 and line.moves and line.de < 0:
            owed = 0.0
            skip.add(j)
            if not _relative_e(scan, j):
                shift -= -line.de
                shift += 0.0
    done = False
    absolute = not _relative_e(scan, last)
    for j in range(last + 1, len(raw)):
        line = lines[j]
        if j in skip:
            continue
        text = raw[j]
        if line.code == "G92" and scan.e_letter in line.words:
            done = True
        elif absolute and not done and line.moves and scan.e_letter in line.words:
            text = rewrite_word(text, scan.e_letter, line.e_after - shift)
        out.append(text)
    return scan.text(renumber(out))


def _state(scan: Scan, upto: int, on: str, off: str) -> bool:
    value = False
    for line in scan.lines[: upto + 1]:
        if line.code == on:
            value = True
        elif line.code == off:
            value = False
    return value


def _relative_xyz(scan: Scan, upto: int) -> bool:
    return _state(scan, upto, "G91", "G90")


def _relative_e(scan: Scan, upto: int) -> bool:
    return _state(scan, upto, "M83", "M82")


def _unit(scan: Scan, upto: int) -> float:
    return 25.4 if _state(scan, upto, "G20", "G21") else 1.0


def remove_layer(text: bytes, truth: Truth, layer: int, *, consistent: bool = True) -> bytes:
    """The job without what it lays in `layer` (index in `truth.layers`): nothing stands between two moves of Z.

    See `remove_lines` for `consistent`. Raises IndexError where there is no such layer.
    """
    if not 0 <= layer < len(truth.layers):
        raise IndexError(f"the job has layers 0 to {len(truth.layers) - 1}, not {layer}")
    scan = scan_job(text)
    bounds = layer_bounds(scan, truth)[layer]
    return remove_lines(scan, bounds[1], bounds[2], consistent=consistent)
