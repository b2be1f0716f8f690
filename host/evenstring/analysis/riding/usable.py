"""What the string's unevenness costs, and what mending it would give back: usable charge now, balanced, one replaced.

A string is full when its first group is full and empty when its first group is empty. With a group's gap in charge and
its capacity from the evidence, the charge between those two moments follows by counting; balanced at the top all groups
are full together, and the smallest capacity is what can be used (D. Andrea, Battery Management Systems for Large
Lithium-Ion Battery Packs, Artech House 2010, on what balancing can and cannot give back). Intervals from draws of the
evidence (JCGM 101:2008). Voltage under load is not in it: that is the reserve's.
"""

from __future__ import annotations

from itertools import islice

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, Evidence, sizes_drawn
from evenstring.analysis.results import Estimate, Unknown, Usable
from evenstring.profile import PackProfile

__all__ = ["find_usable"]

F64 = NDArray[np.float64]

_DRAWS = 400  # of the evidence: our choice
_MOST_U_CAPACITY, _MOST_U_CHARGE = 3.0, 2.0  # %: with more, the answer would be noise: our choice
_LEAST_DEPTH = 0.2  # of the capacity moved: our choice
_Z90 = (0.05, 0.95)  # quantiles: published (JCGM 101:2008, 7.7: a probabilistically symmetric 90 % interval)


def find_usable(evidence: Evidence | None, profile: PackProfile, with_ah: bool) -> tuple[Usable | None, Unknown | None]:
    """Usable charge of the string, or why it is not known."""
    record = "a ride below half, then a whole charge in one recording" + (
        "" if with_ah else ", with the current sensor"
    )
    if evidence is None:
        return None, Unknown("usable", "charge and capacity of the groups are not known", record)
    u = np.sqrt(np.median(np.einsum("gkk->gk", evidence.covariance), axis=0))
    if evidence.depth < _LEAST_DEPTH:
        return None, Unknown("usable", f"only {evidence.depth:.0%} of the capacity was moved", record)
    if u[CAPACITY] > _MOST_U_CAPACITY or u[CHARGE] > _MOST_U_CHARGE:
        why = f"the groups' capacities are known to {u[CAPACITY]:.1f} % and their charges to {u[CHARGE]:.1f} % only"
        return None, Unknown("usable", why, record)
    charge, capacity = 0.01 * evidence.size[:, CHARGE], 1.0 + 0.01 * evidence.size[:, CAPACITY]
    best, (top, bottom) = _shares(charge, capacity, evidence.soc0)
    rng = np.random.default_rng(3)  # the same recording gives the same interval
    draws = [
        _shares(0.01 * size[:, CHARGE], 1.0 + 0.01 * size[:, CAPACITY], evidence.soc0)[0]
        for size in islice(sizes_drawn(evidence, rng), _DRAWS)
    ]
    # A minimum over noisy groups lies too low. By how much shows in the draws, which are noisier once more.
    values = np.array(draws)
    bias = np.median(values, axis=0) - best
    best = np.maximum(best - bias, 0.0)
    best[:3] = np.maximum.accumulate(best[:3])  # mending takes nothing away
    best[3:] = np.diff(best[:3])
    low, high = np.maximum(np.quantile(values - 2.0 * bias, _Z90, axis=0), 0.0)
    low, high = np.minimum(low, best), np.maximum(high, best)
    now, balanced, replaced, by_balancing, by_replacing = (
        Estimate(round(float(b), 4), round(float(a), 4), round(float(c), 4))
        for b, a, c in zip(best, low, high, strict=True)
    )
    smallest = int(np.argmin(capacity)) + 1
    ah = profile.capacity_ah if with_ah else None
    return Usable(now, balanced, replaced, by_balancing, by_replacing, top + 1, bottom + 1, smallest, ah), None


def _shares(charge: F64, capacity: F64, soc0: float) -> tuple[F64, tuple[int, int]]:
    """Now, balanced, replaced, gain by balancing, by replacing after it; and who is full first, who empty."""
    to_full = (1.0 - soc0 - charge) * capacity
    to_empty = (soc0 + charge) * capacity
    now = float(to_full.min() + to_empty.min())
    balanced = float(capacity.min())
    replaced = float(np.sort(np.append(capacity, 1.0))[1])
    who = int(np.argmin(to_full)), int(np.argmin(to_empty))
    return np.array([now, balanced, replaced, balanced - now, replaced - balanced]), who
