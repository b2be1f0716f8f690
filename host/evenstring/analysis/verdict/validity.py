"""What is not claimed although it could be computed: the ground it would stand on does not hold.

A profile that does not fit takes with it what rests on its curve or its capacity. Two strings in parallel exchange
current at rest: no rest of theirs is one, and the current of the vehicle is not that of this string. A group that was
often not read is not judged by the readings that are left. A meter is not surely blamed unless its offset shows at
rests far apart in charge.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenstring.analysis.causes.evidence.rests import SeenAtRest, proved_mv
from evenstring.analysis.causes.self_discharge import DRAINS
from evenstring.analysis.results import Capacity, Findings, ProfileCheck, Spread, Unknown, Weakness
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["own_current", "own_readings", "own_rest", "with_profile_check", "with_proof"]

_UNREAD = 0.1  # share of scans: our choice
_UNPROVED = 0.75  # what a fit makes likely, and no more: our choice
_SAME_MV = 2.0  # between a fit's offset and that of the rests: our choice
_RESISTIVE = ("high_resistance", "connection")  # ratios of groups that carry one current: no curve, no capacity


def own_rest(spread: Spread, profile: PackProfile) -> tuple[Spread, Unknown | None]:
    """The spread; without its figure at rest where other strings are in parallel."""
    if profile.parallel_strings < 2 or spread.rest_mv is None:
        return spread, None
    why = "strings in parallel exchange current at rest, so none of their rests is one"
    kept = tuple(c for c in spread.claims if c.where != "rest")
    left = replace(spread, rest_mv=None, rest_after_s=None, claims=kept)
    return left, Unknown("spread.rest_mv", why, "a rest with this string disconnected from the others")


def own_current(session: Session, profile: PackProfile) -> Session:
    """The session; without its current where that is shared with other strings."""
    if profile.parallel_strings < 2:
        return session
    return replace(session, current_a=None, current_out_a=None, current_back_a=None)


def own_readings(found: Findings, session: Session) -> Findings:
    """Findings less all that speaks of a group which was often not read: the lead is mended first."""
    unread = [int(g) + 1 for g in np.flatnonzero((session.quality != 0).mean(axis=0) > _UNREAD)]
    if not unread:
        return found
    names = ", ".join(map(str, unread))
    why, record = (
        f"group {names} was often not read, so nothing is said of its cells",
        "the same again, its lead mended",
    )
    lost = ("weakness", "reserve", "usable", "room_for_braking")
    return replace(
        found,
        weakness=tuple(w for w in found.weakness if w.group not in unread),
        hazards=tuple(h for h in found.hazards if h.group is not None and h.group not in unread),
        reserve=None,
        usable=None,
        room=None,
        figures=tuple(f for f in found.figures if f.group not in unread),
        unknown=(*(u for u in found.unknown if u.what not in lost), *(Unknown(what, why, record) for what in lost)),
    )


def with_proof(weakness: tuple[Weakness, ...], rests: tuple[SeenAtRest, ...]) -> tuple[Weakness, ...]:
    """Statements; of a meter's offset no sure one, but for what all rests show, of which some are far apart."""
    told = (_unproved(w) if w.cause == "meter_offset" and not _proved(w, rests) else w for w in weakness)
    return tuple(sorted(told, key=lambda w: -w.confidence))


def _proved(w: Weakness, rests: tuple[SeenAtRest, ...]) -> bool:
    offset_mv = proved_mv(w.group, rests)
    return offset_mv is not None and abs(w.size - offset_mv) <= _SAME_MV


def _unproved(w: Weakness) -> Weakness:
    return replace(w, confidence=min(w.confidence, _UNPROVED))


def with_profile_check(
    found: Findings, check: ProfileCheck, unknown: tuple[Unknown, ...], profile: PackProfile
) -> Findings:
    """Findings with the check, less what it takes the ground from."""
    lost = set(check.withheld)
    also: tuple[Unknown, ...] = ()
    if profile.parallel_strings > 1 and found.repair:
        why = "strings in parallel exchange charge: what one group lacks is not told from one string alone"
        also = (Unknown("repair", why, "a charge and a rest with this string disconnected from the others"),)
        lost.add("repair")
    weakness = found.weakness
    if "weakness" in lost:
        weakness = tuple(w for w in weakness if w.cause in _RESISTIVE)
    elif profile.parallel_strings > 1:
        weakness = tuple(w for w in weakness if w.cause not in DRAINS)
    return replace(
        found,
        profile_check=check,
        weakness=weakness,
        reserve=None if "reserve" in lost else found.reserve,
        repair=() if "repair" in lost else found.repair,
        bench=None if "repair" in lost else found.bench,
        capacity=None if "capacity" in lost else found.capacity or _capacity_of(check, profile),
        usable=None if lost & {"weakness", "repair"} else found.usable,
        room=None if lost & {"weakness", "reserve"} else found.room,
        figures=() if "weakness" in lost else found.figures,
        unknown=_still_unknown(found, check, lost, (*also, *unknown)),
    )


def _still_unknown(
    found: Findings, check: ProfileCheck, lost: set[str], more: tuple[Unknown, ...]
) -> tuple[Unknown, ...]:
    """What is not known: as found, less what is withheld for a better reason, and with those reasons."""
    told = {"capacity"} if found.capacity is None and check.capacity.seen_ah is not None else set()
    follow = [
        Unknown(what, next(u.why for u in more if u.what == of), next(u.record_next for u in more if u.what == of))
        for what, of in (("usable", "repair"), ("room_for_braking", "reserve"))
        if of in lost and any(u.what == of for u in more)
    ]
    return (*(u for u in found.unknown if u.what not in lost | told), *more, *follow)


def _capacity_of(check: ProfileCheck, profile: PackProfile) -> Capacity | None:
    """The capacity by a rest and a full charge, where two relaxed rests did not give one."""
    c = check.capacity
    if c.seen_ah is None or c.low_ah is None or c.high_ah is None or c.depth is None:
        return None
    return Capacity(c.seen_ah, c.low_ah, c.high_ah, c.depth, profile.capacity_ah)
