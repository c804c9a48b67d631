"""``python -m layergate.link``: run one link process."""

import argparse
import asyncio
import sys
from pathlib import Path

from layergate.link import log
from layergate.link.limits import Limits
from layergate.link.process import LINGER_S, LinkConfig, LinkProcess
from layergate.link.server import SocketTakenError
from layergate.link.settings import Settings
from layergate.link.transports import Endpoint, make_transport


def parse(arguments: list[str] | None = None) -> LinkConfig:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m layergate.link", description="Feeds one printer.")
    parser.add_argument("--name", required=True, help="the printer's name, for log lines")
    parser.add_argument("--device", required=True, help="path, socket://HOST:PORT or rfc2217://HOST:PORT")
    parser.add_argument("--baud", type=int, default=115200)
    parser.add_argument("--socket", type=Path, required=True, help="Unix socket to serve")
    parser.add_argument("--ring", type=int, metavar="BYTES", help="receive ring of the printer, where known")
    parser.add_argument(
        "--boot-wait",
        type=float,
        metavar="SECONDS",
        help="listen this long after opening, for opening may reset the printer (default: 0.5 for socket://, else 2.5)",
    )
    parser.add_argument("--no-line-numbers", action="store_true", help="the printer takes no numbers and checksums")
    parser.add_argument("--reset-on-open", choices=["keep", "pulse"], default="keep", help="DTR when opening")
    parser.add_argument(
        "--actions",
        default="pause,paused,resume,resumed,cancel",
        help="requests of the printer (// action:) that are honoured, with commas; empty for none",
    )
    parser.add_argument(
        "--position-witness",
        action="store_true",
        help="compare M114 with the plan at layers (if it does not stop there)",
    )
    parser.add_argument(
        "--linger",
        type=float,
        default=LINGER_S,
        metavar="SECONDS",
        help="end after so long with nothing to print and no service connected (default: %(default)g)",
    )
    parser.add_argument(
        "--paused-limit",
        type=float,
        default=Settings().paused_limit_s,
        metavar="SECONDS",
        help="end a run, heaters off, that is paused for so long (default: %(default)g)",
    )
    parser.add_argument("--emergency-parser", choices=["yes", "no"], help="default: as the printer reports")
    given = parser.parse_args(arguments)
    if given.ring is not None and given.ring < 32:
        parser.error("--ring: fewer than 32 bytes hold no line; leave it out where it is not known")
    boot_s = given.boot_wait
    if boot_s is None:
        # Raw TCP has no control lines, so that opening it resets a printer only where a serial server stands between;
        # then its greeting makes us wait all the same.
        boot_s = 0.5 if given.device.startswith("socket://") else Limits().boot_s
    return LinkConfig(
        name=given.name,
        endpoint=Endpoint(device=given.device, baud=given.baud, reset_on_open=given.reset_on_open),
        socket=given.socket,
        ring_bytes=given.ring,
        limits=Limits(boot_s=boot_s),
        numbered=not given.no_line_numbers,
        linger_s=given.linger,
        settings=Settings(
            actions=frozenset(filter(None, given.actions.split(","))),
            position_witness=given.position_witness,
            paused_limit_s=given.paused_limit,
            emergency_parser=None if given.emergency_parser is None else given.emergency_parser == "yes",
        ),
    )


SWITCH_INTERVAL_S = 0.0005
"""The thread that reads and verifies the next block gives way to the printer's lines within this (Python's own 5 ms is a
sixth of the motion that a small printer holds)."""


async def _main(config: LinkConfig) -> None:
    make_transport(config.endpoint, lambda _: None, lambda _: None)  # a wrong name is an error now, not for ever
    await LinkProcess(config).main()


def main() -> int:
    """Run; 0 after an orderly end, 2 for wrong usage, 3 where another process serves the socket."""
    config = parse()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    log.set_up(config.name)
    try:
        asyncio.run(_main(config))
    except SocketTakenError as error:
        log.warning("not-started", reason=error)
        return 3
    except (ValueError, OSError) as error:
        log.warning("not-started", reason=error)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
