"""A session as a few hundred rows that say how each group departs, and how steep the pack's own OCV curve is there.

The median group gives curve and circuit (`weakness_curve`). The departure of a group is then, to first order,

    meter + dOCV/dSoC (charge - capacity x charge moved) + extra x sag of the median group + slow extra x its slow part,

with the charge moved as the surface of the particles has it: what leads there is the more, the less a group holds.
Bleeding at the top of a charge changes the groups' charges: rows are taken from one side of it only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.evidence.pack_ocv import SURFACE_S, TAUS_S, PackCurve, Place, filtered, fit_curve
from evenstring.analysis.series.arrays import median_group_v
from evenstring.analysis.series.charge_moved import charge_moved_ah, counted_steps_s, silent_after
from evenstring.ocv import OcvCurve, default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["Rows", "make_rows"]

F64 = NDArray[np.float64]

_ROW_S = 30.0  # length of a row: our choice
_MOST_ROWS = 360  # longer ones in long recordings: the cost grows with the cube: our choice
_TOP_V = 0.05  # below full: from here on groups may bleed: our choice
_BLEED_MARGIN_V = 0.03  # a board's own reading of the threshold: our choice
_LEAK_S = 6 * 3600.0  # across a longer gap leaks may have changed the charges: our choice
# The top of a charge: so near to full, at so little current; its SoC is known within: our choice
_NEAR_FULL_V, _HARDLY_C, _FULL_WITHIN = 0.06, 0.1, 0.03
_LABEL_WITHIN = 0.1  # relative, of the capacity given, and so of the charge moved: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """b rows; see the module for what they mean.

    Attributes:
        time_s, moved: (b,); moved is the charge since the start over the capacity.
        surface: (b,) the same with the lead that the surface of the particles has over their inside.
        sag_v, slow_v: (b,) what current makes of the median group's voltage, all of it and without what comes at once.
        slope_v, slope_u_v: (b,) dOCV/dSoC of the pack, V per 1.0 of SoC, and its standard uncertainty.
        curve: the pack's own.
        departure_v: (b, g) from the median group.
        depth: range of `moved`.
    """

    time_s: F64
    moved: F64
    surface: F64
    sag_v: F64
    slow_v: F64
    slope_v: F64
    slope_u_v: F64
    curve: PackCurve
    departure_v: F64
    depth: float

    def part(self, chosen: NDArray[np.bool_]) -> Rows:
        """Some of the rows, on the same curve."""
        each = ("time_s", "moved", "surface", "sag_v", "slow_v", "slope_v", "slope_u_v", "departure_v")
        return replace(self, **{name: getattr(self, name)[chosen] for name in each})


def make_rows(session: Session, profile: PackProfile) -> Rows | None:
    """Rows of a session with a current sensor; None when it is too short to say anything."""
    if session.current_a is None or session.duration_s < 10 * _ROW_S:
        return None
    t = session.time_s
    current = np.nan_to_num(session.current_a.astype(np.float64))
    median = median_group_v(session.volts_v)
    moved = charge_moved_ah(t, current) / profile.capacity_ah
    recorded = np.cumsum(counted_steps_s(t))
    width = max(_ROW_S, float(recorded[-1]) / _MOST_ROWS)
    begun = np.append(0, np.cumsum(silent_after(t)[:-1]))  # a silence ends a row
    row = np.floor(recorded / width) + begun * len(t)
    first = np.flatnonzero(np.diff(row, prepend=-1.0) > 0)
    count = np.diff(np.append(first, len(t)))
    departure = session.volts_v - median[:, None]
    departure[np.isnan(departure)] = 0.0
    time_b, amps, q, v = (np.add.reduceat(x.astype(np.float64), first) / count for x in (t, current, moved, median))
    lags = filtered(t, current, (*TAUS_S, SURFACE_S))
    d, lag = (np.add.reduceat(x, first, axis=0, dtype=np.float64) / count[:, None] for x in (departure, lags))
    use = _longest_way(time_b, amps, v + d.max(axis=1), q, profile) & np.isfinite(v)
    if use.sum() < 8:
        return None
    through = np.column_stack([amps, lag[:, :-1]])[use]
    lead = lag[use, -1] / (3600.0 * profile.capacity_ah)
    curve = default_curve(profile.chemistry)
    full = _full(curve, amps, q, v, profile)
    found = fit_curve(curve, time_b[use], q[use], lead, v[use], through, full)
    if found is None:
        return None
    surface = q[use] + found.diffusion_s * lead
    slow = through[:, 1:] @ found.ohm[1:]
    return Rows(
        time_b[use], q[use], surface, through[:, 0] * found.ohm[0] + slow, slow, found.slope_at(surface),
        found.slope_u(surface), found, d[use], float(np.ptp(q[use])),
    )  # fmt: skip


def _full(curve: OcvCurve, amps: F64, moved: F64, median_v: F64, profile: PackProfile) -> Place | None:
    """The top of a charge, once hardly any current flows: there the median group is at the SoC of its voltage.

    A curve that is not the cells' own may be read at a wrong place all along the way up; at the top all agree.
    """
    there = (median_v > profile.full_v - _NEAR_FULL_V) & (np.abs(amps) < _HARDLY_C * profile.capacity_ah)
    if not there.any():
        return None
    k = np.flatnonzero(there)[np.argmax(moved[there])]
    within = _FULL_WITHIN + _LABEL_WITHIN * float(np.ptp(moved))
    return Place(float(moved[k]), float(curve.soc(float(median_v[k]))), within)


def _longest_way(time_s: F64, amps: F64, highest_v: F64, moved: F64, profile: PackProfile) -> NDArray[np.bool_]:
    """The stretch with neither bleeding nor a long gap in which most charge was moved."""
    from_v = min(profile.full_v - _TOP_V, profile.threshold_v - _BLEED_MARGIN_V)
    charging = amps > profile.capacity_ah / 100.0
    lasts = charging & np.roll(charging, -1) & np.roll(charging, -2)  # a moment of braking is no charge
    top = lasts & (highest_v > from_v)
    stretch, count, at_top = np.zeros(len(amps), np.int64), 0, False
    for k in range(len(amps)):
        was, at_top = at_top, bool(top[k]) or (at_top and bool(charging[k] or highest_v[k] > from_v))
        count += (was and not at_top) or (k > 0 and time_s[k] - time_s[k - 1] > _LEAK_S)
        stretch[k] = -1 if at_top else count
    depths = [float(np.ptp(moved[stretch == n])) if (stretch == n).any() else -1.0 for n in range(count + 1)]
    return np.asarray(stretch == int(np.argmax(depths)))
