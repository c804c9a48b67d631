"""Texts that the printer says, in two reply lineages (facts 1.2). Pure functions of their arguments.

`common`: `ok`, `Error:...` with `Resend: n` and an `ok` behind it, `echo:busy: processing`, `echo:` remarks.
`numbered`: `ok n`, `rs n` with nothing behind it, `wait` when idle, `!!` before it shuts down, `//` remarks.
"""

from __future__ import annotations

from layergate_sim.printer.settings import Lineage

CAPABILITIES = (
    "EEPROM:0",
    "VOLUMETRIC:1",
    "AUTOREPORT_POS:0",
    "AUTOREPORT_TEMP:1",
    "PROGRESS:0",
    "PRINT_JOB:0",
    "RUNOUT:0",
    "Z_PROBE:0",
    "SOFTWARE_POWER:0",
    "SDCARD:0",
    "HOST_ACTION_COMMANDS:0",
    "PROMPT_SUPPORT:0",
    "ARCS:1",
    "CHAMBER_TEMPERATURE:0",
)


def greeting(lineage: Lineage) -> list[str]:
    """What is said once after power-on or reset."""
    if lineage == "numbered":
        return ["start"]
    return ["start", "echo:layergate-sim, a simulated printer"]


def acknowledgement(lineage: Lineage, number: int | None, extras: str) -> str:
    """`ok`, with the line's number in the numbered lineage, and extras such as temperatures."""
    text = "ok" if lineage == "common" or number is None else f"ok {number}"
    return f"{text} {extras}" if extras else text


def resend(lineage: Lineage, reason: str, wanted: int) -> list[str]:
    """What is said about a line that was not accepted."""
    if lineage == "numbered":
        return [f"rs {wanted}"]
    return [f"Error:{reason}", f"Resend: {wanted}", "ok"]


def busy(lineage: Lineage, why: str) -> str:
    """Sign of life while a line blocks; `why` is processing, paused for user or paused for input."""
    return f"echo:busy: {why}" if lineage == "common" else f"busy: {why}"


def fatal(lineage: Lineage, reason: str) -> list[str]:
    """What is said when the printer shuts itself down."""
    if lineage == "numbered":
        return [f"// {reason}", "!!"]
    return [f"Error:{reason}", "Error:Printer halted. Switch it off and on, or send M999."]


def remark(lineage: Lineage, text: str) -> str:
    """Information that asks for nothing."""
    return f"echo:{text}" if lineage == "common" else f"// {text}"


def capabilities(lineage: Lineage, tools: int, *, emergency_parser: bool, thermal_guards: bool) -> list[str]:
    """Answer to M115."""
    name = "layergate-sim" if lineage == "common" else "layergate-sim-numbered"
    caps = [
        *CAPABILITIES,
        f"EMERGENCY_PARSER:{int(emergency_parser)}",
        f"THERMAL_PROTECTION:{int(thermal_guards)}",
    ]
    return [
        f"FIRMWARE_NAME:{name} PROTOCOL_VERSION:1.0 MACHINE_TYPE:Simulated printer EXTRUDER_COUNT:{tools}",
        *[f"Cap:{cap}" for cap in caps],
    ]
