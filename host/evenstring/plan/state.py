"""A pack as a plan needs it: where its groups stand, how they drift apart, how its board brings them together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC

import numpy as np
from numpy.typing import NDArray

from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.report.material import Material
from evenstring.sim.run.daily_habit import Fleet

__all__ = ["PackState", "drawn", "state_of"]

F64 = NDArray[np.float64]
# Of capacity a week, of a group against the median one, where no two recordings tell: half-normal: common practice
USUAL_LEAK = 0.001
_GAP_U = 0.003  # of SoC: a group's place where no spread at the top was read: production scatter: common practice
_USUAL_BLEED_U = 0.4  # logarithm, of a bleed current that is assumed: our choice
_KNOWN_BLEED_U = 0.15  # and of one that is given or was seen: our choice
CAPACITY_U = 0.01  # relative, a group: production scatter: common practice
USUAL_SAG_V = 0.25  # of a hard start near empty, where no ride was recorded: our choice
_USUAL_SAG_U, _KNOWN_SAG_U = 0.5, 0.15  # logarithm, of a sag that is assumed, and of one that a ride showed: our choice
_MOST_CAPACITY_U = 0.03  # of capacities known no better production scatter says more: our choice
_HALF_MEDIAN = 0.67449  # of a half-normal over its width: published (median of |z|)
_AGAIN = 20  # times that a draw below 0 is drawn again: our choice
_WEEK_H = 168.0  # published (SI brochure, day)
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)


@dataclass(frozen=True, slots=True, eq=False)
class PackState:
    """One string of g groups.

    Attributes:
        gap: (g,) charge above the median group, of capacity; gap_u: standard uncertainty of one.
        leak: (g,) what a group loses a week more than the median, of capacity; leak_u: (g,). None: not known yet.
        bleed_a, bleed_u: and its relative uncertainty.
        capacity: (g,) of the median group's, capacity_u of one.
        sag_v: (g,) under the heaviest load of a ride, near empty; sag_u: relative, of all together.
        sag_known: from a ride; else assumed. start_s: of the first day, since 1970; None: nobody said.
        assumed: what else nobody said, in words.
    """

    chemistry: str
    capacity_ah: float
    full_v: float
    ceiling_v: float
    threshold_v: float
    gap: F64
    gap_u: float
    leak: F64 | None
    leak_u: F64 | None
    bleed_a: float
    bleed_u: float
    empty_v: float = 3.0
    capacity: F64 | None = None
    capacity_u: float = CAPACITY_U
    sag_v: F64 | float = USUAL_SAG_V
    sag_u: float = _USUAL_SAG_U
    sag_known: bool = False
    start_s: float | None = None
    assumed: tuple[str, ...] = ()

    @property
    def groups(self) -> int:
        """In series."""
        return len(self.gap)


def state_of(material: Material, leaks: tuple[F64, F64] | None = None) -> PackState:
    """From what was found in one recording, or in several of one pack.

    Args:
        material: the latest recording, or several.
        leaks: (g,) % of capacity a week and their standard uncertainties, where a history tells them better.
    """
    profile, found = material.profile, material.found
    curve = default_curve(profile.chemistry)
    away_mv = np.array(found.spread.departures_mv, np.float64)
    slope = float(curve.slope_v(np.array([curve.soc(profile.full_v)]))[0])
    known = len(away_mv) == profile.groups and "charge_cv" in {p.kind for p in found.phases}
    gap = np.nan_to_num(away_mv) / 1e3 / slope if known else np.zeros(profile.groups)
    leak, leak_u = _leaks(material) if leaks is None else (leaks[0] / 100.0, leaks[1] / 100.0)
    capacity, capacity_u = _capacities(material)
    sag_v, sag_known = _sags(material)
    start = material.session.start
    seen = found.balancing.bleed_ma
    assumed = seen is None and "balancer.bleed_ma" in profile.defaults
    return PackState(
        profile.chemistry,
        profile.capacity_ah,
        profile.full_v,
        profile.ceiling_v,
        min(profile.threshold_v, profile.full_v - 0.001),
        gap - np.median(gap),
        1e-3 / slope if known else _GAP_U,
        leak,
        leak_u,
        (profile.bleed_ma if seen is None else seen) / 1e3,
        _USUAL_BLEED_U if assumed else _KNOWN_BLEED_U,
        profile.empty_v,
        capacity,
        capacity_u,
        sag_v,
        _KNOWN_SAG_U if sag_known else _USUAL_SAG_U,
        sag_known,
        None if start is None else (start if start.tzinfo else start.replace(tzinfo=UTC)).timestamp(),
        tuple(_assumed(profile, known, bleed_assumed=assumed)),
    )


def _assumed(profile: PackProfile, known: bool, *, bleed_assumed: bool) -> Iterator[str]:
    if "pack.capacity_ah" in profile.defaults:
        yield f"a capacity of {profile.capacity_ah:g} Ah (--capacity, or capacity_ah in pack.toml)"
    if bleed_assumed:
        yield f"a bleed current of {profile.bleed_ma:g} mA (bleed_ma in pack.toml)"
    if not known:
        yield "groups that begin as level as new ones (record a charge to its end, and an hour past the light)"


def _capacities(material: Material) -> tuple[F64 | None, float]:
    """Of the median group's, where the recording tells them better than production does."""
    figures = material.found.figures
    if len(figures) != material.profile.groups:
        return None, CAPACITY_U
    u = float(np.median([f.capacity_u_percent for f in figures])) / 100.0
    if u > _MOST_CAPACITY_U:
        return None, CAPACITY_U
    seen = np.array([f.capacity_percent for f in figures]) / 100.0
    middle, left_u = _shrunk(seen, np.full(len(seen), u))
    return 1.0 + middle, float(np.median(left_u))


