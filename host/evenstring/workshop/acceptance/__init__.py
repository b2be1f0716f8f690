"""Acceptance: limits from a file, decided with the uncertainty of what was measured."""
