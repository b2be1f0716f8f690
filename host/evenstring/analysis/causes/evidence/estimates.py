"""Evidence on each group: its departures in meter, charge, capacity and resistance, with their joint uncertainty.

Generalised least squares with a model error that is correlated in time (what a simple circuit leaves unexplained
drifts over a quarter of an hour) and the charge part times the uncertainty of the curve's slope (some per cent, and
much more at the ends of what was visited). What a recording cannot tell apart comes out with a large and correlated
uncertainty, and so decides nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.catalogue import SCALE_U
from evenstring.analysis.causes.evidence.pack_ocv import LEAST_DEPTH, PackCurve
from evenstring.analysis.causes.evidence.rows import Rows, make_rows
from evenstring.analysis.series.resistance import group_resistance
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = [
    "AT_ONCE_S",
    "CAPACITY",
    "CHARGE",
    "METER",
    "RESISTANCE",
    "Column",
    "Evidence",
    "gather",
    "nothing_known",
    "sizes_drawn",
]

F64 = NDArray[np.float64]


class Column(IntEnum):
    """Where each kind of departure stands in `Evidence`, the causes in the order of the catalogue.

    SLOW is what the slow resistance has beyond RESISTANCE.
    """

    METER = 0
    CHARGE = 1
    CAPACITY = 2
    RESISTANCE = 3
    SLOW = 4


METER, CHARGE, CAPACITY, RESISTANCE, SLOW = Column
AT_ONCE_S = 2.0  # rows no further apart show a resistance before its slow part does: our choice
_ERROR_S = 900.0  # correlation time of the model error: tuned on own packs under 100,000
# Of the residual: what is left after a fit understates what was there: tuned on own packs under 100,000
_ERROR_SHARE = 0.9
_ERROR_FLOOR_V = 0.0002  # and no smaller: tuned on own packs under 100,000
_SLOPE_RANGE = 0.03  # of SoC, over which an error of the slope stays alike: tuned on own packs under 100,000
_ROUNDS = 2  # the gap in SoC that a fit finds says where on the curve the next one looks: our choice
_WIDEST_GAP = 0.2  # of SoC: beyond it the bend is not followed: our choice
_HEALTHY_GAP = 0.004  # of SoC, production scatter: common practice
_ROW_NOISE = 5e-4  # V, of a row's mean in the first, plain fit: our choice
_RESISTANCE_FLOOR = 0.4  # %: current and timing errors that more scans do not lessen: tuned on own packs under 100,000
# %: how far the slow part of a group's resistance may go its own way: tuned on own packs under 100,000
_SLOW_APART = 10.0
_SAG_SHARE = 0.02  # of an extra sag: how well the circuit follows it: tuned on own packs under 100,000
_CLEAR_PERCENT = 10.0  # of resistance: from here on joint and cell are told apart: our choice
_MOST_CAPACITY = 50.0  # %: nothing believable lies beyond: our choice
_LEAST_HALF = 10  # rows of half a charge that are fitted by themselves: our choice
# Of the capacity moved: tuned on published cells of the sets `tuned` and `checked`, where of the capacities named
# without a load all that were right lie above 0.33 and all three that were wrong under 0.28
_TELLS_CAPACITY = 0.3
_SPLIT = np.arange(4)  # meter, charge, capacity, resistance: what both halves of a charge must agree on: our choice
_WIDE = np.array([50.0, 50.0, 100.0, 300.0])  # what is believed before looking: nearly nothing: our choice
# Gaps of the looks in doubt, over what a departure would be as one; the larger only where the smaller would still have
# the meter be out by more than meters are: tuned on published cells of the set `tuned`
_WHOLE = (1.5, 4.0)
# Of the model error, what does not run on from row to row, and no less: tuned on own packs under 100,000
_WHITE_SHARE, _LEAST_WHITE_V = 0.3, 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Estimates for g groups, each against the median group.

    Attributes:
        size: (g, 4) in UNITS, signed: charge and capacity negative when less, resistance positive when more.
        covariance: (g, 4, 4).
        slow_share: (g,) how far the slow part of the resistance is up with what comes at once, over the median
            group's own two parts; NaN where not resolved. A worn cell's is 1, a joint's or lead's 0.
        depth: share of the capacity that was moved. has_steps: resistance was seen in the steps of a ride.
        soc0: SoC of the median group at the start. curve: the pack's own.
        late: whether resistance was not read at once, but with what of it is slow.
        scale_u: (4,) standard uncertainty of the logarithm of a size: what cells unlike the assumed ones do to it.
    """

    size: F64
    covariance: F64
    slow_share: F64
    depth: float
    has_steps: bool
    soc0: float
    curve: PackCurve | None = None
    seen_mv: F64 | None = None
    doubted: tuple[Evidence, ...] = ()
    scale_u: tuple[float, ...] = SCALE_U
    late: bool = False

    @property
    def tells_capacity(self) -> bool:
        """Whether less capacity is told from less charge: by the steps of a load, or by enough that was moved.

        A lack of capacity departs by its share of what was moved, and a slope that is off by a third does as much.
        """
        return self.has_steps or self.depth >= _TELLS_CAPACITY


