"""repeated-block: a block of the storage's size that stands twice in the file."""

import re

import numpy as np

from layergate.preflight.rule import Block, Finding, Findings, Rule, Where

SECTOR_BYTES = 512
"""Smallest block of any storage; all larger ones are this times a power of two."""

_REACH = 128  # sectors: blocks of up to 64 KiB, the largest cluster of usual cards (common practice)
_KEPT_BYTES = 2 * _REACH * SECTOR_BYTES
_SLACK_BYTES = 24  # equal bytes beyond the block's ends that chance explains: the start of a command
_BY_CHANCE = (
    0.6  # share of equal bytes: layers that repeat in text have 0.8 and more, unlike text has some 0.2 (measured)
)
_FAR_BYTES = 4096  # a copy nearer than this is compared with text that it is a part of
_SAME_PLACES = (
    0.5  # share of coordinates; text of other places has a tenth (chance: hundreds of values among ten thousands)
)
_WORDS = re.compile(rb"[XY] *-?[0-9.]+")
_MIX = np.random.default_rng(20).integers(1, 2**63, SECTOR_BYTES // 8, dtype=np.uint64) | np.uint64(1)


class RepeatedBlock(Rule):
    """What it looks for
        A piece of the file, 512 bytes to 64 KiB long and lying on whole blocks of a card or disk, that is a copy of the
        piece before it.

    Why it matters
        Cards and transfers that fail write a block twice, instead of the next one or beside it. What should stand there is
        lost or printed twice, and both copies are faultless text.

    How it decides and when it does not apply
        Sectors of 512 bytes are compared with those up to 64 KiB before. A copy counts where it has a size that cards use
        and ends with the block, to a few bytes. Text that repeats by itself, such as a pattern in relative coordinates,
        goes on beyond the block and does not count; and where the text around is mostly like what stands before it, or goes to
        the same places, a copy can't be told.

    What to do
        Copy the job again from where it was made and compare. If it happens again, suspect the card, the reader or the
        cable.

    Source: cluster sizes of file systems on cards (common practice).
    """

    identifier = "repeated-block"
    severity = "block"
    releasable = False

    def prepare(self) -> None:
        self._tail = b""  # the last bytes of the job so far
        self._tail_at = 0  # their offset
        self._lines_before = 0  # line ends before the tail
        self._hashed = 0  # sectors hashed so far
        self._hashes = np.zeros(0, np.uint64)  # of the last _REACH sectors and the new ones
        self._runs: dict[int, int] = {}  # lag -> sectors in a row that were equal, up to the last one

    def each_block(self, block: Block) -> Findings:
        self._tail += block.raw
        whole = (self._tail_at + len(self._tail)) // SECTOR_BYTES
        if whole > self._hashed:
            yield from self._take(whole)

    def finish(self) -> Findings:
        for lag, run in list(self._runs.items()):
            yield from self._judge(lag, run, self._hashed)

    def _take(self, whole: int) -> Findings:
        begin = self._hashed * SECTOR_BYTES - self._tail_at
        end = whole * SECTOR_BYTES - self._tail_at
        words = np.frombuffer(self._tail[begin:end], np.uint64).reshape(-1, SECTOR_BYTES // 8)
        fresh = (words * _MIX).sum(axis=1, dtype=np.uint64)
        self._hashes = np.concatenate((self._hashes[-_REACH:], fresh))
        new, known = len(fresh), len(self._hashes)
        first = known - new
        # Most jobs have no two sectors alike within reach: one look tells.
        alike = bool(self._runs) or len(set(self._hashes.tolist())) < known
        for lag in range(1, min(_REACH, known - 1) + 1) if alike else ():
            at = max(first, lag)
            equal = self._hashes[at:] == self._hashes[at - lag : known - lag]
            if not equal.any() and lag not in self._runs:
                continue
            run = self._runs.pop(lag, 0)
            for step, same in enumerate(equal.tolist()):
                if same:
                    run += 1
                elif run:
                    yield from self._judge(lag, run, whole - len(equal) + step)
                    run = 0
            if run:
                self._runs[lag] = run
        self._hashed = whole
        self._forget()

    def _forget(self) -> None:
        cut = len(self._tail) - _KEPT_BYTES
        if cut > 0:
            self._lines_before += self._tail.count(b"\n", 0, cut)
            self._tail_at += cut
            self._tail = self._tail[cut:]

    def _judge(self, lag: int, run: int, end_sector: int) -> Findings:
        """Judge sectors [end - run, end) that equal those ``lag`` sectors before."""
        if run & (run - 1) or lag % run or run > _REACH:
            return
        begin = (end_sector - run) * SECTOR_BYTES - self._tail_at
        end, back = end_sector * SECTOR_BYTES - self._tail_at, lag * SECTOR_BYTES
        if begin - back < 0:
            return
        text = self._tail
        if not text[begin:end].strip(b"\0"):
            return  # a zeroed block is lost, not repeated: another rule's finding
        before = 0
        while (
            before <= _SLACK_BYTES
            and begin - back - before > 0
            and text[begin - 1 - before] == text[begin - back - 1 - before]
        ):
            before += 1
        after = 0
        while after <= _SLACK_BYTES and end + after < len(text) and text[end + after] == text[end - back + after]:
            after += 1
        if self._repeats_itself(begin, end, back) or (run < lag and self._same_places(begin, end, back)):
            return
        # At an end of the file nothing shows how far the equality would have gone.
        ends = (begin - back - before > 0) + (end + after < len(text))
        if before <= _SLACK_BYTES and after <= _SLACK_BYTES and ends:
            yield self._finding(begin, run, lag)

    def _repeats_itself(self, begin: int, end: int, back: int) -> bool:
        """Say whether the text on either side is much like what stands as far before it, so that a sector may be by chance."""
        data = np.frombuffer(self._tail, np.uint8)
        for first, last in ((max(back, begin - SECTOR_BYTES), begin), (end, min(len(data), end + SECTOR_BYTES))):
            if last - first >= SECTOR_BYTES // 4:
                alike = float((data[first:last] == data[first - back : last - back]).mean())
                if alike > _BY_CHANCE:
                    return True
        return False

    def _same_places(self, begin: int, end: int, back: int) -> bool:
        """Say whether the text around goes to the same places as that around the first copy, far before it.

        Layers of upright walls do: of their text some sectors are equal by chance, however the lines between have moved.
        """
        if back < _FAR_BYTES:
            return False
        text = self._tail
        here = _WORDS.findall(text[max(0, begin - SECTOR_BYTES) : begin]) + _WORDS.findall(
            text[end : end + SECTOR_BYTES]
        )
        there = set(_WORDS.findall(text[max(0, begin - back - _FAR_BYTES // 2) : end - back + _FAR_BYTES // 2]))
        return sum(word in there for word in here) > _SAME_PLACES * len(here)

    def _finding(self, begin: int, run: int, lag: int) -> Finding:
        size = run * SECTOR_BYTES
        first = self._lines_before + self._tail.count(b"\n", 0, begin) + 1
        last = first + self._tail.count(b"\n", begin, begin + size)
        offset = self._tail_at + begin
        return self.finding(
            f"{size:,} bytes from byte {offset:,} are a copy of those {lag * SECTOR_BYTES:,} bytes before: "
            f"a block of the storage stands twice.",
            "Copy the job again from where it was made; if it happens again, suspect the card or the transfer.",
            where=Where(lines=(first, last)),
            evidence={"bytes": size, "first_byte": offset, "copied_from_byte": offset - lag * SECTOR_BYTES},
        )
