"""The simulated printer shares nothing with the daemon, so that a mistake can't hide in both (architecture)."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import layergate_sim
from layergate_sim.cli import SUBCOMMANDS, LazyGroup, main

PACKAGE = Path(layergate_sim.__file__).parent
ALLOWED = {"layergate_sim", "click", "serial", *sys.stdlib_module_names}


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module.split(".")[0])
    return found


def test_only_the_standard_library_and_click() -> None:
    """Device, transports and command line import the standard library, click and themselves."""
    files = [
        *(PACKAGE / "printer").glob("*.py"),
        *(PACKAGE / f"{n}.py" for n in ("serve", "transports", "harness", "cli")),
    ]
    assert len(files) > 20
    for path in files:
        assert imports(path) <= ALLOWED, path


def test_the_device_does_no_input_or_output() -> None:
    """Nothing of the device model opens sockets, reads clocks or starts threads (its records and its CLI do files)."""
    for path in (PACKAGE / "printer").glob("*.py"):
        if path.name == "cli.py":
            continue
        assert not imports(path) & {"time", "socket", "select", "threading", "asyncio", "os", "subprocess"}, path


def test_subcommands_are_found_only_when_they_are_there() -> None:
    """A subcommand whose module is missing is left out; `printer` is always there."""
    group = main
    assert isinstance(group, LazyGroup)
    context = group.make_context("layergate-sim", [], resilient_parsing=True)
    names = group.list_commands(context)
    assert "printer" in names
    assert set(names) <= set(SUBCOMMANDS)
    assert group.get_command(context, "nothing") is None
