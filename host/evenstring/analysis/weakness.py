"""Why a group lags: the cause, its size with an interval, how abnormal it is, and a confidence that means what it says.

Each group is compared under a small set of explanations: healthy (production scatter alone), one cause, or two at
once. An explanation is a normal distribution for the group's departures (meter, charge, capacity, resistance) whose
variance is production scatter, widened in the directions of its causes, plus the uncertainty of the evidence; its
marginal likelihood (the Bayes factor, of which BIC is the large-sample form: Kass and Raftery, J. Am. Stat. Assoc. 90,
1995) and a stated prevalence give its probability. Where the recording cannot tell causes apart their probabilities
stay close together, and the answer is "cannot tell", with what to record.

Patterns that belong to no single cell are taken out first: an odd/even comb (one converter offset, polarity
alternating), and a smooth course of resistance along the string (temperature, in a straight, bowed or folded string).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.model import Phase, Unknown
from evenstring.analysis.several import find_leaks
from evenstring.analysis.weakness_fit import CAUSES, UNITS, Evidence, gather
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["PREVALENCE", "SCATTER", "Weakness", "find_weakness", "judge"]

F64 = NDArray[np.float64]

PREVALENCE = 0.5  # share of packs with a weak group, assumed and stated
_METER_MOST_MV = 12.0  # a larger one is not believed without a hand meter: "cannot tell"
SCATTER = np.array([1.0, 0.4, 1.0, 4.0])  # production, standard deviations in UNITS
_EFFECT = np.array([6.0, 2.5, 6.5, 25.0])  # how far a cause typically takes a group
_PAIR_SHARE = 0.1  # of the prior of a single cause
_SCATTER_WEIGHT = 90.0  # groups' worth of belief in the production figures against the pack's own scatter
_SHOWN = 0.35  # probability of not being healthy from which a group is spoken of
_AHEAD = 1.5  # a cause is named when it is this many times as probable as the next one
_JOINT = 1.35  # extra resistance over half a minute to that at once: a joint's is 1, a cell's 1.6 (tuning seeds)
_Z90 = 1.645


@dataclass(frozen=True, slots=True)
class Weakness:
    """One group that stands out."""

    group: int
    cause: str  # one of CAUSES; self_discharge; balancer_fault; connection: resistance that is no cell's; cannot_tell
    size: float
    unit: str
    confidence: float  # of the cause
    size_low: float  # 90 % interval
    size_high: float
    abnormal: float  # probability that this is more than production scatter
    detail: str
    probabilities: tuple[tuple[str, float], ...]


def find_weakness(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...]
) -> tuple[tuple[Weakness, ...], Unknown | None]:
    """Groups that stand out, most certain first; and why nothing can be said, when that is so."""
    leaks = _leaks(session, profile, phases)
    found, unknown = _from_one_look(session, profile)
    return tuple(sorted((*leaks, *found), key=lambda w: -w.confidence)), unknown


def _leaks(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Weakness, ...]:
    out = []
    for leak in find_leaks(session, profile, phases) or ():
        half = _Z90 * leak.u_percent_per_week
        cause = "balancer_fault" if leak.by_balancer else "self_discharge"
        detail = f"from two rests {leak.days:.1f} days apart with no charge between"
        if leak.by_balancer:
            detail += "; as much as a bleeder takes that never stops"
        size = leak.percent_per_week
        out.append(
            Weakness(
                leak.group,
                cause,
                size,
                "% a week",
                leak.confidence,
                round(size - half, 3),
                round(size + half, 3),
                leak.confidence,
                detail,
                ((cause, leak.confidence),),
            )
        )
    return tuple(out)


def _from_one_look(session: Session, profile: PackProfile) -> tuple[tuple[Weakness, ...], Unknown | None]:
    if not session.has_current:
        why = "causes need the current: without a sensor charge, capacity and resistance cannot be told apart"
        return (), Unknown("weakness", why, "a ride and a whole charge with the current sensor connected")
    if session.groups < 4:
        return (), Unknown("weakness", "a group is judged by its neighbours, and there are fewer than four", None)
    evidence = gather(session, profile)
    if evidence is None:
        return (), Unknown("weakness", "too little was recorded", "a ride and a whole charge with the current sensor")
    found = judge(evidence)
    unclear = [str(w.group) for w in found if w.cause == "cannot_tell"]
    if unclear:
        why = f"group {', '.join(unclear)} stands out, but this recording fits more than one cause"
        return found, Unknown("weakness", why, _next_recording(evidence))
    if not evidence.has_steps or evidence.depth < 0.15:
        why = (
            f"only {evidence.depth:.0%} of the capacity was moved" if evidence.depth < 0.15 else "no ride was recorded"
        )
        return found, Unknown("weakness", f"{why}: a small fault would not show", _next_recording(evidence))
    return found, None


def _next_recording(evidence: Evidence) -> str:
    """What would tell."""
    if not evidence.has_steps:
        return "a ride with the current sensor, then a whole charge"
    if evidence.depth < 0.4:
        return "a ride below half, then a whole charge in one recording"
    return "two rests a week apart with no charge between"


def judge(evidence: Evidence) -> tuple[Weakness, ...]:
    """Explanations weighed, group by group."""
    size, notes = _without_patterns(evidence)
    if any("course" in note for note in notes):  # it was fitted to groups that scatter: its own uncertainty is added
        covariance = evidence.covariance.copy()
        covariance[:, 3, 3] += 2.0 * SCATTER[3] ** 2 / len(size)
        evidence = replace(evidence, covariance=covariance)
    scatter = _scatter(size, evidence.covariance)
    groups = len(size)
    subsets = _subsets()
    prior = _priors(subsets, groups)
    out = []
    for g in range(groups):
        logs = np.array([_log_likelihood(size[g], evidence.covariance[g], scatter, s) for s in subsets])
        logs += np.log(prior)
        weight = np.exp(logs - logs.max())
        weight /= weight.sum()
        if 1.0 - weight[0] >= _SHOWN:
            out.append(_statement(g, size[g], evidence, scatter, subsets, weight, notes))
    return tuple(sorted(out, key=lambda w: -w.confidence))


def _subsets() -> tuple[tuple[int, ...], ...]:
    singles = tuple((k,) for k in range(len(CAUSES)))
    return ((), *singles, *combinations(range(len(CAUSES)), 2))


def _priors(subsets: tuple[tuple[int, ...], ...], groups: int) -> F64:
    single = PREVALENCE / groups / len(CAUSES)
    pairs = sum(len(s) == 2 for s in subsets)
    prior = np.array([{0: 0.0, 1: single, 2: single * _PAIR_SHARE * len(CAUSES) / pairs}[len(s)] for s in subsets])
    prior[0] = 1.0 - prior.sum()
    return prior


def _healthy(scatter: F64) -> F64:
    """Scatter of healthy groups; a smaller group also has more resistance (less electrode area)."""
    out = np.diag(scatter**2)
    out[2, 3] = out[3, 2] = -(scatter[2] ** 2)
    return out


def _total(covariance: F64, scatter: F64, subset: tuple[int, ...]) -> F64:
    total = covariance + _healthy(scatter)
    for k in subset:
        total[k, k] += _EFFECT[k] ** 2
    if 2 in subset:  # lost electrode area takes capacity and adds resistance: the part that follows is no second cause
        total[3, 3] += _EFFECT[2] ** 2
        total[2, 3] -= _EFFECT[2] ** 2 * 0.9
        total[3, 2] = total[2, 3]
    return total


def _log_likelihood(x: F64, covariance: F64, scatter: F64, subset: tuple[int, ...]) -> float:
    total = _total(covariance, scatter, subset)
    _, log_det = np.linalg.slogdet(total)
    return float(-0.5 * (log_det + x @ np.linalg.solve(total, x)))


def _scatter(size: F64, covariance: F64) -> F64:
    """Production scatter, corrected by what this pack's own groups show beyond their uncertainty."""
    robust = 1.4826 * np.median(np.abs(size), axis=0)
    noise = np.median(np.array([np.diag(c) for c in covariance]), axis=0)
    # Squares cut at 2.5 deviations: steadier than the median alone, and one weak group still cannot stretch them.
    squares = 1.07 * np.mean(np.minimum(size**2, (2.5 * robust) ** 2), axis=0)
    own = np.clip(squares - noise, 0.0, (3.0 * SCATTER) ** 2)
    n = len(size)
    own = np.maximum(own, 0.25 * SCATTER**2)
    return np.asarray(np.sqrt((_SCATTER_WEIGHT * SCATTER**2 + n * own) / (_SCATTER_WEIGHT + n)))