def sizes_drawn(evidence: Evidence, rng: np.random.Generator) -> Iterator[F64]:
    """Sizes (g, 4) as they may be, without end: each group's own, and the scale that all have from one curve."""
    lower = np.linalg.cholesky(evidence.covariance + 1e-9 * np.eye(4))
    while True:
        own = evidence.size + np.einsum("gij,gj->gi", lower, rng.standard_normal(evidence.size.shape))
        yield np.asarray(own * np.exp(np.array(evidence.scale_u) * rng.standard_normal()))


def nothing_known(groups: int) -> Evidence:
    """Evidence that tells nothing."""
    wide = np.repeat(np.diag(_WIDE**2)[None], groups, axis=0)
    return Evidence(np.zeros((groups, SLOW)), wide, np.full(groups, np.nan), 0.0, False, 0.5)


def gather(session: Session, profile: PackProfile) -> Evidence | None:
    """Evidence of a session with a current sensor, or None when there is too little of it."""
    rows = make_rows(session, profile)
    if rows is None:
        return None
    steps = group_resistance(session)
    fast = None
    if steps is not None and not float(np.median(steps[0])) > 0:
        steps = None  # current and voltage that do not belong together: no resistance in them
    if steps is not None:
        r_ohm, u_ohm = steps
        middle = float(np.median(r_ohm))
        u = np.hypot(u_ohm / middle * 100.0, _RESISTANCE_FLOOR)
        fast = (r_ohm / middle - 1.0) * 100.0, u
    apart = _disagreement(rows) if fast is None else None
    groups = session.groups
    late = fast is None or float(np.median(np.diff(session.time_s))) > AT_ONCE_S
    plain, *doubted = (replace(_look(rows, fast, apart, groups, whole), late=late) for whole in (0.0, *_WHOLE))
    return replace(plain, doubted=tuple(doubted))


def _look(rows: Rows, fast: tuple[F64, F64] | None, apart: F64 | None, groups: int, whole: float) -> Evidence:
    found, full = _regress(rows, fast, whole)
    if apart is not None and not whole:
        full[:, :SLOW, :SLOW] += apart
    found = found - np.median(found, axis=0)
    # SoC moves by charge over the group's own capacity: fitted was 1 - 1 / (capacity relative to the median).
    found[:, CAPACITY] /= 1.0 - 0.01 * np.minimum(found[:, CAPACITY], _MOST_CAPACITY)
    slow_share = np.full(groups, np.nan)
    clear = np.abs(found[:, RESISTANCE]) > _CLEAR_PERCENT
    slow_share[clear] = 1.0 + found[clear, SLOW] / found[clear, RESISTANCE]
    seen_mv = 1e3 * np.quantile(rows.departure_v, (0.1, 0.9), axis=0)
    return Evidence(
        found[:, :SLOW],
        full[:, :SLOW, :SLOW],
        slow_share,
        rows.depth,
        fast is not None,
        rows.curve.soc0,
        rows.curve,
        seen_mv,
    )


def _disagreement(rows: Rows) -> F64:
    """(g, 4, 4) covariance by which the halves of a charge disagree beyond what each knows itself to err.

    They disagree along what they cannot tell apart: of a meter's offset and of charge the sum stays as well known.
    What a model leaves over widens what it claims (Kennedy and O'Hagan 2001, in its simplest form): a meter's offset is
    the same at any charge and current, so a departure that is one in the lower half and none in the upper is no offset
    but a misfit of whatever else was fitted. With a ride the steps of its load tell instead.
    """
    lower = rows.moved <= np.median(rows.moved)
    if min(lower.sum(), (~lower).sum()) < _LEAST_HALF:
        return np.zeros((rows.departure_v.shape[1], len(_SPLIT), len(_SPLIT)))
    parts = [_regress(rows.part(half), None) for half in (lower, ~lower)]
    apart = np.subtract(*(size - np.median(size, axis=0) for size, _ in parts))[:, _SPLIT]
    known = sum(np.einsum("gkk->gk", covariance)[:, _SPLIT] for _, covariance in parts)
    beyond = np.sign(apart) * np.sqrt(np.maximum(apart**2 - known, 0.0)) / 2.0
    return np.asarray(beyond[:, :, None] * beyond[:, None, :])


