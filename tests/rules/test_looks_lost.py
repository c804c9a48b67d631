"""Good jobs that look as if something were lost, and the same jobs with a loss. Written here, one line at a time."""

import math

import pytest
from tests.oracles.examination import report_of
from tests.oracles.harbour import E_PER_MM, job, ring
from tests.oracles.trial import habit_job

from layergate.preflight.findings import Finding

LOSSES = {"missing-layer", "partial-layer", "starved-layer"}


def losses(*layers: list[str]) -> list[Finding]:
    return [finding for finding in report_of(job(*layers)).findings if finding.rule in LOSSES]


def line(x0: float, y0: float, x1: float, y1: float) -> list[str]:
    """A travel and a bead."""
    long = math.dist((x0, y0), (x1, y1))
    return [f"G1 X{x0:.3f} Y{y0:.3f} F6000", f"G1 X{x1:.3f} Y{y1:.3f} E{long * E_PER_MM:.5f} F1800"]


def hatch(x0: float, y0: float, x1: float, y1: float, pitch: float, *, across: bool) -> list[str]:
    """Parallel lines over a rectangle, along X, or across it along Y."""
    low, high = (x0, x1) if across else (y0, y1)
    at = [low + pitch * k for k in range(int((high - low) / pitch) + 1)]
    return [word for v in at for word in (line(v, y0, v, y1) if across else line(x0, v, x1, v))]


def lift(z: float) -> list[str]:
    return [f"G1 Z{z:.3f} F600"]


def on_a_raft(x: float, *, without: int = -1) -> list[str]:
    """Three layers of close lines, a layer of air, and fourteen rings, of which one may be missing."""
    made: list[str] = []
    for n in range(1, 4):
        made += lift(0.2 * n) + hatch(x - 4, 46, x + 24, 74, 0.5, across=n % 2 == 0)
    for n in range(5, 19):
        made += ring(0.2 * n, x) if n != without else []
    return made


def test_each_of_several_objects_has_a_raft_of_its_own() -> None:
    """Printed one after another, each begins over the air above its raft; a layer that is lost in the second is found."""
    between = ["G1 Z10 F600"]
    assert losses(on_a_raft(30), between, on_a_raft(90)) == []
    (found,) = losses(on_a_raft(30), between, on_a_raft(90, without=12))
    assert (found.rule, found.severity) == ("missing-layer", "block")
    assert found.where.z_mm == pytest.approx((2.2, 2.6))


BOX = (50.0, 50.0, 80.0, 70.0)
WALL_MM = 0.45


def walls(x0: float, y0: float, x1: float, y1: float, count: int = 2) -> list[str]:
    """So many closed loops, the outermost first."""
    made: list[str] = []
    for k in range(count):
        a, b, c, d = x0 + k * 0.41, y0 + k * 0.41, x1 - k * 0.41, y1 - k * 0.41
        corners = [(c, b), (c, d), (a, d), (a, b)]
        made += [f"G1 X{a:.3f} Y{b:.3f} F6000"]
        at = (a, b)
        for corner in corners:
            made.append(f"G1 X{corner[0]:.3f} Y{corner[1]:.3f} E{math.dist(at, corner) * E_PER_MM:.5f} F1800")
            at = corner
    return made


def rings(x0: float, y0: float, x1: float, y1: float) -> list[str]:
    """A solid layer of loops, from the edge to the middle."""
    return walls(x0, y0, x1, y1, int((y1 - y0) / 2 / 0.41))


def test_one_sparse_layer_between_floors_of_rings_is_no_loss() -> None:
    """Lines of infill run on across where the rings of the layers around are; where a wall is lost, nothing does."""

    def part(*, whole: bool = True) -> list[list[str]]:
        made = [lift(0.2 * n) + rings(*BOX) for n in range(1, 13)]
        made[5] = lift(1.2) + walls(*BOX) + hatch(51, 51, 79, 69, 3.0, across=True)
        made[8] = made[8] if whole else lift(1.8) + rings(50.41, 50.41, 79.59, 69.59)
        return made

    assert losses(*part()) == []
    assert [f.rule for f in losses(*part(whole=False))] == ["partial-layer"]


