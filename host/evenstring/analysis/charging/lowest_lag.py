"""How far the lowest group lags where a charge ended on a flat curve: at least so much, by the charge that flowed.

On iron phosphate's plateau volts say nothing of charge. Time does: a group that now stands where the next lowest stood
some while ago lacks the charge that flowed since.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase
from evenstring.analysis.series.charge_moved import charge_or_label_ah
from evenstring.analysis.series.signals import Signals
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile

__all__ = ["lowest_lag_percent"]

_LEAST_ROWS = 20  # our choice
_END_S = 4.0  # averaged over, at the end: our choice
# Above the lowest one's end a group has left it, whatever the meter and most resistances: tuned on published cells
# (`withheld`)
_LEFT_V = 0.008


def lowest_lag_percent(
    signals: Signals, profile: PackProfile, charge: tuple[Phase, ...], inside: NDArray[np.int64]
) -> float | None:
    """Charge that flowed in a charge's rows since the next lowest group left where the lowest stands at its end.

    In percent of capacity; the lowest has not left the flat part yet, so it lags by as much or by more. None where
    volts tell it, or no current is known: the charger's label tells it until the voltage is held.
    """
    rows = inside[np.isfinite(signals.volts_v[inside]).all(axis=1)][:-1]  # the last may lie half in the rest after it
    if not CHEMISTRIES[profile.chemistry].judged_by_charge or len(rows) < _LEAST_ROWS:
        return None
    label_a = None if charge[-1].kind == "charge_cv" else profile.charger_current_a
    time_s, volts = signals.time_s[rows], signals.volts_v[rows].astype(np.float64)
    moved_ah = charge_or_label_ah(time_s, None if signals.current_a is None else signals.current_a[rows], label_a)
    if moved_ah is None:
        return None
    end = volts[time_s >= time_s[-1] - _END_S].mean(axis=0)
    lowest, following = np.argsort(end)[:2]
    stood = np.flatnonzero(volts[:, following] < end[lowest] + _LEFT_V)
    if not len(stood):
        return None
    return 100.0 * float(moved_ah[-1] - moved_ah[stood[-1]]) / profile.capacity_ah
