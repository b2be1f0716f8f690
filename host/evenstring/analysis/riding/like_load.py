"""Which of several strings sags most under a like load: in five seconds of one current, or at the same instants.

With a current of each string its median group's step response is taken (`series/resistance.py`) and asked for the same
current: the hardest that every one of them saw. Without, only what they did at one time can be compared: how far the
mean group falls within five seconds, the hardest twentieth of it. Strings joined at their terminals then sag alike
whatever their cells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase, Unknown
from evenstring.analysis.riding.reserve import ACCELERATION_S, ride_load
from evenstring.analysis.series.rows_of_phase import rows_of_kind
from evenstring.analysis.series.signals import make_signals
from evenstring.session import Session

__all__ = ["LikeLoad", "Ridden", "find_like_load"]

F64 = NDArray[np.float64]
_HARD = 0.95  # quantile of the falls that is called hard: our choice
_LEAST_V = 0.015  # a fall that is no load: our choice
_LEAST_S = 300  # ridden at one time: our choice
_ALIKE = 0.5  # correlation of the falls, clocks that are a second or two apart included, for one load: our choice
_BLOCKS = 8  # from whose scatter the uncertainty comes: our choice
_LEAST_U = 0.03  # of a sag, as with a current: strings that differ by a few per cent are alike: our choice
_SURE = 2.0  # standard uncertainties of the difference; common practice


@dataclass(frozen=True, slots=True, eq=False)
class Ridden:
    """A string's session and what phases it has."""

    session: Session
    phases: tuple[Phase, ...]


@dataclass(frozen=True, slots=True)
class LikeLoad:
    """Sag of one group of each string in `load_s` of the load, with standard uncertainty, mV.

    current_a: of the load, discharge positive; None: whatever flowed at the same instants. most: place of the string
    that sags most; None where they differ by no more than they are uncertain.
    """

    sag_mv: tuple[float, ...]
    u_mv: tuple[float, ...]
    current_a: float | None
    load_s: float = ACCELERATION_S

    @property
    def most(self) -> int | None:
        """Place of the string that sags most, where that is sure."""
        by_sag = sorted(range(len(self.sag_mv)), key=lambda k: -self.sag_mv[k])
        first, second = by_sag[0], by_sag[1]
        u = float(np.hypot(self.u_mv[first], self.u_mv[second]))
        return first if self.sag_mv[first] - self.sag_mv[second] > _SURE * u else None


def find_like_load(strings: Sequence[Ridden]) -> LikeLoad | Unknown:
    """By the current where each string has one, else by what they did at one time."""
    loads = [
        ride_load(s.session, rows_of_kind(s.session.time_s, s.phases, "ride")) for s in strings if s.session.has_current
    ]
    known = [load for load in loads if load is not None]
    if len(known) == len(strings):
        current_a = min(load.peak_a for load in known)
        sag_mv = tuple(1e3 * load.step_ohm[0] * current_a for load in known)
        return LikeLoad(sag_mv, tuple(s * load.u_share for s, load in zip(sag_mv, known, strict=True)), current_a)
    return _at_one_time(strings)


def _at_one_time(strings: Sequence[Ridden]) -> LikeLoad | Unknown:
    record = "a ride of all strings at one time, best with a current sensor on each"
    falls_v = _falls(strings)
    if falls_v is None or len(falls_v) < _LEAST_S:
        why = "not every string has a current sensor, and they were not ridden at one time"
        return Unknown("like_load", why, record)
    hard_v = np.quantile(falls_v, _HARD, axis=0)
    together = np.corrcoef(falls_v, rowvar=False)
    if hard_v.min() < _LEAST_V or together.min() < _ALIKE:
        why = "without a current sensor on each, the strings show no load in common"
        return Unknown("like_load", why, record)
    blocks = np.array([np.quantile(b, _HARD, axis=0) / hard_v.mean() for b in np.array_split(falls_v, _BLOCKS)])
    apart = blocks / blocks.mean(axis=1, keepdims=True)  # what moves all alike makes none of them sag most
    u_v = np.hypot(apart.std(axis=0, ddof=1) / np.sqrt(_BLOCKS), _LEAST_U) * hard_v
    return LikeLoad(tuple((1e3 * hard_v).tolist()), tuple((1e3 * u_v).tolist()), None)


def _falls(strings: Sequence[Ridden]) -> F64 | None:
    """(n, strings) fall of the mean group within five seconds, V, at the seconds in which all ride; None: no clock."""
    starts = [s.session.start for s in strings]
    known = [start for start in starts if start is not None]
    if len(known) < len(strings):
        return None
    shifts = [(start - known[0]) / timedelta(seconds=1) for start in known]
    first = max(shift + s.session.time_s[0] for shift, s in zip(shifts, strings, strict=True))
    last = min(shift + s.session.time_s[-1] for shift, s in zip(shifts, strings, strict=True))
    at_s = np.arange(np.ceil(first), last)
    columns = [_level(s, at_s - shift) for shift, s in zip(shifts, strings, strict=True)]
    level_v = np.column_stack(columns) if len(at_s) else np.empty((0, len(strings)))
    wide = round(ACCELERATION_S)
    falls = level_v[:-wide] - level_v[wide:]
    return np.asarray(falls[np.isfinite(falls).all(axis=1)])


def _level(string: Ridden, at_s: F64) -> F64:
    """Of the mean group at these instants, V; NaN where it does not ride or was not read just then."""
    signals = make_signals(string.session)
    row = np.searchsorted(signals.time_s, at_s).clip(0, len(signals.time_s) - 1)  # what lies between would blur steps
    near = np.abs(signals.time_s[row] - at_s) <= max(2.0 * signals.step_s, 2.0)
    return np.where(near & rows_of_kind(at_s, string.phases, "ride"), signals.level_v[row], np.nan)
