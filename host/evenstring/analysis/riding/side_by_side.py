"""Strings of one vehicle at rest: how far apart they stand, and what would flow if they were joined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Joined", "StringAtRest", "joined"]

# At once, times the capacity: 7 mohm of 20 Ah, where nobody measured it: common practice
_OHM_AH = 0.14
_MOST_C = 0.5  # capacities an hour that cells are commonly charged with at most: common practice


@dataclass(frozen=True, slots=True)
class StringAtRest:
    """What is known of a string that neither gives nor takes."""

    volts_v: float  # of all its groups together
    groups: int
    capacity_ah: float

    @property
    def ohm(self) -> float:
        """Of the whole string, by its capacity and number of groups."""
        return _OHM_AH / self.capacity_ah * self.groups


@dataclass(frozen=True, slots=True)
class Joined:
    """What would flow if two strings at rest were connected side by side."""

    apart_v: float
    current_a: float
    most_a: float  # that cells are commonly charged with
    higher: int  # place of the string that would give
    lower: int  # of the one that would be charged

    @property
    def dangerous(self) -> bool:
        """Whether the lower one would be charged harder than its cells are commonly charged."""
        return self.current_a > self.most_a

    def said(self, names: Sequence[str]) -> str:
        """In a sentence without its full stop; `names` of all strings, by place."""
        flow = f"about {self.current_a:.0f} A would flow from {names[self.higher]} to {names[self.lower]}"
        flow = f"at rest {self.apart_v:.2f} V apart: joined, {flow}"
        if not self.dangerous:
            return flow
        return f"{flow}, over the {self.most_a:.0f} A its cells are commonly charged with: do not join them"


def joined(strings: Sequence[StringAtRest | None]) -> Joined | None:
    """Of the highest and the lowest string; None unless two or more are known."""
    known = sorted(((s.volts_v, k, s) for k, s in enumerate(strings) if s is not None), key=lambda one: one[:2])
    if len(known) < 2:  # two strings
        return None
    (low_v, low, lower), (high_v, high, higher) = known[0], known[-1]
    apart_v = high_v - low_v
    return Joined(apart_v, apart_v / (lower.ohm + higher.ohm), _MOST_C * lower.capacity_ah, high, low)
