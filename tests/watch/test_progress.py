"""The watch: progress against the layer map, and remarks on what is off the plan - once each, never without cause."""

from typing import Any

import pytest
from tests.jobs.fake_worker import make_index
from tests.service.parts import job_bytes

from layergate.jobindex import JobIndex
from layergate.link.messages import Event
from layergate.watch.progress import Limits, RunWatch

# In the fake index every line takes 0.1 s; job_bytes(5, 20) has 3 + 5 * 22 + 1 = 114 lines, layers begin at 4, 26, ...


@pytest.fixture
def index() -> JobIndex:
    return make_index("cap", job_bytes(5, 20))


class Run:
    """A run told event by event, at a time that the test sets."""

    def __init__(self, index: JobIndex, **limits: float) -> None:
        self.watch = RunWatch(index, Limits(**limits))
        self.number = 0
        self("run-started", 0.0)

    def __call__(self, kind: Any, at: float, /, **data: Any) -> list[str]:
        self.number += 1
        return [remark.name for remark in self.watch.handle(Event(self.number, kind, "", at, data))]

    def tick(self, at: float) -> list[str]:
        return [remark.name for remark in self.watch.tick(at)]


def test_layers_are_counted_off_against_the_map(index: JobIndex) -> None:
    """The layer of a line is the map's, with its height; a finished run is at the last layer of the last line."""
    run = Run(index)
    seen = []
    for line in (1, 3, 4, 25, 26, 113):
        run("progress", line * 0.1, line=line, commands=line)
        seen.append((run.watch.progress().layer, run.watch.progress().z_mm))
    assert seen == [(0, None), (0, None), (1, 0.2), (1, 0.2), (2, 0.4), (5, 1.0)]
    run("run-ended", 12.0, outcome="completed", line=113)
    progress = run.watch.progress()
    assert (progress.line, progress.lines, progress.layer, progress.layers) == (114, 114, 5, 5)
    assert progress.remaining_s == 0
    assert progress.planned_s == progress.planned_total_s


def test_progress_never_goes_back(index: JobIndex) -> None:
    """A doubled or late event of an earlier line changes nothing."""
    run = Run(index)
    run("progress", 1.0, line=50)
    run("progress", 2.0, line=10)
    assert run.watch.progress().line == 50


def test_remaining_time_follows_the_pace_so_far(index: JobIndex) -> None:
    """When ten minutes of plan took twice as long, what is left is expected to take nearly twice its plan too."""
    index.print_seconds *= 100
    index.blocks.planned_s = [value * 100 for value in index.blocks.planned_s]
    run = Run(index)
    first = index.layers.first_line[0]
    run("progress", 100.0, line=first)
    begun_s = index.planned_s_at(first)
    run("progress", 100.0 + 2 * (index.planned_s_at(60) - begun_s), line=60)
    left_s = index.print_seconds - index.planned_s_at(60)
    assert run.watch.progress().remaining_s == pytest.approx(2 * left_s, rel=0.06)


def test_pauses_are_not_counted_as_printing(index: JobIndex) -> None:
    """Seconds of printing leave out a pause, and a pause is no stall."""
    run = Run(index, stall_s=60)
    run("progress", 10.0, line=4)
    run("progress", 20.0, line=10)
    run("paused", 20.0, by="service")
    assert run.tick(5000.0) == []
    assert run.watch.progress().printing_s == pytest.approx(10.0)
    run("resumed", 5000.0)
    assert run.tick(5050.0) == []
    assert run.watch.progress().printing_s == pytest.approx(60.0)
    assert run.tick(5061.0) == ["stalled"]


def test_a_stall_is_told_once_and_again_only_for_another_place(index: JobIndex) -> None:
    """No line for longer than the limit is a stall; it is told once, and once more when it happens at another line."""
    run = Run(index, stall_s=60)
    run("progress", 10.0, line=10)
    assert run.tick(69.0) == []
    assert run.tick(71.0) == ["stalled"]
    assert run.tick(200.0) == []
    run("progress", 201.0, line=11)
    assert run.tick(262.0) == ["stalled"]


