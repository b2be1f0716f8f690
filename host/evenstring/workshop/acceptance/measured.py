"""What a recording says of each quantity: a value with its uncertainty and what it is of, or why there is none.

Intervals of the findings become standard uncertainties by the factor of their level, each arm for itself. What is the
most or the least of many groups is a little too far out on its own: that errs towards failing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from evenstring.analysis.readings.shared_leads import without_lead_drops
from evenstring.analysis.readings.spread import claim_at
from evenstring.analysis.results import Extreme, SpreadClaim
from evenstring.analysis.series.arrays import onward
from evenstring.analysis.series.signals import make_signals
from evenstring.analysis.series.uncertainty import meter_error
from evenstring.report.drawing.axis import clock
from evenstring.report.material import Material
from evenstring.session import Quality
from evenstring.workshop.acceptance.conformity import Measured
from evenstring.workshop.acceptance.limits import Criterion
from evenstring.workshop.acceptance.quantities import QUANTITIES
from evenstring.workshop.job import Job

__all__ = ["HEAVIER", "Finding", "Missing", "measure"]

_Z95, _Z90 = 1.960, 1.645  # of a two-sided normal interval: published
_CAPACITY_K = 2.0  # the interval of a capacity is two standard uncertainties each way (riding/capacity.py)
_EDGE_S = 60.0  # before the end of the held voltage, as the findings on balancing take it
HEAVIER = 1.2  # more than the stated current by this factor is another test: our choice
_UNTOLD_PERCENT = 50.0  # standard uncertainty from which a group was as good as not measured: our choice
_RANGE_V = 6.5534  # the farthest that a frame can state: published (protocol/SPECIFICATION.md)


@dataclass(frozen=True, slots=True)
class Finding:
    """A value, and what it is of: the group, the time, the current."""

    measured: Measured
    of: str = ""


@dataclass(frozen=True, slots=True)
class Missing:
    """Why there is no value, and what to record to have one."""

    why: str
    record_next: str


_Answer = Finding | str  # a text: why there is none


def measure(criterion: Criterion, material: Material, job: Job | None) -> Finding | Missing:
    """The value that a criterion is about, or why it was not measured."""
    unread = material.found.coverage.never_read
    if criterion.of == "insulation_mohm":
        answer = _insulation(job)
    elif unread:
        answer = f"group {', '.join(map(str, unread))} was never read"
    elif criterion.of == "lowest_under_load_v":
        answer = _under_load(material, criterion.load_a or 0.0)
    else:
        answer = _MEASURES[criterion.of](material)
    return Missing(answer, QUANTITIES[criterion.of].record_next) if isinstance(answer, str) else answer


def _interval(best: float, low: float, high: float, factor: float) -> Measured:
    return Measured(best, max(best - low, 0.0) / factor, max(high - best, 0.0) / factor)


def _claim(material: Material, claim: SpreadClaim) -> Finding:
    """With the level it was seen at: near empty and near full the same gap in charge shows as more."""
    session = material.session
    at = min(int(np.searchsorted(session.time_s, claim.at_s)), session.scans - 1)
    level = f", median group at {np.nanmedian(session.volts_v[at]):.2f} V"
    of = f"at {clock(claim.at_s)}{level if np.isfinite(session.volts_v[at]).any() else ''}"
    return Finding(_interval(claim.best_mv, claim.low_mv, claim.high_mv, _Z95), of)


def _spread_of(where: str, why: str) -> Callable[[Material], _Answer]:
    def answer(material: Material) -> _Answer:
        claims = material.found.spread.claims
        return next((_claim(material, c) for c in claims if c.where == where), _why(material, "spread.rest_mv", why))

    return answer


def _why(material: Material, key: str, otherwise: str) -> str:
    missing = material.missing(key)
    return missing.why if missing else otherwise


def _end_of_charge(material: Material) -> _Answer:
    """The spread in the last minute of the held voltage, as the findings on balancing have it, with its interval."""
    at_s = material.found.balancing.at_s
    if at_s is None:
        return "no held voltage at the end of a charge was recorded"
    session = replace(material.session, time_s=onward(material.session.time_s))
    signals = without_lead_drops(make_signals(session), material.found.shared_leads)
    time_s = signals.time_s  # coarser than the session's where that is long
    whole = np.isfinite(signals.volts_v).all(axis=1)
    rows = np.flatnonzero((time_s >= at_s - _EDGE_S) & (time_s <= at_s) & whole)
    if not len(rows):
        return "no scan of all groups in the last minute of the held voltage"
    return _claim(material, claim_at("cv_end", signals, rows, meter_error(session)))


def _capacity(material: Material) -> _Answer:
    found = material.found.capacity
    if found is None:
        return _why(material, "capacity", "there are no two rests with a third of the pack between them")
    return Finding(_interval(found.ah, found.low_ah, found.high_ah, _CAPACITY_K), f"over {found.depth:.0%} of the pack")


def _capacity_percent(material: Material) -> _Answer:
    if "pack.capacity_ah" in material.profile.defaults:
        return "the pack profile does not say the nameplate's capacity"
    found = _capacity(material)
    if isinstance(found, str):
        return found
    part = 100.0 / material.profile.capacity_ah
    m = found.measured
    of = f"{m.value:.2f} Ah, {found.of}"
    return Finding(Measured(m.value * part, m.u_low * part, m.u_high * part), of)


def _extreme(pick: Callable[[Material], Extreme | None]) -> Callable[[Material], _Answer]:
    def answer(material: Material) -> _Answer:
        check, extreme = material.found.profile_check, pick(material)
        if extreme is None or (check is not None and "weakness" in check.withheld):
            return _why(material, "weakness", "the groups' cells were not told apart")
        if extreme.u_percent > _UNTOLD_PERCENT:
            return "the groups' cells were not told apart: too little of a ride or a discharge was seen"
        return Finding(Measured(extreme.percent, extreme.u_percent, extreme.u_percent), f"group {extreme.group}")

    return answer


def _leak(material: Material) -> _Answer:
    second = material.second
    if second is None or not second.all_leaks:
        return _why(material, "second_look", "there is one recording only, or no rests to compare")
    group, percent, low, high = max(second.all_leaks, key=lambda leak: leak[1])
    return Finding(_interval(percent, low, high, _Z90), f"group {group}, over {second.days or 0.0:.1f} days")


def _lowest(material: Material) -> _Answer:
    volts = np.where(material.session.quality == Quality.OVER_NEGATIVE, -_RANGE_V, material.session.volts_v)
    return _reading(material, volts, least=True)


def _highest(material: Material) -> _Answer:
    volts = np.where(material.session.quality == Quality.OVER_POSITIVE, _RANGE_V, material.session.volts_v)
    return _reading(material, volts, least=False)


def _under_load(material: Material, load_a: float) -> _Answer:
    """The lowest reading while the stated current flowed, or somewhat more; never while less did."""
    current = material.session.current_a
    if current is None:
        return "there is no current sensor, so nobody knows what the load was"
    rows = (current <= -load_a) & (current >= -HEAVIER * load_a)
    if not rows.any():
        most = -float(np.nanmin(current)) if np.isfinite(current).any() else 0.0
        return f"no current from {load_a:g} to {HEAVIER * load_a:g} A flowed; the most was {max(most, 0.0):.1f} A"
    volts = np.where(rows[:, None], material.session.volts_v, np.nan)
    found = _reading(material, volts, least=True)
    return found if isinstance(found, str) else Finding(found.measured, f"{found.of}, at {load_a:g} A")


def _reading(material: Material, volts: np.ndarray, *, least: bool) -> _Answer:
    if not np.isfinite(volts).any():
        return "no reading"
    scan, group = divmod(int(np.nanargmin(volts) if least else np.nanargmax(volts)), volts.shape[1])
    value = float(volts[scan, group])
    u = meter_error(material.session).absolute_v(value, 1.0 if material.session.out_back_v is None else 2.0)
    return Finding(Measured(value, u, u), f"group {group + 1} at {clock(float(material.session.time_s[scan]))}")


def _insulation(job: Job | None) -> _Answer:
    if job is None or job.insulation_mohm is None:
        return "not noted in the job"
    if job.insulation_u_mohm is None:
        return f"{job.insulation_mohm:g} MΩ was noted without its uncertainty, by which alone it could be decided"
    u = job.insulation_u_mohm
    return Finding(Measured(job.insulation_mohm, u, u), "by hand")


_MEASURES: dict[str, Callable[[Material], _Answer]] = {
    "spread_at_rest_mv": _spread_of("rest", "no rest was recorded"),
    "spread_end_of_charge_mv": _end_of_charge,
    "spread_under_load_mv": _spread_of("load", "no ride was recorded"),
    "capacity_ah": _capacity,
    "capacity_percent": _capacity_percent,
    "smallest_group_percent": _extreme(lambda m: m.found.coverage.smallest),
    "resistance_above_median_percent": _extreme(lambda m: m.found.coverage.most_resistive),
    "leak_percent_per_week": _leak,
    "lowest_v": _lowest,
    "highest_v": _highest,
}
