"""Events of a printer that come too often to be told each time: temperatures, busy, remarks, resends.

Pure; time is an argument. Decides when to tell; knows no run and no protocol.
"""

import re
from typing import Any

from layergate.link.settings import Settings
from layergate.link.signals import Temperatures

_CODE = re.compile(r"[GMT]\d+")
_NEVER = float("-inf")
_LONGEST_TEXT = 200
"""Characters of a printer's text that are passed on."""


class Notices:
    """What was told when, of one printer."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._temperature_at = self._busy_at = self._resend_at = _NEVER
        self._said: dict[str, float] = {}

    def temperature(self, signal: Temperatures, now: float) -> dict[str, Any] | None:
        """Give the data of a temperature event, if one is due and there is something to tell."""
        readings = signal.readings
        hot_end, bed = readings.get("T") or readings.get("T0"), readings.get("B")
        if now < self._temperature_at + self._settings.temperature_s or (hot_end is None and bed is None):
            return None
        self._temperature_at = now
        return {
            "hot_end_c": hot_end.value_c if hot_end else None,
            "hot_end_target_c": hot_end.target_c if hot_end else None,
            "bed_c": bed.value_c if bed else None,
            "bed_target_c": bed.target_c if bed else None,
        }

    def remark(self, text: str, kind: str, now: float) -> dict[str, Any] | None:
        """Give the data of a remark event, if it was not told a moment ago. Others share one quota of one a second."""
        key, every_s = ("other", 1.0) if kind == "other" else (text, self._settings.same_remark_s)
        if kind == "unknown-command" and (code := _CODE.search(text.upper())):
            key = code[0]  # a printer that does not know G1 says so of each, with other figures
        if now < self._said.get(key, _NEVER) + every_s:
            return None
        if len(self._said) > 64:
            self._said.clear()
        self._said[key] = now
        return {"text": text[:_LONGEST_TEXT], "kind": kind}

    def busy(self, now: float) -> bool:
        """Tell whether a busy event is due."""
        due = now >= self._busy_at + self._settings.busy_event_s
        if due:
            self._busy_at = now
        return due

    def resend(self, now: float) -> bool:
        """Tell whether a resend event is due."""
        due = now >= self._resend_at + self._settings.resend_event_s
        if due:
            self._resend_at = now
        return due
