"""What the string's unevenness costs, and what mending it would give back: usable charge now, balanced, one replaced.

A string is full when its first group is full and empty when its first group is empty. With a group's gap in charge and
its capacity from the evidence, the charge between those two moments follows by counting; balanced at the top all groups
are full together, and the smallest capacity is what can be used (D. Andrea, Battery Management Systems for Large
Lithium-Ion Battery Packs, Artech House 2010, on what balancing can and cannot give back). Intervals from draws of the
evidence (JCGM 101:2008). Voltage under load is not in it: that is the reserve's.

Room for braking is the same from above: the state of charge below which this ride's strongest braking keeps every group
under its ceiling.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.estimates import CAPACITY, CHARGE, RESISTANCE, Evidence
from evenstring.analysis.results import Bench, BrakingRoom, Estimate, Phase, Repair, Unknown, Usable
from evenstring.analysis.riding.reserve import ACCELERATION_S, ride_load, soc_at_start
from evenstring.analysis.series.arrays import rolling_mean
from evenstring.analysis.series.rows_of_phase import rows_in, rows_of_kind
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["bench_hours", "find_room", "find_usable"]

F64 = NDArray[np.float64]

_DRAWS = 400  # of the evidence: our choice
_MOST_U_CAPACITY, _MOST_U_CHARGE = 3.0, 2.0  # %: with more, the answer would be noise: our choice
# Of a capacity's departure: how far the curve and the place on it stretch it: tuned on own packs under 100,000
_SCALE = 0.15
_WORTH_IT = 0.005  # of the capacity: production scatter, which nobody mends: our choice
_BENCH_A = 1.0  # of a bench supply or load, where nobody says: our choice
_LEAST_DEPTH = 0.2  # of the capacity moved: our choice
_STRONG_A, _STRONG_S = 1.0, ACCELERATION_S  # braking from here on, and for so long: our choice
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
    covariance = evidence.covariance + 1e-9 * np.eye(4)
    covariance[:, CAPACITY, CAPACITY] += (_SCALE * evidence.size[:, CAPACITY]) ** 2
    lower = np.linalg.cholesky(covariance)
    draws = []
    for _ in range(_DRAWS):
        size = evidence.size + np.einsum("gij,gj->gi", lower, rng.standard_normal(evidence.size.shape))
        draws.append(_shares(0.01 * size[:, CHARGE], 1.0 + 0.01 * size[:, CAPACITY], evidence.soc0)[0])
    # A minimum over noisy groups lies too low. By how much shows in the draws, which are noisier once more.
    values = np.array(draws)
    bias = np.median(values, axis=0) - best
    best = np.maximum(best - bias, 0.0)
    low, high = np.maximum(np.quantile(values - 2.0 * bias, _Z90, axis=0), 0.0)
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


def bench_hours(repair: tuple[Repair, ...], profile: PackProfile) -> Bench | None:
    """How long a bench supply or load takes for each group whose gap is beyond its uncertainty."""
    amps = profile.repair_a or _BENCH_A
    clear = [r for r in repair if r.low_ah * r.high_ah > 0 and abs(r.add_ah) > _WORTH_IT * profile.capacity_ah]
    clear.sort(key=lambda r: -abs(r.add_ah))
    hours = tuple((r.group, round(abs(r.add_ah) / amps, 2)) for r in clear)
    return Bench(amps, profile.repair_a is not None, hours) if repair else None


def find_room(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...], evidence: Evidence | None
) -> tuple[BrakingRoom | None, Unknown | None]:
    """How full the string may be before this ride's strongest braking lifts a group to its ceiling."""
    record = "a ride with braking and a charge, with the current sensor"
    load = None if session.current_a is None else ride_load(session, rows_of_kind(session.time_s, phases, "ride"))
    if evidence is None or session.current_a is None or load is None:
        return None, Unknown("room_for_braking", "braking current and resistance are not known", record)
    amps = 0.0
    for p in phases:
        if p.kind == "ride":
            inside = rows_in(session.time_s, p)
            t = session.time_s[inside]
            if len(t) > 10:
                width = max(1, round(_STRONG_S / max(float(np.median(np.diff(t))), 1e-3)))
                amps = max(amps, float(np.max(rolling_mean(np.nan_to_num(session.current_a[inside]), width))))
    if amps < _STRONG_A:
        return None, Unknown("room_for_braking", "no braking current to speak of was recorded", record)
    anchor = soc_at_start(session, profile, phases, evidence)
    if anchor is None:
        return None, Unknown("room_for_braking", "the state of charge has no anchor in this recording", record)
    soc0, u_soc, _ = anchor
    curve = default_curve(profile.chemistry)
    rng = np.random.default_rng(4)
    lower = np.linalg.cholesky(evidence.covariance + 1e-9 * np.eye(4))
    grid = np.linspace(0.5, 1.0, 251)
    limits = np.zeros((_DRAWS // 2 + 1, session.groups))
    for k in range(len(limits)):
        size = evidence.size
        if k:
            size = size + np.einsum("gij,gj->gi", lower, rng.standard_normal(size.shape))
        gap = 0.01 * (size[:, CHARGE] - size[:, CAPACITY] * (grid[:, None] - soc0))
        volts = curve.voltage_v(grid[:, None] + gap) + amps * load.step_ohm[0] * (1.0 + 0.01 * size[:, RESISTANCE])
        reached = volts > profile.ceiling_v
        limits[k] = np.where(reached.any(axis=0), grid[np.maximum(reached.argmax(axis=0) - 1, 0)], 1.0)
        limits[k] += u_soc * rng.standard_normal() if k else 0.0
    group = int(np.argmin(limits[0]))
    best = float(limits[0, group])
    low, high = np.quantile(limits[1:].min(axis=1), _Z90)
    at = 0.01 * (evidence.size[:, CHARGE] - evidence.size[:, CAPACITY] * (best - soc0))
    return BrakingRoom(
        group=group + 1,
        regen_current_a=round(amps, 2),
        load_s=_STRONG_S,
        highest_soc=round(min(best, 1.0), 4),
        soc_low=round(float(np.clip(min(low, best), 0.0, 1.0)), 4),
        soc_high=round(float(np.clip(max(high, best), 0.0, 1.0)), 4),
        resting_pack_v=round(float(curve.voltage_v(best + at).sum()), 2),
    ), None
