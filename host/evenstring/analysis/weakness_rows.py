"""A session as a few hundred rows that say how each group departs, and how steep the pack's own OCV curve is there.

Method: equivalent circuit (G. Plett, Battery Management Systems, Vol. I, 2015). The median group's voltage is
OCV(SoC) + R I + R_slow I_slow; a smooth correction to the profile's OCV curve is fitted with it, so that an aged or
other curve is followed. The departure of a group is then, to first order,

    meter + dOCV/dSoC (charge - capacity x charge moved) + dR I + dR_slow I_slow.

Rows after the top of a charge are left out: bleeding has changed the groups' charges from there on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.arrays import median_group_v
from evenstring.ocv import OcvCurve, default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["Rows", "fast_resistance", "make_rows"]

F64 = NDArray[np.float64]

_ROW_S = 30.0
_MOST_ROWS = 360
_SLOW_S = 900.0  # time constant of the slow part of the resistance
_SURFACE_S = 150.0  # how fast the lead of the surface builds up
_DIFFUSION_S = (0.0, 150.0, 300.0, 450.0)  # lead over the rate of change; which one fits is found out
_KNOT = 0.04  # of SoC, between knots of the correction to the curve
_SLOPE_SHARE, _SLOPE_LEAST_V = 0.03, 0.05  # uncertainty of the slope, V per 1.0 of SoC
_SLOPE_END_V, _SLOPE_END = 0.25, 0.02  # at the ends, and how fast (in SoC) it falls: both found on tuning seeds
_PLACE, _BEND_SHARE = 0.03, 1.0  # uncertainty of the place, and how much of the change over it counts
_TOP_V = 0.05  # below full: from here on groups may bleed
_ROW_ERROR_V = 0.004  # what the circuit leaves unexplained in a row of the median group
_CURVE_V, _SLOPE_V, _BEND_V = 0.05, 0.004, 0.0015  # how far the correction, its slope and bend per knot may go


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """b rows; see the module for what they mean.

    Attributes:
        time_s, current_a, slow_a, moved: (b,); moved is the charge since the start over the capacity.
        surface: (b,) the same with the lead that the surface of the particles has over their inside.
        slope_v, slope_u_v: (b,) dOCV/dSoC of the pack, V per 1.0 of SoC, and its standard uncertainty.
        slope_at: the slope for other values of `surface`.
        departure_v: (b, g) from the median group.
        r_ohm: resistance of the median group over half a minute, 0 when it could not be fitted.
        soc0: SoC of the median group at the start, by the profile's curve.
        depth: range of `moved`.
    """

    time_s: F64
    current_a: F64
    slow_a: F64
    moved: F64
    surface: F64
    slope_v: F64
    slope_u_v: F64
    slope_at: Callable[[F64], F64]
    departure_v: F64
    r_ohm: float
    soc0: float
    depth: float
    level_v: F64


def make_rows(session: Session, profile: PackProfile) -> Rows | None:
    """Rows of a session with a current sensor; None when it is too short to say anything."""
    if session.current_a is None or session.duration_s < 10 * _ROW_S:
        return None
    t = session.time_s
    current = np.nan_to_num(session.current_a.astype(np.float64))
    median = median_group_v(session.volts_v)
    step_h = np.clip(np.diff(t, prepend=t[0]), 0.0, 60.0) / 3600.0
    # Trapezoids: a ride's current changes much between two scans.
    middle = (current + np.concatenate((current[:1], current[:-1]))) / 2
    moved = np.cumsum(middle * step_h) / profile.capacity_ah
    width = max(_ROW_S, session.duration_s / _MOST_ROWS)
    first = np.flatnonzero(np.diff(np.floor(t / width), prepend=-1.0) > 0)
    count = np.diff(np.append(first, len(t)))
    departure = np.nan_to_num(session.volts_v - median[:, None])
    time_b, amps, q, v = (np.add.reduceat(x.astype(np.float64), first) / count for x in (t, current, moved, median))
    d = np.add.reduceat(departure, first, axis=0, dtype=np.float64) / count[:, None]
    slow = _lagged(time_b, amps, _SLOW_S)
    use = _before_top(amps, v + d.max(axis=1), profile) & np.isfinite(v)
    if use.sum() < 8:
        return None
    lead = _lagged(time_b, amps, _SURFACE_S) / (3600.0 * profile.capacity_ah)
    curve = default_curve(profile.chemistry)
    fits = [_fit_curve(curve, (q + s * lead)[use], v[use], amps[use], slow[use]) for s in _DIFFUSION_S]
    known = [(f, s) for f, s in zip(fits, _DIFFUSION_S, strict=True) if f is not None]
    if not known:
        return None
    (_, soc0, slope_at, r_ohm), diffusion_s = min(known, key=lambda fit: fit[0][0])
    surface = (q + diffusion_s * lead)[use]
    slope = slope_at(surface)
    u = _slope_u(surface, slope_at)
    depth = float(np.ptp(q[use]))
    return Rows(
        time_b[use], amps[use], slow[use], q[use], surface, slope, u, slope_at, d[use], r_ohm, soc0, depth, v[use]
    )


def _slope_u(z: F64, slope_at: Callable[[F64], F64]) -> F64:
    """A few per cent; more where the curve bends, for the place on it is not known well; more yet at the ends."""
    from_end = np.minimum(z.max() - z, z - z.min())
    at_end = _SLOPE_END_V * np.exp(-from_end / _SLOPE_END)
    here, above, below = slope_at(z), slope_at(z + _PLACE), slope_at(z - _PLACE)
    bend = _BEND_SHARE * np.maximum(np.abs(above - here), np.abs(here - below))
    return np.asarray(np.sqrt((_SLOPE_SHARE * here) ** 2 + _SLOPE_LEAST_V**2 + at_end**2 + bend**2))


def _lagged(t: F64, amps: F64, tau_s: float) -> F64:
    out = np.zeros(len(t))
    state = 0.0
    keep = np.exp(-np.diff(t, prepend=t[0]) / tau_s)
    for k in range(len(t)):
        state = state * keep[k] + amps[k] * (1.0 - keep[k])
        out[k] = state
    return out


def _before_top(amps: F64, highest_v: F64, profile: PackProfile) -> NDArray[np.bool_]:
    charging = amps > 0.05
    lasts = charging & np.roll(charging, -1) & np.roll(charging, -2)  # a moment of braking is no charge
    top = lasts & (highest_v > profile.full_v - _TOP_V)
    return np.asarray(np.cumsum(top) == 0)


def _fit_curve(
    curve: OcvCurve, q: F64, v: F64, amps: F64, slow: F64
) -> tuple[float, float, Callable[[F64], F64], float] | None:
    """Sum of squares, SoC at the start, slope over `surface`, half-minute resistance; ridge on the correction."""
    knots = np.arange(q.min() - 0.75 * _KNOT, q.max() + 1.5 * _KNOT, _KNOT)
    hats = _hats(q, knots)
    n = len(knots)
    smooth = np.vstack([
        np.eye(n) * (_ROW_ERROR_V / _CURVE_V),
        np.diff(np.eye(n), 1, axis=0) * (_ROW_ERROR_V / _SLOPE_V),
        np.diff(np.eye(n), 2, axis=0) * (_ROW_ERROR_V / _BEND_V),
    ])  # fmt: skip
    design = np.vstack([np.column_stack([amps, slow, hats]), np.column_stack([np.zeros((len(smooth), 2)), smooth])])
    best: tuple[float, float, F64] | None = None
    solve = np.linalg.pinv(design)
    for soc0 in np.arange(0.01, 1.0, 0.01):
        soc = soc0 + q
        if soc.max() > 1.05 or soc.min() < -0.05:
            continue
        target = np.concatenate([v - curve.voltage_v(np.clip(soc, 0.0, 1.0)), np.zeros(len(smooth))])
        found = solve @ target
        left = float(np.sum((target - design @ found) ** 2))
        left += 1e6 * (found[0] <= 0.0)  # no resistance is negative
        if best is None or left < best[0]:
            best = (left, float(soc0), found)
    if best is None:
        return None
    left, soc0, found = best

    def slope_at(moved: F64) -> F64:
        soc = np.clip(soc0 + moved, 0.01, 0.99)
        slope = (curve.voltage_v(soc + 0.01) - curve.voltage_v(soc - 0.01)) / 0.02
        slope = slope + (_hats(moved + 0.01, knots) - _hats(moved - 0.01, knots)) @ found[2:] / 0.02
        return np.asarray(np.maximum(slope, 0.02))

    return left, soc0, slope_at, max(float(found[0]), 0.0)


def _hats(x: F64, knots: F64) -> F64:
    return np.clip(1.0 - np.abs(x[:, None] - knots[None, :]) / _KNOT, 0.0, None)


def fast_resistance(session: Session) -> tuple[F64, F64] | None:
    """Resistance of each group from one scan to the next, at the group's own instants; ohm, with standard uncertainty.

    Step response dV/dI (G. Plett, Vol. I) over all changes at once by least squares. Each pass is taken for itself,
    with the current of that very reading: a mean over the scan would make a gradient where there is none.
    None without a sensor, or when the current hardly changed.
    """
    if session.current_a is None:
        return None
    top = np.zeros(session.groups)
    power = np.zeros(session.groups)
    half = 0.0 if session.out_back_v is None else 0.5 * session.out_back_v
    passes = [(session.volts_v + half, session.current_out_a), (session.volts_v - half, session.current_back_a)]
    rest = np.repeat(session.current_a[:, None], session.groups, axis=1) if session.current_out_a is None else None
    for volts, amps in passes if session.out_back_v is not None else passes[:1]:
        current = rest if amps is None else amps
        if current is None:
            continue
        dv, di = np.diff(volts, axis=0), np.diff(current, axis=0)
        known = np.isfinite(dv) & np.isfinite(di) & (np.abs(di) > 1.0) & (np.abs(dv) < 1.0)
        known &= (np.diff(session.time_s) < 5.0)[:, None]
        dv, di = np.where(known, dv, 0), np.where(known, di, 0)
        top += np.sum(dv * di, axis=0, dtype=np.float64)
        power += np.sum(di * di, axis=0, dtype=np.float64)
    if power.min() < 100.0:  # A^2: a handful of real steps
        return None
    noise = 1.5 * (session.meter.noise_v or 0.0005) + 0.0003
    return top / power, np.sqrt(2.0) * noise / np.sqrt(power)
