"""The two commands write what the makers make, list what there is, and refuse what they cannot do."""

import gzip
import json
from pathlib import Path

from click.testing import CliRunner

from layergate_sim.damage import DAMAGE_KINDS, apply_damage_to_text
from layergate_sim.damage.cli import damage
from layergate_sim.specimens import SPECIMEN_KINDS, bollard_cap, make_specimen
from layergate_sim.specimens.cli import specimens


def test_specimens_are_written(tmp_path: Path) -> None:
    """The chosen kinds and seeds stand in the folder, byte for byte, with their truth beside them."""
    folder = tmp_path / "jobs"
    done = CliRunner().invoke(
        specimens,
        ["--kind", "tube-arcs", "--kind", "lattice", "--seed", "4", "--count", "2", "--truth", "-o", str(folder)],
    )
    assert done.exit_code == 0, done.output
    assert sorted(p.name for p in folder.glob("*.gcode")) == [
        "lattice-4.gcode",
        "lattice-5.gcode",
        "tube-arcs-4.gcode",
        "tube-arcs-5.gcode",
    ]
    made = make_specimen("tube-arcs", 5)
    assert (folder / "tube-arcs-5.gcode").read_bytes() == made.text
    truth = json.loads((folder / "tube-arcs-5.truth.json").read_text())
    assert len(truth["layers"]) == len(made.truth.layers)


def test_demo_jobs_are_written(tmp_path: Path) -> None:
    """The three jobs of the demonstration."""
    done = CliRunner().invoke(specimens, ["--demo", "-o", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "bollard-cap.gcode").read_bytes() == bollard_cap().text
    assert len(list(tmp_path.iterdir())) == 3


def test_lists_name_everything() -> None:
    """Each kind and each damage with its sentence."""
    kinds, damages = CliRunner().invoke(specimens, ["--list"]), CliRunner().invoke(damage, ["--list"])
    assert [line.split()[0] for line in kinds.output.splitlines()] == list(SPECIMEN_KINDS)
    assert [line.split()[0] for line in damages.output.splitlines()] == list(DAMAGE_KINDS)


def test_damage_is_written_and_described(tmp_path: Path) -> None:
    """The damaged job stands in its file, the description on standard output, the job is untouched; also from *.gz."""
    cap = bollard_cap()
    job, out = tmp_path / "cap.gcode", tmp_path / "bad.gcode"
    job.write_bytes(cap.text)
    done = CliRunner().invoke(damage, [str(job), "--kind", "layer-lost", "--seed", "3", "-o", str(out)])
    assert done.exit_code == 0, done.output
    expected = apply_damage_to_text("layer-lost", cap.text, 3, name="cap.gcode")
    assert out.read_bytes() == expected.text
    assert json.loads(done.output)["z_mm"] == list(expected.z_mm or ())
    assert job.read_bytes() == cap.text
    packed = tmp_path / "cap.gcode.gz"
    packed.write_bytes(gzip.compress(cap.text))
    done = CliRunner().invoke(damage, [str(packed), "--kind", "two-jobs", "-o", str(out)])
    assert done.exit_code == 0, done.output
    assert out.read_bytes() == cap.text * 2


def test_mistakes_are_named(tmp_path: Path) -> None:
    """Unknown kinds, missing arguments, a damage that the job does not allow, a broken archive, the job itself as output."""
    job = tmp_path / "cap.gcode"
    job.write_bytes(bollard_cap().text)
    broken = tmp_path / "broken.gz"
    broken.write_bytes(gzip.compress(b"G28\n" * 100)[:-9])
    out = str(tmp_path / "out.gcode")
    run = CliRunner().invoke
    assert "no kind teapot" in run(specimens, ["--kind", "teapot"]).output
    assert "no damage rust" in run(damage, [str(job), "--kind", "rust", "-o", out]).output
    assert "are needed" in run(damage, [str(job)]).output
    assert "printed one after another" in run(damage, [str(job), "--kind", "object-missing", "-o", out]).output
    assert "cannot read" in run(damage, [str(broken), "--kind", "blob", "-o", out]).output
    assert "overwrite" in run(damage, [str(job), "--kind", "blob", "-o", str(job)]).output
    assert "cannot write" in run(specimens, ["--demo", "-o", str(job / "below")]).output
    assert job.read_bytes() == bollard_cap().text
    assert not Path(out).exists()
