"""Reports as one SARIF 2.1.0 log (OASIS Standard, 27 March 2020): one run for all jobs, for tools that gather findings.

A block is an error, a hold a warning, a note a note. Lines are lines of the job; a packed job is an artifact inside its
file. Knows the standard's words and no rule by name.
"""

import inspect
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import layergate
from layergate.cli.rules import page, summary
from layergate.preflight.catalogue import BUILT_IN, LoadedRule
from layergate.preflight.findings import Finding, Report

SCHEMA_URI = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/os/schemas/sarif-schema-2.1.0.json"
LEVELS = {"block": "error", "hold": "warning", "note": "note"}
_BASE = "WORKING-DIRECTORY"


class SarifLog:
    """Gathers what was found in some jobs; the reports themselves are not kept.

    Args:
        rules: those that were run.
    """

    def __init__(self, rules: Iterable[LoadedRule]) -> None:
        self._artifacts: list[dict[str, Any]] = []
        self._results: list[dict[str, Any]] = []
        self._failures: list[dict[str, Any]] = []
        self._place: dict[str, dict[str, Any]] = {}
        """Reference to a rule's description, by identifier."""
        self._components: dict[str, dict[str, Any]] = {BUILT_IN: _component("Layergate", layergate.__version__)}
        for loaded in rules:
            self._describe(loaded)

    def add(self, name: str, report: Report, *, packed: bool) -> None:
        """Take the report of one job.

        Args:
            name: of the file as it was given, ``-`` for standard input.
            packed: whether the job lies compressed in it.
        """
        location = {} if name == "-" else {"location": _location(name)}
        hashes = {"hashes": {"sha-256": report.job.sha256}, "length": report.job.bytes}
        about = {
            "verdict": report.verdict,
            "judged": report.coverage.judged,
            "rules": report.coverage.rules,
            "notApplied": {item.rule: item.why for item in report.not_applied},
            "estimate": report.estimate.model_dump(),
        }
        if packed and location:
            self._artifacts.append({**location, "roles": ["analysisTarget"], "mimeType": "application/gzip"})
            inner = quote(os.fsencode(Path(name).name.removesuffix(".gz")))
            location = {"location": {"uri": inner}, "parentIndex": len(self._artifacts) - 1}  # type: ignore[dict-item]
        index = len(self._artifacts)
        described = {} if location else {"description": {"text": "standard input"}}
        self._artifacts.append(
            {
                **location,
                **described,
                **hashes,
                "roles": ["analysisTarget"],
                "mimeType": "text/plain",
                "properties": about,
            }
        )
        self._results += [self._result(finding, index, report.job.lines) for finding in report.findings]

    def add_unreadable(self, name: str, reason: str) -> None:
        """Take a job that could not be read."""
        place = {} if name == "-" else {"locations": [{"physicalLocation": {"artifactLocation": _location(name)}}]}
        self._failures.append({"level": "error", "message": {"text": f"not readable: {reason}"}, **place})

    def document(self, *, arguments: list[str], begun: str, ended: str, exit_code: int) -> dict[str, Any]:
        """Give the whole log.

        Args:
            begun, ended: UTC, RFC 3339.
            exit_code: that this run ends with.
        """
        driver, *extensions = self._components.values()
        invocation = {
            "executionSuccessful": not self._failures,
            "exitCode": exit_code,
            "arguments": arguments,
            "startTimeUtc": begun,
            "endTimeUtc": ended,
            "workingDirectory": {"uri": _folder_uri(Path.cwd())},
            "toolExecutionNotifications": self._failures,
        }
        run = {
            "tool": {"driver": driver, **({"extensions": extensions} if extensions else {})},
            "invocations": [invocation],
            "originalUriBaseIds": {_BASE: {"uri": _folder_uri(Path.cwd())}},
            "artifacts": self._artifacts,
            "results": self._results,
        }
        return {"$schema": SCHEMA_URI, "version": "2.1.0", "runs": [run]}

    def _describe(self, loaded: LoadedRule) -> None:
        if loaded.distribution not in self._components:
            self._components[loaded.distribution] = _component(loaded.distribution, loaded.version)
        component = self._components[loaded.distribution]
        index = len(component["rules"])
        component["rules"].append(
            {
                "id": loaded.identifier,
                "shortDescription": {"text": summary(loaded)},
                "fullDescription": {"text": inspect.cleandoc(loaded.rule.__doc__ or "")},
                "help": {"text": page(loaded)},
                "defaultConfiguration": {"level": LEVELS[loaded.rule.severity]},
                "properties": {"releasable": loaded.rule.releasable, "since": loaded.rule.since},
            }
        )
        if loaded.distribution == BUILT_IN:
            self._place[loaded.identifier] = {"ruleId": loaded.identifier, "ruleIndex": index}
        else:
            extension = list(self._components).index(loaded.distribution) - 1
            self._place[loaded.identifier] = {
                "ruleId": loaded.identifier,
                "rule": {"id": loaded.identifier, "index": index, "toolComponent": {"index": extension}},
            }

    def _result(self, finding: Finding, artifact: int, job_lines: int) -> dict[str, Any]:
        where = finding.where
        physical: dict[str, Any] = {"artifactLocation": {"index": artifact}}
        if where.lines is not None and job_lines:
            first = min(max(1, where.lines[0]), job_lines)
            physical["region"] = {"startLine": first, "endLine": min(max(first, where.lines[1]), job_lines)}
        location: dict[str, Any] = {"physicalLocation": physical}
        if where.layer is not None:
            location["logicalLocations"] = [{"name": f"layer {where.layer}", "kind": "layer"}]
        properties: dict[str, Any] = {
            "evidence": finding.evidence,
            "advice": finding.advice,
            "releasable": finding.releasable,
            "layer": where.layer,
            "height_mm": where.z_mm,
            "box_mm": where.box_mm,
        }
        return {
            **self._place[finding.rule],
            "level": LEVELS[finding.severity],
            "message": {"text": f"{finding.message} {finding.advice}"},
            "locations": [location],
            "properties": {key: value for key, value in properties.items() if value is not None},
        }


def _component(name: str, version: str) -> dict[str, Any]:
    return {"name": name, "version": version, "rules": []}


def _location(name: str) -> dict[str, str]:
    """Give a file's location: relative to the working directory, or absolute."""
    path = Path(name)
    if path.is_absolute():
        return {"uri": "file://" + quote(os.fsencode(path.as_posix()))}
    return {"uri": quote(os.fsencode(path.as_posix())), "uriBaseId": _BASE}


def _folder_uri(path: Path) -> str:
    # Section 3.14.14 of the standard: the URI of a base ends in a slash.
    return path.as_uri().rstrip("/") + "/"
