"""Boards as they are shipped share one identity: what says that a recording is of another pack than its name says.

Nothing is refused by it: cells can be replaced, and one evening can be in two files. It is said, with what to do.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from evenstring.logbook.store.rows import Listed

if TYPE_CHECKING:
    from evenstring.logbook.entry import Column, Entry

__all__ = ["contradictions"]

_OVERLAP_S = 60.0  # of two clocks that are set by hand: our choice
_BEYOND = 2.0  # standard uncertainties of a difference, and half of all groups: our choice
_LEAST = {"resistance": 0.05, "capacity": 0.03}  # of the middle group's; what warmth or a season moves: our choice
_FEW = 4  # groups, below which there is no pattern: our choice


def contradictions(new: Entry, others: Iterable[Listed]) -> Iterator[str]:
    """Why a recording may not be of the pack that it was put to, each as a sentence without its full stop.

    Args:
        new: its entry.
        others: of the same pack, without itself: those round its time, and the latest.
    """
    same_hours, patterns = [], []
    for other in others:
        was = other.entry
        if _overlap(new, was):
            same_hours.append(other.number)
        patterns += [(other.number, what) for what in _LEAST if _apart(new, was, what)]
    if same_hours:
        yield f"recording {same_hours[0]} of this pack is of the same hours, and no pack is in two places"
    if patterns:
        number, what = patterns[-1]
        yield f"most groups have another {what} than in recording {number}: other cells, or another pack"


def _overlap(one: Entry, two: Entry) -> bool:
    if one.start_s is None or two.start_s is None:
        return False
    begins = max(one.start_s, two.start_s)
    return min(one.start_s + one.duration_s, two.start_s + two.duration_s) - begins > _OVERLAP_S


def _apart(one: Entry, two: Entry, what: str) -> bool:
    """Whether more than half of the groups differ by more than both uncertainties and the seasons explain."""
    pairs = ((getattr(entry, what), getattr(entry, f"{what}_sigma")) for entry in (one, two))
    (a, a_u), (b, b_u) = pairs
    if a_u is None or b_u is None:
        return False
    known = _known(a, b)
    bar = max(_LEAST[what], _BEYOND * float(np.hypot(a_u, b_u)))
    return len(known) >= _FEW and 2 * sum(abs(x - y) > bar for x, y in known) > len(known)


def _known(a: Column, b: Column) -> list[tuple[float, float]]:
    return [(x, y) for x, y in zip(a, b, strict=False) if x is not None and y is not None]