def test_heating_and_long_commands_are_no_stall(index: JobIndex) -> None:
    """While heating, or while the printer keeps saying that it is busy, the longer limit counts."""
    run = Run(index, stall_s=60, busy_stall_s=600)
    run("progress", 0.0, line=1)
    run("temperature", 1.0, hot_end_c=25.0, hot_end_target_c=200.0)
    assert run.tick(300.0) == []
    run("temperature", 300.0, hot_end_c=199.0, hot_end_target_c=200.0)
    assert run.tick(301.0) == ["stalled"]
    busy = Run(index, stall_s=60, busy_stall_s=600)
    busy("progress", 0.0, line=2)
    for at in range(2, 599, 2):
        busy("busy", float(at), text="processing")
        assert busy.tick(float(at)) == []
    busy("busy", 601.0, text="processing")
    assert busy.tick(601.0) == ["stalled"]


def test_a_layer_far_beyond_its_plan_is_told(index: JobIndex) -> None:
    """A layer that goes on for more than three times its plan and the margin is told once."""
    run = Run(index, slow_factor=3, slow_s=10, stall_s=1000)
    run("progress", 0.0, line=4)  # layer 1: 2.2 s planned
    assert run.tick(16.0) == []
    run("progress", 16.5, line=9)
    assert run.tick(17.0) == ["stalled"]
    assert run.tick(18.0) == []


def test_heat_off_its_target_while_laying_is_told(index: JobIndex) -> None:
    """A hot end 20 degrees below its target for longer than the limit, in a layer, is told once."""
    run = Run(index, heat_s=30)
    run("temperature", 0.0, hot_end_c=200.0, hot_end_target_c=200.0)
    run("progress", 200.0, line=10)
    assert run("temperature", 201.0, hot_end_c=180.0, hot_end_target_c=200.0) == []
    assert run("temperature", 230.0, hot_end_c=180.0, hot_end_target_c=200.0) == []
    assert run("temperature", 232.0, hot_end_c=179.0, hot_end_target_c=200.0) == ["heat-off-plan"]
    assert run("temperature", 300.0, hot_end_c=150.0, hot_end_target_c=200.0) == []


def test_a_hot_end_that_comes_back_is_not_told(index: JobIndex) -> None:
    """A dip that is over before the limit is nothing to tell."""
    run = Run(index, heat_s=30)
    run("temperature", 0.0, hot_end_c=200.0, hot_end_target_c=200.0)
    run("progress", 200.0, line=10)
    run("temperature", 201.0, hot_end_c=180.0, hot_end_target_c=200.0)
    run("temperature", 220.0, hot_end_c=199.0, hot_end_target_c=200.0)
    assert run("temperature", 240.0, hot_end_c=180.0, hot_end_target_c=200.0) == []


def test_a_hot_end_switched_off_while_laying_is_told(index: JobIndex) -> None:
    """A target of zero in mid-layer is told; before the first layer and after the last deposit it is in order."""
    run = Run(index, heat_s=30)
    run("temperature", 0.0, hot_end_c=25.0, hot_end_target_c=0.0)
    assert run("temperature", 100.0, hot_end_c=25.0, hot_end_target_c=0.0) == []
    run("progress", 100.0, line=10)
    assert run("temperature", 131.0, hot_end_c=180.0, hot_end_target_c=0.0) == ["heat-off-plan"]
    end = Run(index, heat_s=30)
    end("progress", 100.0, line=114)
    end("temperature", 101.0, hot_end_c=180.0, hot_end_target_c=0.0)
    assert end("temperature", 190.0, hot_end_c=120.0, hot_end_target_c=0.0) == []


def test_a_new_target_gets_its_time(index: JobIndex) -> None:
    """A job that changes the temperature in mid-print is not told to be off while the hot end follows."""
    run = Run(index, heat_s=30)
    run("temperature", 0.0, hot_end_c=200.0, hot_end_target_c=200.0)
    run("progress", 300.0, line=10)
    assert run("temperature", 301.0, hot_end_c=200.0, hot_end_target_c=230.0) == []
    assert run("temperature", 400.0, hot_end_c=205.0, hot_end_target_c=230.0) == []
    run("temperature", 482.0, hot_end_c=205.0, hot_end_target_c=230.0)
    assert run("temperature", 513.0, hot_end_c=205.0, hot_end_target_c=230.0) == ["heat-off-plan"]


