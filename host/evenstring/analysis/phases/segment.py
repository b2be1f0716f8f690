"""Rest, ride and charge: what happened when.

With a current sensor the current decides (here); without one the voltage does (`phases_blind`). A rest needs five
minutes without current; a shorter pause belongs to the ride round it, else it is `unknown`. A pack that the charger
still holds is in its constant-voltage part however small the current has become: rest comes after that.
Boundaries lie midway between the last row of one phase and the first of the next.
"""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.phases.by_voltage import labels_from_voltage
from evenstring.analysis.phases.cv_by_current import rows_until_held, rows_while_low_rise
from evenstring.analysis.results import Phase, PhaseKind
from evenstring.analysis.series.arrays import rolling_mean, rolling_median, runs_of, white_noise
from evenstring.analysis.series.rest import REST_S, rest_current_a
from evenstring.analysis.series.signals import Signals, make_signals
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["find_phases", "phases_of"]

F64 = NDArray[np.float64]
_CHARGE_S = 90.0  # a positive current shorter than this is regeneration: our choice
_BRAKING_S = 300.0  # of charging next to a ride, up to which it is a long descent: our choice
_BRIDGE_S = 20.0  # pauses within a charge or a ride that are no change of phase: our choice
# A group's mean further below the plateau than this is no longer held: tuned on own sessions under 300,000
_HELD_V = 3e-3
_HELD_A = 5e-3  # and the charger gives at least this: tuned on own sessions under 300,000
# Of the sensor's noise, beside what counts as rest, and at most so many times that: our choice
_RESTLESS, _QUIET_MOST = 2.0, 2.0
_FLOWS_S, _TRICKLE_S = 10.0, 300.0  # means of a small current, and of one that is nearly none: our choice
_PLATEAU_S = 300.0  # at most, at the end of a charge, by which it is known what is held: our choice
_STANDS_OUT = 1.5  # times what counts as rest: a charge that moves no voltage is one from here on: our choice
_REST, _RIDE, _CC, _CV, _UNKNOWN = "rest", "ride", "charge_cc", "charge_cv", "unknown"
_AWAY_ROWS = 2000  # away from a charge, where the sensor's zero is read: our choice


def find_phases(session: Session, profile: PackProfile) -> tuple[Phase, ...]:
    """Phases that cover the session without overlap, in order."""
    return phases_of(make_signals(session), profile) if session.scans >= 2 else ()


def phases_of(signals: Signals, profile: PackProfile) -> tuple[Phase, ...]:
    """The same from series already made."""
    if len(signals.time_s) < 2:
        return ()
    if signals.current_a is None:
        labels = labels_from_voltage(signals)
    else:
        labels = _labels_from_current(signals, signals.current_a, rest_current_a(profile))
    return _joined(signals, _no_short_rest(signals.time_s, _no_braking(signals.time_s, labels)))


def _labels_from_current(signals: Signals, amps: F64, quiet: float) -> NDArray[np.str_]:
    t = signals.time_s
    near = (
        rolling_median(amps, 5, "edge") if signals.step_s < 5.0 else amps
    )  # noise must not chop a rest; edges stay where they are
    # Nor may a sensor that is restless by itself make charges and rides of a rest.
    quiet = min(quiet + _RESTLESS * white_noise(amps), _QUIET_MOST * quiet)
    labels = np.full(len(t), _RIDE, dtype="U9")
    labels[np.abs(near) <= quiet] = _REST
    charges = _charges(signals, near, quiet)
    for first, last in charges:
        held = first + rows_until_held(signals, amps, first, last)
        # Without a constant-voltage part nothing is held after it: a level that has not fallen yet is no plateau.
        end = last if held >= last else _held_until(signals, amps - _zero_a(near, quiet, first, last), first, last)
        labels[first:end] = _CC
        labels[held:end] = _CV
    return _drop_blips(t, labels, signals.step_s)


def _charges(signals: Signals, near: F64, quiet: float) -> list[tuple[int, int]]:
    """Stretches of charging: positive current that lasts, short pauses bridged, no discharge inside.

    Where the voltage stays held the charger is still there: its current may fall below what can be told from none.
    """
    t, level, step_s = signals.time_s, signals.level_v, signals.step_s
    positive, negative = near > quiet, near < -quiet
    joined: list[list[int]] = []
    for first, last in runs_of(positive):
        pause_s = t[first] - t[joined[-1][1] - 1] if joined else np.inf
        if pause_s < REST_S:
            before = joined[-1][1]
            held = bool(np.ptp(level[before - 1 : first + 1]) < _HELD_V)
            short = pause_s <= max(_BRIDGE_S, 2 * step_s)
            if (short or held) and not negative[before:first].any():
                joined[-1][1] = last
                continue
        joined.append([first, last])
    long = [(a, b) for a, b in joined if t[b - 1] - t[a] + step_s >= min(_CHARGE_S, 3 * max(step_s, 30.0))]
    # A current that hardly stands out and moves no voltage is the sensor's zero, not a charger.
    return [(a, b) for a, b in long if float(np.mean(near[a:b])) > _STANDS_OUT * quiet or np.ptp(level[a:b]) > _HELD_V]


