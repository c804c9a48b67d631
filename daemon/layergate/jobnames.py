"""What job files are called: shared by drop folders and by the look over a folder of jobs. Data only."""

JOB_ENDINGS = (".gcode", ".gco", ".gc", ".g", ".ngc", ".nc", ".tap")
"""Common practice; each also with ``.gz`` after it."""
