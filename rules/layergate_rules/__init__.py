"""The built-in rules: one file, one rule. Rules import only layergate.preflight.rule's public names."""

RULES = (
    "layergate_rules.cold_extrusion:ColdExtrusion",
    "layergate_rules.damaged_bytes:DamagedBytes",
    "layergate_rules.forbidden_command:ForbiddenCommand",
    "layergate_rules.missing_layer:MissingLayer",
    "layergate_rules.not_a_print_job:NotAPrintJob",
    "layergate_rules.outside_build_volume:OutsideBuildVolume",
    "layergate_rules.settings_change:SettingsChange",
    "layergate_rules.starved_layer:StarvedLayer",
    "layergate_rules.truncated:Truncated",
)
"""What the entry point lists: ``module:Class`` of every rule of this distribution, sorted."""