def hook(*, whole: bool = True) -> list[list[str]]:
    """A column whose upper half reaches out over a support with an outline, right under its edge, a layer of air between."""
    made = []
    for n in range(1, 25):
        words = lift(0.2 * n)
        if n < 14:
            words += walls(50, 50, 58, 60) + hatch(51, 51, 57, 59, 0.5 if n % 2 else 2.0, across=n % 2 == 0)
            if n < 13:
                words += walls(59.2, 50, 70, 60, 1) + hatch(
                    59.6, 50.4, 69.6, 59.6, 0.6 if n == 12 else 2.4, across=True
                )
        elif n != 18 or whole:
            words += walls(50, 50, 70, 60) + hatch(51, 51, 69, 59, 0.5, across=n % 2 == 0)
        else:
            words += [*walls(50, 50, 70, 60)[:4], *hatch(51, 51, 60, 59, 0.5, across=True)]
        made.append(words)
    return made


def test_a_layer_of_air_over_supports_with_an_outline_is_no_loss() -> None:
    """What the supports stand beside goes on and they do not: the part over them is one with it, and they are not."""
    assert losses(*hook()) == []
    assert {f.rule for f in losses(*hook(whole=False))} == {"partial-layer"}


def test_objects_whose_heights_lie_a_little_apart_lack_nothing() -> None:
    """One has thicker layers between equal ones; at the height of one layer of the other, it is not laid but beside it."""

    def pair(*, whole: bool = True) -> list[list[str]]:
        made: list[list[str]] = []
        for n in range(1, 14):
            z = 0.2 * n
            one = [word for side in (20.0, 19.18) for word in ring(z, side=side)]
            other = [word for side in (20.0, 19.18) for word in ring(z + (0.02 if n == 7 else 0.0), 90.0, side=side)]
            made += [one, *([other] if whole or n != 7 else [])]
        return made

    assert losses(*pair()) == []
    assert {f.rule for f in losses(*pair(whole=False))} == {"partial-layer"}


def test_gap_fill_that_comes_and_goes_is_no_loss() -> None:
    """Open lines between two walls that stay; a thin wall of its own that is not there is a loss."""

    def strip(*, without: str = "") -> list[list[str]]:
        made = []
        for n in range(1, 14):
            words = lift(0.2 * n)
            gone = without if n == 7 else ""
            words += walls(50, 50, 90, 51.2, 1) + ([] if gone == "fill" else line(51, 50.6, 89, 50.6))
            words += [] if gone == "wall" else line(50, 60, 90, 60)
            made.append(words)
        return made

    assert losses(*strip()) == losses(*strip(without="fill")) == []
    assert [f.rule for f in losses(*strip(without="wall"))] == ["partial-layer"]


def test_sparse_infill_whose_lines_are_as_far_apart_everywhere_has_no_hole() -> None:
    """Between two of its lines a square more may be empty than between those of the layers above; what is lost leaves more."""

    def part(*, whole: bool = True) -> list[list[str]]:
        made = []
        for n in range(1, 12):
            pitch = 5.2 if n > 4 else 0.45
            words = lift(0.2 * n) + walls(50.3, 50.3, 79.7, 69.7) + hatch(51.95, 51, 79, 69, pitch, across=n % 2 == 1)
            made.append(words if whole or n != 3 else words[: -2 * 30])
        return made

    assert losses(*part()) == []
    assert [f.rule for f in losses(*part(whole=False))] == ["partial-layer"]


def stadium_e(width: float, height: float) -> float:
    """Filament of 1.75 mm for each millimetre of a bead (facts.md 3.1)."""
    return ((width - height) * height + math.pi * height**2 / 4) / (math.pi * 1.75**2 / 4)


