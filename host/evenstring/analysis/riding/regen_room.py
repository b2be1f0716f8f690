"""The state of charge below which this ride's strongest braking keeps every group under its ceiling.

A descent lasts: the strongest five seconds of braking are taken to go on for a minute, with the resistance that shows
by then. After five seconds alone the groups would have risen by a third less, and the room would be said too small.
"""

from __future__ import annotations

import numpy as np

from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, RESISTANCE, Evidence
from evenstring.analysis.results import BrakingRoom, Phase, Unknown
from evenstring.analysis.riding.reserve import ACCELERATION_S, HILL_S, ride_load, soc_at_start
from evenstring.analysis.series.arrays import rolling_mean
from evenstring.analysis.series.rows_of_phase import rows_in, rows_of_kind
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["find_room"]


_DRAWS = 400  # of the evidence: our choice
_STRONG_A, _STRONG_S = 1.0, ACCELERATION_S  # braking from here on, and for so long: our choice
_Z90 = (0.05, 0.95)  # quantiles: published (JCGM 101:2008, 7.7: a probabilistically symmetric 90 % interval)


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
        volts = curve.voltage_v(grid[:, None] + gap) + amps * load.step_ohm[1] * (1.0 + 0.01 * size[:, RESISTANCE])
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
        load_s=HILL_S,
        highest_soc=round(min(best, 1.0), 4),
        soc_low=round(float(np.clip(min(low, best), 0.0, 1.0)), 4),
        soc_high=round(float(np.clip(max(high, best), 0.0, 1.0)), 4),
        resting_pack_v=round(float(curve.voltage_v(best + at).sum()), 2),
    ), None