def _without_patterns(evidence: Evidence) -> tuple[F64, tuple[str, ...]]:
    size = evidence.size.copy()
    groups = len(size)
    notes = []
    comb = np.median(size[0::2, 0]) - np.median(size[1::2, 0])
    u = np.sqrt(np.median(evidence.covariance[:, 0, 0]) + SCATTER[0] ** 2)
    if groups >= 8 and abs(comb) > 4.0 * u * 2.5 / np.sqrt(groups):
        size[:, 0] -= np.where(np.arange(groups) % 2 == 0, 0.5, -0.5) * comb
        notes.append(f"an odd/even comb of {comb:.1f} mV of the meter was taken out")
    if groups >= 8:
        course = _course(size[:, 3], np.sqrt(evidence.covariance[:, 3, 3] + SCATTER[3] ** 2))
        if course is not None:
            size[:, 3] -= course
            notes.append("a smooth course of resistance along the string (temperature) was taken out")
    return size - np.median(size, axis=0), tuple(notes)


def _course(values: F64, u: F64) -> F64 | None:
    """A smooth course along the string if it explains more than it costs (BIC); one group cannot bend it."""
    x = np.linspace(-1.0, 1.0, len(values))
    best, kept = _cost(values, u), None
    for shape in (x, x**2 - np.mean(x**2), np.abs(x) - 0.5):
        fit = _robust_fit(np.column_stack([np.ones(len(x)), shape]), values, u)
        cost = _cost(values - fit, u) + np.log(len(values))
        if cost < best - 2.0:
            best, kept = cost, fit - np.median(fit)
    return kept


