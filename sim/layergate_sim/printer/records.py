"""What the printer did, kept for others: every executed command, and every deposit of material.

Refuses to know how either came about. Files get what is complete before any reply to it leaves the printer, so a killed
process has lost nothing that the other side was told about.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

DEPOSIT_COLUMNS = "command,t_s,x0,y0,z0,x1,y1,z1,filament_mm,volume_mm3"


class Deposit(NamedTuple):
    """Material laid from one point to another (the same point twice: a blob).

    `command` counts executed commands from 1, so it is also the line of the record file; `t_s` is printer time at the
    end; positions in mm in machine coordinates, where the nozzle really was; filament in mm; volume in mm3.
    """

    command: int
    t_s: float
    x0: float
    y0: float
    z0: float
    x1: float
    y1: float
    z1: float
    filament_mm: float
    volume_mm3: float


class Records(Protocol):
    """Where records go."""

    def command(self, payload: bytes) -> None:
        """One command begins to be executed."""

    def deposit(self, deposit: Deposit) -> None:
        """One piece of material has been laid."""

    def flush(self) -> None:
        """Called before replies leave the printer."""


class MemoryRecords:
    """Keeps everything in two lists."""

    def __init__(self) -> None:
        self.commands: list[bytes] = []
        self.deposits: list[Deposit] = []

    def command(self, payload: bytes) -> None:
        """Keep one command."""
        self.commands.append(payload)

    def deposit(self, deposit: Deposit) -> None:
        """Keep one deposit."""
        self.deposits.append(deposit)

    def flush(self) -> None:
        """Nothing to do."""


class NoRecords:
    """Keeps nothing."""

    def command(self, payload: bytes) -> None:
        """Forget it."""

    def deposit(self, deposit: Deposit) -> None:
        """Forget it."""

    def flush(self) -> None:
        """Nothing to do."""


class FileRecords:
    """Writes commands (one a line, as received) and deposits (CSV with a header) to files; either path may be None.

    Raises OSError when a file can't be made or written.
    """

    def __init__(self, commands: Path | None, deposits: Path | None) -> None:
        self._commands_file = commands.open("wb") if commands else None
        self._deposits_file = deposits.open("wb") if deposits else None
        self._commands: list[bytes] = []
        self._deposits: list[Deposit] = []
        if self._deposits_file:
            self._deposits_file.write(DEPOSIT_COLUMNS.encode() + b"\n")
            self._deposits_file.flush()

    def command(self, payload: bytes) -> None:
        """Note one command for the next flush."""
        if self._commands_file:
            self._commands.append(payload)

    def deposit(self, deposit: Deposit) -> None:
        """Note one deposit for the next flush."""
        if self._deposits_file:
            self._deposits.append(deposit)

    def flush(self) -> None:
        """Hand everything noted to the operating system."""
        if self._commands and self._commands_file:
            self._commands_file.write(b"\n".join(self._commands) + b"\n")
            self._commands_file.flush()
            self._commands.clear()
        if self._deposits and self._deposits_file:
            row = "%d,%.4f,%.4f,%.4f,%.4f,%.4f,%.4f,%.4f,%.6f,%.6f\n"
            self._deposits_file.write("".join([row % deposit for deposit in self._deposits]).encode())
            self._deposits_file.flush()
            self._deposits.clear()

    def close(self) -> None:
        """Flush and close."""
        self.flush()
        for file in (self._commands_file, self._deposits_file):
            if file:
                file.close()


def read_deposits(path: Path) -> Sequence[Deposit]:
    """Read a deposit file back. A last line cut short by a kill is left out. Raises ValueError for another file."""
    rows: list[Deposit] = []
    with path.open(encoding="ascii") as file:
        if file.readline().strip() != DEPOSIT_COLUMNS:
            raise ValueError(f"{path}: not a deposit record (its first line must be {DEPOSIT_COLUMNS!r})")
        for line in file:
            if not line.endswith("\n"):
                break
            command, *numbers = line.split(",")
            rows.append(Deposit(int(command), *map(float, numbers)))
    return rows
