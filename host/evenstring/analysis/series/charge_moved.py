"""Charge counted from the current: ampere-hours by trapezoids, and one rule for silences.

Coulomb counting (G. Plett, Battery Management Systems, Vol. I, Artech House 2015), trapezoids because a ride's current
changes much between two scans. A silence is a step of more than `SILENCE_S` and of more than `SILENCE_STEPS` usual
steps: what flowed in it is not known, so none is counted. Who needs all of the charge between two rows asks
`silent_after` as well. A reading of the current that is missing counts as none.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SILENCE_S",
    "charge_moved_ah",
    "charge_or_label_ah",
    "charge_total_ah",
    "counted_steps_s",
    "silent_after",
]

F64 = NDArray[np.float64]
SILENCE_S = 120.0  # a longer step is a silence; reconnecting a lead or a board takes less: our choice
SILENCE_STEPS = 8.0  # of the usual one, so that a table of a row in five minutes is not all silence: our choice
_S_PER_H = 3600.0  # published (SI brochure, hour)


def silent_after(time_s: F64) -> NDArray[np.bool_]:
    """(n,) True where a silence follows on a row; times in s, rising."""
    steps = np.diff(time_s)
    if not len(steps):
        return np.zeros(len(time_s), dtype=bool)
    return np.append(steps > max(SILENCE_S, SILENCE_STEPS * float(np.median(steps))), False)


def counted_steps_s(time_s: F64) -> F64:
    """(n,) s from the row before to each row, 0 for the first and across a silence: what charge is counted over."""
    silent = np.append(False, silent_after(time_s)[:-1]) if len(time_s) else np.zeros(0, dtype=bool)
    return np.where(silent, 0.0, np.diff(time_s, prepend=time_s[:1]))


def charge_moved_ah(time_s: F64, current_a: NDArray[Any]) -> F64:
    """(n,) Ah since the first row, charging positive, of currents (n,) A at times (n,) s."""
    amps = np.nan_to_num(current_a.astype(np.float64))
    middle = (amps + np.concatenate((amps[:1], amps[:-1]))) / 2.0
    return np.asarray(np.cumsum(middle * counted_steps_s(time_s)) / _S_PER_H)


def charge_or_label_ah(time_s: F64, current_a: NDArray[Any] | None, label_a: float | None) -> F64 | None:
    """The same at a charger: without a sensor by its label, in A; None where neither is known."""
    if current_a is None and label_a is None:
        return None
    return charge_moved_ah(time_s, np.full(len(time_s), label_a, np.float64) if current_a is None else current_a)


def charge_total_ah(time_s: F64, current_a: NDArray[Any]) -> float:
    """Ah moved over all of these rows; 0 where there are none."""
    moved = charge_moved_ah(time_s, current_a)
    return float(moved[-1]) if len(moved) else 0.0
