"""Rest, ride and charge: what happened when. First cut, with and without a current sensor.

With a sensor the current decides: charging is a positive current that lasts; the constant-voltage part begins when it
has left its plateau for good. Without one the median group's voltage decides: noise beyond the meter's own is a ride,
a steady rise is constant-current charging, a flat top after it is constant-voltage charging, and a rest is flat.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.arrays import median_group_v, rolling_mean, runs_of
from evenstring.analysis.model import Phase
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["find_phases", "rest_current_a"]

REST_S = 300.0  # the shortest rest, by definition
_CHARGE_S = 60.0  # a positive current shorter than this is regeneration
_BRIDGE_S = 20.0  # pauses within a charge
_LEFT_PLATEAU = 0.99  # of the constant current
_REST, _RIDE, _CC, _CV, _UNKNOWN = "rest", "ride", "charge_cc", "charge_cv", "unknown"


def rest_current_a(profile: PackProfile) -> float:
    """The largest current that still counts as rest: the smaller of C/200 and 0.1 A."""
    return min(profile.capacity_ah / 200.0, 0.1)


def find_phases(session: Session, profile: PackProfile) -> tuple[Phase, ...]:
    """Phases that cover the session without overlap, in order."""
    if session.scans < 2:
        return ()
    labels = _from_current(session, profile) if session.has_current else _from_voltage(session)
    return _joined(session.time_s, _no_short_rest(session.time_s, labels))


def _from_current(session: Session, profile: PackProfile) -> NDArray[np.str_]:
    assert session.current_a is not None  # noqa: S101  # the caller looked at has_current
    amps = np.nan_to_num(session.current_a.astype(np.float64))
    t = session.time_s
    quiet = rest_current_a(profile)
    labels = np.full(len(t), _RIDE, dtype="U9")
    labels[np.abs(amps) <= quiet] = _REST
    for first, last in _charges(t, amps > quiet):
        labels[first:last] = _CC
        turn = _leaves_plateau(amps[first:last])
        labels[first + turn : last] = _CV
    return labels


def _charges(t: NDArray[np.float64], positive: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Stretches of charging: positive current, short pauses bridged, at least a minute long."""
    joined: list[list[int]] = []
    for first, last in runs_of(positive):
        if joined and t[first] - t[joined[-1][1] - 1] <= _BRIDGE_S:
            joined[-1][1] = last
        else:
            joined.append([first, last])
    kept = []
    for first, last in joined:
        long = t[last - 1] - t[first] >= _CHARGE_S
        if long and positive[first:last].mean() > 0.9:
            kept.append((first, last))
    return kept


def _leaves_plateau(amps: NDArray[np.float64]) -> int:
    """Index at which the current has left its constant part for good; len(amps) when it never does."""
    plateau = float(np.percentile(amps, 95)) if len(amps) < 20 else float(np.median(amps[amps > 0.9 * amps.max()]))
    below = amps < _LEFT_PLATEAU * plateau
    if not below[-1]:
        return len(amps)
    above = np.flatnonzero(~below)
    return int(above[-1]) + 1 if len(above) else 0


def _from_voltage(session: Session) -> NDArray[np.str_]:
    v = median_group_v(session.volts_v).astype(np.float64)
    t = session.time_s
    interval = float(np.median(np.diff(t)))
    width = max(5, round(60.0 / max(interval, 1e-3)) | 1)
    smooth = rolling_mean(v, width)
    jitter = np.sqrt(rolling_mean((v - rolling_mean(v, max(3, round(10.0 / max(interval, 1e-3)) | 1))) ** 2, width))
    noise = max(session.meter.noise_v or 0.0, session.meter.resolution_v / np.sqrt(12))
    slope = np.gradient(smooth, t) * 3600.0  # V/h
    labels = np.full(len(t), _UNKNOWN, dtype="U9")
    labels[np.abs(slope) < 0.02] = _REST
    labels[slope >= 0.02] = _CC
    labels[jitter > 4.0 * noise + 1e-3] = _RIDE
    return _held_tops(t, smooth, labels)


def _held_tops(t: NDArray[np.float64], smooth: NDArray[np.float64], labels: NDArray[np.str_]) -> NDArray[np.str_]:
    """A flat stretch that follows a rise at its very top is a held plateau, not a rest: a rest falls away."""
    for first, last in runs_of(labels == _REST):
        after_rise = first > 0 and labels[first - 1] == _CC
        if after_rise and t[last - 1] - t[first] >= 60.0:
            top = float(np.nanmax(smooth[first:last]))
            held = smooth[first:last] > top - 1.5e-3
            end = first + (int(np.argmin(held)) if not held.all() else len(held))
            if t[end - 1] - t[first] >= 120.0:
                labels[first:end] = _CV
    return labels


def _no_short_rest(t: NDArray[np.float64], labels: NDArray[np.str_]) -> NDArray[np.str_]:
    """A pause shorter than a rest belongs to the ride round it, else it is unknown."""
    out = labels.copy()
    for first, last in runs_of(labels == _REST):
        if t[min(last, len(t) - 1)] - t[first] < REST_S:
            before = labels[first - 1] if first else ""
            after = labels[last] if last < len(labels) else ""
            out[first:last] = _RIDE if _RIDE in (before, after) else _UNKNOWN
    return out


def _joined(t: NDArray[np.float64], labels: NDArray[np.str_]) -> tuple[Phase, ...]:
    edges = [0, *(np.flatnonzero(labels[1:] != labels[:-1]) + 1).tolist(), len(labels) - 1]
    return tuple(Phase(str(labels[a]), float(t[a]), float(t[b])) for a, b in pairwise(edges) if b > a)
