"""Findings: pure functions from a Session to what happened to the string."""
