"""Evidence on each group: its departures in meter, charge, capacity and resistance, with their joint uncertainty.

Generalised least squares with a model error that is correlated in time (what a simple circuit leaves unexplained
drifts over a quarter of an hour) and the charge part times the uncertainty of the curve's slope (some per cent, and
much more at the ends of what was visited). What a recording cannot tell apart comes out with a large and correlated
uncertainty, and so decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.weakness_rows import Rows, fast_resistance, make_rows
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["CAUSES", "UNITS", "Evidence", "gather"]

F64 = NDArray[np.float64]

CAUSES = ("meter_offset", "charge_offset", "low_capacity", "high_resistance")
UNITS = ("mV", "%", "%", "%")
_ERROR_S = 900.0  # correlation time of the model error
_ERROR_SHARE = 1.1  # of the residual: what is left after a fit understates what was there, found on tuning seeds
_ERROR_FLOOR_V = 0.0002
_SLOPE_RANGE = 0.03  # of SoC, over which an error of the slope stays alike
_FAR_BETTER = 25.0  # in log likelihood
_WIDEST_GAP = 0.1  # of SoC: beyond it the bend is not followed
_ROW_NOISE = 5e-4
_RESISTANCE_FLOOR = 0.5  # %: current and timing errors that more scans do not lessen
_WIDE = np.array([50.0, 50.0, 100.0, 300.0])  # what is believed before looking: nearly nothing


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Estimates for g groups, each against the median group.

    Attributes:
        size: (g, 4) in UNITS, signed: charge and capacity negative when less, resistance positive when more.
        covariance: (g, 4, 4).
        joint: (g,) ratio of the extra resistance over half a minute to the extra at once; NaN where not resolved. A
            cell's is above 1.4, a joint's or lead's is 1.
        depth: share of the capacity that was moved. has_steps: resistance was seen in the steps of a ride.
        r_ohm: half-minute resistance of the median group. soc0: its SoC at the start.
    """

    size: F64
    covariance: F64
    joint: F64
    depth: float
    has_steps: bool
    r_ohm: float
    soc0: float


def gather(session: Session, profile: PackProfile) -> Evidence | None:
    """Evidence of a session with a current sensor, or None when there is too little of it."""
    rows = make_rows(session, profile)
    if rows is None:
        return None
    size, covariance = _regress(rows)
    steps = fast_resistance(session)
    joint = np.full(session.groups, np.nan)
    if steps is not None:
        r_ohm, u_ohm = steps
        middle = float(np.median(r_ohm))
        percent = (r_ohm / middle - 1.0) * 100.0
        extra_once = r_ohm - middle
        extra_later = size[:, 3] * 0.01 * rows.r_ohm
        clear = (np.abs(extra_once) > 0.1 * middle) & (rows.r_ohm > middle)
        joint[clear] = extra_later[clear] / extra_once[clear]
        size[:, 3] = percent
        u = np.hypot(u_ohm / middle * 100.0, _RESISTANCE_FLOOR)
        covariance[:, 3, :] = 0.0
        covariance[:, :, 3] = 0.0
        covariance[:, 3, 3] = u**2
    size = size - np.median(size, axis=0)
    return Evidence(size, covariance, joint, rows.depth, steps is not None, rows.r_ohm, rows.soc0)


def _regress(rows: Rows) -> tuple[F64, F64]:
    """(g, 4) sizes and (g, 4, 4) covariances; the slow resistance is fitted along and left out."""
    r = max(rows.r_ohm, 0.001) * 0.01
    x = np.column_stack([
        np.full(len(rows.time_s), 1e-3), rows.slope_v * 0.01, -rows.slope_v * rows.moved * 0.01, rows.current_a * r,
        rows.slow_a * r,
    ])  # fmt: skip
    y = rows.departure_v
    prior = np.diag(1.0 / np.append(_WIDE, _WIDE[3]) ** 2)
    plain = np.linalg.solve(x.T @ x / _ROW_NOISE**2 + prior, x.T @ y / _ROW_NOISE**2)
    left = np.sqrt(float(np.median(np.mean((y - x @ plain) ** 2, axis=0))))
    error_v = max(_ERROR_SHARE * left, _ERROR_FLOOR_V)
    base = error_v**2 * np.exp(-np.abs(np.subtract.outer(rows.time_s, rows.time_s)) / _ERROR_S)
    base += np.eye(len(y)) * max(0.3 * error_v, 1e-4) ** 2
    near = np.exp(-np.abs(np.subtract.outer(rows.surface, rows.surface)) / _SLOPE_RANGE)
    groups = y.shape[1]
    size, covariance = np.zeros((groups, 4)), np.zeros((groups, 4, 4))
    for g in range(groups):
        fits = [_fit(rows, x, y[:, g], (base, near, prior), gap) for gap in _gaps(rows, y[:, g], plain[:, g])]
        found, full = _settled(fits)
        size[g], covariance[g] = found[:4], full[:4, :4]
    return size, covariance


def _gaps(rows: Rows, y: F64, plain: F64) -> list[F64]:
    """Beliefs to begin with of how far a group is from the median in SoC: the first fit's, all charge, all capacity.

    The curve's slope stands to a group's charge as the gap does, so a wrong gap bends the regressor itself; the first
    fit alone takes part of a large charge offset for one of the meter.
    """
    lags = rows.slope_v * rows.moved
    charge = float(rows.slope_v @ y) / float(rows.slope_v @ rows.slope_v)
    capacity = float(lags @ y) / max(float(lags @ lags), 1e-12)
    return [0.01 * (plain[1] - plain[2] * rows.moved), np.full(len(y), charge), capacity * rows.moved]


def _settled(fits: list[tuple[float, F64, F64]]) -> tuple[F64, F64]:
    """The first fit, or one that explains the group far better; in between both count, and their difference is doubt.

    A better likelihood by less than that went wrong as often as right (tuning seeds), so it must not decide alone.
    """
    _, first, full = fits[0]
    _, other, other_full = best = max(fits, key=lambda fit: fit[0])
    share = float(np.clip((best[0] - fits[0][0]) / _FAR_BETTER, 0.0, 1.0))
    apart = other - first
    doubt = share * (1.0 - share) * np.outer(apart, apart)
    return first + share * apart, full + share * (other_full - full) + doubt


def _fit(rows: Rows, x: F64, y: F64, beliefs: tuple[F64, F64, F64], gap: F64) -> tuple[float, F64, F64]:
    """Log marginal likelihood, estimate and covariance of one group, given its gap (b,) of SoC."""
    base, near, prior = beliefs
    x = x.copy()
    # The curve bends: what counts is its slope halfway between this group and the median one.
    slope = rows.slope_at(rows.surface + np.clip(gap, -_WIDEST_GAP, _WIDEST_GAP) / 2)
    x[:, 1], x[:, 2] = slope * 0.01, -slope * rows.moved * 0.01
    lower = np.linalg.cholesky(base + np.outer(gap * rows.slope_u_v, gap * rows.slope_u_v) * near)
    xw, yw = np.linalg.solve(lower, x), np.linalg.solve(lower, y)
    precision = xw.T @ xw + prior
    full: F64 = np.asarray(np.linalg.inv(precision), np.float64)
    found: F64 = full @ (xw.T @ yw)
    left = yw - xw @ found
    log_det = 2.0 * float(np.sum(np.log(np.diag(lower)))) + float(np.linalg.slogdet(precision)[1])
    return -0.5 * (float(left @ left) + float(found @ prior @ found) + log_det), found, full
