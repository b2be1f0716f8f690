"""What stands out without a cause, or as the meter's, and is a gap in charge by the rests alone.

A fit along a curve that is not the cells' own lays to the meter what it cannot follow. Rests need no fit: at all of
them a meter is off by the same millivolts and by no more than meters are; a gap in charge by as many as the slope of
the curve makes of it there. What either shows is likely, and never sure.
"""

from __future__ import annotations

import math
from dataclasses import replace

from evenstring.analysis.causes.catalogue import METER_MOST_MV
from evenstring.analysis.causes.evidence.estimates import Evidence
from evenstring.analysis.causes.evidence.rests import CLEARLY, SeenAtRest, against_rests, reaching_to
from evenstring.analysis.results import Weakness
from evenstring.analysis.series.curve_slope import SLOPE_SCALE_U

__all__ = ["as_charge_by_rests", "as_rests_have_it"]

_LIKELY = 0.75  # the highest confidence that is stated: our choice
_STANDS_OUT = 0.5  # probability of not being healthy from which a group is looked at: our choice
# Times as unlike in millivolts as in charge, over all rests: tuned on published cells (`tuned`, `withheld`)
_UNLIKE = 1.5
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)


def as_rests_have_it(
    w: Weakness, rests: tuple[SeenAtRest, ...], seen: tuple[SeenAtRest, ...], evidence: Evidence | None
) -> Weakness:
    """The statement as far as rests bear it out; `seen`: the same rests by the curve assumed."""
    kept = against_rests(w, rests, evidence)
    # The steps of a load tell a meter from a cell, and a group that is a little smaller rests as unlike when empty.
    told = w.cause == "meter_offset" and evidence is not None and evidence.has_steps
    return reaching_to(kept if told else as_charge_by_rests(kept, rests), (*rests, *seen))


def as_charge_by_rests(w: Weakness, rests: tuple[SeenAtRest, ...]) -> Weakness:
    """The statement, or less or more charge in its place."""
    open_cause = w.cause in ("cannot_tell", "meter_offset") and not w.within_scatter
    if not open_cause or w.abnormal < _STANDS_OUT:
        return w
    g = w.group - 1
    clear = [r for r in rests if r.tells_charge and r.clear(w.group)]
    sizes = [float(r.away_mv[g]) / r.percent_mv for r in clear]
    if not sizes or min(sizes) * max(sizes) < 0.0:
        return w
    unlike = _times_unlike([float(r.away_mv[g]) for r in clear]) / _times_unlike(sizes)
    if unlike < (1.0 if _beyond_meters(clear, g) else _UNLIKE):
        return w
    # After a charge a group with less capacity stands above, too.
    if sizes[0] > 0.0 and all(r.after_charge for r in clear):
        return w
    size = math.copysign(math.exp(sum(math.log(abs(s)) for s in sizes) / len(sizes)), sizes[0])
    ends = [size * math.exp(k * _Z90 * SLOPE_SCALE_U) for k in (-1, 1)]
    said = replace(
        w, cause="charge_offset", size=round(size, 3), unit="%", size_low=round(min(ends), 3),
        size_high=round(max(ends), 3), confidence=min(w.confidence, _LIKELY),
        detail="; ".join(filter(None, (w.detail, "by how far it stands off at rest"))),
    )  # fmt: skip
    return said if against_rests(said, rests, None) == said else w


def _beyond_meters(clear: list[SeenAtRest], g: int) -> bool:
    """Whether a rest shows more than a meter in order may be off by."""
    return any(abs(float(r.away_mv[g])) - CLEARLY * float(r.u_mv[g]) > METER_MOST_MV for r in clear)


def _times_unlike(values: list[float]) -> float:
    """The largest over the smallest, both without sign."""
    sizes = [abs(v) for v in values]
    return max(sizes) / min(sizes)
