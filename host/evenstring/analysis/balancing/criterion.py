"""Even in voltage is not even in charge: the gap between groups as charge, and what counts as balanced.

A curve that is nearly flat hides charge, one that is steep shows it: lithium iron phosphate looks even over most of its
range, and hardly ever at its top. So its strings count as balanced when the groups lie within 1 % of charge at the top
of charge; the others by their spread, with the charge gap beside it. At a rest anywhere else a string may be even
there, which is said in these words, and no more. Charge is read from the assumed curve; the interval is that of Monte
Carlo draws of the groups' departures (JCGM 101:2008).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Balancing, Phase, Spread, SpreadClaim
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import draw_departures
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["EVEN_CHARGE", "FLAT_V", "ChargeGap", "at_top", "by_charge", "charge_gap", "goal_v", "too_flat", "with_rest"]

F64 = NDArray[np.float64]
EVEN_CHARGE = 0.01  # gap, as a share of capacity, up to which groups count as even in charge: common practice
FLAT_V = 0.2  # V per 1.0 of SoC: flatter than this, a voltage says little about charge: our choice
_TOP_SOC = 0.95  # at this and above a voltage speaks of the top of charge: our choice
# Of the spread of a held voltage, at a rest after it: less, and the rest was polarisation: our choice
_AS_AT_REST = 0.7
_DRAWS = 1000  # of the groups' departures: our choice


@dataclass(frozen=True, slots=True)
class ChargeGap:
    """Charge of the highest less that of the lowest group, as a share of capacity, with its 95 % interval."""

    best: float
    low: float
    high: float


def by_charge(profile: PackProfile) -> bool:
    """Whether balance is judged by charge: where the spread in millivolts says next to nothing."""
    return CHEMISTRIES[profile.chemistry].judged_by_charge


def goal_v(profile: PackProfile, level_v: float, spread_v: float) -> float | None:
    """The spread in V, near `level_v`, at which a string counts as balanced; None where the curve is too flat to tell.

    `spread_v` is the target of chemistries that are judged by their spread.
    """
    if not by_charge(profile):
        return spread_v
    slope = slope_at_level_v(profile, level_v)
    return EVEN_CHARGE * slope if slope >= FLAT_V else None


def too_flat(level_v: float) -> str:
    """The sentence for a level at which charge does not show."""
    return f"at {level_v:.2f} V the curve is too flat to tell charge from voltage"


def at_top(profile: PackProfile, level_v: float) -> bool:
    """Whether a level of the median group belongs to the top of charge, by the assumed curve."""
    return float(default_curve(profile.chemistry).soc(level_v)) >= _TOP_SOC


def charge_gap(volts_v: F64, u_v: float, profile: PackProfile) -> ChargeGap | None:
    """The gap of groups read at (g,) V with standard uncertainty `u_v`; None where the curve is too flat to tell."""
    known = volts_v[np.isfinite(volts_v)]
    if len(known) < 2 or slope_at_level_v(profile, float(np.median(known))) < FLAT_V:
        return None
    draws = draw_departures(known, u_v, np.random.default_rng(22), _DRAWS)
    gap = np.ptp(default_curve(profile.chemistry).soc(draws), axis=1)
    low, best, high = np.quantile(gap, [0.025, 0.5, 0.975])
    return ChargeGap(float(best), float(low), float(high))


def with_rest(
    found: Balancing,
    spread: Spread,
    profile: PackProfile,
    signals: Signals,
    phases: tuple[Phase, ...],
    lag_percent: float | None = None,
) -> Balancing:
    """What a rest adds where no held charge could tell: balanced at the top, elsewhere no more than even here.

    `lag_percent`: of the lowest group at the end of the charge, on a flat curve; what lags is not even, whatever it
    falls back to.
    """
    claim = next((c for c in spread.claims if c.where == "rest"), None)
    rest_level_v = _rest_level_v(signals, phases)
    if claim is None or rest_level_v is None:
        return found
    lags = (lag_percent or 0.0) > 100.0 * EVEN_CHARGE
    goal = None if lags else goal_v(profile, rest_level_v, found.target_mv / 1e3)
    even = None if goal is None else claim.high_mv <= goal * 1e3
    found = replace(found, even_here=even)
    later = found.at_s is None or claim.at_s >= found.at_s  # a rest after the charge knows better than any forecast
    # What was even before a charge says nothing of its end.
    charged_after = any(p.kind.startswith("charge") and p.start_s >= claim.at_s for p in phases)
    told = found.state != "not_reached" and not (even and later and at_top(profile, rest_level_v))
    if charged_after or told:
        return _less_what_died_away(found, claim, profile) if later and not charged_after else found
    if goal is None:
        return replace(found, reasons=(*found.reasons, f"at rest: {too_flat(rest_level_v)}"))
    if not even:
        return found
    if at_top(profile, rest_level_v):
        after = "" if spread.rest_after_s is None else f" after {spread.rest_after_s / 60:.0f} min"
        why = f"judged at rest{after}, at {rest_level_v:.2f} V, where the charge had ended"
        asked = found.answer != "none"  # of a time that was told nothing is left; its interval goes with it
        found = found.without_time("time" if asked else "none", "balanced", why)
        return replace(found, remaining_s=0.0 if asked else None, spread_mv=claim.best_mv, at_s=claim.at_s)
    why = f"even here: {claim.best_mv:.0f} mV at rest at {rest_level_v:.2f} V; the top of charge may tell another story"
    return replace(found, reasons=(*found.reasons, why))


def _less_what_died_away(found: Balancing, claim: SpreadClaim, profile: PackProfile) -> Balancing:
    """No time where a rest shows so much less spread than the time was told from: polarisation was taken for a gap.

    Iron phosphate falls back from its steep top by itself, and its gap is told as charge.
    """
    if by_charge(profile) or not (found.remaining_s and found.spread_mv):
        return found
    if claim.high_mv >= _AS_AT_REST * found.spread_mv:
        return found
    why = f"at rest the spread is {claim.best_mv:.0f} mV: some of what the held voltage showed was dying away"
    return found.without_time("none", "not_reached", why)


def _rest_level_v(signals: Signals, phases: tuple[Phase, ...]) -> float | None:
    """Level at the end of the last rest."""
    rest = next((p for p in reversed(phases) if p.kind == "rest"), None)
    if rest is None:
        return None
    inside = rows_in(signals.time_s, rest)
    return float(np.median(signals.level_v[inside][-20:])) if inside.any() else None
