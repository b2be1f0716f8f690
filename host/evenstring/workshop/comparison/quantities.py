"""What is compared of each group: unit, words, and from where a group stands out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenstring.analysis.causes.catalogue import SCATTER
from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, RESISTANCE

__all__ = ["QUANTITIES", "Kind", "Quantity"]

Quantity = Literal["level", "charge", "capacity", "resistance"]
_OUT = 2.5  # times the scatter of production, from which a group stands out: our choice


@dataclass(frozen=True, slots=True)
class Kind:
    """One of them.

    Attributes:
        key: its name.
        unit: of its values.
        said: what they are against, in words.
        bad: the side that is a weakness: -1 below, +1 above, 0 both.
        most: from there a group stands out; None: half of the target that is set for the string's spread.
    """

    key: Quantity
    unit: str
    said: str
    bad: int
    most: float | None


QUANTITIES = (
    Kind("level", "mV", "from the median group at the end of the charge", 0, None),
    Kind("charge", "%", "of charge from the median group", 0, _OUT * float(SCATTER[CHARGE])),
    Kind("capacity", "%", "from the median group's capacity", -1, _OUT * float(SCATTER[CAPACITY])),
    Kind("resistance", "%", "from the median group's resistance", 1, _OUT * float(SCATTER[RESISTANCE])),
)
