"""The simulated printer as a device without I/O. Import from here; `layergate_sim.serve` puts it on a pty or a port."""

from layergate_sim.printer.device import SimulatedPrinter
from layergate_sim.printer.records import Deposit, FileRecords, MemoryRecords, NoRecords, read_deposits
from layergate_sim.printer.scenario import (
    Instruction,
    Scenario,
    ScenarioError,
    load_scenario,
    read_faults,
    read_scenario,
)
from layergate_sim.printer.settings import HeaterSettings, MotionSettings, PrinterSettings

__all__ = [
    "Deposit",
    "FileRecords",
    "HeaterSettings",
    "Instruction",
    "MemoryRecords",
    "MotionSettings",
    "NoRecords",
    "PrinterSettings",
    "Scenario",
    "ScenarioError",
    "SimulatedPrinter",
    "load_scenario",
    "read_deposits",
    "read_faults",
    "read_scenario",
]
