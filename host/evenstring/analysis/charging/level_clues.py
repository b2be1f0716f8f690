"""What the string's level tells of a charger without a current sensor: its start, its taper, its going.

Steps are Ohm's: what a current makes goes with it. A held voltage lets the current die away, and what the leads take
of the charger's voltage dies with it.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase
from evenstring.analysis.series.arrays import rolling_mean
from evenstring.analysis.series.lines import line_through
from evenstring.analysis.series.rows_of_phase import between, rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile

__all__ = ["PLATEAU_S", "seen_for_s", "slowed_for_s", "start_jump_v", "stop_step_v"]

PLATEAU_S = 600.0  # a plateau held this long counts as full where no current tells: our choice
# Held for longer, a charge may have ended without a step to be seen: so few end within these times (simulated; of
# published NCA cells some do after 2,500 s). By charge: the curve is steep at its top, so the current dies away within
# minutes: tuned on own sessions under 300,000.
_SEEN_S, _SEEN_BY_CHARGE_S = 3900.0, 900.0
# The least light of a charger, of its charging current, and the noise of a row under which a step does not show: our
# choice
_LEAST_LIGHT, _SHOWS_U = 0.05, 5.0
_JUMP_S = 20.0  # after a charge began: our choice
_LATE = 0.75  # of a held voltage: from here on it stays: our choice
# Times the time constant of its beginning: a taper slows down as charge spreads within the cells. And the least step of
# minutes that is seen in a held level: tuned on cells of others
_SLOWER_TAPER, _STEP_SEEN_V = 1.5, 0.3e-3
_USUAL_S = 600.0  # time constant where leads do not show it: common practice
_LEAST_LEADS_V = 1e-3  # a smaller rise of a held level is no leads' drop: our choice
# Windows of the level's rise, how many are looked at, and the share of the quickest under which it has slowed down: our
# choice
_WINDOW_S, _WINDOWS, _SLOW = 120.0, 10, 0.5
_FEW_ROWS = 3  # of a window, and windows: our choice


def seen_for_s(signals: Signals, profile: PackProfile, span: tuple[Phase, ...]) -> float:
    """For how long of a held voltage its end would leave a step to be seen.

    The last current falls away with as large a part of the jump with which the charge began as it is of the first
    current (Ohm). How quickly it dies away shows in the level: what the leads take of the charger's voltage dies with
    it.
    """
    jump_v = start_jump_v(signals, span[0].start_s)
    if jump_v is not None and _LEAST_LIGHT * jump_v < _SHOWS_U * signals.noise_v:
        return PLATEAU_S
    if CHEMISTRIES[profile.chemistry].judged_by_charge:
        return _SEEN_BY_CHARGE_S
    if jump_v is None:
        return _SEEN_S
    tau_s = _dies_away_s(signals, span[-1]) or _USUAL_S
    return float(np.clip(_SLOWER_TAPER * tau_s * np.log(max(jump_v, _STEP_SEEN_V) / _STEP_SEEN_V), PLATEAU_S, _SEEN_S))


def start_jump_v(signals: Signals, start_s: float) -> float | None:
    """Of the level where a charge began; None where no rows are near enough."""
    t = signals.time_s
    before = signals.level_v[between(t, start_s - _JUMP_S - signals.step_s, start_s - signals.step_s / 2.0)]
    after = signals.level_v[between(t, start_s + _JUMP_S, start_s + 2.0 * _JUMP_S + signals.step_s)]
    return float(np.median(after) - np.median(before)) if len(before) and len(after) else None


def _dies_away_s(signals: Signals, held: Phase) -> float | None:
    """Time constant with which a held level rises to where it stays; None where it hardly rises."""
    inside = np.flatnonzero(rows_in(signals.time_s, held))
    since, level = signals.time_s[inside] - held.start_s, signals.level_v[inside]
    few = max(_FEW_ROWS, round(_JUMP_S / signals.step_s))
    if len(inside) < 4 * few:
        return None
    left = float(np.median(level[since > _LATE * since[-1]])) - rolling_mean(level, few)
    first = float(left[:few].mean())
    tau_s = float(since[np.argmax(left <= first / np.e)])
    return tau_s if first > max(_LEAST_LEADS_V, _SHOWS_U * signals.noise_v) and tau_s > 2.0 * _JUMP_S else None


def slowed_for_s(signals: Signals, inside: NDArray[np.int64]) -> float:
    """For how long, to its end, a level has risen at less than half of its quickest pace shortly before, s."""
    t = signals.time_s[inside]
    edges = np.searchsorted(t, t[-1] - _WINDOW_S * np.arange(_WINDOWS + 1))
    rows = [inside[a:b] for b, a in pairwise(edges) if b - a >= _FEW_ROWS]
    pace = np.array([line_through(signals.time_s[r], signals.level_v[r]).slope for r in rows])
    if len(pace) < _FEW_ROWS:
        return 0.0
    quick = np.flatnonzero(pace >= _SLOW * np.sort(pace)[-2])
    return _WINDOW_S * float(quick[0])


def stop_step_v(signals: Signals, inside: NDArray[np.int64]) -> float | None:
    """By which the level fell when a charge stopped; None at the end of the recording."""
    after = signals.level_v[inside[-1] + 2 : inside[-1] + 8]
    return float(signals.level_v[inside[-4:]].mean() - np.median(after)) if len(after) else None
