"""`layergate-sim`: the command group. Knows which subcommands there are, and loads each only when it is asked for.

A subcommand is a click command (or group) in a module of its own.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping

import click

# Name -> module:attribute. Modules that are not there are left out, so that parts can be installed apart.
SUBCOMMANDS: Mapping[str, str] = {
    "printer": "layergate_sim.printer.cli:printer",
    "specimens": "layergate_sim.specimens.cli:specimens",
    "damage": "layergate_sim.damage.cli:damage",
    "trials": "layergate_sim.trials.cli:trials",
}


class LazyGroup(click.Group):
    """Imports a subcommand's module when it is used or listed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the subcommands that are there."""
        return [name for name in SUBCOMMANDS if self.get_command(ctx, name) is not None]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The subcommand, or None. A module that is there but broken raises its own error."""
        if cmd_name not in SUBCOMMANDS:
            return None
        path, _, attribute = SUBCOMMANDS[cmd_name].partition(":")
        try:
            module = importlib.import_module(path)
        except ModuleNotFoundError as error:
            if error.name and (path == error.name or path.startswith(error.name + ".")):
                return None
            raise
        command = getattr(module, attribute, None)
        if not isinstance(command, click.Command):
            raise TypeError(f"{path} must hold a click command named {attribute!r}")
        return command


@click.group(cls=LazyGroup)
def main() -> None:
    """A simulated printer, and makers of specimens and damage, to try Layergate without a machine."""


if __name__ == "__main__":
    main()
