"""Totals of a simulated printer as one flat dictionary, ready for JSON. Reads the printer, changes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from layergate_sim.printer.device import SimulatedPrinter


def report_of(printer: SimulatedPrinter) -> dict[str, Any]:
    """Totals since power-on: printer seconds, mm, mm3, bytes; counts of each fault that really happened.

    `motion_seconds` is the planned time of every block that was begun, without heating, homing and dwell, which have
    their own totals; `planner_rests` says how often motion stopped because nothing was queued.
    """
    machine, planner, seconds = printer.machine, printer.machine.planner, printer.seconds
    return {
        "state": printer.state,
        "printer_seconds": round(printer.t, 3),
        "motion_seconds": round(planner.motion_s, 6),
        "heating_seconds": round(seconds["heating"], 3),
        "dwell_seconds": round(seconds["dwell"], 3),
        "homing_seconds": round(seconds["homing"] + seconds["probing"], 3),
        "paused_seconds": round(seconds["paused"], 3),
        "commands_accepted": printer.accepted,
        "commands_executed": printer.command_number,
        "unknown_commands": printer.unknown_commands,
        "cold_moves": printer.cold_moves,
        "blocks_run": planner.blocks_run,
        "blocks_abandoned": machine.blocks_abandoned,
        "planner_rests": planner.rests,
        "positions_clamped": machine.clamped,
        "filament_pushed_mm": round(machine.pushed_mm, 5),
        "filament_pulled_mm": round(machine.pulled_mm, 5),
        "filament_laid_mm": round(machine.laid_mm, 5),
        "volume_laid_mm3": round(machine.laid_mm * machine.filament_area_mm2, 5),
        "deposits": machine.deposits,
        "bytes_in": printer.bytes_in,
        "bytes_out": printer.bytes_out,
        "bytes_unheard": printer.bytes_unheard,
        "ring_overrun_bytes": printer.reader.overrun_bytes,
        "lines_cut": printer.reader.lines_cut,
        "lines_refused": dict(printer.refused),
        "resets": printer.resets,
        "faults": dict(printer.faults.counts),
    }
