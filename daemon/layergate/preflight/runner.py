"""Runs rules over the facts of one job: hands out what each asked for, collects findings, survives crashing rules.

A rule that crashes or overruns turns the verdict into hold and names itself and its distribution; the others go on.
"""

import time
import traceback
from collections.abc import Callable, Sequence
from typing import Any

from layergate.preflight.catalogue import LoadedRule, RuleSettings
from layergate.preflight.findings import SEVERITIES, Finding, NotApplied
from layergate.preflight.rule import NotApplicableError, Rule, Stage, needs
from layergate.printable import printable
from layergate.printer import Printer

MOST_FINDINGS = 50
"""Findings kept of one rule; what is beyond is counted in the last one."""

SECONDS_ALLOWED = 30.0
SECONDS_ALLOWED_PER_MB = 1.0
"""CPU time; a rule that takes more overruns: all built-in rules together take some 0.01 s per MB."""


class _OverrunError(BaseException):
    """Raised inside a rule that has used up its time; no ``Exception``, so that the rule does not catch it."""


class RuleRunner:
    """The rules of one preflight.

    Args:
        rules: all rules of the catalogue.
        settings: theirs, by identifier.
        printer: what was stated of the machine.
        clock: gives seconds, only differences count. CPU time, so that a loaded machine holds no good job.
    """

    def __init__(
        self,
        rules: Sequence[LoadedRule],
        settings: dict[str, RuleSettings],
        printer: Printer,
        clock: Callable[[], float] = time.process_time,
    ) -> None:
        self._clock = clock
        self._settings = settings
        self._found: dict[str, list[Finding]] = {}
        self._more: dict[str, int] = {}
        self._blamed: list[Finding] = []
        self._releasable = {loaded.identifier: loaded.rule.releasable for loaded in rules}
        self._from = {loaded.identifier: f"{loaded.distribution} {loaded.version}" for loaded in rules}
        self._active: dict[str, tuple[Rule, dict[Stage, tuple[str, ...]]]] = {}
        self.not_applied: dict[str, str] = {}
        self.seconds: dict[str, float] = {}
        """Time that each rule took."""
        self._running: tuple[float, float] | None = None
        """When the rule that runs now began, and the seconds that it may still take."""
        for loaded in rules:
            identifier = loaded.identifier
            setting = settings[identifier]
            if not setting.enabled:
                self.not_applied[identifier] = "switched off in the printer description"
                continue
            self.seconds[identifier] = 0.0
            try:
                self._active[identifier] = (loaded.rule(printer, setting.limits), needs(loaded.rule))
            except NotApplicableError as reason:
                self.not_applied[identifier] = str(reason)
            except (Exception, SystemExit) as error:
                self._crashed(identifier, error)

    def wants(self, stage: Stage) -> bool:
        """Say whether any rule that is still active has this stage."""
        return any(stage in asked for _, asked in self._active.values())

    def run(self, stage: Stage, facts: dict[str, Any], megabytes: float) -> None:
        """Give the facts of one stage to every rule that asks for it.

        Args:
            facts: by name; holds at least the names that the stage may ask for.
            megabytes: read of the job so far, for the time allowed.
        """
        allowed = SECONDS_ALLOWED + SECONDS_ALLOWED_PER_MB * megabytes
        begin = self._clock()
        for identifier, (rule, asked) in list(self._active.items()):
            if stage not in asked:
                continue
            try:
                self._ask(
                    identifier, getattr(rule, stage), {name: facts[name] for name in asked[stage]}, begin, allowed
                )
            except NotApplicableError as reason:
                self._stop(identifier)
                self._found.pop(identifier, None)
                self.not_applied[identifier] = str(reason)
            except _OverrunError:
                self._running = None
                self._overran(identifier, allowed)
            except (Exception, SystemExit) as error:  # a rule must not end the check with an exit code of its own
                self._crashed(identifier, error)
            end = self._clock()
            self.seconds[identifier] += end - begin
            begin = end
            if self.seconds[identifier] > allowed and identifier in self._active:
                self._overran(identifier, allowed)

    def _ask(
        self, identifier: str, method: Callable[..., Any], facts: dict[str, Any], begin: float, allowed: float
    ) -> None:
        self._running = (begin, allowed - self.seconds[identifier])
        try:
            for finding in method(**facts) or ():
                self._keep(identifier, finding)
        finally:
            self._running = None

    def look(self) -> None:
        """Stop the rule that runs now if it has used up its time: to be called from time to time while rules run.

        Raises:
            _OverrunError: inside the rule; ``run`` catches it.
        """
        if self._running is not None:
            begin, left = self._running
            if self._clock() - begin > left:
                raise _OverrunError

    def findings(self) -> list[Finding]:
        """Give all findings, the strongest first, what nobody can release before what somebody can, then by line."""
        result = list(self._blamed)
        for identifier, found in self._found.items():
            result += [self._as_set(identifier, finding) for finding in found]
            if more := self._more.get(identifier):
                last = result[-1]
                result[-1] = last.model_copy(update={"message": f"{last.message} (and {more} more of this kind)"})
        return sorted(
            result,
            key=lambda f: (-SEVERITIES.index(f.severity), f.releasable, (f.where.lines or (0, 0))[0], f.rule),
        )

    def _as_set(self, identifier: str, finding: Finding) -> Finding:
        """Give a finding the severity that the description sets for its rule, and say whether it can be released."""
        severity = self._settings[identifier].severity or finding.severity
        # To be held means to wait for a person; only what blocks can be beyond anybody's release.
        releasable = severity != "block" or self._releasable[identifier]
        return finding.model_copy(update={"severity": severity, "releasable": releasable})

    def not_applied_list(self) -> list[NotApplied]:
        return [NotApplied(rule=rule, why=why) for rule, why in sorted(self.not_applied.items())]

    def _keep(self, identifier: str, finding: Finding) -> None:
        # Messages quote the job, whose bytes must not command the terminal or break the log that they are shown in.
        finding = finding.model_copy(
            update={"message": printable(finding.message), "advice": printable(finding.advice)}
        )
        found = self._found.setdefault(identifier, [])
        if len(found) < MOST_FINDINGS:
            found.append(finding)
        else:
            self._more[identifier] = self._more.get(identifier, 0) + 1

    def _stop(self, identifier: str) -> None:
        self._active.pop(identifier, None)

    def _crashed(self, identifier: str, error: BaseException) -> None:
        place = traceback.extract_tb(error.__traceback__)[-1] if error.__traceback__ else None
        where = f" ({place.filename.rsplit('/', 1)[-1]}:{place.lineno})" if place else ""
        self._blame(identifier, f"failed and could not judge this job: {type(error).__name__}: {error}{where}")

    def _overran(self, identifier: str, allowed: float) -> None:
        self._blame(identifier, f"took more than the {allowed:.0f} s of computing time allowed and was stopped.")

    def _blame(self, identifier: str, what: str) -> None:
        """Hold the job for a rule that could not judge it, whatever severity the rule's own findings have."""
        self._stop(identifier)
        message = printable(f"The rule {identifier} (of {self._from[identifier]}) {what}")
        self.not_applied[identifier] = message
        self._blamed.append(
            Finding(
                rule=identifier,
                severity="hold",
                releasable=True,
                message=message,
                advice="Look at the job yourself, or switch the rule off in the printer description; "
                "tell whoever wrote the rule.",
            )
        )
