"""Spread: highest minus lowest group, from scans that can bear the claim, with its expanded uncertainty.

Uncertainty follows JCGM 100:2008: the channels' own standard uncertainty and the noise of a reading are independent
between groups; the gain that all groups share cancels in a difference and is not counted. A scan in which the string
moved is not used: with an out and a back pass, the largest |out - back| of a group says how much it moved.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.arrays import median_group_v, spread_v
from evenstring.analysis.model import Phase, Spread
from evenstring.session import Session

__all__ = ["find_spread", "trusted_scans"]

SKEW_LIMIT_V = 5e-3  # a scan in which a group moved by more supports no spread
_EDGE_SCANS = 5  # scans averaged for the figures at start and end


def trusted_scans(session: Session) -> NDArray[np.bool_]:
    """(n,) True where the string stood still enough during the scan, and two groups or more were measured."""
    enough: NDArray[np.bool_] = np.isfinite(session.volts_v).sum(axis=1) >= 2
    if session.out_back_v is not None:
        moved = np.nan_to_num(np.abs(session.out_back_v)).max(axis=1, initial=0.0)
        noise = session.meter.noise_v or 0.0
        return np.asarray(enough & (moved <= SKEW_LIMIT_V + 4 * noise))
    if not session.span_s.any():
        return enough
    # One pass: the median group's change from scan to scan stands in for its change within a scan.
    v = median_group_v(session.volts_v)
    change = np.abs(np.diff(v, prepend=v[:1]))
    change = np.maximum(change, np.append(change[1:], change[-1:]))
    return np.asarray(enough & (change <= SKEW_LIMIT_V))


def find_spread(session: Session, phases: tuple[Phase, ...]) -> Spread:
    """Spread at start, end, rest and its largest, from trusted scans only."""
    good = np.flatnonzero(trusted_scans(session))
    nothing = Spread(None, None, None, None, None, None, None, 0, session.scans, (None,) * session.groups)
    if not len(good):
        return nothing
    mv = spread_v(session.volts_v[good]) * 1000.0
    peak = int(np.nanargmax(mv))
    end = session.volts_v[good[-_EDGE_SCANS:]]
    rest, relaxed = _at_rest(session, good, mv, phases)
    return Spread(
        start_mv=float(np.nanmean(mv[:_EDGE_SCANS])),
        end_mv=float(np.nanmean(mv[-_EDGE_SCANS:])),
        max_mv=float(mv[peak]),
        max_at_s=float(session.time_s[good[peak]]),
        rest_mv=rest,
        rest_after_s=relaxed,
        uncertainty_mv=_expanded_mv(session),
        scans_used=len(good),
        scans_skewed=session.scans - len(good),
        departures_mv=_departures(end),
    )


def _at_rest(
    session: Session, good: NDArray[np.int64], mv: NDArray[np.float32], phases: tuple[Phase, ...]
) -> tuple[float | None, float | None]:
    """Spread at the end of the last rest, and how long that rest had lasted."""
    for phase in reversed(phases):
        if phase.kind != "rest":
            continue
        inside = (session.time_s[good] >= phase.start_s) & (session.time_s[good] <= phase.end_s)
        if inside.any():
            return float(np.nanmean(mv[inside][-_EDGE_SCANS:])), phase.end_s - phase.start_s
    return None, None


def _departures(volts_v: NDArray[np.float32]) -> tuple[float | None, ...]:
    departure = (volts_v - median_group_v(volts_v)[:, None]) * 1000.0
    count = np.isfinite(departure).sum(axis=0)
    total = np.nansum(departure, axis=0)
    return tuple(float(s / c) if c else None for s, c in zip(total, count, strict=True))


def _expanded_mv(session: Session) -> float | None:
    """95 % uncertainty of a difference of two groups of one scan (k = 2); None when the meter states nothing."""
    meter = session.meter
    if meter.channel_u_v is None or meter.noise_v is None:
        return None
    passes = 2 if session.out_back_v is not None else 1
    one = meter.channel_u_v**2 + meter.noise_v**2 / passes + meter.resolution_v**2 / 12.0 / passes
    return float(2.0 * np.sqrt(2.0 * one) * 1000.0)
