"""The causes, a row each: all that is asked of a cause besides its estimate, in one place.

The first four are fitted together from one session (`estimates`, in this order); the others have finders of their own.
What a cause is called on the page stands in `evenstring.report.words`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenstring.analysis.results import Action, CauseKind
from evenstring.analysis.series.curve_slope import SLOPE_SCALE_U

__all__ = [
    "CATALOGUE",
    "CAUSES",
    "LATE_RESISTANCE_U",
    "METER_MOST_MV",
    "SCALE_U",
    "SCATTER",
    "SIGNS",
    "UNITS",
    "Cause",
    "cause_of",
]


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause.

    Attributes:
        key: its name in results and in report.json.
        unit: of its size.
        scatter: of healthy groups, one standard deviation in `unit`; None where it is no departure of a cell.
        sign: a size as said, over a departure as fitted: less capacity is said as a positive size.
        asks: what a sure statement of it asks for; None: nothing by itself.
        ride_from: size from which it limits a ride whichever group is empty first; None: it does not.
        driver: what the departure of such a group follows, which is what tells it from the others.
        scale_u: standard uncertainty of the logarithm of its size, where cells are unlike the assumed ones.
    """

    key: CauseKind
    unit: str
    scatter: float | None
    sign: float
    asks: Action | None
    ride_from: float | None
    driver: Literal["voltage", "charge_moved", "current", "time"]
    scale_u: float = 0.0


# Scatter of production: common practice. Sizes that matter on a ride, and what is asked for: our choice. Scales: charge
# and capacity are read through a curve's slope; resistances are ratios under one load: tuned on cells of others
CATALOGUE = (
    Cause("meter_offset", "mV", 1.0, 1.0, None, None, "voltage"),
    Cause("charge_offset", "%", 0.4, 1.0, None, None, "voltage", SLOPE_SCALE_U),
    Cause("low_capacity", "%", 1.0, -1.0, "ride_weak_group", 5.0, "charge_moved", SLOPE_SCALE_U),
    Cause("high_resistance", "%", 4.0, 1.0, "ride_weak_group", 20.0, "current", 0.1),
    # What neither charging nor balancing mends, and what gets worse.
    Cause("self_discharge", "% a week", 0.10, 1.0, "inspect", None, "time"),
    Cause("balancer_fault", "% a week", None, 1.0, "inspect", None, "time"),
    Cause("connection", "%", None, 1.0, "inspect", None, "current"),
    Cause("cannot_tell", "", None, 1.0, None, None, "voltage"),
)
_FITTED = CATALOGUE[:4]  # in the order of the columns of `Evidence`: our choice
CAUSES = tuple(c.key for c in _FITTED)  # as in CATALOGUE: our choice
UNITS = tuple(c.unit for c in _FITTED)  # as in CATALOGUE: our choice
SIGNS = tuple(c.sign for c in _FITTED)  # as in CATALOGUE: our choice
SCALE_U = tuple(c.scale_u for c in _FITTED)  # as in CATALOGUE: our choice
# The same of a resistance that is not read within two seconds of a step: a cell's own grows by 1.6 to 2.3 times until
# 30 s (from memory, published pulses), so that an extra ohm is a smaller share: tuned on published cells (`withheld`)
LATE_RESISTANCE_U = 0.4
METER_MOST_MV = 12.0  # a larger offset is not believed without a hand meter: "cannot tell": our choice
SCATTER = np.array([c.scatter for c in _FITTED], np.float64)  # standard deviations in UNITS: common practice


def cause_of(key: CauseKind) -> Cause:
    """The row of a cause."""
    return next(c for c in CATALOGUE if c.key == key)
