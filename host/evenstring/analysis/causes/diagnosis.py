"""Why a group lags: the cause, its size with an interval, how abnormal it is, and a confidence that means what it says.

Each group is compared under a small set of `explanations`: healthy, one cause, or two at once. Where the recording
cannot tell causes apart their probabilities stay close together, and the answer is "cannot tell", with what to record.

Patterns that belong to no single cell are taken out first (`patterns`): the meter's, and a smooth course of resistance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.catalogue import CAUSES, LATE_RESISTANCE_U, METER_MOST_MV, SCATTER, SIGNS, UNITS
from evenstring.analysis.causes.evidence.charge_by_rests import as_rests_have_it
from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, METER, RESISTANCE, Evidence, gather
from evenstring.analysis.causes.evidence.pack_ocv import LEAST_DEPTH
from evenstring.analysis.causes.evidence.rests import (
    SeenAtRest,
    at_one_rest,
    on_own_curve,
    proved_mv,
    rests_seen,
    with_rests,
)
from evenstring.analysis.causes.evidence.shifts import Shifts, no_surer_than_courses, shifts_seen, with_shifts
from evenstring.analysis.causes.evidence.without_current import BLIND_NOTE, gather_blind
from evenstring.analysis.causes.hypotheses import (
    EFFECT,
    PREVALENCE,
    SUBSETS,
    as_charge,
    estimate,
    healthy,
    no_more_than,
    own_scatter,
    possible,
    shares,
    weights,
)
from evenstring.analysis.causes.left_open import next_recording, undecided, why_unsure
from evenstring.analysis.causes.meter_patterns import LEAST_GROUPS, course, without_meter_patterns
from evenstring.analysis.causes.outliers import StandOut, stand_outs
from evenstring.analysis.causes.self_discharge import told_leaks
from evenstring.analysis.results import CauseKind, MeterPattern, Phase, Unknown, Weakness
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["PREVALENCE", "Diagnosis", "diagnose", "find_weakness", "judge"]

F64 = NDArray[np.float64]

_ONE_PLACE_SURE = 0.75  # what one voltage tells is likely, and no more: our choice
_BLIND_SURE = 0.75  # without the current, of a meter's offset, or with one rest of less capacity: our choice
_BEYOND_SEEN_MV = 1.0  # an offset is no larger than what was seen, but for this: our choice
_ALSO = 0.5  # probability of a second cause beside the meter's offset: our choice
_SHOWN = 0.25  # probability of not being healthy from which a group is spoken of: tuned on own packs under 100,000
# A cause is named when it is this many times as probable as the next one: tuned on own packs under 100,000
_AHEAD = 1.5
# Share of the slow resistance that is up with what comes at once: a joint's is 0, a cell's 1: tuned on own packs
# under 100,000
_JOINT = 0.6
_LEAST_JOINT = 30.0  # %: of less a smaller or emptier cell looks like one: tuned on published cells (`withheld`)
# Log odds of stated confidence: _SURER + _STEEPER x log odds of the marginal likelihoods. Fitted on tuning seeds (694
# sessions, healthy ones weighted to half): 1.7 and 1.5; taken about half of the way, for few statements lie below
# 0.8: tuned on own packs under 100,000.
_SURER, _STEEPER = 1.0, 1.3
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)
# What a group was charged with fits into it; a label may be so much above what a pack holds: our choice
_LABEL = 0.95
_MOSTLY, _HARDLY = 0.5, 0.05  # of a look's probability, of an explanation's: our choice
_BY_CHANCE = 0.01  # rarer in strings that are in order: no scatter, whatever a look in doubt makes of it: our choice
_MOST_SURE = 0.99  # the highest confidence that is stated: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """Groups that stand out, most certain first; why nothing can be said; errors of the meter; what it rests on.

    `rests`: by the curve assumed.
    """

    weakness: tuple[Weakness, ...]
    unknown: Unknown | None
    patterns: tuple[MeterPattern, ...] = ()
    evidence: Evidence | None = None  # None with too little recorded
    rests: tuple[SeenAtRest, ...] = ()


def find_weakness(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...]
) -> tuple[tuple[Weakness, ...], Unknown | None]:
    """Groups that stand out, most certain first; and why nothing can be said, when that is so."""
    diagnosis = diagnose(session, profile, phases)
    return diagnosis.weakness, diagnosis.unknown


def diagnose(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> Diagnosis:
    """Leaks from two rests, and all that one look tells."""
    leaks = told_leaks(session, profile, phases)
    if session.groups < 4:
        why = "a group is judged by its neighbours, and there are fewer than four"
        return Diagnosis(leaks, Unknown("weakness", why, "the whole string, from the first group to the last"))
    rests = seen = rests_seen(session, profile, phases)
    shifts = shifts_seen(session, profile, phases)
    if session.has_current:
        gathered = gather(session, profile)
        rests = on_own_curve(seen, None if gathered is None else gathered.curve)
        look = _with_sensor(None if gathered is None else with_shifts(gathered, shifts), rests)
    else:
        look = _without_sensor(session, profile, phases, rests, shifts)
    # What a group lost by leaking is less charge too: one thing, said once.
    lost = {w.group for w in leaks}
    same = ("charge_offset", "cannot_tell")
    told = _with_rest(look.weakness, session, profile, rests)
    kept = [w for w in told if w.group not in lost or w.cause not in same or w.size > 0]
    kept = [as_rests_have_it(w, rests, seen, look.evidence) for w in kept]
    kept = kept if shifts is None else [no_surer_than_courses(w) for w in kept]
    return replace(look, weakness=tuple(sorted((*leaks, *kept), key=lambda w: -w.confidence)), rests=seen)


def _with_rest(
    found: tuple[Weakness, ...], session: Session, profile: PackProfile, rests: tuple[SeenAtRest, ...]
) -> tuple[Weakness, ...]:
    """All statements; of groups without a cause less charge, where one rest makes it likely.

    More charge is not told so: after a charge a group with less capacity has it, too.
    """
    evidence = at_one_rest(rests, session, profile)
    if evidence is None or CHEMISTRIES[profile.chemistry].judged_by_charge:
        return found
    named = {w.group for w in found if w.cause != "cannot_tell"}
    by_rest = {
        w.group: w for w in judge(evidence) if w.cause == "charge_offset" and w.size < 0 and w.group not in named
    }
    return (*by_rest.values(), *(w for w in found if w.group not in by_rest))


def _without_sensor(
    session: Session,
    profile: PackProfile,
    phases: tuple[Phase, ...],
    rests: tuple[SeenAtRest, ...],
    shifts: Shifts | None,
) -> Diagnosis:
    record = "a ride, a rest of half an hour and a whole charge from below half in one recording; better, the current"
    blind = gather_blind(session, profile, phases, rests, shifts)
    if blind.evidence is None:
        return Diagnosis((), Unknown("weakness", f"without a current sensor: {blind.why_not}", record))
    evidence, patterns = without_meter_patterns(blind.evidence, SCATTER, EFFECT, PREVALENCE)
    found = tuple(_by_curve_alone(w, rests) for w in judge(evidence))
    why = [blind.why_not] if blind.why_not else []
    why += undecided(found)
    unknown = Unknown("weakness", f"without a current sensor: {'; '.join(why)}", record) if why else None
    return Diagnosis(found, unknown, patterns, evidence)


def _by_curve_alone(w: Weakness, rests: tuple[SeenAtRest, ...]) -> Weakness:
    """The statement with its ground said. Without the current only rests tell a meter, or capacity from charge."""
    one_rest = sum(rest.tells_charge for rest in rests) < 2
    if w.cause == "meter_offset" and proved_mv(w.group, rests) is None:
        w = replace(w, cause="cannot_tell")
    elif w.cause == "meter_offset" or (w.cause == "low_capacity" and one_rest):
        w = replace(w, confidence=min(w.confidence, _BLIND_SURE))
    return replace(w, detail="; ".join(filter(None, (w.detail, BLIND_NOTE))))


def _with_sensor(gathered: Evidence | None, rests: tuple[SeenAtRest, ...]) -> Diagnosis:
    if gathered is None:
        record = "a ride and a whole charge with the current sensor"
        return Diagnosis((), Unknown("weakness", "too little was recorded", record))
    gathered = with_rests(gathered, tuple(rest for rest in rests if rest.after_charge))  # the rows hold the others
    evidence, patterns = without_meter_patterns(gathered, SCATTER, EFFECT, PREVALENCE)
    doubted = [without_meter_patterns(e, SCATTER, EFFECT, PREVALENCE)[0] for e in gathered.doubted]
    looks = [_look(e) for e in (evidence, *doubted)]
    weighed = [_weighed(looks, g) for g in range(len(evidence.size))]
    found, evidence = _judged(looks, weighed), _believed(looks, weighed)
    why = why_unsure(evidence, found)
    unknown = Unknown("weakness", why, next_recording(evidence, found)) if why else None
    return Diagnosis(found, unknown, patterns, evidence)


def judge(evidence: Evidence, *doubted: Evidence) -> tuple[Weakness, ...]:
    """Explanations weighed, group by group, of evidence from which the meter's patterns are taken out already.

    Both looks at the curve count alike, unless one wants what there is not.
    """
    looks = [_look(e) for e in (evidence, *doubted)]
    return _judged(looks, [_weighed(looks, g) for g in range(len(evidence.size))])


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """Evidence as it is weighed: without a smooth course of resistance, beside the scatter of these groups."""

    evidence: Evidence
    size: F64
    covariance: F64
    scatter: F64
    notes: tuple[str, ...]


def _look(evidence: Evidence) -> _Look:
    size, notes = _without_course(evidence)
    covariance = evidence.covariance
    if notes:  # it was fitted to groups that scatter: its own uncertainty is added
        covariance = covariance.copy()
        covariance[:, RESISTANCE, RESISTANCE] += 2.0 * SCATTER[RESISTANCE] ** 2 / len(size)
    return _Look(evidence, size, covariance, own_scatter(size, covariance), notes)


def _weighed(looks: list[_Look], g: int) -> tuple[_Look, F64]:
    """The first look that counts for a group, and its explanations weighed by the first two that do.

    Where a look mostly wants what there is not, a meter far off or a resistance far below the others', something else
    is misfit, and another look is taken; where all do, what else there is is weighed, as the doubting looks see it.
    """
    each, mass = zip(*(_in_what_there_is(look, g) for look in looks), strict=True)
    believed = [k for k in range(len(looks)) if mass[k] > _MOSTLY]
    used = believed[:2] or list(range(1, len(looks))) or [0]
    return looks[used[0]], np.mean([each[k] for k in used], axis=0)


def _in_what_there_is(look: _Look, g: int) -> tuple[F64, float]:
    """Probabilities of the explanations with sizes that there are, and how much of all the probability that is."""
    below_full = 1.0 - look.evidence.soc0
    weight = weights(look.size[g], look.covariance[g], look.scatter, len(look.size), below_full)
    there_is = possible(look.size[g], look.covariance[g], look.scatter, below_full)
    left = weight * np.where(there_is > _HARDLY, there_is, 0.0)
    return (left / left.sum() if left.sum() > 0.0 else weight), float(left.sum())


def _judged(looks: list[_Look], weighed: list[tuple[_Look, F64]]) -> tuple[Weakness, ...]:
    out = [_statement(g, look, weight) for g, (look, weight) in enumerate(weighed) if 1.0 - weight[0] >= _SHOWN]
    spoken_of = frozenset(w.group - 1 for w in out)
    plain = looks[0]
    far_out = stand_outs(plain.size, plain.covariance + healthy(plain.scatter), spoken_of)
    out += [_mentioned(found, plain) for found in far_out]
    return tuple(sorted(out, key=lambda w: (w.within_scatter, -w.confidence)))


def _believed(looks: list[_Look], weighed: list[tuple[_Look, F64]]) -> Evidence:
    """The plain evidence, and that of the look that counts for groups of which it wants what there is not."""
    plain = looks[0].evidence
    size = np.array([look.evidence.size[g] for g, (look, _) in enumerate(weighed)])
    covariance = np.array([look.evidence.covariance[g] for g, (look, _) in enumerate(weighed)])
    return replace(plain, size=size, covariance=covariance)


def _mentioned(found: StandOut, look: _Look) -> Weakness:
    """A group that a look sees far out: what it departs by is a size with an interval, what is wrong stays open."""
    k, g = found.kinds[0], found.group
    weight = weights(look.size[g], look.covariance[g], look.scatter, len(look.size))
    share = shares(weight)
    size, low, high = _sized(look, g, (k,), k)
    words = " or ".join(CAUSES[j].replace("_", " ") for j in found.kinds)
    detail = (
        f"stands out by {words}, {found.deviations:.1f} deviations of healthy scatter; in {found.by_chance:.0%} of"
        " strings in order some group does"
    )
    return Weakness(
        found.group + 1, "cannot_tell", size, UNITS[k], _confidence(share[k]), low, high,
        round(float(1.0 - weight[0]), 3), detail, _listed(share), within_scatter=found.by_chance > _BY_CHANCE,
    )  # fmt: skip


def _confidence(share: float) -> float:
    """What is stated for a probability that came out of the comparison."""
    odds = np.log(max(share, 1e-6) / max(1.0 - share, 1e-6))
    return round(min(float(1.0 / (1.0 + np.exp(-_SURER - _STEEPER * odds))), _MOST_SURE), 3)


def _listed(share: F64) -> tuple[tuple[CauseKind, float], ...]:
    return tuple((name, round(float(p), 3)) for name, p in zip(CAUSES, share, strict=True))


def _sized(look: _Look, g: int, subset: tuple[int, ...], k: int, below_full: float = 0.0) -> tuple[float, float, float]:
    """Size of cause k under an explanation, and its 90 % interval: the fit's, and that of the curve's scale."""
    mean, u = estimate(look.size[g], look.covariance[g], look.scatter, subset, k, below_full)
    scale_u = LATE_RESISTANCE_U if k == RESISTANCE and look.evidence.late else look.evidence.scale_u[k]
    size, scale = SIGNS[k] * mean, float(np.exp(_Z90 * scale_u))
    inwards, outwards = np.hypot(_Z90 * u, size * (1.0 - 1.0 / scale)), np.hypot(_Z90 * u, size * (scale - 1.0))
    low, high = (size - inwards, size + outwards) if size > 0 else (size - outwards, size + inwards)
    return round(size, 3), round(float(low), 3), round(float(high), 3)


def _without_course(evidence: Evidence) -> tuple[F64, tuple[str, ...]]:
    """Sizes without a smooth course of resistance along the string."""
    size = evidence.size.copy()
    u = np.sqrt(evidence.covariance[:, RESISTANCE, RESISTANCE] + SCATTER[RESISTANCE] ** 2)
    smooth = course(size[:, RESISTANCE], u) if len(size) >= LEAST_GROUPS else None
    if smooth is None:
        return size - np.median(size, axis=0), ()
    size[:, RESISTANCE] -= smooth
    note = "a smooth course of resistance along the string (temperature) was taken out"
    return size - np.median(size, axis=0), (note,)


def _statement(g: int, look: _Look, weight: F64) -> Weakness:
    evidence = look.evidence
    told = shares(weight)
    weight = weight if evidence.tells_capacity else as_charge(weight)
    share = shares(weight)
    k = int(np.argmax(share))
    if k == METER and np.sort(share)[-2] > _ALSO:  # two at once: what is the cell's is said, not what is the meter's
        k = int(np.argsort(share)[-2])
    best = max((s for s in SUBSETS if k in s), key=lambda s: weight[SUBSETS.index(s)])
    size, low, high = _sized(look, g, best, k, 1.0 - evidence.soc0)
    if k == CAPACITY:
        size, low, high = no_more_than(100.0 * (1.0 - _LABEL * evidence.depth), size, low, high)
    statement = Weakness(
        group=g + 1,
        cause=CAUSES[k],
        size=size,
        unit=UNITS[k],
        confidence=_confidence(share[k]),
        size_low=low,
        size_high=high,
        abnormal=round(float(1.0 - weight[0]), 3),
        detail="; ".join((*_detail(CAUSES[k], size, evidence.slow_share[g]), *look.notes)),
        probabilities=_listed(told),
    )
    # More capacity or less resistance is no weakness, what may be nothing names none, an even split is no answer.
    odd = low < 0.0 < high or (k == RESISTANCE and size < 0) or (k == CAPACITY and size < SCATTER[CAPACITY])
    # To blame the meter for a weak cell is the dangerous mistake, and no meter in order is this far out.
    odd = odd or (CAUSES[k] == "meter_offset" and (abs(size) > METER_MOST_MV or not _was_seen(evidence, g, size)))
    unclear = share[k] < _AHEAD * np.sort(share)[-2] and len(best) < 2
    # At one single voltage charge and meter are one thing, whatever the prior says; steps of a load tell resistance.
    one_place = evidence.depth < LEAST_DEPTH and not (CAUSES[k] == "high_resistance" and evidence.has_steps)
    if odd or unclear or (one_place and not _beyond_meters(evidence, g)):
        return replace(statement, cause="cannot_tell")
    if one_place:
        return replace(statement, confidence=round(min(float(told[k]), _ONE_PLACE_SURE), 3))
    if k == CHARGE:  # no surer than one place makes it, where less capacity would look the same
        return replace(statement, confidence=max(_confidence(told[CHARGE]), min(statement.confidence, _ONE_PLACE_SURE)))
    if CAUSES[k] != "high_resistance" or not evidence.slow_share[g] < _JOINT:
        return statement
    most = 1.0 if size >= _LEAST_JOINT else _ONE_PLACE_SURE
    return replace(statement, cause="connection", confidence=min(statement.confidence, most))


def _beyond_meters(evidence: Evidence, g: int) -> bool:
    """Whether readings departed all along by more than an offset of any meter."""
    if evidence.seen_mv is None:
        return False
    low, high = evidence.seen_mv[:, g]
    return bool(low > METER_MOST_MV or high < -METER_MOST_MV)


def _was_seen(evidence: Evidence, g: int, meter_mv: float) -> bool:
    """Whether readings ever departed by as much as an offset, where no steps of a ride prove it.

    Else something else would have to have made up for it all along, by chance.
    """
    if evidence.has_steps or evidence.seen_mv is None:
        return True
    low, high = evidence.seen_mv[:, g]
    return bool(low - _BEYOND_SEEN_MV <= meter_mv <= high + _BEYOND_SEEN_MV)


def _detail(cause: CauseKind, size: float, slow_share: float) -> tuple[str, ...]:
    if cause == "high_resistance" and slow_share < _JOINT:
        return ("the extra resistance is there at once and does not grow: a joint, link or lead is likely",)
    if cause == "charge_offset" and size < 0:
        return ("less charge than its neighbours: balancing mends it; a leak looks the same in one session",)
    return ()
