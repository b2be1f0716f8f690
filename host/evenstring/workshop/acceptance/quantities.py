"""What a limit can be set on: each quantity with its words, its unit, and what to record where it was not measured."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["QUANTITIES", "Quantity"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of criterion. `digits`: after the point, as shown."""

    words: str
    unit: str
    digits: int
    record_next: str


_RIDE = "a ride or a discharge over a third of the pack or more, with the current sensor"
_LOOKS = "two recordings of a relaxed rest, two days or more apart, with nothing charged or ridden between"
_RESTS = "a rest of half an hour, a ride or charge over a third of the pack or more, and another rest, with current"

QUANTITIES = {
    "spread_at_rest_mv": Quantity("spread at rest", "mV", 1, "leave the pack alone for an hour with the monitor on"),
    "spread_end_of_charge_mv": Quantity("spread at the end of charge", "mV", 1, "a charge to its end"),
    "spread_under_load_mv": Quantity("spread under the heaviest load", "mV", 1, _RIDE),
    "capacity_ah": Quantity("capacity", "Ah", 2, _RESTS),
    "capacity_percent": Quantity("capacity of the nameplate's", "%", 1, _RESTS),
    "smallest_group_percent": Quantity("smallest group against the median", "%", 1, _RIDE),
    "resistance_above_median_percent": Quantity("highest resistance above the median", "%", 1, _RIDE),
    "leak_percent_per_week": Quantity("largest leak against the median", "% a week", 2, _LOOKS),
    "lowest_under_load_v": Quantity("lowest group under load", "V", 3, "a discharge at the current that is stated"),
    "lowest_v": Quantity("lowest reading of any group", "V", 3, "any recording in which every group is read"),
    "highest_v": Quantity("highest reading of any group", "V", 3, "any recording in which every group is read"),
    "insulation_mohm": Quantity("insulation, noted by hand", "MΩ", 2, "measure it and note it in the job file: [noted] "
                                "insulation_mohm and insulation_u_mohm"),
}  # fmt: skip
