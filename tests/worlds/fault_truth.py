"""What was true in a random session with a known fault, in the report's own terms."""

from __future__ import annotations

import numpy as np
from evenstring.sim.cells.string_step import resistance_scale

from tests.worlds.fault_sessions import CAUSES, STORE, Case

__all__ = ["true_departure", "true_reserve"]


def true_departure(case: Case, group: int, cause: str) -> float | None:
    """Departure of a group in the kind of a cause, as a weakness states it; None: no cause, or none that is known."""
    if case.kind == STORE:
        return float(case.truth[group - 1, 0]) if cause == "self_discharge" else None
    if cause not in CAUSES:
        return None
    truth = float(case.truth[group - 1, CAUSES.index(cause)])
    return -truth if cause == "low_capacity" else truth


def true_reserve(case: Case, amps: float) -> float:
    """SoC of the median group at which the first group falls below empty after five seconds of this current."""
    pack, z = case.pack, np.linspace(0.0, 0.7, 1401)
    middle, capacity = np.median(pack.soc0), np.median(pack.capacity_ah)
    grow = 1.0 + sum(
        share * -np.expm1(-5.0 / tau) for share, tau in ((pack.r1_share, pack.tau1_s), (pack.r2_share, pack.tau2_s))
    )
    limit = 0.0
    for k in range(pack.groups):
        own = pack.soc0[k] + (z - middle) * capacity / pack.capacity_ah[k]
        ohm = pack.r0_ohm[k] * resistance_scale(pack, own, np.full(len(z), 25.0)) * grow
        below = np.flatnonzero(pack.curve.voltage_v(own) - amps * ohm < case.profile.empty_v)
        limit = max(limit, float(z[below[-1]])) if len(below) else limit
    return limit
