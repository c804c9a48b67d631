"""Damages of storage and transfer, on the bytes: blocks lost, repeated, zeroed, noise; bits, digits, points, line ends; the end.

Block sizes are the cluster sizes of file systems on cards, 512 B to 32 KiB, at offsets that are whole blocks.
"""

import re

from .case import Case, Outcome
from .registry import damage
from .result import DamageNotPossibleError

__all__ = ["BLOCKS"]

BLOCKS = (512, 1024, 2048, 4096, 8192, 16384, 32768)


def _line(text: bytes, offset: int) -> int:
    return text.count(b"\n", 0, offset)


def _layers_of(case: Case, first: int, last: int) -> tuple[int, ...]:
    """Layers whose lines meet the lines first..last of the good job."""
    return tuple(x.index for x in case.layers if x.first <= last and x.last >= first)


def _block(case: Case) -> tuple[int, int]:
    """(offset, size) of a whole block in the middle of the job, no more than a quarter of it."""
    size = case.pick((b for b in BLOCKS if b * 4 <= len(case.text)), f"the job is smaller than {BLOCKS[0] * 4} bytes")
    return case.rng.randrange(1, len(case.text) // size - 1) * size, size


def _outcome(case: Case, new: bytes, what: str, at: int, good: int, bad: int, **size: float) -> Outcome:
    """Damage at byte `at`: `good` bytes of the old text were touched, `bad` bytes of the new one hold the result."""
    first, last = _line(case.text, at), _line(case.text, min(at + good, len(case.text)))
    layers = _layers_of(case, first, last)
    z = [case.layers[i].z for i in layers]
    return Outcome(
        new,
        what,
        layers,
        (first, _line(new, min(at + bad, len(new)))),
        (min(z), max(z)) if z else None,
        None,
        dict(size),
    )


@damage("block-lost", "storage", "A block of the storage is gone; what follows moves up.")
def block_lost(case: Case) -> Outcome:
    """Bytes cut out."""
    at, size = _block(case)
    new = case.text[:at] + case.text[at + size :]
    return _outcome(case, new, f"{size} bytes at {at} are gone", at, size, 0, bytes=size, offset_bytes=at)


@damage("block-repeated", "storage", "A block of the storage stands in the place of the one behind it.")
def block_repeated(case: Case) -> Outcome:
    """The next block is overwritten by a copy of this one."""
    at, size = _block(case)
    new = case.text[: at + size] + case.text[at : at + size] + case.text[at + 2 * size :]
    return _outcome(
        case, new, f"{size} bytes at {at} stand twice", at + size, size, size, bytes=size, offset_bytes=at + size
    )


@damage("block-inserted", "storage", "A block of the storage was sent twice; nothing else is lost.")
def block_inserted(case: Case) -> Outcome:
    """A copy of the block behind it, everything later moves down."""
    at, size = _block(case)
    new = case.text[: at + size] + case.text[at:]
    return _outcome(
        case, new, f"{size} bytes at {at} were sent twice", at + size, 0, size, bytes=size, offset_bytes=at + size
    )


@damage("block-zeroed", "storage", "A block of the storage reads as zero bytes.")
def block_zeroed(case: Case) -> Outcome:
    """NUL bytes."""
    at, size = _block(case)
    new = case.text[:at] + bytes(size) + case.text[at + size :]
    return _outcome(case, new, f"{size} bytes at {at} are zero", at, size, size, bytes=size, offset_bytes=at)


@damage("block-noise", "storage", "A block of the storage reads as random bytes.")
def block_noise(case: Case) -> Outcome:
    """Random bytes."""
    at, size = _block(case)
    new = case.text[:at] + case.rng.randbytes(size) + case.text[at + size :]
    return _outcome(case, new, f"{size} bytes at {at} are noise", at, size, size, bytes=size, offset_bytes=at)


def _move_bytes(case: Case, pattern: bytes) -> int:
    """Offset of one match of group 1 within the moves of the layers, comments left out."""
    layer = case.pick((x for x in case.layers if x.beads), "nothing is laid")
    offsets = [0]
    for line in case.text.split(b"\n"):
        offsets.append(offsets[-1] + len(line) + 1)
    for i in case.rng.sample(layer.beads, len(layer.beads)):
        body = re.sub(rb"\([^)]*\)|;.*|\*.*", lambda m: b" " * len(m[0]), case.text[offsets[i] : offsets[i + 1] - 1])
        found = list(re.finditer(pattern, body))
        if found:
            return offsets[i] + case.rng.choice(found).start(1)
    raise DamageNotPossibleError("no line of the layer has what is to be damaged")


@damage("bit-flipped", "storage", "One bit is wrong, anywhere in the job.")
def bit_flipped(case: Case) -> Outcome:
    """Any bit of any byte."""
    if not case.text:
        raise DamageNotPossibleError("the job is empty")
    at, bit = case.rng.randrange(len(case.text)), case.rng.randrange(8)
    byte = case.text[at] ^ (1 << bit)
    new = case.text[:at] + bytes([byte]) + case.text[at + 1 :]
    return _outcome(
        case, new, f"bit {bit} of byte {at}: {case.text[at]} became {byte}", at, 1, 1, offset_bytes=at, bit=bit
    )


def _digit(case: Case) -> int:
    """Offset of a digit of an X or Y word of a bead: no leading zero, none behind the first decimal."""
    start = _move_bytes(case, rb"(?i)[XY]\s*[-+]?0*(\d+\.?\d?|\.\d)")
    number = case.need(re.match(rb"\d*\.?\d?", case.text[start : start + 12]), "no number")[0]
    return start + case.pick((i for i, c in enumerate(number) if chr(c).isdigit()), "no digit")


@damage("digit-gone", "storage", "One digit of a coordinate is missing.")
def digit_gone(case: Case) -> Outcome:
    """X101.5 becomes X11.5."""
    at = _digit(case)
    new = case.text[:at] + case.text[at + 1 :]
    return _outcome(case, new, f"the digit {chr(case.text[at])} at byte {at} is gone", at, 1, 0, offset_bytes=at)


@damage("digit-changed", "storage", "One digit of a coordinate is another.")
def digit_changed(case: Case) -> Outcome:
    """X101.5 becomes X181.5."""
    at = _digit(case)
    digit = case.pick((d for d in b"0123456789" if d != case.text[at]), "no other digit")
    new = case.text[:at] + bytes([digit]) + case.text[at + 1 :]
    return _outcome(
        case,
        new,
        f"the digit {chr(case.text[at])} at byte {at} became {chr(digit)}",
        at,
        1,
        1,
        offset_bytes=at,
    )


@damage("point-gone", "storage", "One decimal point is missing: X101.5 becomes X1015.")
def point_gone(case: Case) -> Outcome:
    """In a word of a bead."""
    at = _move_bytes(case, rb"(?i)[XYEA]\s*[-+]?\d*(\.)\d")
    new = case.text[:at] + case.text[at + 1 :]
    return _outcome(case, new, f"the decimal point at byte {at} is gone", at, 1, 0, offset_bytes=at)


@damage("line-end-gone", "storage", "One line end is missing: two commands share a line.")
def line_end_gone(case: Case) -> Outcome:
    """Behind a bead of a layer."""
    layer = case.pick((x for x in case.layers if len(x.beads) > 2), "nothing is laid")
    i = case.rng.choice(layer.beads[:-1])
    at = 0
    for _ in range(i + 1):
        at = case.text.index(b"\n", at) + 1
    start = at - 2 if case.text[at - 2 : at] == b"\r\n" else at - 1
    new = case.text[:start] + case.text[at:]
    return _outcome(case, new, f"the line end of line {i + 1} is gone", start, at - start, 0, offset_bytes=start)


@damage("truncated", "storage", "The file ends somewhere in the middle.")
def truncated(case: Case) -> Outcome:
    """Cut at any byte behind the first layer."""
    if not case.layers:
        raise DamageNotPossibleError("nothing is laid")
    offset = 0
    for _ in range(case.layers[0].last):
        offset = case.text.index(b"\n", offset) + 1
    at = case.rng.randrange(offset, len(case.text) * 99 // 100)
    first = _line(case.text, at)
    layers = _layers_of(case, first, len(case.scan.raw))
    z = [case.layers[i].z for i in layers]
    return Outcome(
        case.text[:at],
        f"the file ends after {at} of {len(case.text)} bytes",
        layers,
        (first, first),
        (min(z), max(z)) if z else None,
        size={"bytes_left": float(at), "share_left": at / len(case.text)},
    )