@pytest.mark.parametrize("starved", [1.0, 0.6])
def test_objects_of_other_heights_and_widths_are_compared_with_themselves(starved: float) -> None:
    """Two wide ones lie between the layers of a narrow one, whose layers become thinner; above them, it has nothing between."""
    layers: list[tuple[float, list[str]]] = []
    z = 0.0
    for n in range(30):
        h = 0.36 if n < 4 else 0.29 if n == 4 else 0.25
        z += h
        flow = starved if n == 24 else 1.0
        layers.append((z, ring(z, 40.0, e_per_mm=flow * stadium_e(0.42, h))))
    for at, off in ((90.0, 0.01), (140.0, 0.02)):
        layers += [(0.36 * n + off, ring(0.36 * n + off, at, e_per_mm=stadium_e(0.7, 0.36))) for n in range(1, 12)]
    found = losses(*(words for _, words in sorted(layers, key=lambda one: one[0])))
    assert [f.rule for f in found] == (["starved-layer"] if starved < 1 else [])


def standing_on(low: list[list[str]], *, first: int) -> list[list[str]]:
    """Two posts of 4 mm on some layers, from the layer of that number on."""
    posts = [(55, 55, 59, 59), (71, 61, 75, 65)]
    return [
        *low,
        *(lift(0.2 * n) + [word for post in posts for word in walls(*post)] for n in range(first, first + 16)),
    ]


@pytest.mark.parametrize(("outline", "first", "rules"), [(True, 4, []), (True, 5, ["missing-layer"]), (False, 5, [])])
def test_letters_on_a_plate_stand_on_no_raft(outline: bool, first: int, rules: list[str]) -> None:
    """Both are of parallel lines and reach out all around; a plate has a wall, and is far larger than what stands on it."""
    low = [
        lift(0.2 * n) + (walls(*BOX) if outline else []) + hatch(51, 51, 79, 69, 0.41, across=True) for n in range(1, 4)
    ]
    assert [f.rule for f in losses(*standing_on(low, first=first))] == rules


@pytest.mark.parametrize(("pitch", "rules"), [(0.41, ["missing-layer"]), (1.6, [])])
def test_a_raft_begins_with_lines_far_apart(pitch: float, rules: list[str]) -> None:
    """It may have a wall, too, and be much larger than what stands on it; a plate is as dense in its first layer as on top."""
    low = [
        lift(0.2 * n) + walls(*BOX) + hatch(51, 51, 79, 69, pitch if n == 1 else 0.41, across=n % 2 == 0)
        for n in range(1, 4)
    ]
    body = [lift(0.2 * n) + walls(55, 55, 75, 65) + hatch(56, 56, 74, 64, 1.2, across=True) for n in range(5, 21)]
    assert [f.rule for f in losses(*low, *body)] == rules


@pytest.mark.parametrize(("first", "thicker", "rules"), [(9, 1.0, []), (10, 1.0, ["missing-layer"]), (10, 2.0, [])])
def test_walls_whose_shares_change_where_a_layer_is_lost(first: int, thicker: float, rules: list[str]) -> None:
    """The thinnest quarter below is of thin walls and above of thick ones, which seem to be fed; those next to them tell."""

    def loops(n: int, thin: list[float], thick: list[float], times: float = 1.0) -> list[str]:
        flows = [(side, E_PER_MM) for side in thin] + [(side, 1.5 * E_PER_MM) for side in thick]
        return [
            word
            for side, flow in flows
            for word in ring(0.2 * n, 60 - side / 2, 60 - side / 2, side=side, e_per_mm=times * flow)
        ]

    few, many = ([20.0], [19.0, 18.0, 17.0, 16.0]), ([20.0, 19.0], [18.0, 17.0, 16.0])
    low = [loops(n, *many) for n in range(1, 9)]
    high = [loops(n, *(few if n < first + 2 else many), thicker if n == first else 1.0) for n in range(first, 20)]
    assert [f.rule for f in losses(*low, *high) if f.severity == "block"] == rules


