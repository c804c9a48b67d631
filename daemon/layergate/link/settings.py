"""What the owner of a link may set, and the streamer's intervals, each with its reason. Data only."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the owner of a link may set, and times in seconds."""

    actions: frozenset[str] = frozenset({"pause", "paused", "resume", "resumed", "cancel"})
    """``// action:`` requests of the printer that are honoured."""
    emergency_parser: bool | None = None
    """M108 and M112 are acted on from the byte stream; None: as the printer reports."""
    poll_s: float = 2.0
    """M105 this often where the printer does not report temperatures by itself."""
    report_s: int = 2
    """Interval asked for with M155."""
    heartbeat_s: float = 10.0
    """M105 this often where it does: a proof of life, and a certain acknowledgement among plain ones."""
    certain_every_lines: int = 500
    """M105 after so many lines: its answer names the line it belongs to, and corrects lost and doubled ones."""
    progress_s: float = 0.5
    safe_end_s: float = 30.0
    """Wait so long for the acknowledgement of heaters-off before the run counts as ended."""
    paused_limit_s: float = 3600.0
    """A run that is paused for so long ends, heaters off, whether a service is there or not: hot and without anybody near,
    a printer is a fire hazard. An hour is time enough to fetch filament or to clear a nozzle (common practice)."""
    paused_notice_s: float = 600.0
    """That is told so long before, at most halfway."""
    identity_s: float = 0.3
    """Firmware that acknowledges on reception answers M115 after its ``ok``: wait so long."""
    temperature_s: float = 0.9
    """Temperature events at most this often."""
    same_remark_s: float = 10.0
    """The same remark again only after this: one lineage repeats it with every move."""
    resend_event_s: float = 1.0
    """Resend events at most this often; each carries the count so far."""
    busy_event_s: float = 10.0
    position_witness: bool = False
    """Ask for the position (M114) at the first block of each layer and compare it with the plan: it sees what checksums
    can't. Only for printers that answer M114 without stopping."""
