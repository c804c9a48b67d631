"""Trials: specimens and damages in number against the checker, which is run as a user runs it and never imported."""