def _held_until(signals: Signals, amps: F64, first: int, last: int) -> int:
    """The charge goes on while its voltage is held and some current flows, be it ever so small.

    What is nearly none is looked for in longer means, where the voltage is held to the end of the recording; what is
    less than the sensor shows, by the groups that it lifts.
    """
    t, level = signals.time_s, signals.level_v
    if last >= len(t):
        return last
    plateau = float(np.median(level[max(first, last - int(np.clip(_PLATEAU_S / signals.step_s, 3, 30))) : last]))
    after = slice(last, min(len(t), last + 200_000))
    held = (np.abs(level[after] - plateau) < _HELD_V) & ~signals.gap_after[after]
    noise_a = white_noise(amps[first:last])
    for mean_s in (_TRICKLE_S, _FLOWS_S):
        width = max(1, round(mean_s / signals.step_s))
        going = held & (rolling_mean(amps[after], width) > max(_HELD_A, 3 * noise_a / np.sqrt(width)))
        if going.all():
            break
    ends = np.flatnonzero(~going)
    return last + max(int(ends[0]) if len(ends) else len(going), rows_while_low_rise(signals, last, held))


def _zero_a(amps: F64, quiet: float, first: int, last: int) -> float:
    """What the sensor shows without current: the median of quiet rows away from this charge."""
    rest = np.concatenate([amps[:first], amps[last + _AWAY_ROWS :]])
    rest = rest[np.abs(rest) <= quiet]
    return float(np.median(rest)) if len(rest) >= 100 else 0.0


def _drop_blips(t: F64, labels: NDArray[np.str_], step_s: float) -> NDArray[np.str_]:
    """A single stray row of current inside a rest is the sensor's noise."""
    for first, last in runs_of(labels == _RIDE):
        if last - first <= 2 and step_s <= 5.0 and first > 0 and last < len(labels):
            around = (labels[first - 1], labels[last])
            if around == (_REST, _REST) and t[last] - t[first - 1] < 5 * step_s:
                labels[first:last] = _REST
    return labels


def _no_braking(t: F64, labels: NDArray[np.str_]) -> NDArray[np.str_]:
    """A few minutes of charging next to a ride, with no rest between, are a descent: nobody plugs in that quickly."""
    out = labels.copy()
    for first, last in runs_of((labels == _CC) | (labels == _CV)):
        beside = (first > 0 and labels[first - 1] == _RIDE) or (last < len(labels) and labels[last] == _RIDE)
        if beside and t[last - 1] - t[first] < _BRAKING_S:
            out[first:last] = _RIDE
    return out


def _no_short_rest(t: F64, labels: NDArray[np.str_]) -> NDArray[np.str_]:
    """A pause shorter than a rest belongs to the ride round it, else it is unknown."""
    out = labels.copy()
    step = float(np.median(np.diff(t)))
    for first, last in runs_of(labels == _REST):
        if t[min(last, len(t) - 1)] - t[first] + step < REST_S:
            around = {labels[first - 1] if first else "", labels[last] if last < len(labels) else ""}
            inside_ride = around == {_RIDE} or (around == {_RIDE, ""} and len(labels) > last - first)
            out[first:last] = _RIDE if inside_ride else _UNKNOWN
    return out


def _joined(signals: Signals, labels: NDArray[np.str_]) -> tuple[Phase, ...]:
    """Runs of one label; a long gap in the record is a phase of its own, in which nothing is known."""
    t, gap = signals.time_s, signals.gap_after
    edges = np.flatnonzero((labels[1:] != labels[:-1]) | gap[:-1])
    found: list[Phase] = []
    start = float(t[0])
    for k in edges.tolist():
        label = str(labels[k])
        if gap[k]:
            found.append(_phase(label, start, float(t[k])))
            found.append(Phase("unknown", float(t[k]), float(t[k + 1]), "gap in the recording"))
            start = float(t[k + 1])
        else:
            middle = float(t[k] + t[k + 1]) / 2
            found.append(_phase(label, start, middle))
            start = middle
    found.append(_phase(str(labels[-1]), start, float(t[-1])))
    return tuple(p for p in found if p.end_s > p.start_s)


def _phase(label: str, start_s: float, end_s: float) -> Phase:
    return Phase(cast("PhaseKind", label), start_s, end_s, "pause too short for a rest" if label == _UNKNOWN else "")
