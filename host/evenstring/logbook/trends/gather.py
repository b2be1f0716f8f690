"""From what was found in each recording to one history: departures, visits below discard, balanced or not, hours held.

Resistance, capacity, state of charge and cycles of each group are not among the findings of one recording; they stay
unknown here until the logbook keeps them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

import numpy as np

from evenstring.analysis.results import Findings
from evenstring.errors import InputError
from evenstring.logbook.trends.history import DiscardVisit, History
from evenstring.session import Session

__all__ = ["history_of"]

_TO_SIGMA = 1.96  # half of a 95 % interval to a standard deviation; published: normal distribution


def history_of(recordings: Sequence[tuple[Session, Findings]], calibrated_s: float | None = None) -> History:
    """The history of one string; recordings without a time of day are left out, their order does not matter.

    Args:
        recordings: each with its findings, all with the same number of groups.
        calibrated_s: when the meter was last calibrated, since 1970.

    Raises:
        InputError: no recording has a time of day, or the numbers of groups differ.
    """
    dated = sorted(((_seconds(s.start), s, f) for s, f in recordings if s.start is not None), key=lambda one: one[0])
    if not dated:
        raise InputError("no recording has a time of day: set the board's clock, or give the start of each")
    groups = {session.groups for _, session, _ in dated}
    if len(groups) > 1:
        raise InputError(f"recordings of {' and '.join(map(str, sorted(groups)))} groups are not of one string")
    start = np.array([at for at, _, _ in dated])
    found = [one for _, _, one in dated]
    n, g = len(dated), groups.pop()
    unknown, each_unknown = np.full(n, np.nan), np.full((n, g), np.nan)
    return History(
        start_s=start,
        end_s=start + [session.duration_s for _, session, _ in dated],
        departure_mv=np.array([_departures(one, g) for one in found]),
        departure_sigma_mv=np.array([_sigma_mv(one) for one in found]),
        resistance=each_unknown,
        resistance_sigma=unknown,
        capacity=each_unknown,
        capacity_sigma=unknown,
        full=np.array([_full(one) for one in found]),
        even=np.array([_number(one.balancing.even_in_charge) for one in found]),
        held_h=np.array([_held_h(one) for one in found]),
        left_percent=unknown,
        cycles=unknown,
        visits=tuple(visit for at, _, one in dated for visit in _visits(at, one)),
        calibrated_s=calibrated_s,
    )


def _seconds(start: datetime) -> float:
    """A start without a zone is taken as UTC, as recordings write it."""
    return (start if start.tzinfo else start.replace(tzinfo=UTC)).timestamp()


def _full(found: Findings) -> bool:
    """The charger held its voltage, and no ride came after."""
    kinds = [phase.kind for phase in found.phases]
    return "charge_cv" in kinds and "ride" not in kinds[kinds.index("charge_cv") :]


def _departures(found: Findings, groups: int) -> list[float]:
    """Only where the recording ends in a charge that went to full: elsewhere voltages mean another state of charge."""
    known = found.spread.departures_mv
    if not _full(found) or len(known) != groups:
        return [np.nan] * groups
    return [_number(value) for value in known]


def _sigma_mv(found: Findings) -> float:
    """The interval of the spread is that of a difference of two groups."""
    wide = found.spread.uncertainty_mv
    return np.nan if wide is None else max(wide, 0.1) / _TO_SIGMA / 2**0.5


def _held_h(found: Findings) -> float:
    held_s = found.charger.hold_after_light_s if found.charger else None
    return np.nan if held_s is None else held_s / 3600


def _visits(start_s: float, found: Findings) -> Iterator[DiscardVisit]:
    for event in found.events:
        if event.kind == "below_discard" and event.certainty == "yes":
            yield DiscardVisit(start_s + event.start_s, event.group, _number(event.extreme_v))


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)
