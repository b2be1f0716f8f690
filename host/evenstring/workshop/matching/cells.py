"""A measured cell, or a group of cells that stays together: what is known of it, and how well."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["QUANTITIES", "Cell", "Quantity", "Reading"]


class Quantity(NamedTuple):
    """A row of QUANTITIES: key and unit, what it is called, what counts against a cell, decimals shown."""

    key: str
    unit: str
    word: str
    worse: float  # sign of what is worse: +1 more, -1 less
    digits: int


QUANTITIES = (
    Quantity("capacity_ah", "Ah", "capacity", -1.0, 3),
    Quantity("resistance_mohm", "mΩ", "resistance", 1.0, 2),
    Quantity("leak_percent_per_week", "% a week", "leak", 1.0, 2),
)


class Reading(NamedTuple):
    """A value with its standard uncertainty, in the quantity's unit; None: the usual one of that quantity."""

    value: float
    u: float | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell.

    Attributes:
        label: as it is written on the cell. source: the file that it comes from.
        readings: in the order of QUANTITIES; None: not measured.
        barred: why it must not go into any string; empty: nothing is known against it.
    """

    label: str
    source: str
    readings: tuple[Reading | None, Reading | None, Reading | None]
    barred: str = ""
