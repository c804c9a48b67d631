"""`layergate-sim specimens`: writes good jobs into a folder. Knows nothing of damages or of the gateway."""

import json
from dataclasses import asdict
from pathlib import Path

import click

from .demo import bollard_cap, drawer_pull, hose_bracket
from .kinds import SPECIMEN_KINDS, make_specimen
from .styles import STYLES
from .truth import Specimen

__all__ = ["specimens"]

DEMO = {"bollard-cap": bollard_cap, "drawer-pull": drawer_pull, "hose-bracket": hose_bracket}


def _write(specimen: Specimen, folder: Path, truth: bool) -> None:
    path = folder / f"{specimen.name}.gcode"
    path.write_bytes(specimen.text)
    if truth:
        record = asdict(specimen.truth)
        record["flags"] = sorted(specimen.truth.flags)
        path.with_suffix(".truth.json").write_text(json.dumps(record, indent=1), encoding="utf-8")
    layers = len(specimen.truth.layers)
    click.echo(f"{path}  {len(specimen.text)} bytes, {layers} layers, style {specimen.truth.style}")


@click.command()
@click.option("--kind", "kinds", multiple=True, help="A kind (see --list), may be repeated; every kind if left out.")
@click.option("--seed", type=int, default=1, show_default=True, help="First seed.")
@click.option("--count", type=click.IntRange(1, 10_000), default=1, show_default=True, help="Seeds for each kind.")
@click.option("--style", type=click.Choice(sorted(STYLES)), help="Way of writing; drawn by the seed if left out.")
@click.option("--truth", is_flag=True, help="Write what is known of each job beside it, as JSON.")
@click.option("--demo", is_flag=True, help="Write the three jobs of the demonstration instead.")
@click.option("--list", "only_list", is_flag=True, help="List the kinds and end.")
@click.option(
    "-o",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("specimens"),
    show_default=True,
    help="Folder to write into; made if it is not there.",
)
def specimens(
    *,
    kinds: tuple[str, ...],
    seed: int,
    count: int,
    style: str | None,
    truth: bool,
    demo: bool,
    only_list: bool,
    folder: Path,
) -> None:
    """Write good print jobs (G-code) of many kinds: invented test data, the same for the same seed."""
    if only_list:
        for kind, what in SPECIMEN_KINDS.items():
            click.echo(f"{kind:24} {what}")
        return
    unknown = [k for k in kinds if k not in SPECIMEN_KINDS]
    if unknown:
        raise click.BadParameter(f"no kind {', '.join(unknown)}; see --list", param_hint="--kind")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if demo:
            for make in DEMO.values():
                _write(make(style=style or "plain"), folder, truth)
            return
        for kind in kinds or SPECIMEN_KINDS:
            for n in range(seed, seed + count):
                _write(make_specimen(kind, n, style=style), folder, truth)
    except OSError as error:
        raise click.ClickException(f"cannot write into {folder}: {error.strerror}") from error
