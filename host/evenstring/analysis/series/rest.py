"""What counts as rest: one definition, for phases, events and the live view alike."""

from __future__ import annotations

from evenstring.profile import PackProfile

__all__ = ["REST_S", "rest_current_a"]

REST_S = 300.0  # the shortest rest; the report's glossary says so too: our choice
_REST_C = 1.0 / 200.0  # C rate: well below the done light of a charger (about C/50), whose tail is no rest: our choice
_REST_MOST_A = 0.1  # and never more: small bleeders alone draw as much: our choice


def rest_current_a(profile: PackProfile) -> float:
    """The largest current, A, that still counts as rest: the smaller of C/200 and 0.1 A."""
    return min(profile.capacity_ah * _REST_C, _REST_MOST_A)