@pytest.mark.parametrize(("flow", "rules"), [(1.0, []), (0.3, ["starved-layer"])])
def test_a_starved_layer_of_more_kinds_of_beads_than_its_neighbours(flow: float, rules: list[str]) -> None:
    """A floor's edge brings some narrower beads; an ironed layer has next to no flow beside the usual one, this one has not."""

    def layer(n: int, flows: list[float], times: float = 1.0) -> list[str]:
        sides = (20.0, 19.0, 18.0, 17.0, 16.0)
        return [
            word
            for side, share in zip(sides, flows, strict=True)
            for word in ring(0.2 * n, 60 - side / 2, 60 - side / 2, side=side, e_per_mm=times * share * E_PER_MM)
        ]

    made = [layer(n, [1.0, 1.0, 1.0, 1.0, 0.92]) for n in range(1, 16)]
    made[7] = layer(8, [1.0, 1.0, 1.0, 0.92, 0.83], flow)
    assert [f.rule for f in losses(*made)] == rules


@pytest.mark.parametrize("starved", [1.0, 0.6])
def test_layers_of_one_object_alone_are_compared_with_others_of_it_alone(starved: float) -> None:
    """Between the thicker layers of another, an object's own come by turns; they have less than those, and all of their own."""
    layers: list[list[str]] = []
    for n in range(1, 41):
        flow = starved if n == 23 else 1.0
        thick = stadium_e(0.48 if n % 4 == 3 else 0.42, 0.15) * flow
        layers.append(ring(0.15 * n, 40.0, side=8, e_per_mm=thick))
        if n % 2:
            thin = 0.4 * flow * stadium_e(0.42, 0.15)
            layers.append([word for x in (41, 42, 43) for word in ring(0.15 * n, x, side=2, e_per_mm=thin)])
        else:
            layers.append(ring(0.15 * n, 90.0, e_per_mm=stadium_e(0.42, 0.3)))
    assert [f.rule for f in losses(*layers)] == (["starved-layer"] if starved < 1 else [])


@pytest.mark.parametrize("whole", [True, False])
def test_sparse_infill_over_a_post_tells_nothing_of_the_air_over_a_support(whole: bool) -> None:
    """One wall over a support's outline, and infill across the post beside it, which lies two layers up as well."""
    made = []
    for n in range(1, 25):
        words = lift(0.2 * n)
        arm = n >= 14 and (n != 18 or whole)
        words += walls(50, 50, 67 if arm else 57, 60, 1)
        words += line(51, 51, 56, 56) if n % 2 else line(56, 51, 51, 56)
        if arm:
            words += hatch(58.5, 50.5, 66.5, 59.5, 0.5, across=n % 2 == 0)
        elif n < 13:
            words += walls(58.6, 50, 67, 60, 1) + hatch(59, 50.5, 66.5, 59.5, 0.6 if n == 12 else 3, across=True)
        made.append(words)
    assert bool(losses(*made)) is not whole


def test_sparse_lines_that_end_on_the_outermost_ring_of_a_floor_tell_that_it_is_no_wall() -> None:
    """One layer of waves between floors of rings: four lines, which end where the first ring inside the walls would be."""
    report = report_of(habit_job(52225)[1])
    assert [f.rule for f in report.findings if f.rule in LOSSES] == []


@pytest.mark.parametrize("lost", [False, True])
def test_a_wall_more_in_every_second_layer_does_not_stand(lost: bool) -> None:
    """Lines of a floor run where two of its sides would be, in all layers without it but the sparse one.

    A second wall that stands, and lacks a side in one layer, is told.
    """
    a, b, made = 50.0, 70.0, []
    for n in range(1, 14):
        words = lift(0.2 * n) + walls(a, a, b, b, 1) + walls(a + 2, a + 2, b - 2, b - 2, 1)
        if (n % 2 and n > 4) or lost:
            words += walls(a + 0.41, a + 0.41, b - 0.41, b - 0.41, 1)[: 4 if lost and n == 8 else 5]
        if n == 8 and not lost:
            words += [word for x in (55, 60, 65) for word in line(x, a + 0.7, x, a + 1.3)]
        elif n % 2 or lost:
            for k in range(40):
                x = a + 0.5 * k
                words += line(x, a + 0.82, x, a + 1.59) + line(x, b - 0.82, x, b - 1.59)
        else:
            for off in (0.41, 0.8, 1.2, 1.59):
                words += line(a + 0.9, a + off, b - 0.9, a + off) + line(a + 0.9, b - off, b - 0.9, b - off)
        made.append(words)
    assert [f.rule for f in losses(*made)] == (["partial-layer"] if lost else [])


