"""A worker for tests: keeps the contract of layergate.preflight.worker, and does what the job's comments tell it.

``;TEST exit N``, ``;TEST sleep S``, ``;TEST memory MIB``, ``;TEST kill``, ``;TEST silent`` (writes nothing),
``;TEST garbage`` (writes no JSON), ``;TEST finding RULE SEVERITY RELEASABLE LAYER``, ``;TEST burn``; ``;LAYER n``
begins a layer.
"""

import argparse
import json
import os
import re
import signal
import sys
import time
from hashlib import sha256
from pathlib import Path

from layergate.gcode.dialect import DEFAULT_DIALECT
from layergate.gcode.payload import payload, payload_lines
from layergate.jobindex import Blocks, JobIndex, LayerTable, Spans

BLOCK_LINES = 50


def main() -> int:
    parser = argparse.ArgumentParser()
    for name in ("job", "name", "report", "index", "printer", "rules-plugins"):
        parser.add_argument(f"--{name}")
    options = parser.parse_args()
    data = Path(options.job).read_bytes()
    findings = []
    for found in re.findall(rb";TEST (.*)", data):
        word, *rest = found.decode().split()
        if word == "exit":
            print("line 3: this is no print job", file=sys.stderr)
            return int(rest[0])
        if word == "sleep":
            time.sleep(float(rest[0]))
        elif word == "burn":
            while True:
                pass
        elif word == "memory":
            kept = bytearray(int(rest[0]) * 1024 * 1024)
            assert kept
        elif word == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        elif word == "silent":
            return 0
        elif word == "garbage":
            Path(options.report).write_text("{", encoding="utf-8")
            Path(options.index).write_text("{", encoding="utf-8")
            return 0
        elif word == "finding":
            findings.append(finding(*rest))
    severities = {entry["severity"] for entry in findings}
    verdict = "block" if "block" in severities else "hold" if "hold" in severities else "clear"
    digest = sha256(data).hexdigest()
    report = {
        "schema_version": "1",
        "job": {"name": options.name, "sha256": digest, "bytes": len(data), "lines": data.count(b"\n")},
        "verdict": verdict,
        "coverage": {"judged": 7, "rules": 7},
        "findings": findings,
        "not_applied": [],
        "printer_file": options.printer,
    }
    make_index(options.name, data).save(Path(options.index))
    Path(options.report).write_text(json.dumps(report), encoding="utf-8")
    return 0


def finding(rule: str, severity: str, releasable: str, layer: str) -> dict[str, object]:
    where = {"layer": int(layer), "z_mm": [0.2, 0.4], "lines": [3, 9], "box_mm": None}
    return {
        "rule": rule,
        "severity": severity,
        "releasable": releasable == "yes",
        "message": f"{rule} in layer {layer}",
        "advice": "make the job again",
        "where": where,
        "evidence": {"share_percent": 40.0},
    }


def make_index(name: str, data: bytes) -> JobIndex:
    """Give an index of a job in which every command takes 0.1 s and a layer begins at each ``;LAYER``."""
    lines = data.splitlines(keepends=True)
    blocks = Blocks()
    spans, layers = Spans(), LayerTable()
    offset = layer = 0
    for start in range(0, len(lines), BLOCK_LINES):
        block = b"".join(lines[start : start + BLOCK_LINES])
        blocks.offset.append(offset)
        blocks.size.append(len(block))
        blocks.first_line.append(start + 1)
        blocks.digest.append(sha256(payload(block, DEFAULT_DIALECT)).hexdigest())
        blocks.layer.append(layer)
        blocks.planned_s.append(start * 0.1)
        for column in (blocks.x_mm, blocks.y_mm, blocks.z_mm):
            column.append(None)
        blocks.e_mm.append(0.0)
        blocks.xyz_relative.append(False)
        blocks.e_relative.append(False)
        offset += len(block)
        layer += block.count(b";LAYER")
    layer = 0
    for number, line in enumerate(lines, start=1):
        if line.startswith(b";LAYER"):
            layer += 1
            spans.first_line.append(number)
            spans.layer.append(layer)
            if layers.first_line:
                layers.last_line.append(number - 1)
                layers.planned_s.append((number - layers.first_line[-1]) * 0.1)
            layers.first_line.append(number)
            layers.z_mm.append(round(0.2 * layer, 3))
            layers.filament_mm.append(1.0)
    if layers.first_line:
        layers.last_line.append(len(lines))
        layers.planned_s.append((len(lines) - layers.first_line[-1] + 1) * 0.1)
    return JobIndex(
        name=name,
        sha256=sha256(data).hexdigest(),
        size_bytes=len(data),
        lines=len(lines),
        dialect=DEFAULT_DIALECT,
        blocks=blocks,
        layers=layers,
        spans=spans,
        print_seconds=len(lines) * 0.1,
        heating_seconds=0.0,
        commands=len(payload_lines(data, DEFAULT_DIALECT)),
    )


if __name__ == "__main__":
    sys.exit(main())
