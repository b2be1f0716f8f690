"""A second look at the same pack: what changed between the first and the last of several recordings.

Fade and growth of resistance compare the evidence of both recordings, group by group (`several.second_look`). A leak
needs a relaxed rest in both, two days or more apart, with nothing charged or ridden between: the string's level must
have stayed. What the monitor itself takes through its taps grows in a line along the string; such a line is fitted
robustly and taken off first, and said (Y. Barsukov, J. Qian, Battery Power Management for Portable Devices, 2013, on
telling self-discharge from what hangs on the pack).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.meter_patterns import course_line
from evenstring.analysis.causes.self_discharge import RestLook, drift_rates, named_leaks, rest_look, second_look
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.results import Change, GroupLeak, Leak, Look, SecondLook, Unknown
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["find_second_look"]

F64 = NDArray[np.float64]

_LEAST_DAYS = 2.0  # between two rests, or a leak is not told: our choice
_RELAXED_S = 1800.0  # a rest from which charge is read: common practice
_MEAN_S = 600.0  # averaged at a rest's end: our choice
_SAME_V = 0.010  # a level that moved by less stayed: our choice
_OWN_LOSS_PER_WEEK = 0.01  # of the capacity: our choice
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)
_LEAK_U = 0.1  # % a week, production scatter round the monitor's own line: common practice
_METER_V = 0.002  # what a meter moves between two recordings: our choice


def find_second_look(parts: Sequence[Session], profile: PackProfile) -> tuple[SecondLook | None, Unknown | None]:
    """Compare the first and the last recording, in the order of their start where all state one."""
    if len(parts) < 2:
        why = "leak and fade show between recordings, and this is one"
        return None, Unknown("second_look", why, "the same pack again after some weeks; give both files to one report")
    if len({p.groups for p in parts}) > 1 or not all(p.scans for p in parts):
        why = "the recordings are not of one string, or one of them is empty"
        return None, Unknown("second_look", why, "give recordings of one pack, each with scans in it")
    ordered = list(parts)
    if all(p.start is not None for p in parts):
        ordered.sort(key=lambda p: p.start.timestamp() if p.start else 0.0)
    early, late = ordered[0], ordered[-1]
    rests = (_rest(early, profile, last=True), _rest(late, profile, last=False))
    days = None
    if early.start is not None and late.start is not None:
        days = (late.start - early.start).total_seconds() / 86400.0
    leaks, every, line, no_leak = _leaks(rests, days, profile)
    changes, no_fade = _fade(early, late, profile)
    looks = tuple(
        Look(
            None if p.start is None else p.start.isoformat(timespec="seconds"),
            round(p.duration_s, 1),
            None if r is None else r.temperature_c,
            p.has_current,
        )
        for p, r in zip((early, late), rests, strict=True)
    )
    unknown = tuple(u for u in (no_leak, no_fade) if u)
    return SecondLook(looks, None if days is None else round(days, 2), leaks, every, changes, line, unknown), None


def _fade(early: Session, late: Session, profile: PackProfile) -> tuple[tuple[Change, ...], Unknown | None]:
    record = "a ride and a whole charge with the current sensor, both times"
    if not (early.has_current and late.has_current):
        return (), Unknown("second_look.fade", "fade needs the current in both recordings", record)
    changes = second_look(early, late, profile)
    if changes is None:
        return (), Unknown("second_look.fade", "too little was moved in one of the recordings", record)
    return changes, None


def _rest(session: Session, profile: PackProfile, *, last: bool) -> RestLook | None:
    """The last, or first, rest of half an hour or more: its final ten minutes."""
    rests = [p for p in find_phases(session, profile) if p.kind == "rest" and p.end_s - p.start_s >= _RELAXED_S]
    if not rests:
        return None
    p = rests[-1] if last else rests[0]
    rows = (session.time_s > p.end_s - _MEAN_S) & (session.time_s <= p.end_s)
    if rows.sum() < 3 or not np.isfinite(session.volts_v[rows]).any():
        return None
    return rest_look(session, rows, p.end_s - p.start_s)


def _leaks(
    rests: tuple[RestLook | None, RestLook | None], days: float | None, profile: PackProfile
) -> tuple[tuple[GroupLeak, ...], tuple[tuple[int, float, float, float], ...], float | None, Unknown | None]:
    record = "an hour of rest at the end of one recording and at the start of the next, a week or more apart, no charge"
    early, late = rests

    def left_open(why: str) -> tuple[tuple[GroupLeak, ...], tuple[()], None, Unknown]:
        return (), (), None, Unknown("second_look.leak", why, record)

    if early is None or late is None:
        return left_open("one of the recordings has no rest of half an hour")
    if days is None:
        return left_open("the recordings do not state when they began")
    apart_days = days + (late.at_s - early.at_s) / 86400.0
    if apart_days < _LEAST_DAYS:
        return left_open(f"the rests lie {apart_days:.1f} days apart; a leak needs two or more")
    if not _left_alone(early, late, apart_days / 7.0, profile):
        return left_open("the pack was charged or ridden between the rests, which may hide a leak")
    found = drift_rates(early, late, apart_days * 86400.0, profile)
    if found is None:
        return left_open("the curve is too flat at this level to tell charge from voltage")
    rate, u = found
    line = course_line(np.nan_to_num(rate), np.full(len(rate), np.hypot(u, _LEAK_U)))
    if line is not None:
        rate = rate - line
    every = tuple(
        (k + 1, round(float(r), 3), round(float(r - _Z90 * u), 3), round(float(r + _Z90 * u), 3))
        for k, r in enumerate(rate) if np.isfinite(r)
    )  # fmt: skip
    named = tuple(_with_interval(leak) for leak in named_leaks(rate, u, profile, apart_days))
    return named, every, None if line is None else round(float(line[-1] - line[0]), 3), None


def _left_alone(early: RestLook, late: RestLook, weeks: float, profile: PackProfile) -> bool:
    """The level did not rise, and fell by no more than all groups together, and a monitor, may lose by themselves."""
    rise = float(np.nanmedian(late.volts_v) - np.nanmedian(early.volts_v))
    slope = slope_at_level_v(profile, float(np.nanmedian(early.volts_v)))
    return -max(_SAME_V, slope * _OWN_LOSS_PER_WEEK * weeks) - _METER_V < rise < _SAME_V


def _with_interval(leak: Leak) -> GroupLeak:
    half = _Z90 * leak.u_percent_per_week
    middle = leak.percent_per_week
    low, high = round(middle - half, 3), round(middle + half, 3)
    return GroupLeak(leak.group, middle, low, high, leak.confidence, leak.by_balancer)
