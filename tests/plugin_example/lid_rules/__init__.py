"""Rules for printers in cabinets. Each is named as ``module:Class``, so that looking for rules imports none."""

RULES = ("lid_rules.lid_clearance:LidClearance",)
