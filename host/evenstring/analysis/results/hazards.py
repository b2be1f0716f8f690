"""What is dangerous whatever its cause."""

from __future__ import annotations

from dataclasses import dataclass

from evenstring.analysis.results.kinds import HazardKind

__all__ = ["Hazard"]


@dataclass(frozen=True, slots=True)
class Hazard:
    """One thing that asks for an inspection before anybody has said why it is so.

    `size` is in `unit`: W of extra heat at `current_a`, % of charge behind, mA drawn, or mV that the spread
    grew or a group stays above the next.
    """

    kind: HazardKind
    group: int | None  # None: of the string
    size: float
    unit: str
    size_low: float  # 90 % interval
    size_high: float
    confidence: float  # that it is beyond what is let pass
    seen_mv: float | None = None  # the change in volts that it was read from
    hours: float | None = None  # over which it was seen
    current_a: float | None = None  # at which the heat is reckoned
    more_percent: float | None = None  # extra resistance over the median group's
