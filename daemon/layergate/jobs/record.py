"""The record of a finished run: planned and actual seconds and filament, layer by layer. Pure."""

from typing import Any

from layergate.jobindex import JobIndex


def record_of(index: JobIndex, run_ended: dict[str, Any], last_layer: int) -> dict[str, Any]:
    """Give the record of a run from its index and the link's ``run-ended``.

    Filament is what was commanded in the layers begun; nobody weighs it. Layers that were not reached have no actual.
    """
    seconds = {int(layer): float(took) for layer, took in (run_ended.get("layer_seconds") or {}).items()}
    layers = index.layers
    rows = [
        {
            "layer": number,
            "z_mm": layers.z_mm[number - 1],
            "planned_s": round(layers.planned_s[number - 1], 3),
            "actual_s": round(seconds[number], 3) if number in seconds else None,
            "filament_mm": round(layers.filament_mm[number - 1], 3),
        }
        for number in range(1, len(layers.z_mm) + 1)
    ]
    begun = rows[:last_layer]
    return {
        "outcome": run_ended.get("outcome"),
        "reason": run_ended.get("reason"),
        "planned_s": round(index.print_seconds, 3),
        "actual_s": run_ended.get("seconds"),
        "filament_planned_mm": round(sum(row["filament_mm"] or 0.0 for row in rows), 3),
        "filament_commanded_mm": round(sum(row["filament_mm"] or 0.0 for row in begun), 3),
        "commands": run_ended.get("commands"),
        "resends": run_ended.get("resends"),
        "layers": rows,
    }
