"""Commands that run the daemon or check its configuration: ``serve`` and ``config check``."""

import asyncio
import logging
import os
import sys
from pathlib import Path

import click

CONFIG_EXIT = 78  # EX_CONFIG of sysexits(3): the unit file does not restart at it, so that a typo does not loop
FAILED_EXIT = 1


def _config_path(path: Path | None) -> Path:
    from layergate.config import default_config_file  # noqa: PLC0415 (commands load only what they need)

    return path or default_config_file()


@click.command()
@click.option("--config", "path", type=click.Path(path_type=Path), help="Configuration file.")
@click.option("--json-log", is_flag=True, help="Log as JSON, one object a line.")
@click.option("--debug", is_flag=True, help="Log more.")
def serve(path: Path | None, json_log: bool, debug: bool) -> None:
    """Run the daemon.

    SIGTERM stops it in good order; a print goes on in its link process and is followed again after the next start.
    """
    from layergate.config import TomlFileError, load_config  # noqa: PLC0415

    try:
        config = load_config(_config_path(path))
    except TomlFileError as error:
        click.echo(str(error), err=True)
        sys.exit(CONFIG_EXIT)
    from layergate.jobs.errors import JournalError  # noqa: PLC0415 (a wrong file is told at once, the rest takes a second)
    from layergate.service import Service  # noqa: PLC0415

    set_up_log(json_log=json_log, debug=debug)

    async def main() -> None:
        await Service(config).run()

    try:
        asyncio.run(main())
    except (JournalError, OSError) as error:
        click.echo(f"layergate: {error}", err=True)
        sys.exit(FAILED_EXIT)


def set_up_log(*, json_log: bool, debug: bool) -> None:
    """Log to standard error: key=value, with the time only where the journal does not add its own; JSON on request."""
    import structlog  # noqa: PLC0415

    chain: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
    ]
    if "JOURNAL_STREAM" not in os.environ:
        chain.append(structlog.processors.TimeStamper(fmt="iso", utc=True))
    chain.append(structlog.processors.format_exc_info)
    if json_log:
        chain.append(structlog.processors.JSONRenderer())
    else:
        chain.append(structlog.processors.LogfmtRenderer(key_order=["timestamp", "level", "event"], drop_missing=True))
    structlog.configure(
        processors=chain,
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if debug else logging.INFO),
        logger_factory=structlog.WriteLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
    # Libraries log through the standard library; their warnings and errors are wanted.
    logging.basicConfig(
        level=logging.WARNING, stream=sys.stderr, format="level=%(levelname)s event=%(message)r from=%(name)s"
    )


@click.group(name="config")
def config_group() -> None:
    """Look at the daemon's configuration."""


@config_group.command(name="check")
@click.argument("path", required=False, type=click.Path(path_type=Path))
def config_check(path: Path | None) -> None:
    """Check the configuration and the printer descriptions that it names: every mistake, with line and key.

    Exit 0: nothing wrong; 1: mistakes; each on a line of its own. What may well be right later, such as a printer that
    is switched off now, is said and is no mistake.
    """
    from layergate.config import TomlFileError, load_config  # noqa: PLC0415
    from layergate.printer import load_description  # noqa: PLC0415

    chosen = _config_path(path)
    problems: list[str] = []
    remarks: list[str] = []
    try:
        config = load_config(chosen)
    except TomlFileError as error:
        problems = error.problems
    else:
        for name, printer in config.printers.items():
            if "://" not in printer.device and not Path(printer.device).exists():
                remarks.append(
                    f"printers.{name}.device: {printer.device} is not there now: is the printer switched on and plugged in? "
                    "'ls /dev/serial/by-id' shows what is"
                )
            if printer.description is None:
                remarks.append(
                    f"printers.{name}: no description, so rules that need a limit of the machine do not apply"
                )
                continue
            try:
                load_description(printer.description)
            except TomlFileError as error:
                problems += error.problems
        if config.mqtt and config.mqtt.password_file and not config.mqtt.password_file.is_file():
            problems.append(f"{chosen}: mqtt.password_file: {config.mqtt.password_file} is not there")
    for line in problems + remarks:
        click.echo(line)
    if problems:
        click.echo("1 mistake" if len(problems) == 1 else f"{len(problems)} mistakes", err=True)
        sys.exit(FAILED_EXIT)
    click.echo(f"{chosen}: nothing wrong; printers: {', '.join(config.printers)}")


COMMANDS: list[click.Command] = [serve, config_group]
