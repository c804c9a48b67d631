"""A checked job, block by block: each block's payload is verified against the job index before its lines are given out.

Blocking file access, meant to be called in a worker thread, one block ahead of the printer. Knows no printer.
"""

from pathlib import Path

from layergate.jobindex import JobIndex, JobIndexError, load

Commands = list[tuple[int, bytes]]
"""Commands to send, each with its line of the job, from 1."""


class JobFile:
    """One job and its index.

    Raises:
        JobIndexError: the job is not the one that was checked; by size here, by digest in `block`.
        OSError: it can't be read.
    """

    def __init__(self, job: Path, index: Path) -> None:
        self.index: JobIndex = load(index)
        self._path = job
        self._file = job.open("rb", buffering=0)
        size = self._file.seek(0, 2)
        if size != self.index.size_bytes:
            self._file.close()
            raise JobIndexError(f"{job} has {size} bytes, but {self.index.size_bytes} were checked")
        # Not needed for streaming, and a long job has thousands of each.
        blocks = self.index.blocks
        for column in (blocks.planned_s, blocks.xyz_relative, blocks.e_relative):
            column.clear()

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return len(self.index.blocks.offset)

    def block(self, number: int) -> Commands:
        """Read and verify a block (from 0)."""
        blocks = self.index.blocks
        self._file.seek(blocks.offset[number])
        parts = []
        wanted = blocks.size[number]
        while wanted and (part := self._file.read(wanted)):
            parts.append(part)
            wanted -= len(part)
        payload = self.index.payload_of(number, b"".join(parts))
        return [(at, line) for at, line in enumerate(payload.split(b"\n"), blocks.first_line[number]) if line]

    def close(self) -> None:
        """Close the file."""
        self._file.close()
