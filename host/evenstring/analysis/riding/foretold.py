"""What the board warned of ahead, held against what it then read: whether it came, and how long before it was said.

A warning that did not come is not false by that: the rider may have eased off, as it asks. What was read is said, and
how near the limit that was; the rest is for whoever rode.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.readings.limit_visits import extremes
from evenstring.analysis.results import Foretold, ForetoldKind, ForetoldOutcome
from evenstring.profile import PackProfile
from evenstring.session import Said, Session

__all__ = ["find_foretold"]

_KINDS: dict[str, ForetoldKind] = {
    "ease_off": "ease_off",
    "ease_off_now": "ease_off",
    "near_ceiling": "near_ceiling",
    "brake_gently": "brake_gently",
}
# So near the limit is no false warning: of sag as in the marks on simulated rides; of a charge less, since full itself
# is some 50 mV under the ceiling: our choice
_NEAR_V: dict[ForetoldKind, float] = {"ease_off": 0.100, "near_ceiling": 0.030, "brake_gently": 0.060}
_ONE_FALL_S = 60.0  # groups below empty within that time are told once: our choice


@dataclass(slots=True)
class _Stretch:
    """A warning as long as it stood; `said`: how it began."""

    kind: ForetoldKind
    said: Said
    standing: set[str]
    urgent_s: float | None = None
    end_s: float | None = None


def find_foretold(session: Session, profile: PackProfile) -> tuple[Foretold, ...]:
    """Every warning ahead of the board in order of time, and falls below empty that none had foretold."""
    stretches, surprises = _stretches(session.said)
    if not stretches and not surprises:
        return ()
    low, high = extremes(session)
    found = [_held(s, session, profile, low if s.kind == "ease_off" else high) for s in stretches]
    found += [Foretold("below_empty", "not_foretold", s.place, s.time_s, reached_v=s.value_v) for s in surprises]
    return tuple(sorted(found, key=lambda one: one.start_s))


def _stretches(said: tuple[Said, ...]) -> tuple[list[_Stretch], list[Said]]:
    """Warnings ahead, and what the board found below empty while none stood."""
    found: list[_Stretch] = []
    surprises: list[Said] = []
    open_now: dict[ForetoldKind, _Stretch] = {}
    for one in said:
        kind = _KINDS.get(one.kind)
        if kind is not None:
            found += _began_or_ended(open_now, kind, one)
        elif one.kind == "below_empty" and one.began and "ease_off" not in open_now:
            last_s = surprises[-1].time_s if surprises else -np.inf
            surprises += [one] if one.time_s - last_s > _ONE_FALL_S else []
    return found, surprises


def _began_or_ended(open_now: dict[ForetoldKind, _Stretch], kind: ForetoldKind, one: Said) -> Iterator[_Stretch]:
    """Brings `open_now` up to date; gives the stretch that begins."""
    stretch = open_now.get(kind)
    if one.began and stretch is None:
        stretch = open_now[kind] = _Stretch(kind, one, set())
        yield stretch
    if stretch is None:
        return
    if one.began:
        stretch.standing.add(one.kind)
        if one.kind == "ease_off_now" and stretch.urgent_s is None:
            stretch.urgent_s = one.time_s
        return
    stretch.standing.discard(one.kind)
    if not stretch.standing:
        stretch.end_s = one.time_s
        del open_now[kind]


def _held(stretch: _Stretch, session: Session, profile: PackProfile, volts: NDArray[np.float32]) -> Foretold:
    """The stretch and the readings while it stood: `volts` (n, g), the lower or the higher of both passes."""
    said, falling = stretch.said, stretch.kind == "ease_off"
    rows = session.time_s >= said.time_s
    if stretch.end_s is not None:
        rows &= session.time_s <= stretch.end_s
    sign = 1.0 if falling else -1.0
    limit_v = profile.empty_v if falling else profile.ceiling_v
    above_v = np.where(np.isfinite(volts[rows]), sign * (volts[rows].astype(np.float64) - limit_v), np.inf)
    nearest_v = float(above_v.min(initial=np.inf))
    told = Foretold(stretch.kind, "not_read", said.place, said.time_s, stretch.end_s, stretch.urgent_s, said.value_v)
    if not np.isfinite(nearest_v):
        return told
    came = np.flatnonzero((above_v < 0).any(axis=1))
    outcome: ForetoldOutcome = "came" if len(came) else "near" if nearest_v <= _NEAR_V[stretch.kind] else "stayed_clear"
    return replace(
        told,
        outcome=outcome,
        after_s=float(session.time_s[rows][came[0]] - said.time_s) if len(came) else None,
        reached_group=int(np.argmin(above_v.min(axis=0))) + 1,
        reached_v=limit_v + sign * nearest_v,
    )
