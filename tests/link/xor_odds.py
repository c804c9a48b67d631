"""What an 8-bit XOR can't see, calculated: the odds that a line gets through as another, on a wire that loses bytes and
replaces them by random ones (the damage model of peers.py).

Each byte changes the XOR of what is covered by a random amount: 0 where it is intact, its own value where it is lost,
any value where it is replaced. The XOR of independent amounts is distributed as their convolution over bits, which the
Walsh-Hadamard transform turns into a product (as the Fourier transform does for sums): no approximation, no sampling.
That transform is textbook matter, from memory. Knows nothing of links and of printers beyond the framing (facts.md 1.1).
"""

from collections.abc import Sequence
from functools import cache, reduce
from itertools import product
from operator import xor

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_ALL = np.arange(256)
SIGNS: Floats = 1.0 - 2.0 * (np.bitwise_count(_ALL[:, None] & _ALL[None, :]) % 2)
"""The transform, 256 x 256: -1 where two numbers have an odd number of bits in common."""
SAMPLE = 400
"""Lines looked at of a job; the odds of its lines differ by their length, little."""


def changes(text: bytes, share: float) -> Floats:
    """Give, for each of 256 amounts, the chance that the XOR of a text changes by it; half of ``share`` is the chance of
    a byte to be lost, half to be replaced."""
    half = share / 2
    transformed = np.prod(1 - share + half * SIGNS[:, list(text)], axis=1)
    transformed[0] = 1.0  # a replaced byte adds to the sum of all chances only
    found: Floats = SIGNS @ transformed / 256
    return found


@cache
def readings(checksum: int, share: float) -> dict[int, float]:
    """Give what a checksum is read as, with the chance of each; what is no number is left out."""
    half = share / 2
    ways = []
    for digit in str(checksum):
        intact = dict.fromkeys("0123456789", half / 256)
        intact[digit] += 1 - share
        ways.append([*intact.items(), ("", half)])
    found: dict[int, float] = {}
    for choice in product(*ways):
        text = "".join(char for char, _ in choice)
        if text and int(text) < 256:
            found[int(text)] = found.get(int(text), 0.0) + float(np.prod([chance for _, chance in choice]))
    return found


def odds(number: int, command: bytes, share: float) -> float:
    """Give the odds that an accepted line is not the one sent: of all ways to be accepted, those with another text.

    The number has to arrive as it is, else the line is refused whatever its checksum. So only the rest counts.
    """
    covered = b" " + command
    checksum = reduce(xor, b"N%d" % number + covered)
    change = changes(covered, share)
    accepted = sum(chance * change[read ^ checksum] for read, chance in readings(checksum, share).items())
    same = (1 - share + share / 512) ** len(covered) * readings(checksum, share)[checksum]
    return float((accepted - same) / accepted)


def expected_unseen(lines: Sequence[tuple[int, bytes]], share: float) -> float:
    """Give how many of these lines are to be expected to get through as others."""
    step = max(1, len(lines) // SAMPLE)
    sample = lines[::step]
    return sum(odds(number, command, share) for number, command in sample) * len(lines) / len(sample)
