"""claims-differ, other-machine: what comments say against what is found and against what is stated."""

import pytest
from tests.rules.judged import MICRO, findings, why_not_applied


def tall(rings: int, head: str, marks: list[int] | None = None) -> str:
    """Rings in relative E behind some comments, with layer comments by number."""
    lines = [head, "G90", "M83", "G28"]
    for ring in range(1, rings + 1):
        if marks:
            lines.append(f"; layer {marks[ring - 1]}")
        lines.append(f"G1 Z{0.2 * ring:.1f} F600")
        lines += [f"G1 {point} E0.67698 F3600" for point in ("X30 Y10", "X30 Y30", "X10 Y30", "X10 Y10")]
    return "\n".join([*lines, "M84"])


@pytest.mark.parametrize(
    "head",
    ["; filament used [mm] = 8.12", "; filament used = 8.1mm (0.0cm3)", "; Filament used: 0.00812m", ";MAXZ:0.6", "; layers = 3",
     "; total layers count = 3", "; layer_count: 2"],
)  # fmt: skip
def test_claims_that_fit(head: str) -> None:
    """The micro-job has 3 layers, 8.12371 mm of filament and 0.6 mm of height (facts.md 11)."""
    assert findings(head + "\n" + MICRO, "claims-differ") == []


@pytest.mark.parametrize(
    ("head", "name", "claimed", "found"),
    [("; layers in this job = 50", "layers", 50, 40), ("; filament used [mm] = 200.0, 20.0", "filament_mm", 220, 108.317),
     ("; spool need: 0.5 m", "filament_mm", 500, 108.317), ("; tallest point: 12.0 mm", "height_mm", 12, 8.0)],
)  # fmt: skip
def test_what_is_missing(head: str, name: str, claimed: float, found: float) -> None:
    """40 rings have 8 mm of height and 40 x 2.70792 mm of filament; what is claimed beyond is held."""
    result = findings(tall(40, head), "claims-differ")
    assert [f.severity for f in result] == ["hold"]
    assert result[0].where.lines == (1, 1)
    assert result[0].evidence[f"claimed_{name}"] == pytest.approx(claimed)
    assert result[0].evidence[f"found_{name}"] == pytest.approx(found, rel=1e-4)


@pytest.mark.parametrize("head", ["; layers = 36", "; filament used [mm] = 103", "; MAXZ:7.8"])
def test_what_differs_for_good_reasons(head: str) -> None:
    """More layers than claimed (rafts, supports), and some more filament, are let through."""
    job = tall(40, head)
    assert findings(job, "claims-differ") == []


def test_skipped_layer_comment() -> None:
    """A layer comment that is lost among others is a note at the next one."""
    found = findings(tall(10, "", [1, 2, 3, 4, 5, 7, 8, 9, 10, 11]), "claims-differ")
    assert [(f.severity, f.evidence["numbers_skipped"]) for f in found] == [("note", 1)]
    assert findings(tall(10, "", [-4, -3, 0, 1, 2, 3, 4, 5, 6, 7]), "claims-differ") == []  # a raft's numbers


def test_nothing_claimed() -> None:
    """Without claims there is nothing to compare."""
    assert "claims" in why_not_applied(MICRO, "claims-differ")


@pytest.mark.parametrize(
    ("head", "printer", "name"),
    [("; nozzle_diameter = 0.6", {"nozzle_diameter_mm": 0.4}, "claimed_nozzle_mm"),
     ("; filament_diameter = 2.85", {"filament_diameter_mm": 1.75}, "claimed_filament_mm")],
)  # fmt: skip
def test_other_diameter(head: str, printer: dict[str, float], name: str) -> None:
    """Another nozzle or filament than stated is held, with the ratio of areas."""
    found = findings(head + "\n" + MICRO, "other-machine", printer)
    assert [f.severity for f in found] == ["hold"]
    assert name in found[0].evidence
    # (1.75 / 2.85)^2 = 0.37704: areas 2.405282 and 6.379397 mm2 (facts.md 3.1).
    if "filament" in name:
        assert found[0].evidence["area_ratio"] == pytest.approx(2.405282 / 6.379397, rel=1e-4)


def test_other_material() -> None:
    """Another material than is loaded is held; the same in other words is not."""
    job = "; filament_type = PETG\n" + MICRO
    assert [f.severity for f in findings(job, "other-machine", {"material": "PLA"})] == ["hold"]
    assert findings(job, "other-machine", {"material": "petg black"}) == []


def test_same_machine() -> None:
    """A measured filament diameter is the same filament."""
    assert findings("; filament_diameter = 1.7\n" + MICRO, "other-machine", {"filament_diameter_mm": 1.75}) == []


def test_not_compared() -> None:
    """Nothing stated, or nothing claimed, is nothing to compare."""
    assert "not stated" in why_not_applied(MICRO, "other-machine")
    assert "comments claim none" in why_not_applied(MICRO, "other-machine", {"nozzle_diameter_mm": 0.4})


@pytest.mark.parametrize(
    ("numbers", "severity"),
    [([*range(1, 11)], []), ([*range(1, 13)], []), ([*range(1, 14)], ["hold"]), ([*range(1, 11), 1, 2, 3, 4], [])],
)
def test_announced_layers_that_lay_nothing(numbers: list[int], severity: list[str]) -> None:
    """Real jobs announce a layer or two behind the last one, and some list their layers at the end; three lay something."""
    lines = tall(10, "", numbers[:10]).split("\n")
    lines[-1:-1] = [f"; layer {number}" for number in numbers[10:]]
    found = findings("\n".join(lines), "claims-differ")
    assert [f.severity for f in found] == severity
    if severity:
        assert found[0].evidence == {"layers_empty": 3}


def test_announced_layers_of_a_lost_object() -> None:
    """The comments of the fourth to the sixth layer are there, their beads are not."""
    job = tall(10, "", list(range(1, 11))).split("\n")
    gone = [at for at, line in enumerate(job) if line.startswith("; layer")]
    kept = [line for at, line in enumerate(job) if not (gone[3] < at < gone[6] and "E" in line)]
    (found,) = findings("\n".join(kept), "claims-differ")
    assert found.where.lines is not None
    assert [kept[line - 1] for line in found.where.lines] == ["; layer 4", "; layer 6"]
