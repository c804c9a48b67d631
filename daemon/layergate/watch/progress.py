"""Following one run against its plan: events of the link in, progress and remarks out.

Pure: reads no clock (time comes with the events or as an argument, on the machine's monotonic clock), does no I/O, and
knows the job by its index only. One ``RunWatch`` per run; each remark is made once per cause.
"""

import re
from dataclasses import dataclass
from typing import Any, Literal

from layergate.jobindex import JobIndex
from layergate.link.messages import Event

HEATING_MARGIN_C = 3.0  # nearer to the target than this is not heating any more: a usual hysteresis of M109
SETTLE_AFTER_TARGET_S = 180.0  # a hot end needs a minute or two for a new target; small hot ends less
LIFE_SIGN_S = 30.0  # a 'busy' is repeated every 2 s (facts 1.2, host keepalive); older than this it says nothing
PACE_TRUSTED_S = 60.0  # a first layer is slow by intent, so the first minute says little of the rest
# Without these a part is another, or none. Others (progress, sounds, tuning) are often not known, and harm nothing.
SHAPING = frozenset((
    "G0", "G1", "G2", "G3", "G5", "G10", "G11", "G20", "G28", "G91", "G92", "M83", "M104", "M109", "M140", "M190", "M200",
))  # fmt: skip
COLD_TARGET_C = 50.0  # below this no filament melts: a hot end that is switched off
_COMMAND = re.compile(r"(?P<number>N-?\d+\s*)?(?P<letter>[GMT])0*(?P<code>\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """When a print is off its plan; see the configuration's ``[printers.NAME.watch]``."""

    stall_s: float = 180.0
    busy_stall_s: float = 1200.0
    slow_factor: float = 3.0
    slow_s: float = 300.0
    heat_tolerance_c: float = 15.0
    heat_s: float = 45.0
    position_tolerance_mm: float = 0.1


RemarkName = Literal["stalled", "heat-off-plan", "air-printing", "unknown-command", "endstop-hit", "position-off-plan"]


@dataclass(frozen=True, slots=True)
class Remark:
    """Something is off the plan."""

    name: RemarkName
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where a run is in its layer map."""

    line: int
    lines: int
    layer: int
    """0 before the first layer."""
    layers: int
    z_mm: float | None
    planned_s: float
    """Planned seconds at this line, of motion and dwell."""
    planned_total_s: float
    printing_s: float
    """Seconds since the first layer began, without pauses; 0 before."""
    remaining_s: float
    """Planned seconds that are left, stretched or shortened by how the layers so far kept to their plan."""
    commands: int
    commands_total: int
    resends: int
    hot_end_c: float | None
    hot_end_target_c: float | None
    bed_c: float | None
    bed_target_c: float | None


class RunWatch:
    """Watches one run from its start to its end."""

    def __init__(self, index: JobIndex, limits: Limits | None = None) -> None:
        self.index = index
        self.limits = limits or Limits()
        self.line = 0
        self.layer = 0
        self.commands = 0
        self.resends = 0
        self.paused = False
        self.heat: dict[str, float | None] = {}
        self._advanced_at: float | None = None
        self._life_at: float | None = None
        self._layer_at: float | None = None
        self._first_layer_at: float | None = None
        self._first_layer_planned_s = 0.0
        self._paused_at: float | None = None
        self._paused_s = 0.0
        self._heat_off_since: float | None = None
        self._target_changed_at: float | None = None
        self._now = 0.0
        self._told: set[tuple[str, Any]] = set()
        self._ended = False

    def handle(self, event: Event) -> list[Remark]:
        """Take one event of the run and give what is newly off the plan."""
        now = self._now = max(self._now, event.monotonic_s)
        match event.type:
            case "run-started":
                self._advanced_at = now
            case "progress":
                return self._progress(event.data, now)
            case "temperature":
                return self._temperature(event.data, now)
            case "busy":
                self._life_at = now
            case "position":
                return self._position(event.data)
            case "paused":
                self._pause(now)
            case "resumed":
                self._resume(now)
            case "resend":
                self.resends = int(event.data.get("count", self.resends + 1))
            case "remark" if event.data.get("kind") == "cold-extrusion":
                return self._once(
                    "air-printing",
                    None,
                    f"the printer lays no plastic: it refused to extrude cold in layer {self.layer} "
                    f"(line {self.line}): {event.data.get('text', '')}".rstrip(": "),
                )
            case "remark" if event.data.get("kind") == "unknown-command":
                return self._unknown(str(event.data.get("text", "")))
            case "remark" if event.data.get("kind") == "endstop":
                return self._once(
                    "endstop-hit",
                    None,
                    f"an axis ran into its end stop in layer {self.layer} (line {self.line}), so layers above are shifted: "
                    f"{event.data.get('text', '')}. Look at the printer.",
                )
            case "run-ended":
                self.line = int(event.data.get("line", self.line) or self.line)
                self.commands = int(event.data.get("commands", self.commands) or self.commands)
                if event.data.get("outcome") == "completed":
                    self.line = self.index.lines
                    self.layer = len(self.index.layers.z_mm)
                self._ended = True
        return []

    def tick(self, now: float) -> list[Remark]:
        """Give what is off the plan because nothing happened; call it every few seconds."""
        now = self._now = max(self._now, now)
        if self.paused or self._ended or self._advanced_at is None:
            return []
        found = []
        quiet_s = now - self._advanced_at
        alive = self._life_at is not None and now - self._life_at < LIFE_SIGN_S
        limit_s = self.limits.busy_stall_s if alive or self._heating() else self.limits.stall_s
        if quiet_s > limit_s:
            what = "still heating or busy" if alive or self._heating() else "without a sign of a long command"
            found += self._once(
                "stalled",
                ("quiet", self.line),
                f"no line was taken for {quiet_s:.0f} s, {what}: layer {self.layer} of {len(self.index.layers.z_mm)}, "
                f"line {self.line}. Look at the printer.",
            )
        if self._layer_at is not None and 1 <= self.layer <= len(self.index.layers.planned_s):
            planned_s = self.index.layers.planned_s[self.layer - 1]
            took_s = now - self._layer_at
            if took_s > self.limits.slow_factor * planned_s + self.limits.slow_s:
                found += self._once(
                    "stalled",
                    ("slow", self.layer),
                    f"layer {self.layer} has taken {took_s:.0f} s where {planned_s:.0f} s were planned",
                )
        return found

    def progress(self) -> Progress:
        """Give where the run is, as of the latest event or tick."""
        planned_s = self.index.planned_s_at(self.line) if self.line else 0.0
        total_s = self.index.print_seconds
        if self.line >= self.index.lines:
            planned_s = total_s
        printing_s = 0.0
        if self._first_layer_at is not None:
            until = self._paused_at if self._paused_at is not None else self._now
            printing_s = max(0.0, until - self._first_layer_at - self._paused_s)
        layers = self.index.layers
        return Progress(
            line=self.line,
            lines=self.index.lines,
            layer=self.layer,
            layers=len(layers.z_mm),
            z_mm=layers.z_mm[self.layer - 1] if 1 <= self.layer <= len(layers.z_mm) else None,
            planned_s=planned_s,
            planned_total_s=total_s,
            printing_s=printing_s,
            remaining_s=max(0.0, total_s - planned_s) * self._pace(planned_s, printing_s),
            commands=self.commands,
            commands_total=self.index.commands,
            resends=self.resends,
            hot_end_c=self.heat.get("hot_end_c"),
            hot_end_target_c=self.heat.get("hot_end_target_c"),
            bed_c=self.heat.get("bed_c"),
            bed_target_c=self.heat.get("bed_target_c"),
        )

    def _pace(self, planned_s: float, printing_s: float) -> float:
        """Give actual over planned time so far, trusted the more of the plan it rests on: half after a minute."""
        planned_since_first_s = planned_s - self._first_layer_planned_s
        if planned_since_first_s <= 0.0 or printing_s <= 0.0:
            return 1.0
        weight = planned_since_first_s / (planned_since_first_s + PACE_TRUSTED_S)
        return 1.0 - weight + weight * printing_s / planned_since_first_s

    def _progress(self, data: dict[str, Any], now: float) -> list[Remark]:
        line = int(data.get("line", 0))
        if line > self.line or self._advanced_at is None:
            self._advanced_at = now
        self.line = max(self.line, line)
        self.commands = int(data.get("commands", self.commands))
        # A clock at which the layer map is read, not the layer of the event alone: the map is what was checked.
        layer = self.index.layer_at(self.line)
        if layer != self.layer:
            self.layer = layer
            self._layer_at = now
            if layer and self._first_layer_at is None:
                self._first_layer_at = now
                self._first_layer_planned_s = self.index.planned_s_at(self._first_line_of(layer))
                self._paused_s = 0.0
        return self._check_heat(now)

    def _first_line_of(self, layer: int) -> int:
        return self.index.layers.first_line[layer - 1] if layer <= len(self.index.layers.first_line) else self.line

    def _pause(self, now: float) -> None:
        if not self.paused:
            self.paused, self._paused_at = True, now

    def _resume(self, now: float) -> None:
        if self.paused and self._paused_at is not None:
            gone_s = now - self._paused_at
            self._paused_s += gone_s
            if self._layer_at is not None:
                self._layer_at += gone_s
        self.paused, self._paused_at = False, None
        self._advanced_at = now

    def _heating(self) -> bool:
        for name in ("hot_end", "bed"):
            actual, target = self.heat.get(f"{name}_c"), self.heat.get(f"{name}_target_c")
            if actual is not None and target is not None and actual < target - HEATING_MARGIN_C:
                return True
        return False

    def _temperature(self, data: dict[str, Any], now: float) -> list[Remark]:
        before = self.heat.get("hot_end_target_c")
        for key in ("hot_end_c", "hot_end_target_c", "bed_c", "bed_target_c"):
            if data.get(key) is not None:
                self.heat[key] = float(data[key])
        if self.heat.get("hot_end_target_c") != before:
            self._target_changed_at = now
            self._heat_off_since = None
        return self._check_heat(now)

    def _check_heat(self, now: float) -> list[Remark]:
        """Hold the hot end against its target, as the printer reports both, while layers are laid."""
        actual, target = self.heat.get("hot_end_c"), self.heat.get("hot_end_target_c")
        last_deposit = self.index.layers.last_line[-1] if self.index.layers.last_line else 0
        laying = self.layer >= 1 and self.line < last_deposit and not self.paused
        if actual is None or target is None or not laying:
            self._heat_off_since = None
            return []
        off = target < COLD_TARGET_C or abs(actual - target) > self.limits.heat_tolerance_c
        settling = (
            target >= COLD_TARGET_C
            and self._target_changed_at is not None
            and now - self._target_changed_at < SETTLE_AFTER_TARGET_S
        )
        if not off or settling:
            self._heat_off_since = None
            return []
        if self._heat_off_since is None:
            self._heat_off_since = now
        if now - self._heat_off_since < self.limits.heat_s:
            return []
        if target < COLD_TARGET_C:
            text = f"the hot end is switched off (target {target:.0f} °C) while layer {self.layer} is being laid"
        else:
            text = f"the hot end is at {actual:.0f} °C for a target of {target:.0f} °C in layer {self.layer}"
        return self._once("heat-off-plan", ("target", target), f"{text}. Look at the printer.")

    def _unknown(self, text: str) -> list[Remark]:
        """Tell of a command that the printer does not know, if the part depends on it; once each."""
        match = _COMMAND.search(text.upper())
        code = match["letter"] + match["code"] if match else ""
        if match is None or code not in SHAPING:
            return []
        numbered = "It does not read line numbers: set line_numbers = false in the description's [printer.dialect]"
        dialect = "The job is of another dialect than the printer: cancel it, and write it anew for this printer"
        return self._once(
            "unknown-command",
            "numbers" if match["number"] else code,
            f"the printer does not know {code}, on which the part depends (layer {self.layer}, line {self.line}): "
            f"{text}. {numbered if match['number'] else dialect}.",
        )

    def _position(self, data: dict[str, Any]) -> list[Remark]:
        """Hold the position that the printer reports against the plan; no axis may be planned, after homing say."""
        off_mm = data.get("off_mm")
        if off_mm is None or off_mm <= self.limits.position_tolerance_mm:
            return []
        reported, planned = (_place(data.get(key)) for key in ("reported_mm", "planned_mm"))
        return self._once(
            "position-off-plan",
            None,
            f"the printer is {off_mm:.2f} mm off its plan in layer {self.layer} (line {data.get('line')}): it says {reported}, "
            f"planned is {planned}. A line came through as another, or its origin moved. Look at the printer.",
        )

    def _once(self, name: RemarkName, cause: object, text: str) -> list[Remark]:
        if (name, cause) in self._told:
            return []
        self._told.add((name, cause))
        return [Remark(name, text)]


def _place(position_mm: list[float | None] | None) -> str:
    """Give a position in words."""
    axes = zip("XYZ", position_mm or (), strict=False)
    return " ".join(f"{axis} {at:.2f}" for axis, at in axes if at is not None) or "nothing"