def _sags(material: Material) -> tuple[F64 | float, bool]:
    """(g,) V of each group under the full load of the recorded ride, near empty; False where it is assumed."""
    reserve, figures = material.found.reserve, material.found.figures
    if reserve is None or len(figures) != material.profile.groups:
        return USUAL_SAG_V, False
    ratio = 1.0 + np.array([f.resistance_percent for f in figures]) / 100.0
    return reserve.sag_mv / 1e3 * ratio / ratio[reserve.group - 1], True


def _leaks(material: Material) -> tuple[F64 | None, F64 | None]:
    look = material.second
    if look is None or len(look.all_leaks) != material.profile.groups:
        return None, None
    rows = np.array([(rate, (high - low) / 2.0 / _Z90) for _, rate, low, high in sorted(look.all_leaks)]) / 100.0
    return rows[:, 0], rows[:, 1]


def drawn(state: PackState, draws: int, rng: np.random.Generator) -> Fleet:
    """Packs that this one may be (JCGM 101:2008), as the simulator of habits takes them."""
    shape = (draws, state.groups)
    if state.leak is None or state.leak_u is None:
        leak = np.abs(USUAL_LEAK * rng.standard_normal(shape))
    else:
        leak = _half_normal(state.leak, state.leak_u, draws, rng)
    leak = leak - leak.min(axis=1, keepdims=True)  # what all lose alike makes no spread
    gap, gap_u = _shrunk(state.gap, np.full(state.groups, state.gap_u))
    capacity = np.ones(state.groups) if state.capacity is None else state.capacity
    soc = 0.95 + gap + gap_u * rng.standard_normal(shape)
    return Fleet(
        curve=default_curve(state.chemistry),
        capacity_ah=state.capacity_ah * (capacity + state.capacity_u * rng.standard_normal(shape)),
        soc=np.minimum(soc, 0.999),
        leak_a=leak * state.capacity_ah / _WEEK_H,
        bleed_a=state.bleed_a * np.exp(state.bleed_u * rng.standard_normal((draws, 1))),
        threshold_v=state.threshold_v,
        full_v=state.full_v,
        ceiling_v=state.ceiling_v,
        sag_v=state.sag_v * np.exp(state.sag_u * rng.standard_normal((draws, 1))),
    )


def _half_normal(seen: F64, u: F64, draws: int, rng: np.random.Generator) -> F64:
    """(draws, g) what is believed of leaks that were seen against the median one: none is below 0, most are small.

    Beforehand half-normal, as where nothing was seen; how wide comes from the scatter of what was seen less that of the
    meter, and is uncertain itself (variance by chi squared). So a string looks no wider than it is, for the widest
    figures are also the most wrong, and one that does leak is hardly pulled back.
    """
    shape = (draws, len(seen))
    scatter = float(np.var(seen, ddof=1)) * (len(seen) - 1) / rng.chisquare(len(seen) - 1, (draws, 1))
    meter = float(np.mean(u**2))
    width2 = np.maximum(scatter - meter, 0.01 * meter) / (1.0 - 2.0 / np.pi)  # variance of a half-normal
    weight = width2 / (width2 + u**2)
    middle, left_u = weight * (seen + _HALF_MEDIAN * np.sqrt(width2)), np.sqrt(weight) * u
    leak = middle + left_u * rng.standard_normal(shape)
    for _ in range(_AGAIN):
        below = leak < 0.0
        leak = np.where(below, middle + left_u * rng.standard_normal(shape), leak)
    return np.asarray(np.maximum(leak, 0.0))


def _shrunk(seen: F64, u: F64) -> tuple[F64, F64]:
    """What is believed of each group when what was seen scatters by its own uncertainty too.

    Else a string would look wider than it is, for the widest are also the most wrong (B. Efron, C. Morris, J. Am. Stat.
    Assoc. 70 (1975) 311).
    """
    own = max(float(np.var(seen)) - float(np.mean(u**2)), 1e-3 * float(np.var(seen)))
    weight = own / (own + u**2) if own > 0.0 else np.zeros_like(u)
    return seen.mean() + weight * (seen - seen.mean()), np.sqrt(weight) * u