def test_refused_extrusion_is_air_printing(index: JobIndex) -> None:
    """'cold extrusion prevented' (facts 1.2: followed by ok, axes move, no plastic) is told once, with its layer."""
    run = Run(index)
    run("progress", 1.0, line=30)
    assert run("remark", 2.0, kind="cold-extrusion", text="cold extrusion prevented") == ["air-printing"]
    assert run("remark", 3.0, kind="cold-extrusion", text="cold extrusion prevented") == []
    assert run("remark", 4.0, kind="other", text="hello") == []


def test_a_job_without_layers_is_followed_by_its_lines() -> None:
    """An index without layers gives progress by lines, and nothing fails."""
    index = make_index("lines", b"G28\nG1 X1\n" * 20)
    run = Run(index)
    run("progress", 1.0, line=20)
    assert run.tick(10.0) == []
    progress = run.watch.progress()
    assert (progress.layer, progress.layers, progress.line) == (0, 0, 20)


def test_nothing_is_remarked_after_the_end(index: JobIndex) -> None:
    """A run that has ended can't stall."""
    run = Run(index, stall_s=60)
    run("progress", 1.0, line=20)
    run("run-ended", 2.0, outcome="aborted", line=20)
    assert run.tick(10_000.0) == []


def test_a_position_off_the_plan_is_told_once(index: JobIndex) -> None:
    """Rounding to 0.01 mm and unplanned axes are nothing; a line that came through as another is (facts 1.1: XOR)."""
    run = Run(index)
    run("progress", 1.0, line=30)
    at = {"line": 31, "planned_mm": [121.0, 50.0, 0.4, None]}
    assert run("position", 2.0, reported_mm=[121.01, 50.0, 0.4, 9.0], off_mm=0.01, **at) == []
    assert run("position", 3.0, reported_mm=[121.0, 50.0, 0.4, 9.0], off_mm=None, **at) == []
    assert run("position", 4.0, reported_mm=[211.0, 50.0, 0.4, 9.0], off_mm=90.0, **at) == ["position-off-plan"]
    assert run("position", 5.0, reported_mm=[211.0, 50.0, 0.4, 9.0], off_mm=90.0, **at) == []


def test_an_unknown_command_is_told_if_the_part_depends_on_it(index: JobIndex) -> None:
    """Facts 1.2: unknown commands are alerts in a job; but one for the display or the tuning harms no part (common practice)."""
    run = Run(index)
    run("progress", 1.0, line=30)
    assert run("remark", 2.0, kind="unknown-command", text='echo:Unknown command: "M73 P3"') == []
    assert run("remark", 2.1, kind="unknown-command", text='echo:Unknown command: "G02 X1 I2"') == ["unknown-command"]
    assert run("remark", 2.2, kind="unknown-command", text='echo:Unknown command: "g2 x3 i2"') == []
    assert run("remark", 2.3, kind="unknown-command", text='echo:Unknown command: "M83"') == ["unknown-command"]


def test_a_printer_that_does_not_read_line_numbers_is_told_with_the_setting(index: JobIndex) -> None:
    """A line that is unknown with its number is unknown for its number."""
    watch = RunWatch(index)
    event = Event(1, "remark", "", 1.0, {"kind": "unknown-command", "text": 'Unknown command: "N5 G1 X1*99"'})
    (remark,) = watch.handle(event)
    assert "line_numbers = false" in remark.text
    again = Event(2, "remark", "", 2.0, {"kind": "unknown-command", "text": 'Unknown command: "N6 G92 E0*77"'})
    assert watch.handle(again) == []


def test_an_end_stop_in_mid_print_is_told_once(index: JobIndex) -> None:
    """Facts 1.2: endstop hits are alerts in a job."""
    run = Run(index)
    assert run("remark", 2.0, kind="endstop", text="echo:endstops hit: Y:0.30") == ["endstop-hit"]
    assert run("remark", 3.0, kind="endstop", text="echo:endstops hit: Y:0.31") == []