def _cost(left: F64, u: F64) -> float:
    """Sum of squares in which no group counts more than three of its u."""
    return float(np.sum(np.minimum(((left - np.median(left)) / u) ** 2, 9.0)))


def _robust_fit(design: F64, y: F64, u: F64) -> F64:
    """Tukey's biweight, iterated."""
    weight = np.ones(len(y))
    coefficients: F64 = np.zeros(design.shape[1])
    for _ in range(15):
        w = weight / u
        coefficients = np.asarray(np.linalg.lstsq(design * w[:, None], y * w, rcond=None)[0])
        z = (y - design @ coefficients) / (4.0 * u)
        weight = np.where(np.abs(z) < 1.0, 1.0 - z**2, 0.0)
    return np.asarray(design @ coefficients)


def _statement(
    g: int,
    x: F64,
    evidence: Evidence,
    scatter: F64,
    subsets: tuple[tuple[int, ...], ...],
    weight: F64,
    notes: tuple[str, ...],
) -> Weakness:
    share = np.array([sum(w for s, w in zip(subsets, weight, strict=True) if k in s) for k in range(len(CAUSES))])
    k = int(np.argmax(share))
    best = max((s for s in subsets if k in s), key=lambda s: weight[subsets.index(s)])
    mean, u = _estimate(x, evidence.covariance[g], scatter, best, k)
    sign = -1.0 if CAUSES[k] == "low_capacity" else 1.0
    low, high = sorted((sign * (mean - _Z90 * u), sign * (mean + _Z90 * u)))
    statement = Weakness(
        group=g + 1,
        cause=CAUSES[k],
        size=round(sign * mean, 3),
        unit=UNITS[k],
        confidence=round(float(min(share[k], 0.99)), 3),
        size_low=round(low, 3),
        size_high=round(high, 3),
        abnormal=round(float(1.0 - weight[0]), 3),
        detail="; ".join((*_detail(CAUSES[k], sign * mean, evidence.joint[g]), *notes)),
        probabilities=tuple((name, round(float(p), 3)) for name, p in zip(CAUSES, share, strict=True)),
    )
    # More capacity or less resistance than the others is no weakness; and an even split is no answer.
    odd = CAUSES[k] in ("low_capacity", "high_resistance") and sign * mean < 0
    # To blame the meter for a weak cell is the dangerous mistake, and no meter in order is this far out.
    odd = odd or (CAUSES[k] == "meter_offset" and abs(mean) > _METER_MOST_MV)
    unclear = share[k] < _AHEAD * np.sort(share)[-2] and len(best) < 2
    if odd or unclear:
        return replace(statement, cause="cannot_tell")
    joint = CAUSES[k] == "high_resistance" and evidence.joint[g] < _JOINT
    return replace(statement, cause="connection") if joint else statement


def _estimate(x: F64, covariance: F64, scatter: F64, subset: tuple[int, ...], k: int) -> tuple[float, float]:
    """Size of cause k and its standard uncertainty: the evidence weighed with what the explanation expects."""
    expected = _total(np.zeros_like(covariance), scatter, subset)
    gain = expected @ np.linalg.inv(expected + covariance)
    mean = gain @ x
    left = expected - gain @ expected
    return float(mean[k]), float(np.sqrt(max(left[k, k], 1e-12)))


def _detail(cause: str, size: float, joint: float) -> tuple[str, ...]:
    if cause == "high_resistance" and joint < _JOINT:
        return ("the extra resistance is there at once and does not grow: a joint, link or lead is likely",)
    if cause == "charge_offset" and size < 0:
        return ("less charge than its neighbours: balancing mends it; a leak looks the same in one session",)
    return ()
