"""A printer that says it does not watch its own heaters (facts.md 1.2: "should itself raise an alert")."""

from pathlib import Path
from typing import Any

from tests.service.parts import FakeLink, make_config, until
from tests.service.running import serving


async def test_a_printer_without_thermal_protection_is_told_once(tmp_path: Path) -> None:
    """One alert of the heat kind, as a warning and in words; coming back repeats nothing, mended firmware starts anew."""
    link = FakeLink()
    async with serving(make_config(tmp_path), link) as (_, talk):
        says: list[dict[str, Any]] = [
            {"THERMAL_PROTECTION": False},
            {"THERMAL_PROTECTION": False},
            {},
            {"THERMAL_PROTECTION": False, "AUTOREPORT_TEMP": True},
            {"THERMAL_PROTECTION": True},
        ]
        for times, capabilities in enumerate(says, 1):
            link.emit("link-up", firmware="harbour test", capabilities=capabilities)
            link.emit("link-lost", reason="the plug was pulled")

            async def all_told(times: int = times) -> bool:
                return (await talk.alerts()).count("link-lost") == times

            await until(all_told, f"the end of connection {times}")
        alerts = await talk.get("alerts")
        heat = [alert for alert in alerts if alert["name"] == "heat-off-plan"]
        assert [alert["severity"] for alert in heat] == ["warning"] * 2  # the first, and after one that said nothing
        assert all("THERMAL_PROTECTION:0" in alert["text"] and alert["printer"] == "quay" for alert in heat)
        assert {alert["name"] for alert in alerts} == {"heat-off-plan", "link-lost"}
