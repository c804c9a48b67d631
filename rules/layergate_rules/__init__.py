"""The built-in rules: one file, one rule. Rules import only layergate.preflight.rule's public names."""

RULES = (
    "layergate_rules.bead_outlier:BeadOutlier",
    "layergate_rules.checksum_mismatch:ChecksumMismatch",
    "layergate_rules.cold_extrusion:ColdExtrusion",
    "layergate_rules.damaged_bytes:DamagedBytes",
    "layergate_rules.forbidden_command:ForbiddenCommand",
    "layergate_rules.mid_air_bead:MidAirBead",
    "layergate_rules.missing_layer:MissingLayer",
    "layergate_rules.no_heat_wait:NoHeatWait",
    "layergate_rules.not_a_print_job:NotAPrintJob",
    "layergate_rules.outside_build_volume:OutsideBuildVolume",
    "layergate_rules.partial_layer:PartialLayer",
    "layergate_rules.repeated_block:RepeatedBlock",
    "layergate_rules.retraction_debt:RetractionDebt",
    "layergate_rules.settings_change:SettingsChange",
    "layergate_rules.shifted_layers:ShiftedLayers",
    "layergate_rules.starved_layer:StarvedLayer",
    "layergate_rules.through_printed_part:ThroughPrintedPart",
    "layergate_rules.truncated:Truncated",
    "layergate_rules.two_jobs:TwoJobs",
    "layergate_rules.unreadable_line:UnreadableLine",
    "layergate_rules.unsupported_island:UnsupportedIsland",
)
"""What the entry point lists: ``module:Class`` of every rule of this distribution, sorted."""
