"""``layergate``: the command line's entry. Loads a command's module only when that command is called.

`layergate check` must start fast and run on a desk computer that has none of the daemon's Linux parts.
"""

import sys
from importlib import import_module
from typing import Any

import click

import layergate

INTERRUPTED = 130
"""Exit status after Ctrl-C: 128 and the signal's number, as shells give it (common practice)."""

# Command -> module that has it in its COMMANDS, and its one-line help, so that `--help` imports nothing.
_COMMANDS = {
    "check": ("layergate.cli.check", "Judge jobs and print what was found."),
    "recheck": ("layergate.cli.recheck", "Say what the present rules would stop, of a folder or the daemon's history."),
    "rules": ("layergate.cli.rules", "List the rules, or show one rule's page."),
    "schema": ("layergate.cli.schema", "Print the JSON Schema of reports and other files."),
    "benchmark": ("layergate.cli.benchmark", "Measure how fast this machine checks jobs."),
    "serve": ("layergate.cli.daemon", "Run the daemon."),
    "config": ("layergate.cli.daemon", "Check a configuration file."),
    "submit": ("layergate.cli.client", "Hand a job to the running daemon."),
    "jobs": ("layergate.cli.client", "List the daemon's jobs."),
    "show": ("layergate.cli.client", "Show one job and what was found in it."),
    "follow": ("layergate.cli.client", "Follow a job, layer by layer, to its end."),
    "release": ("layergate.cli.client", "Release a held or blocked job, by name and with a reason."),
    "cancel": ("layergate.cli.client", "Cancel a job."),
    "pause": ("layergate.cli.client", "Pause the job that a printer is printing."),
    "resume": ("layergate.cli.client", "Go on with a paused job."),
    "stop": ("layergate.cli.client", "Send a stop request to a printer; its job is aborted."),
    "cleared": ("layergate.cli.client", "Confirm that a printer's bed is clear."),
}


class _LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        commands: list[click.Command] = import_module(_COMMANDS[cmd_name][0]).COMMANDS
        return next((command for command in commands if command.name == cmd_name), None)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            # What click makes of it is 1, which would say that a job is held or blocked.
            click.echo("layergate: interrupted", err=True)
            sys.exit(INTERRUPTED)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in _COMMANDS.items()])


@click.command(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(layergate.__version__, prog_name="layergate")
def main() -> None:
    """A gate between print jobs and a material-extrusion printer.

    It rebuilds each job layer by layer, stops the faulty ones and streams exactly what it checked. That no rule found a
    fault does not mean that a print is safe: stay with the machine's own protection and the maker's instructions.
    """


if __name__ == "__main__":
    main()
