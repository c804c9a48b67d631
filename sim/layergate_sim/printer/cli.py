"""`layergate-sim printer`: options to settings, a transport, signals, and the report at the end."""

from __future__ import annotations

import json
import math
import signal
from pathlib import Path
from typing import Any

import click

from layergate_sim.printer import (
    FileRecords,
    Instruction,
    MotionSettings,
    PrinterSettings,
    Scenario,
    ScenarioError,
    SimulatedPrinter,
    load_scenario,
    read_faults,
)
from layergate_sim.printer.scenario import SCENARIO_HELP, VERBS
from layergate_sim.serve import Stopper, serve
from layergate_sim.transports import PtyTransport, TcpTransport, Transport


class Scale(click.ParamType[Any]):
    """A factor above 0, or inf."""

    name = "factor"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Text to number."""
        try:
            number = float(value)
        except ValueError:
            self.fail(f"{value!r} is not a number or 'inf'", param, ctx)
        if not number > 0:
            self.fail("must be above 0", param, ctx)
        return number


class Numbers(click.ParamType[Any]):
    """So many numbers with a separator between them."""

    def __init__(self, count: int, separator: str, what: str) -> None:
        self._count, self._separator = count, separator
        self.name = what

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Text to numbers."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = tuple(float(part) for part in str(value).split(self._separator))
        except ValueError:
            numbers = ()
        if len(numbers) != self._count or not all(0 < number < math.inf for number in numbers):
            self.fail(f"{value!r} is not of the form {self.name}, {self._count} numbers above 0", param, ctx)
        return numbers


class Address(click.ParamType[Any]):
    """HOST:PORT; port 0 takes a free one."""

    name = "host:port"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, int]:
        """Text to address."""
        if isinstance(value, tuple):
            return value
        host, colon, port = str(value).rpartition(":")
        if not colon or not host or not port.isdigit() or int(port) > 65535:
            self.fail(f"{value!r} is not HOST:PORT, for example 127.0.0.1:8888", param, ctx)
        return host.strip("[]"), int(port)


def _from_scenario(scenario: Scenario, options: dict[str, Any], path: Path) -> None:
    """Settings from the head of a scenario fill in what the command line left open. Raises click errors."""
    kinds = {
        "seed": int,
        "time-scale": float,
        "baud": int,
        "latency": float,
        "lineage": str,
        "ring": int,
        "emergency-parser": lambda text: {"yes": True, "no": False}[text],
    }
    for key, text in scenario.settings.items():
        if key not in kinds:
            raise click.BadParameter(f"{path}: unknown setting {key!r}; known are: {', '.join(kinds)}")
        try:
            value = kinds[key](text)  # type: ignore[operator]  # each is a callable of one text
        except (ValueError, KeyError):
            raise click.BadParameter(f"{path}: {key}: {text!r} can't be used") from None
        name = key.replace("-", "_")
        if options[name] is None:
            options[name] = value


def _list_faults(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    """Every fault with its arguments (and their defaults), and how to write scenario files."""
    if not wanted or ctx.resilient_parsing:
        return
    for name, verb in VERBS.items():
        arguments = " ".join(kind if default is None else f"[{kind}={default}]" for kind, default in verb.arguments)
        click.echo(f"{name:18} {arguments:28} {verb.does}")
    click.echo(f"\n{SCENARIO_HELP}")
    ctx.exit()


@click.command("printer")
@click.option("--pty", type=click.Path(path_type=Path), help="Make a pty with a symlink to it at this path.")
@click.option("--tcp", type=Address(), help="Listen on this TCP port (port 0: any free one).")
@click.option("--time-scale", type=Scale(), help="Printer seconds per second; inf: as fast as possible. [1]")
@click.option("--baud", type=click.IntRange(min=300), help="Pace both directions to this baud rate. [not paced]")
@click.option("--latency", type=click.FloatRange(min=0), help="Delay of the wire, s, each way. [0]")
@click.option("--fault", "faults", multiple=True, help="NAME=RATE, NAME-at-line=N, NAME-at=TIME, NAME-every=N; commas.")
@click.option(
    "--list-faults",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_list_faults,
    help="Name the faults and end.",
)
@click.option("--scenario", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Faults from a file.")
@click.option("--seed", type=int, help="Seed of everything random. [0]")
@click.option("--record", type=click.Path(path_type=Path), help="Write every executed command to this file.")
@click.option("--deposits", type=click.Path(path_type=Path), help="Write what is laid where to this file (CSV).")
@click.option("--lineage", type=click.Choice(["common", "numbered"]), help="Reply lineage. [common]")
@click.option("--ring", type=click.IntRange(min=0), help="Receive ring, bytes; 0: no limit. [128]")
@click.option("--slots", type=click.IntRange(min=1), default=4, show_default=True, help="Command slots.")
@click.option("--max-line", type=click.IntRange(min=16), default=96, show_default=True, help="Longest line, bytes.")
@click.option("--advanced-ok", is_flag=True, help="Acknowledgements tell free planner blocks and command slots.")
@click.option("--flush-on-error", is_flag=True, help="Lose the ring's content when a line is refused.")
@click.option("--numbered-only", is_flag=True, help="Refuse lines without number and checksum.")
@click.option("--emergency-parser/--no-emergency-parser", default=None, help="Act on M108, M112, M410 at once. [yes]")
@click.option("--thermal-guards/--no-thermal-guards", default=True, help="Thermal protection. [yes]")
@click.option("--reset-on-open", is_flag=True, help="Restart whenever a host opens the port.")
@click.option("--volume", type=Numbers(3, "x", "XxYxZ"), default="235x235x250", show_default=True, help="Volume, mm.")
@click.option("--tools", type=click.IntRange(min=1), default=1, show_default=True, help="Tools that share the nozzle.")
@click.option("--filament-diameter", type=click.FloatRange(min=0.1), default=1.75, show_default=True, help="mm.")
@click.option("--accel", type=click.FloatRange(min=1), default=1000.0, show_default=True, help="Acceleration, mm/s2.")
@click.option("--junction-deviation", type=click.FloatRange(min=1e-4), default=0.05, show_default=True, help="mm.")
@click.option("--max-speed", type=Numbers(4, ",", "X,Y,Z,E"), default="300,300,12,60", show_default=True, help="mm/s.")
@click.option("--json", "as_json", is_flag=True, help="Print the report at the end as one line of JSON.")
def printer(**options: Any) -> None:
    """A simulated filament printer. Prints 'ready PATH' once it can be opened; ends on SIGTERM or Ctrl-C with a report.

    Nothing moves and nothing gets hot here. What a host sends to a real printer does both: try new things here first.
    """
    if (options["pty"] is None) == (options["tcp"] is None):
        raise click.UsageError("give exactly one of --pty PATH and --tcp HOST:PORT")
    instructions: list[Instruction] = []
    try:
        if options["scenario"]:
            scenario = load_scenario(options["scenario"])
            instructions += scenario.instructions
            _from_scenario(scenario, options, options["scenario"])
        for text in options["faults"]:
            instructions += read_faults(text)
        settings = _settings(options)
    except (ScenarioError, ValueError, OSError, UnicodeDecodeError) as error:
        raise click.UsageError(str(error)) from error
    try:
        records = FileRecords(options["record"], options["deposits"])
    except OSError as error:
        raise click.ClickException(f"can't write the record: {error}") from error
    try:
        transport: Transport = PtyTransport(options["pty"]) if options["pty"] else TcpTransport(*options["tcp"])
    except OSError as error:
        raise click.ClickException(f"can't listen at {options['pty'] or options['tcp']}: {error}") from error
    device = SimulatedPrinter(settings, faults=instructions, records=records)
    stopper = Stopper()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopper.stop())
    serve(device, transport, stopper, ready=lambda name: click.echo(f"ready {name}"))
    records.close()
    report = device.report()
    if options["as_json"]:
        click.echo(json.dumps(report))
    else:
        for key, value in report.items():
            click.echo(f"{key:22} {value}")


def _settings(options: dict[str, Any]) -> PrinterSettings:
    """Settings from options; what neither command line nor scenario says keeps its default."""
    given = {
        "time_scale": options["time_scale"],
        "baud": options["baud"],
        "latency_s": options["latency"],
        "seed": options["seed"],
        "lineage": options["lineage"],
        "ring_bytes": options["ring"],
        "emergency_parser": options["emergency_parser"],
    }
    accel = options["accel"]
    return PrinterSettings(
        **{key: value for key, value in given.items() if value is not None},
        command_slots=options["slots"],
        max_line_bytes=options["max_line"],
        advanced_ok=options["advanced_ok"],
        flush_on_error=options["flush_on_error"],
        numbered_only=options["numbered_only"],
        thermal_guards=options["thermal_guards"],
        reset_on_open=options["reset_on_open"],
        volume_mm=options["volume"],
        tools=options["tools"],
        filament_diameter_mm=options["filament_diameter"],
        motion=MotionSettings(
            max_speed_mm_s=options["max_speed"],
            print_accel_mm_s2=accel,
            travel_accel_mm_s2=accel,
            retract_accel_mm_s2=accel,
            junction_deviation_mm=options["junction_deviation"],
        ),
    )
