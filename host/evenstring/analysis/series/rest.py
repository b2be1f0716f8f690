"""What counts as rest: one definition, for phases, events and the live view alike."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import rolling_mean
from evenstring.profile import PackProfile

__all__ = ["REST_S", "climbs", "rest_current_a"]

REST_S = 300.0  # the shortest rest; the report's glossary says so too: our choice
_REST_C = 1.0 / 200.0  # C rate: well below the done light of a charger (about C/50), whose tail is no rest: our choice
_REST_MOST_A = 0.1  # and never more: small bleeders alone draw as much: our choice
_CLIMB_V, _SMOOTH_S = 10e-3, 60.0  # of means over a minute: more than bleeders that switch off give back: our choice


def rest_current_a(profile: PackProfile) -> float:
    """The largest current, A, that still counts as rest: the smaller of C/200 and 0.1 A."""
    return min(profile.capacity_ah * _REST_C, _REST_MOST_A)


def climbs(level_v: NDArray[np.float64], step_s: float, noise_v: float) -> bool:
    """Whether the level (m,) V climbs well above an earlier one: behind a charge a pack left alone only settles."""
    width = max(1, round(_SMOOTH_S / step_s))
    smooth = rolling_mean(level_v, width)[width // 2 : len(level_v) - width // 2]
    climb = smooth - np.minimum.accumulate(smooth)
    return bool(len(climb) and climb.max() > _CLIMB_V + 6 * noise_v / width**0.5)
