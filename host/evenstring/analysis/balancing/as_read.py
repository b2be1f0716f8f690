"""What the reading of a spread near its target leaves open of the time, whatever a model makes of it.

A spread is read with an interval, most of it the meter's offsets, which hold their sign. Where that interval reaches
down to the target the string is even as far as this meter can tell; what it may be above takes its time at the rate.
"""

from __future__ import annotations

from dataclasses import replace

from evenstring.analysis.balancing.guards import SLOWS
from evenstring.analysis.results import Balancing, SpreadClaim

__all__ = ["kept_to_reading"]


def kept_to_reading(found: Balancing, spread: SpreadClaim) -> Balancing:
    """At the target where the reading reaches down to it; near to it no surer than what the reading leaves open.

    Near: less far above than twice what the reading may be off by.
    """
    if found.answer != "time" or found.remaining_s is None or spread.high_mv <= found.target_mv:
        return found
    if spread.low_mv <= found.target_mv:
        return replace(found, remaining_s=0.0, remaining_low_s=0.0, remaining_high_s=_latest_s(found, spread))
    if spread.low_mv - found.target_mv > spread.best_mv - spread.low_mv or found.remaining_low_s is None:
        return found
    rate, u = found.rate_mv_per_h or 0.0, found.rate_u_mv_per_h or 0.0
    soonest_s = 3600.0 * (spread.low_mv - found.target_mv) / max(rate + u, 1e-3)
    low_s = min(found.remaining_low_s, soonest_s)
    return replace(found, remaining_low_s=low_s, remaining_high_s=_latest_s(found, spread))


def _latest_s(found: Balancing, spread: SpreadClaim) -> float | None:
    """None: the rate may be none."""
    slowest = (found.rate_mv_per_h or 0.0) - (found.rate_u_mv_per_h or 0.0)
    if found.remaining_high_s is None or slowest <= 0.0:
        return None
    return max(found.remaining_high_s, SLOWS * 3600.0 * (spread.high_mv - found.target_mv) / slowest)