@pytest.mark.parametrize("lost", [False, True])
def test_beads_too_short_to_tell_their_flow_leave_that_of_the_others(lost: bool) -> None:
    """The second layer is thick and fed for it, those on it are thin; a dot is in each. Fed for half of it, it is told."""
    dot = ["G1 X60 Y60 F6000", "G1 X60.03 Y60 E0.001"]
    layers = [(0.2 * n, ring(0.2 * n, 50.0, side=0.8)) for n in range(1, 12)]
    for n in range(1, 9):
        z, h = (0.4 * n, 0.4) if n < 3 else (0.8 + 0.25 * (n - 2), 0.25)
        flow = 0.5 if lost and n == 2 else 1.0
        layers.append((z, ring(z, 90.0, e_per_mm=flow * stadium_e(0.6, h)) + dot))
    found = losses(*(words for _, words in sorted(layers, key=lambda one: one[0])))
    assert bool(found) is lost


@pytest.mark.parametrize("starved", [1.0, 0.6])
def test_dots_between_layers_are_no_layers(starved: float) -> None:
    """The beginnings of slopes whose flow rises from nothing lie at heights of their own, a tenth of a millimetre long."""
    layers = []
    for n in range(1, 30):
        layers.append(ring(0.2 * n, e_per_mm=E_PER_MM * (starved if n == 20 else 1)))
        for k in range(1, 5 + n % 3):
            x = 40 + 2 * k
            layers.append(
                [*lift(0.2 * n + 0.004 * k), f"G1 X{x} Y40 F6000", f"G1 X{x + 0.1:.1f} Y40 E{0.0004 * (1 + n % 2):.4f}"]
            )
    assert [f.rule for f in losses(*layers)] == (["starved-layer"] if starved < 1 else [])


@pytest.mark.parametrize("joined", [True, False])
def test_lines_that_are_laid_to_and_fro_are_no_walls(joined: bool) -> None:
    """A tower for purges has fewer of them where less is purged; lines that each stand alone are walls, and lost."""

    def rows(first: int, count: int) -> list[str]:
        made = [f"G1 X51.000 Y{51 + 0.8 * first:.3f} F6000"]
        for k in range(first, first + count):
            ends = (51.0, 79.0) if k % 2 == 0 else (79.0, 51.0)
            if k > first:
                made.append(
                    f"G1 X{ends[0]:.3f} Y{51 + 0.8 * k:.3f} {f'E{0.8 * E_PER_MM:.5f} F1800' if joined else 'F6000'}"
                )
            made.append(f"G1 X{ends[1]:.3f} Y{51 + 0.8 * k:.3f} E{28 * E_PER_MM:.5f} F1800")
        return made

    made = []
    for n in range(1, 14):
        words = lift(0.2 * n) + walls(50, 50, 80, 70, 1) + rows(0, 5) + (rows(5, 3) if n != 7 else [])
        made.append(words + [word for x in range(52, 79, 6) for word in line(x, 58, x + 1, 69)])
    assert [f.rule for f in losses(*made)] == ([] if joined else ["partial-layer"])


def test_a_shield_of_thicker_layers_than_the_object_in_it_does_not_hang() -> None:
    """Every fifth layer of the one is as high as a third of the other: the shield starts two of its steps up, fed for them."""
    layers = [(0.1 * n, ring(0.1 * n, 40, 40, side=30, e_per_mm=stadium_e(0.42, 0.1))) for n in range(1, 16)]
    e = 10 * stadium_e(0.42, 0.06)
    for n in range(1, 25):
        lines = [
            w for k in range(20) for w in (f"G1 X45 Y{45 + 0.5 * k} F6000", f"G1 X55 Y{45 + 0.5 * k} E{e:.5f} F1800")
        ]
        layers.append((0.06 * n, lift(0.06 * n) + lines))
    assert losses(*(words for _, words in sorted(layers, key=lambda one: round(one[0], 4)))) == []
