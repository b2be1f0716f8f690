"""One pack's recordings in columns, as the trends need them. What a recording does not tell is NaN."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.trends.points import WEEK_S, Points, points

__all__ = ["QUANTITIES", "DiscardVisit", "History", "Quantity"]

F64 = NDArray[np.float64]
Quantity = Literal["departure", "resistance", "capacity"]
QUANTITIES: tuple[Quantity, ...] = ("departure", "resistance", "capacity")
_LATELY_WEEKS = 26.0  # half a year; our choice


@dataclass(frozen=True, slots=True)
class DiscardVisit:
    """A group was below the voltage at which its cells are to be discarded."""

    at_s: float | None  # since 1970; None: its recording does not say when
    group: int  # 1..N, 1 at pack negative
    lowest_v: float
    cleared: str = ""  # the reason a person gave; empty while it stands


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """n recordings of a string of g groups, in order of time.

    Of each group only its difference from the string's median group is kept: what is common to all (the season, how the
    rider rode, how old the pack is) is in every group and so in none of the differences.
    """

    start_s: F64  # (n,), since 1970
    end_s: F64  # (n,)
    departure_mv: F64  # (n, g), from the median group when the charge ended
    departure_sigma_mv: F64  # (n,), of one group, standard
    resistance: F64  # (n, g), of the median group's, 1 = alike
    resistance_sigma: F64  # (n,)
    capacity: F64  # (n, g), of the median group's, 1 = alike
    capacity_sigma: F64  # (n,)
    full: NDArray[np.bool_]  # (n,), charged until a group was at its ceiling or the light came
    even: F64  # (n,), 1 balanced at the end of the charge, 0 not, NaN not known
    held_h: F64  # (n,), on the charger after the light
    left_percent: F64  # (n,), state of charge at the end of the recording, of the cells' own range
    cycles: F64  # (n,), equivalent full cycles in this recording, of the cells' own range
    visits: tuple[DiscardVisit, ...] = ()
    asks: tuple[tuple[float | None, str], ...] = ()  # when, and the verdict of the last report, as in report.json
    calibrated_s: float | None = None  # when the meter was last calibrated; None: never, or not told
    # What follows is None where nobody tells it at all.
    charge_percent: F64 | None = None  # (n, g), above the median group, of capacity, at the last held or relaxed end
    charge_sigma: F64 | None = None  # (n,)
    leak_percent_week: F64 | None = None  # (n, g), more than the median group, of capacity
    leak_sigma: F64 | None = None  # (n,)
    spread_rest_mv: F64 | None = None  # (n,)
    spread_rest_sigma_mv: F64 | None = None  # (n,)
    began_percent: F64 | None = None  # (n,), at the first row, as `left_percent`
    empty_percent: F64 | None = None  # (n,), of the cells' own range, where a ride gets a group to empty
    full_percent: F64 | None = None  # (n,), where the charger stops
    discharged_wh: F64 | None = None  # (n,)
    below_empty_s: F64 | None = None  # (n,), of all groups together
    sag_mv: F64 | None = None  # (n,), the deepest of any group
    sag_a: F64 | None = None  # (n,), the change of load that made it
    sag_c: F64 | None = None  # (n,), temperature then
    resistance_mohm: F64 | None = None  # (n,), of the median group
    temperature_c: F64 | None = None  # (n,), mean of the recording

    @property
    def groups(self) -> int:
        """How many groups in series."""
        return int(self.departure_mv.shape[1])

    def __len__(self) -> int:
        return len(self.start_s)

    def spread_mv(self) -> Points:
        """Highest minus lowest group at the end of charge; its uncertainty is that of a difference of two."""
        # NaN of any group makes the difference NaN, and `points` leaves it out.
        wide = self.departure_mv.max(axis=1) - self.departure_mv.min(axis=1)
        return points(self.end_s, wide, self.departure_sigma_mv * np.sqrt(2.0))

    def spread_lately_mv(self) -> Points:
        """That of the last half year: whoever says how the spread goes and stands now says it of these recordings."""
        series = self.spread_mv()
        return series.since(float(self.end_s[-1]) - _LATELY_WEEKS * WEEK_S) if len(series) else series

    def of_group(self, quantity: Quantity, group: int) -> Points:
        """One group over time (group from 1)."""
        value, sigma = {
            "departure": (self.departure_mv, self.departure_sigma_mv),
            "resistance": (self.resistance, self.resistance_sigma),
            "capacity": (self.capacity, self.capacity_sigma),
        }[quantity]
        return points(self.end_s, value[:, group - 1], sigma)

    def until(self, time_s: float) -> History:
        """What was known at a time: recordings that had ended, visits that had happened."""
        stop = int(np.searchsorted(self.end_s, time_s, side="right"))
        cut = {f.name: column[:stop] for f in fields(self) if isinstance(column := getattr(self, f.name), np.ndarray)}
        calibrated = self.calibrated_s if self.calibrated_s is not None and self.calibrated_s <= time_s else None
        return History(
            **cut,
            visits=tuple(v for v in self.visits if v.at_s is None or v.at_s <= time_s),
            asks=tuple(a for a in self.asks if a[0] is None or a[0] <= time_s),
            calibrated_s=calibrated,
        )
