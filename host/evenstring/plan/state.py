"""A pack as a plan needs it: where its groups stand, how they drift apart, how its board brings them together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.ocv import default_curve
from evenstring.report.material import Material
from evenstring.sim.run.daily_habit import Fleet

__all__ = ["PackState", "drawn", "state_of"]

F64 = NDArray[np.float64]
# Of capacity a week, of a group against the median one, where no two recordings tell: half-normal: common practice
USUAL_LEAK = 0.001
_GAP_U = 0.003  # of SoC: a group's place where no spread at the top was read: production scatter: common practice
_USUAL_BLEED_U = 0.4  # logarithm, of a bleed current that is assumed: our choice
_KNOWN_BLEED_U = 0.15  # and of one that is given or was seen: our choice
_CAPACITY_U = 0.01  # relative, a group: production scatter: common practice
_WEEK_H = 168.0  # published (SI brochure, day)
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)


@dataclass(frozen=True, slots=True, eq=False)
class PackState:
    """One string of g groups.

    Attributes:
        gap: (g,) charge above the median group, of capacity; gap_u: standard uncertainty of one.
        leak: (g,) what a group loses a week more than the median, of capacity; leak_u: (g,). None: not known yet.
        bleed_a, bleed_u: and its relative uncertainty.
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

    @property
    def groups(self) -> int:
        """In series."""
        return len(self.gap)


def state_of(material: Material) -> PackState:
    """From what was found in one recording, or in several of one pack."""
    profile, found = material.profile, material.found
    curve = default_curve(profile.chemistry)
    away_mv = np.array(found.spread.departures_mv, np.float64)
    slope = float(curve.slope_v(np.array([curve.soc(profile.full_v)]))[0])
    known = len(away_mv) == profile.groups and "charge_cv" in {p.kind for p in found.phases}
    gap = np.nan_to_num(away_mv) / 1e3 / slope if known else np.zeros(profile.groups)
    leak, leak_u = _leaks(material)
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
    )


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
        middle, u = _shrunk(state.leak, state.leak_u)
        leak = middle + u * rng.standard_normal(shape)
    leak = leak - leak.min(axis=1, keepdims=True)  # what all lose alike makes no spread
    gap, gap_u = _shrunk(state.gap, np.full(state.groups, state.gap_u))
    soc = 0.95 + gap + gap_u * rng.standard_normal(shape)
    return Fleet(
        curve=default_curve(state.chemistry),
        capacity_ah=state.capacity_ah * (1.0 + _CAPACITY_U * rng.standard_normal(shape)),
        soc=np.minimum(soc, 0.999),
        leak_a=leak * state.capacity_ah / _WEEK_H,
        bleed_a=state.bleed_a * np.exp(state.bleed_u * rng.standard_normal((draws, 1))),
        threshold_v=state.threshold_v,
        full_v=state.full_v,
        ceiling_v=state.ceiling_v,
    )


def _shrunk(seen: F64, u: F64) -> tuple[F64, F64]:
    """What is believed of each group when what was seen scatters by its own uncertainty too.

    Else a string would look wider than it is, for the widest are also the most wrong (B. Efron, C. Morris, J. Am. Stat.
    Assoc. 70 (1975) 311).
    """
    own = max(float(np.var(seen)) - float(np.mean(u**2)), 1e-3 * float(np.var(seen)))
    weight = own / (own + u**2) if own > 0.0 else np.zeros_like(u)
    return seen.mean() + weight * (seen - seen.mean()), np.sqrt(weight) * u
