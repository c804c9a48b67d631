"""Safe end: which heaters a run has used, and the commands that switch them off.

Pure. Reads only commands that set temperatures or choose tools. Nothing here moves an axis; the part cooling fan is
left as it is (it cools a hot nozzle, and on some machines it is the hot end's only fan).
"""

import re

_HEATERS = {b"M104": "T", b"M109": "T", b"M140": "B", b"M190": "B", b"M141": "C", b"M191": "C"}
_COMMAND = re.compile(rb"[ \t]*([MmTt])[ \t]*0*([0-9]+)")
_TARGET = re.compile(rb"[SsRr][ \t]*([0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_TOOL = re.compile(rb"[Tt][ \t]*([0-9]+)")


class Heaters:
    """Heater targets as the acknowledged and sent lines of a run have set them."""

    def __init__(self) -> None:
        self._tool = 0
        self._hot_ends: dict[int, float] = {}
        self._bed = 0.0
        self._chamber = 0.0
        self._bed_seen = self._chamber_seen = False

    def see(self, command: bytes) -> None:
        """Take note of a command that is being sent."""
        match = _COMMAND.match(command)
        if not match:
            return
        letter = match[1].upper()
        if letter == b"T":
            self._tool = int(match[2])
            return
        heater = _HEATERS.get(b"M" + match[2])
        if heater is None:
            return
        rest = command[match.end() :]
        target = _TARGET.search(rest)
        if target is None:
            return
        value = float(target[1])
        if heater == "T":
            tool = _TOOL.search(rest)
            self._hot_ends[int(tool[1]) if tool else self._tool] = value
        elif heater == "B":
            self._bed, self._bed_seen = value, True
        else:
            self._chamber, self._chamber_seen = value, True

    @property
    def any_on(self) -> bool:
        """The run has left a heater on, as far as its commands tell."""
        return bool(self._bed or self._chamber or any(self._hot_ends.values()))

    def off(self) -> list[bytes]:
        """Give the commands that switch heaters off, hottest first: the hot end, every tool used, bed, chamber."""
        commands = [b"M104 S0"]
        if set(self._hot_ends) - {self._tool}:
            commands += [b"M104 T%d S0" % tool for tool in sorted(self._hot_ends)]
        commands.append(b"M140 S0")
        if self._chamber_seen:
            commands.append(b"M141 S0")
        return commands
