"""Balance leads that the meter shares: the drop of the bleed current along them, recognised and taken off.

A meter teed into a protection board's balance leads sees bleed current times lead resistance: twice down on the group
that bleeds, once up on each neighbour (Ohm's law along the leads; a lead carries the difference of its two groups'
bleed currents). It comes and goes in one scan with the bleeding and looks as if the string were evener than it is. So
steps of the pattern (1, -2, 1) are looked for while the string's level stands still; they also tell which groups bleed.
A step is taken apart by matching pursuit, the strongest pattern first: neighbours may switch together.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Balancing, Phase, SharedLeads, Spread, SpreadClaim
from evenstring.analysis.series.rows_of_phase import rows_of_kind
from evenstring.analysis.series.signals import Signals
from evenstring.profile import PackProfile

__all__ = ["doubted", "find_shared_leads", "widened", "without_lead_drops"]

F64 = NDArray[np.float64]

_ROWS = 50_000  # looked at together: our choice
_SIDE = 3  # rows averaged before and after a step: tuned on own sessions under 300,000
_LEAST_V = 0.0010  # of one lead's drop; a group then moves by twice that: tuned on own sessions under 300,000
_MOST_V = 0.05  # of one lead: 0.3 A along 0.15 ohm of wire and contacts: common practice
_STILL_V = 0.002  # the level moves by less: the charger was not switched: tuned on own sessions under 300,000
_LEAST_STEPS = 2  # or it may be a contact: our choice
_ALIKE = 0.35  # how much the steps may differ among themselves, relative: tuned on own sessions under 300,000
_MOST_AT_ONCE = 12  # groups that switch in one step: our choice
_CONTRADICTIONS = 0.03  # of the steps: tuned on own sessions under 300,000
_GOES_ON = 0.5  # of a step, in the rows before or after it: our choice
_RIDE_MARGIN_S = 5.0  # before and after a ride: our choice
_MOST_STEPS = 10  # a group: beyond it some are missed, and who bleeds is not known: tuned on own sessions under 300,000
_EXPLAINED = 0.85  # of a step, by patterns: tuned on own sessions under 300,000
_SIZES = (0.5, 1.6)  # of the lead's drop, between which a step counts: tuned on own sessions under 300,000


def find_shared_leads(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> SharedLeads | None:
    """The pattern of shared leads, or None where none is seen."""
    groups = signals.volts_v.shape[1]
    if groups < 4 or len(signals.time_s) < 4 * _SIDE:
        return None
    found = [e for e in _steps(signals, phases) if _belongs(e)]
    sizes = np.array([abs(a) for _, _, a, _ in found])
    if len(sizes) < _LEAST_STEPS:
        return None
    # Where a board switches often a row may hold a part of a step only, so the large ones count, if they are alike.
    large = np.sort(sizes)[::-1]
    lead_v = float(np.median(large[large > (1.0 - _ALIKE) * large[min(2, len(large) - 1)]]))
    if large[0] > (1.0 + 2.0 * _ALIKE) * lead_v or lead_v > _MOST_V:
        return None
    events = tuple(
        (float(t), g + 1, 1 if a > 0 else -1)
        for t, g, a, _ in found
        if _SIZES[0] * lead_v < abs(a) < _SIZES[1] * lead_v
    )
    if len(events) < _LEAST_STEPS:
        return None
    spans, contradictions = _spans(events, signals.time_s, phases)
    followed = contradictions <= _CONTRADICTIONS * len(events) and len(events) <= _MOST_STEPS * groups
    text = (
        f"bleeding moves the readings: the bleeding group by {2e3 * lead_v:.1f} mV down, its neighbours by"
        f" {1e3 * lead_v:.1f} mV up; the meter shares the balance leads"
    )
    ohm = lead_v / max(profile.bleed_ma / 1e3, 1e-6)
    if not followed:
        text += "; it switches too often to follow which groups bleed for how long"
        return SharedLeads(round(2e3 * lead_v, 2), len(events), round(1e3 * ohm, 1), False, (), (), (), text)
    groups_seen = sorted({g for g, _, _ in spans})
    hours = tuple((g, round(sum(b - a for k, a, b in spans if k == g) / 3600.0, 2)) for g in groups_seen)
    at_end = tuple(g for g in groups_seen if [e[2] for e in events if e[1] == g][-1] > 0)
    return SharedLeads(round(2e3 * lead_v, 2), len(events), round(1e3 * ohm, 1), True, hours, at_end, spans, text)


def without_lead_drops(signals: Signals, shared: SharedLeads | None) -> Signals:
    """The same rows with the drops of bleeding put back; unchanged where no leads are shared or it was not followed."""
    if shared is None or not shared.followed:
        return signals
    on = np.zeros((len(signals.time_s), signals.volts_v.shape[1] + 2))
    for g, begin, end in shared.spans:
        on[(signals.time_s >= begin) & (signals.time_s < end), g] = 1.0
    pattern = 2.0 * on[:, 1:-1] - on[:, :-2] - on[:, 2:]
    return replace(signals, volts_v=signals.volts_v + 0.5e-3 * shared.drop_mv * pattern)


def doubted(balancing: Balancing, shared: SharedLeads | None) -> Balancing:
    """Nothing is said of balance by readings that bleeding itself moves, unless its drops could be put back."""
    if shared is None or shared.followed or (balancing.answer == "none" and balancing.state != "balanced"):
        return balancing
    why = f"{shared.text}: evenness while groups bleed is not to be trusted; a rest after the charge tells"
    return balancing.without_time("none", "not_reached", *balancing.reasons, why)


def widened(spread: Spread, shared: SharedLeads | None, phases: tuple[Phase, ...]) -> Spread:
    """The spread with its intervals widened by what bleeding may hide or add: in charges, and in rests after them.

    Between two groups that is two drops at most: one bleeds and reads low by its drop, both neighbours of the other
    bleed and lift it by as much. Some boards bleed on at rest. The drops put back for balancing are not used here: who
    bled before the first step was seen is a guess.
    """
    if shared is None or not spread.claims:
        return spread
    claims = tuple(_widened(c, 2.0 * shared.drop_mv) if _may_bleed(c.at_s, phases) else c for c in spread.claims)
    u = max(max(c.best_mv - c.low_mv, c.high_mv - c.best_mv) for c in claims)
    return replace(spread, claims=claims, uncertainty_mv=u)


def _widened(claim: SpreadClaim, hidden_mv: float) -> SpreadClaim:
    return replace(claim, low_mv=max(0.0, claim.low_mv - hidden_mv), high_mv=claim.high_mv + hidden_mv)


def _may_bleed(at_s: float, phases: tuple[Phase, ...]) -> bool:
    """In a charge, or in a rest that follows on one."""
    charged = False
    for p in phases:
        charged = p.kind.startswith("charge") or (charged and p.kind == "rest")
        if p.start_s <= at_s <= p.end_s:
            return charged
    return False


def _without_holes(volts_v: F64) -> F64:
    """Missing readings take the value between their neighbours: what was not read is no step."""
    if np.isfinite(volts_v).all():
        return volts_v
    volts, at = volts_v.copy(), np.arange(len(volts_v))
    for g in np.flatnonzero(~np.isfinite(volts_v).all(axis=0)):
        known = np.isfinite(volts[:, g])
        volts[:, g] = np.interp(at, at[known], volts[known, g]) if known.any() else 0.0
    return volts


def _steps(signals: Signals, phases: tuple[Phase, ...]) -> list[tuple[float, int, float, float]]:
    """(time, group from 0, lead's drop in V, share of the step explained); a drop above 0 begins to bleed."""
    t, volts = signals.time_s, _without_holes(signals.volts_v)
    riding = rows_of_kind(t, phases, "ride", _RIDE_MARGIN_S)
    total = np.cumsum(np.vstack([np.zeros(volts.shape[1]), volts]), axis=0)
    at = np.arange(_SIDE, len(t) - _SIDE - 1)
    near = (t[at + _SIDE] - t[at - _SIDE] < max(60.0, 7.5 * signals.step_s)) & ~riding[at]
    strength = np.zeros(len(at))
    for first in range(0, len(at), _ROWS):
        some = slice(first, first + _ROWS)
        change = _change(total, at[some])
        usable = near[some] & (np.abs(np.median(change, axis=1)) < _STILL_V)
        match = np.where(np.isfinite(signals.volts_v[at[some]]), np.abs(_matched(change)), 0.0).max(axis=1)
        strength[some] = np.where(usable, match, 0.0)
    out: list[tuple[float, int, float, float]] = []
    last = -_SIDE
    for k in np.flatnonzero(strength > _LEAST_V):
        window = strength[max(0, k - _SIDE) : k + _SIDE + 1]
        if strength[k] >= window.max() and k - last >= _SIDE and not _goes_on(total, at, int(k)):
            out += [(float(t[at[k]]), *rest) for rest in _taken_apart(_change(total, at[k]))]
            last = int(k)
    return out


def _goes_on(total: F64, at: NDArray[np.int64], k: int) -> bool:
    """Whether the group that moves most moves on as before or after: it climbs, as at the steep top of a flat curve."""
    here = _matched(_change(total, at[k : k + 1]))[0]
    g = int(np.argmax(np.abs(here)))
    beside = np.array([j for j in (k - 2 * _SIDE - 1, k + 2 * _SIDE + 1) if 0 <= j < len(at)])
    there = _matched(_change(total, at[beside]))[:, g] if len(beside) else np.zeros(0)
    return bool((there * np.sign(here[g]) > _GOES_ON * abs(here[g])).any())


def _change(total: F64, at: Any) -> F64:
    """Mean of the rows after `at` less that of the rows before; the row in which it happens may hold a part of it."""
    return np.asarray((total[at + _SIDE + 1] - total[at + 1] - total[at] + total[at - _SIDE]) / _SIDE)


def _matched(change: F64) -> F64:
    """(m, g) drop of one lead for which (1, -2, 1) around a group fits a change best."""
    wide = np.pad(change, ((0, 0), (1, 1)))
    weight = np.full(change.shape[1], 6.0)
    weight[[0, -1]] = 5.0
    return np.asarray((wide[:, :-2] - 2.0 * change + wide[:, 2:]) / weight)


def _taken_apart(change: F64) -> list[tuple[int, float, float]]:
    """Groups that switched in this step, each with its lead's drop, and the share explained."""
    groups = len(change)
    shapes = -2.0 * np.eye(groups) + np.eye(groups, k=1) + np.eye(groups, k=-1)
    left: F64 = change - np.median(change)
    picked: list[int] = []
    found: F64 = np.zeros(0)
    for _ in range(min(_MOST_AT_ONCE, groups)):
        match = _matched(left[None])[0]
        match[picked] = 0.0
        k = int(np.argmax(np.abs(match)))
        if abs(match[k]) < 0.6 * _LEAST_V:
            break
        picked.append(k)
        found = np.asarray(np.linalg.lstsq(shapes[:, picked], change, rcond=None)[0])
        left = change - shapes[:, picked] @ found
    if not picked:
        return []
    share = 1.0 - float(np.sum(left**2) / max(np.sum(change**2), 1e-15))
    return [(k, float(a), share) for k, a in zip(picked, found, strict=True) if abs(a) > _LEAST_V]


def _belongs(step: tuple[float, int, float, float]) -> bool:
    """Patterns explain nearly all of it: a group that steps alone is a contact, not a shared lead."""
    return step[3] > _EXPLAINED


def _spans(
    events: tuple[tuple[float, int, int], ...], t: F64, phases: tuple[Phase, ...]
) -> tuple[tuple[tuple[int, float, float], ...], int]:
    """(group, from, to) of bleeding, and how often a group began or ended twice in a row: a step was missed there.

    Who ends without having begun bled from the start of the recording; who never ends, to the end of the charge.
    """
    charged = [p.end_s for p in phases if p.kind.startswith("charge")]
    last = charged[-1] if charged else float(t[-1])
    out: list[tuple[int, float, float]] = []
    contradictions = 0
    for g in sorted({e[1] for e in events}):
        own = [(time, sign) for time, group, sign in events if group == g]
        since = float(t[0]) if own[0][1] < 0 else None
        for time, sign in own:
            if (sign > 0) == (since is not None):
                contradictions += 1
            elif sign > 0:
                since = time
            elif since is not None:
                out.append((g, since, time))
                since = None
        if since is not None and last > since:
            out.append((g, since, last))
    return tuple(out), contradictions
