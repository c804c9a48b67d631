"""`layergate-sim damage`: puts one known fault into a job file. Knows nothing of the gateway."""

import gzip
import json
import zlib
from pathlib import Path

import click

from .maker import apply_damage_to_text
from .registry import DAMAGE_GROUPS, DAMAGE_KINDS
from .result import DamageNotPossibleError

__all__ = ["damage"]

LARGEST_BYTES = 512 * 1024 * 1024  # bytes; a job beyond this is no job


def _read(path: Path) -> bytes:
    try:
        if path.suffix != ".gz":
            return path.read_bytes()
        with gzip.open(path) as file:
            return file.read(LARGEST_BYTES)
    except (OSError, EOFError, zlib.error) as error:
        raise click.ClickException(f"cannot read {path}: {error}") from error


@click.command()
@click.argument("job", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--kind", help="A damage (see --list).")
@click.option("--seed", type=int, default=1, show_default=True, help="Decides where.")
@click.option("-o", "out", type=click.Path(dir_okay=False, path_type=Path), help="File to write.")
@click.option("--list", "only_list", is_flag=True, help="List the damages and end.")
def damage(*, job: Path | None, kind: str | None, seed: int, out: Path | None, only_list: bool) -> None:
    """Put one known fault into JOB (a file, may end in .gz) and say what and where, as JSON.

    JOB itself stays as it is. The result is faulty on purpose: never print it.
    """
    if only_list:
        for name, what in DAMAGE_KINDS.items():
            click.echo(f"{name:24} {DAMAGE_GROUPS[name]:8} {what}")
        return
    if job is None or kind is None or out is None:
        raise click.UsageError("JOB, --kind and -o are needed (or --list)")
    if kind not in DAMAGE_KINDS:
        raise click.BadParameter(f"no damage {kind}; see --list", param_hint="--kind")
    if out.exists() and out.samefile(job):
        raise click.BadParameter("would overwrite the job itself", param_hint="-o")
    try:
        done = apply_damage_to_text(kind, _read(job), seed, name=job.name)
    except DamageNotPossibleError as error:
        raise click.ClickException(f"{kind} cannot be done to {job.name}: {error}") from error
    try:
        out.write_bytes(done.text)
    except OSError as error:
        raise click.ClickException(f"cannot write {out}: {error.strerror}") from error
    record = {
        "kind": done.kind,
        "seed": done.seed,
        "what": done.what,
        "layers": done.layers,
        "lines": done.lines,
        "z_mm": done.z_mm,
        "box_mm": done.box_mm,
        "size": done.size,
        "changes_part": done.changes_part,
        "changed_mm3": round(done.changed_mm3, 4),
        "unseen": done.unseen,
    }
    click.echo(json.dumps(record))