def _regress(rows: Rows, fast: tuple[F64, F64] | None, whole: float = 0.0) -> tuple[F64, F64]:
    """(g, 5) sizes and (g, 5, 5) covariances; the fifth is what the slow resistance has beyond the fourth, in %.

    `fast` is the resistance from the steps, in %, with its standard uncertainties: one more observation of the fourth.
    """
    x = np.column_stack([
        np.full(len(rows.time_s), 1e-3), rows.slope_v * 0.01, -rows.slope_v * rows.surface * 0.01, rows.sag_v * 0.01,
        rows.slow_v * 0.01,
    ])  # fmt: skip
    y = rows.departure_v
    groups = y.shape[1]
    prior, shift = np.zeros((groups, 5, 5)), np.zeros((groups, 5))
    prior[:] = np.diag(1.0 / np.append(_WIDE, _SLOW_APART) ** 2)
    if fast is not None:
        percent, u = fast
        prior[:, RESISTANCE, RESISTANCE] += 1.0 / u**2
        shift[:, RESISTANCE] = percent / u**2
        prior[:, SLOW, SLOW] = 1.0 / (_SLOW_APART + np.abs(percent)) ** 2  # a joint has no slow part
    plain = np.zeros((5, groups))
    for g in range(groups):
        plain[:, g] = np.linalg.solve(x.T @ x / _ROW_NOISE**2 + prior[g], x.T @ y[:, g] / _ROW_NOISE**2 + shift[g])
    left = np.sqrt(float(np.median(np.mean((y - x @ plain) ** 2, axis=0))))
    error_v = max(_ERROR_SHARE * left, _ERROR_FLOOR_V)
    alike = np.exp(-np.abs(np.subtract.outer(rows.time_s, rows.time_s)) / _ERROR_S)
    noise = np.eye(len(y)) * max(_WHITE_SHARE * error_v, _LEAST_WHITE_V) ** 2
    near = np.exp(-np.abs(np.subtract.outer(rows.surface, rows.surface)) / _SLOPE_RANGE)
    size, covariance = np.zeros((groups, 5)), np.zeros((groups, 5, 5))
    for g in range(groups):
        sag = _SAG_SHARE * 0.01 * abs(plain[RESISTANCE, g]) * rows.sag_v
        base = noise + (error_v**2 + np.outer(sag, sag)) * alike
        beliefs = base, near, prior[g], shift[g]
        if whole:
            size[g], covariance[g] = _fit(rows, x, y[:, g], beliefs, whole * y[:, g] / rows.slope_v)
            continue
        size[g] = plain[:, g]
        for _ in range(_ROUNDS):
            gap = 0.01 * (size[g, CHARGE] - size[g, CAPACITY] * rows.surface)
            size[g], covariance[g] = _fit(rows, x, y[:, g], beliefs, gap)
    return size, covariance


def _fit(rows: Rows, x: F64, y: F64, beliefs: tuple[F64, F64, F64, F64], gap: F64) -> tuple[F64, F64]:
    """Estimate and covariance of one group, given its gap (b,) of SoC."""
    base, near, prior, shift = beliefs
    x = x.copy()
    # The curve bends: what counts is its mean slope between this group and the median one (Simpson's rule).
    half = np.clip(gap, -_WIDEST_GAP, _WIDEST_GAP) / 2
    at = [rows.curve.slope_at(rows.surface + k * half) for k in range(3)]
    slope = (at[0] + 4.0 * at[1] + at[2]) / 6.0
    x[:, CHARGE], x[:, CAPACITY] = slope * 0.01, -slope * rows.surface * 0.01
    # At one voltage a gap cannot be seen, and a healthy one is to be ruled out: its doubt is that of a healthy gap.
    doubt = (np.clip(gap, -_HEALTHY_GAP, _HEALTHY_GAP) if rows.depth < LEAST_DEPTH else gap) * rows.slope_u_v
    lower = np.linalg.cholesky(base + np.outer(doubt, doubt) * near)
    both = np.linalg.solve(lower, np.column_stack([x, y]))
    xw, yw = both[:, :-1], both[:, -1]
    precision = xw.T @ xw + prior
    full: F64 = np.asarray(np.linalg.inv(precision), np.float64)
    found: F64 = full @ (xw.T @ yw + shift)
    return found, full
