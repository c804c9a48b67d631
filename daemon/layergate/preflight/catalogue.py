"""Finds rules: the built-in ones and those of other distributions, through one path, in one order.

Finding imports nothing; loading imports a rule and checks its class. Rules of other distributions run only where the
configuration names their distribution.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from layergate.preflight.rule import Limits, Rule, RuleError, limits_from, needs
from layergate.printer import PrinterDescription

GROUP = "layergate.rules"
BUILT_IN = "layergate"


@dataclass(frozen=True, slots=True)
class LoadedRule:
    """A rule that can be run."""

    rule: type[Rule]
    distribution: str
    version: str

    @property
    def identifier(self) -> str:
        return self.rule.identifier


class CatalogueError(RuleError):
    """The rules can't be loaded; the text lists what is installed, asked for and missing."""


def load_rules(plug_ins: Iterable[str] = ()) -> list[LoadedRule]:
    """Load the built-in rules and those of the named distributions, sorted by identifier.

    Raises:
        CatalogueError: a distribution is missing, two rules share an identifier, or a rule's class is wrong.
    """
    wanted = {BUILT_IN, *(_normalized(name) for name in plug_ins)}
    points: dict[str, list[EntryPoint]] = {}
    for point in entry_points(group=GROUP):
        # By distribution: the name that an entry point gives itself would let any package pass for another one.
        points.setdefault(_normalized(point.dist.name if point.dist else point.name), []).append(point)
    if missing := wanted - points.keys():
        raise CatalogueError(
            f"rules of {', '.join(sorted(missing))} are asked for but not installed; installed: "
            f"{', '.join(sorted(points)) or 'none'} (is the package installed in this Python environment?)"
        )
    rules: dict[str, LoadedRule] = {}
    for name in sorted(wanted):
        distribution = points[name][0].dist
        version = distribution.version if distribution else "unknown"
        for rule in [rule for point in points[name] for rule in _rules_of(name, point)]:
            needs(rule)
            if rule.identifier in rules:
                raise CatalogueError(
                    f"rule {rule.identifier} comes from both {rules[rule.identifier].distribution} and {name}"
                )
            rules[rule.identifier] = LoadedRule(rule, name, version)
    return [rules[identifier] for identifier in sorted(rules)]


def _normalized(name: str) -> str:
    """Give the name of a distribution as registries compare it (PyPA specification "Names and normalization")."""
    return re.sub(r"[-_.]+", "-", name).lower()


def _rules_of(name: str, point: EntryPoint) -> list[type[Rule]]:
    """Import the rules that one distribution lists, each as ``module:Class``."""
    found: list[type[Rule]] = []
    try:
        listed = [str(item).partition(":") for item in point.load()]
        modules = [import_module(module) for module, _, _ in listed]
    except (Exception, SystemExit) as error:
        # Whatever a plug-in does when it is imported, the owner must read which one it was.
        raise CatalogueError(f"the rules of {name} can't be imported: {type(error).__name__}: {error}") from error
    for module, (path, _, cls) in zip(modules, listed, strict=True):
        item = f"{path}:{cls}" if cls else path
        rule: Any = getattr(module, cls, None) if cls else None
        if not isinstance(rule, type) or not issubclass(rule, Rule):
            raise CatalogueError(f"{name} lists {item!r}, which is no rule")
        found.append(rule)
    return found


def rules_version(rules: Iterable[LoadedRule]) -> str:
    """Give the digest by which verdicts name the rule set."""
    text = "\n".join(f"{rule.identifier} {rule.distribution} {rule.version}" for rule in rules)
    return sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class RuleSettings:
    """The settings of one rule from a printer description."""

    enabled: bool
    severity: str | None
    limits: Limits


def settings_of(rules: Iterable[LoadedRule], description: PrinterDescription) -> dict[str, RuleSettings]:
    """Check the ``[rules.NAME]`` tables of a description against the loaded rules.

    Raises:
        RuleError: an unknown rule or setting; the text lists all mistakes.
    """
    known = {rule.identifier: rule for rule in rules}
    mistakes = [f"rules.{name}: there is no such rule" for name in description.rules if name not in known]
    result: dict[str, RuleSettings] = {}
    for identifier, loaded in known.items():
        table = description.rules.get(identifier, {})
        severity, enabled = table.get("severity"), table.get("enabled", True)
        if severity not in (None, "block", "hold", "note"):
            mistakes.append(f"rules.{identifier}.severity: must be block, hold or note, got {severity!r}")
        if not isinstance(enabled, bool):
            mistakes.append(f"rules.{identifier}.enabled: must be true or false, got {enabled!r}")
            enabled = True
        try:
            limits = limits_from(loaded.rule, table)
        except RuleError as error:
            mistakes.append(str(error))
            continue
        result[identifier] = RuleSettings(enabled, severity, limits)
    if mistakes:
        raise RuleError("\n".join(mistakes))
    return result
