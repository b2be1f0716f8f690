"""What rests tell of the groups: there no current flows, so meter and charge are all that a departure can come from.

A group that lacks charge lacks it at every rest, one with less capacity is level where it was made level, a meter is
off by as much at each, and no resistance shows. After a charge a board may have bled the others down to a low group:
what may have been bled is part of that rest's uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.catalogue import SCATTER
from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, Evidence, nothing_known
from evenstring.analysis.causes.evidence.pack_ocv import PackCurve
from evenstring.analysis.results import Phase, Weakness
from evenstring.analysis.series.arrays import column_medians, median_group_v, rolling_median
from evenstring.analysis.series.charge_moved import charge_moved_ah
from evenstring.analysis.series.curve_slope import SLOPE_SCALE_U
from evenstring.analysis.series.rest import REST_S, rest_current_a
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.uncertainty import meter_error
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = [
    "SeenAtRest",
    "against_rests",
    "at_one_rest",
    "on_own_curve",
    "proved_mv",
    "reaching_to",
    "rests_seen",
    "with_rests",
]

F64 = NDArray[np.float64]

_SEEN_S = 900.0  # of a rest after a charge, where a board may go on bleeding: our choice
_BLEED_MARGIN_V = 0.03  # a board's own reading of the threshold: our choice
_BLED_SHARE = 0.5  # of what a bleeder may have taken, as the standard uncertainty of what it took: our choice
_GUESSED_BLEED = 2.0  # times what is assumed, where the bleed current was not given: our choice
_FLAT_V = 0.25  # V per 1.0 of SoC: our choice
_LEAST_MV = 1e-3  # of 1 % of charge: keeps a flat place from a division by 0: our choice
_SLOPE_OVER = 0.05  # of SoC to either side, over which a slope is compared with the mean: our choice
_RELAXES_MV, _RELAXES = 1.0, 0.05  # what a load leaves behind differs between groups, of what is seen: our choice
_CURVE_SHARE = 0.15  # of what is seen, at least: tuned on own packs under 100,000
_CLEAR_MV = 5.0  # from here on a departure at rest tells which group holds more: our choice
_SAME_MV = 1.5  # between a meter's offset and a departure at rest: our choice
_APART_V = 0.05  # levels of rests far apart in charge: our choice
_WELL_KNOWN_MV, _STEEPER = 2.5, 1.5  # of a departure at rest; of the slopes there, times: our choice
# Half a per cent of charge where 1 % makes 14 mV: tuned on cells of others, where 9 of 20 smaller ones were none
_LEAST_PROVED_MV = 7.0
_MOST_BIRGE = 9.0  # of a contradiction no more is laid to what was known: three deviations: our choice
_EITHER = 0.75  # the highest confidence of less capacity where a gap in charge explains the rests: our choice
CLEARLY = 2.0  # standard uncertainties beyond which a rest contradicts: our choice
_AS_FAR = 0.5  # of the departure under current: more at rest is not resistance's: our choice
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)


@dataclass(frozen=True, slots=True, eq=False)
class SeenAtRest:
    """One rest.

    Attributes:
        away_mv: (g,) from the median group; NaN of a group that was not read.
        u_mv: (g,) its standard uncertainty, without that of the curve's slope.
        length_s: of the rest.
        level_v: of the median group. soc: its charge by the curve assumed.
        percent_mv: what 1 % of charge makes there. slope_u: its relative standard uncertainty beside the scale that is
            stated with a size: what the curve assumed has as a bend there another cell's has elsewhere.
        after_charge: whether a charge was right before it.
        tells_charge: whether volts say anything of charge there: on a curve with a plateau a few mV say which step it
            is, and the curve assumed puts it elsewhere.
        moved: charge since the recording began, over the capacity; None without a current sensor.
    """

    away_mv: F64
    u_mv: F64
    length_s: float
    level_v: float
    soc: float
    percent_mv: float
    slope_u: float
    after_charge: bool
    tells_charge: bool
    moved: float | None = None

    def clear(self, group: int) -> bool:
        """Whether a group, counted from 1, stands off beyond doubt; not where it was not read."""
        away_mv, u_mv = abs(float(self.away_mv[group - 1])), float(self.u_mv[group - 1])
        return away_mv > max(_CLEAR_MV, CLEARLY * u_mv)


def rests_seen(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[SeenAtRest, ...]:
    """All rests that last long enough, each in its later half; after a charge not too late."""
    curve, steep = default_curve(profile.chemistry), not CHEMISTRIES[profile.chemistry].judged_by_charge
    channel_mv = 1e3 * meter_error(session).channel_v
    moved_ah = None if session.current_a is None else charge_moved_ah(session.time_s, session.current_a)
    out = []
    phases = tuple(p for phase in phases for p in _with_what_rests(phase, session, profile))
    for k, phase in enumerate(phases):
        length_s = phase.end_s - phase.start_s
        if phase.kind != "rest" or length_s < REST_S:
            continue
        after_charge = k > 0 and phases[k - 1].kind.startswith("charge")
        end_s = min(phase.end_s, phase.start_s + _SEEN_S) if after_charge else phase.end_s
        rows = between(session.time_s, (phase.start_s + end_s) / 2.0, end_s)
        levels_v = median_group_v(session.volts_v[rows])
        if not np.isfinite(levels_v).any():
            continue
        away_mv = 1e3 * np.asarray(column_medians(session.volts_v[rows] - levels_v[:, None]), np.float64)
        level_v = float(np.nanmedian(levels_v))
        soc = float(curve.soc(level_v))
        percent_mv = max(10.0 * float(curve.slope_v(soc)), _LEAST_MV)
        low, high = max(0.0, soc - _SLOPE_OVER), min(1.0, soc + _SLOPE_OVER)
        around_mv = 10.0 * float(curve.voltage_v(high) - curve.voltage_v(low)) / (high - low)
        share = max(_CURVE_SHARE, 0.5 * abs(around_mv / percent_mv - 1.0))
        bled_mv = percent_mv * _bled_percent(session, profile, end_s) if after_charge else 0.0
        u_mv = np.sqrt(channel_mv**2 + bled_mv**2 + _RELAXES_MV**2 + (_RELAXES * np.nan_to_num(away_mv)) ** 2)
        tells = steep and percent_mv >= 10.0 * _FLAT_V
        moved = None if moved_ah is None else float(np.mean(moved_ah[rows])) / profile.capacity_ah
        out.append(SeenAtRest(away_mv, u_mv, length_s, level_v, soc, percent_mv, share, after_charge, tells, moved))
    return tuple(out)


def _with_what_rests(phase: Phase, session: Session, profile: PackProfile) -> tuple[Phase, ...]:
    """A hold, and apart the end of it in which hardly any current flows: as good as a rest, though it is held."""
    if phase.kind != "charge_cv" or session.current_a is None:
        return (phase,)
    rows = np.flatnonzero(between(session.time_s, phase.start_s, phase.end_s))
    amps = rolling_median(session.current_a[rows].astype(np.float64), 5, "edge")
    flows = np.flatnonzero(np.abs(amps) > rest_current_a(profile))
    since_s = float(session.time_s[rows[flows[-1]]]) if len(flows) else phase.start_s
    if phase.end_s - since_s < REST_S:
        return (phase,)
    return replace(phase, end_s=since_s), Phase("rest", since_s, phase.end_s)


def on_own_curve(rests: tuple[SeenAtRest, ...], curve: PackCurve | None) -> tuple[SeenAtRest, ...]:
    """The same with place and slope by the pack's own curve, where the charge moved is known.

    Not after a charge, for the curve was followed to where bleeding may begin, and no further.
    """
    return rests if curve is None else tuple(_on_curve(rest, curve) for rest in rests)


def _on_curve(rest: SeenAtRest, curve: PackCurve) -> SeenAtRest:
    if rest.moved is None or not rest.tells_charge or rest.after_charge:
        return rest
    at = np.array([rest.moved])
    slope_mv, u_mv = (max(10.0 * float(f(at)[0]), _LEAST_MV) for f in (curve.slope_at, curve.slope_u))
    tells = slope_mv >= 10.0 * _FLAT_V
    return replace(rest, soc=curve.soc0 + rest.moved, percent_mv=slope_mv, slope_u=u_mv / slope_mv, tells_charge=tells)


def _bled_percent(session: Session, profile: PackProfile, now_s: float) -> float:
    """Percent of the capacity, a standard uncertainty: bled since the first group came near its threshold."""
    highest = np.nanmax(np.nan_to_num(session.volts_v, nan=-9.0), axis=1)
    near = np.flatnonzero(highest > profile.threshold_v - _BLEED_MARGIN_V)
    hours = max(0.0, now_s - float(session.time_s[near[0]])) / 3600.0 if len(near) else 0.0
    guessed = _GUESSED_BLEED if "balancer.bleed_ma" in profile.defaults else 1.0
    return _BLED_SHARE * guessed * hours * 0.1 * profile.bleed_ma / profile.capacity_ah


def with_rests(evidence: Evidence, rests: tuple[SeenAtRest, ...]) -> Evidence:
    """Evidence, and that of its looks in doubt, joined to what these rests tell of meter, charge and capacity."""
    telling = [rest for rest in rests if rest.tells_charge]
    if len(telling) == 1:  # how far another cell's slope is off here is stated with the size
        telling = [replace(telling[0], slope_u=_CURVE_SHARE)]
    for rest in telling:
        evidence = _joined(evidence, rest)
    return evidence


def _joined(evidence: Evidence, rest: SeenAtRest) -> Evidence:
    moved = rest.soc - evidence.soc0
    like = np.array([1.0, rest.percent_mv, -rest.percent_mv * moved, 0.0])  # mV, of a unit of each kind
    away_mv = np.nan_to_num(rest.away_mv)
    u_mv = np.where(np.isfinite(rest.away_mv), np.hypot(rest.u_mv, rest.slope_u * away_mv), np.inf)
    each = [_told(look, like, away_mv, u_mv) for look in (evidence, *evidence.doubted)]
    return replace(each[0], doubted=tuple(each[1:]))


def _told(evidence: Evidence, like: F64, seen_mv: F64, u_mv: F64) -> Evidence:
    """Evidence after one more look (least squares, one observation of each group).

    Where the look lies further from what was expected than both are known to, what was known is less sure by as much
    (the Birge ratio of the adjustments of physical constants: R. Birge, Phys. Rev. 40, 1932).
    """
    off_mv = seen_mv - evidence.size @ like
    expected = np.einsum("i,gij,j->g", like, evidence.covariance, like)
    known = evidence.covariance * np.clip(off_mv**2 / (expected + u_mv**2), 1.0, _MOST_BIRGE)[:, None, None]
    gain = np.einsum("gij,j->gi", known, like)
    gain /= (gain @ like + u_mv**2)[:, None]
    size = evidence.size + gain * off_mv[:, None]
    covariance = known - np.einsum("gi,j,gjk->gik", gain, like, known)
    return replace(evidence, size=size - np.median(size, axis=0), covariance=covariance)


def at_one_rest(rests: tuple[SeenAtRest, ...], session: Session, profile: PackProfile) -> Evidence | None:
    """What the longest rest tells of meter and charge together, of groups that were even elsewhere, or at the top.

    Here such are apart by what their capacities scatter. None without a rest, or on a curve so flat that volts say
    little of charge.
    """
    longest = max(rests, key=lambda r: r.length_s, default=None)
    if longest is None or not longest.tells_charge or not 0.0 < longest.soc <= 1.0:
        return None
    nothing = replace(nothing_known(len(longest.away_mv)), soc0=longest.soc)
    evidence = with_rests(nothing, (longest,))
    visited = default_curve(profile.chemistry).soc(np.nanquantile(median_group_v(session.volts_v), [0.02, 0.98]))
    covariance = evidence.covariance.copy()
    covariance[:, CHARGE, CHARGE] += (SCATTER[CAPACITY] * max(float(np.ptp(visited)), 1.0 - longest.soc)) ** 2
    away_mv = np.nan_to_num(longest.away_mv)
    return replace(evidence, covariance=covariance, seen_mv=np.stack([away_mv, away_mv]))


def proved_mv(group: int, rests: tuple[SeenAtRest, ...]) -> float | None:
    """A meter's offset of a group, in mV, where rests prove one: the same at all of them; None where they do not.

    Two that are well known must be far apart and differ much in slope: a gap in charge would show as different volts.
    A small one is none: production's own gaps in charge and capacity together may look as much alike.
    """
    here = [(r, float(r.away_mv[group - 1]), float(r.u_mv[group - 1])) for r in rests]
    known = [(r, mv) for r, mv, u in here if u <= _WELL_KNOWN_MV and r.tells_charge]
    far = any(abs(a.level_v - b.level_v) > _APART_V and a.percent_mv > _STEEPER * b.percent_mv
              for a, _ in known for b, _ in known)  # fmt: skip
    if not far:
        return None
    offset = float(np.mean([mv for _, mv in known]))
    same = all(abs(mv - offset) <= (_SAME_MV if u <= _WELL_KNOWN_MV else CLEARLY * u) for _, mv, u in here)
    return offset if same and abs(offset) >= _LEAST_PROVED_MV else None


def against_rests(w: Weakness, rests: tuple[SeenAtRest, ...], evidence: Evidence | None) -> Weakness:
    """What is seen, and no cause, where a rest says that it cannot be this one.

    A group that lacks charge stands lower at every rest, about as far as its curve says; and no resistance shows where
    no current flows.
    """
    clear = [r for r in rests if np.isfinite(r.away_mv[w.group - 1])]
    against, why = None, ""
    if w.cause == "low_capacity" and _charge_explains(w.group, clear):
        return replace(w, confidence=min(w.confidence, _EITHER))
    if w.cause == "charge_offset":
        against = next((r for r in clear if _charge_is_not_there(w, r)), None)
        why = "the charge it seems to hold contradicts its voltage at rest"
    elif w.cause == "high_resistance" and evidence is not None and not evidence.has_steps:
        against = next((r for r in clear if _stands_as_far(w, r, evidence)), None)
        why = "it stands as far off at rest, where no resistance shows"
    if against is None:
        return w
    seen, half = float(against.away_mv[w.group - 1]), _Z90 * float(against.u_mv[w.group - 1])
    return replace(
        w, cause="cannot_tell", size=round(seen, 3), unit="mV", size_low=round(seen - half, 3),
        size_high=round(seen + half, 3), detail="; ".join(filter(None, (w.detail, why))),
    )  # fmt: skip


def reaching_to(w: Weakness, rests: tuple[SeenAtRest, ...]) -> Weakness:
    """A gap in charge with an interval that holds what each rest before a charge makes of it.

    Curves of two cells differ from place to place, so rests that disagree tell how far the size may be off.
    """
    if w.cause != "charge_offset":
        return w
    told = [r for r in rests if r.tells_charge and not r.after_charge]
    sizes = [float(r.away_mv[w.group - 1]) / r.percent_mv for r in told]
    alike = [size for size in sizes if size * w.size > 0.0]
    low, high = min((w.size_low, *alike)), max((w.size_high, *alike))
    return replace(w, size_low=round(low, 3), size_high=round(high, 3))


def _charge_explains(group: int, rests: list[SeenAtRest]) -> bool:
    """Whether a gap in charge alone makes what rests far apart show, as well as slopes of other cells are known."""
    told = [r for r in rests if r.tells_charge]
    far = told and max(r.level_v for r in told) - min(r.level_v for r in told) > _APART_V
    gaps = np.array([float(r.away_mv[group - 1]) / r.percent_mv for r in told])
    if not far or not all(r.clear(group) for r in told) or np.ptp(np.sign(gaps)) > 0.0:
        return False
    spread = float(np.abs(gaps).max() / np.abs(gaps).min())
    return spread < float(np.exp(_Z90 * np.sqrt(2.0) * SLOPE_SCALE_U))


def _charge_is_not_there(w: Weakness, rest: SeenAtRest) -> bool:
    """Whether it stands clearly to the other side, or clearly nearer than the least of what is said makes it."""
    g = w.group - 1
    shown = float(np.sign(w.size) * rest.away_mv[g])
    if shown < 0.0 and rest.clear(w.group):
        return True
    least = min(abs(w.size_low), abs(w.size_high)) if w.size_low * w.size_high > 0.0 else 0.0
    expected = (1.0 - SLOPE_SCALE_U) * rest.percent_mv * least
    return rest.tells_charge and shown + CLEARLY * float(rest.u_mv[g]) < expected


def _stands_as_far(w: Weakness, rest: SeenAtRest, evidence: Evidence) -> bool:
    if evidence.seen_mv is None:
        return False
    away = abs(float(rest.away_mv[w.group - 1]))
    most = float(np.abs(evidence.seen_mv[:, w.group - 1]).max())
    return rest.clear(w.group) and away > _AS_FAR * most
