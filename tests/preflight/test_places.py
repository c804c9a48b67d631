"""Places of findings: layer, height and lines are completed from the layer map, and nothing is invented."""

from tests.oracles.examination import BED_235, found, report_of
from tests.oracles.harbour import HEAD, job, rings

from layergate.cli.report_text import report_text


def test_a_line_within_a_layer_gets_layer_and_height() -> None:
    """A command slipped in between two beads of ring 4 is told as layer 4 at 0.8 mm."""
    lines = rings(8)
    lines.insert(3 * 6 + 4, "M502")
    (finding,) = found(report_of(job(lines)), "forbidden-command")
    assert finding.where.lines == (len(HEAD) + 23, len(HEAD) + 23)
    assert (finding.where.layer, finding.where.z_mm) == (4, (0.8, 0.8))


def test_a_line_outside_layers_gets_neither() -> None:
    """Before the first bead there is no layer, and between two layers it is not said which."""
    head = [*HEAD, "M502"]
    (finding,) = found(report_of(job(rings(8), head=head)), "forbidden-command")
    assert (finding.where.layer, finding.where.z_mm) == (None, None)
    (finding,) = found(report_of(job([*rings(3), "M502", *rings(5, first=4)])), "forbidden-command")
    assert finding.where.layer is None


def test_what_spans_the_job_gets_no_layer() -> None:
    """A finding on all lines of the file has no place in the part."""
    (finding,) = found(report_of(b"; layers = 50\n" + job(rings(40))), "claims-differ")
    assert (finding.where.layer, finding.where.z_mm) == (None, None)


def test_heights_have_no_digits_of_single_precision() -> None:
    """A dive of 0.9 mm at 1.6 mm is from 0.7 to 1.6 mm, not to 1.60000002."""
    lines = rings(8)
    lines[-2:-2] = ["G1 Z0.7 F600", "G1 X60 Y70", "G1 Z1.6"]
    (finding,) = found(report_of(job(lines), BED_235), "through-printed-part")
    assert finding.where.z_mm == (0.7, 1.6)
    assert finding.where.layer == 8
    stray = ["G1 X100.1 Y60.3 F6000", "G1 X100.1 Y90.7 E1 F1800", "G1 X70 Y70 F6000"]
    at = 6 * 6 + 4
    lines = rings(8)
    lines[at:at] = stray
    (finding,) = found(report_of(job(lines), BED_235), "mid-air-bead")
    assert finding.where.box_mm is not None
    assert all(value == round(value, 3) for value in finding.where.box_mm)


def test_the_text_says_where_on_the_bed_where_the_message_does_not() -> None:
    """The head line of a finding has layer, height, lines and, once only, the place on the bed."""
    lines = rings(8)
    at = 4 * 6 + 3
    lines[at:at] = ["G1 E-1.5 F1800"]
    report = report_of(job(lines))
    (finding,) = found(report, "retraction-debt")
    assert finding.where.box_mm is not None
    text = " ".join(report_text(report, width=100).split())
    assert "retraction-debt (layer 5, Z 1.00 mm, lines 37 to 39, X 50 to 70, Y 50 to 70 mm)" in text
