"""The pack's own OCV curve from a recording: the median group's voltage as a curve over charge and a circuit.

Method: equivalent circuit (G. Plett, Battery Management Systems, Vol. I, 2015). The median group is OCV(SoC) + R I +
sum of R_k I_k, with the current filtered by the time constants of RC pairs a decade apart. A smooth correction of the
profile's OCV curve is fitted along (ridge on its height, slope and bend), so that an aged or other curve is followed;
how far it may go, and how far the particles' surface leads their inside, is decided by marginal likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.lag import lagged
from evenstring.ocv import OcvCurve

__all__ = ["LEAST_DEPTH", "SURFACE_S", "TAUS_S", "PackCurve", "Place", "filtered", "fit_curve"]

F64 = NDArray[np.float64]

TAUS_S = (10.0, 100.0, 1000.0)  # of the RC pairs, a decade apart: common practice
SURFACE_S = 150.0  # how fast the lead of the surface builds up: tuned on own packs under 100,000
_DIFFUSION_S = (0.0, 75.0, 150.0)  # lead over the rate of change: tuned on own packs under 100,000
_STEP_S = 2.0  # of the filters: well below the shortest time constant: our choice
_KNOT = 0.04  # of SoC, between knots of the correction: tuned on own packs under 100,000
# What the circuit leaves unexplained of the median group: one of these: our choice
_ROW_ERRORS_V = (
    0.0003,
    0.0006,
    0.001,
    0.002,
    0.003,
    0.006,
    0.01,
)
# How long that stays alike, and the part that does not: tuned on own packs under 100,000
_ERROR_S, _WHITE_SHARE = 900.0, 0.3
_PAIR_OHM = 0.01  # what a resistance of the circuit may be: our choice
# How far the correction, its slope and bend per knot may go ...: tuned on own packs under 100,000
_CURVE_V, _SLOPE_V, _BEND_V = 0.05, 0.004, 0.0015
_FREEDOMS = (0.5, 1.0, 2.0, 4.0, 8.0)  # ... times one of these: tuned on own packs under 100,000
LEAST_DEPTH = 0.03  # of the capacity: from here on the pack's own curve is followed: tuned on own packs under 100,000
# Error of the profile's curve where nothing was seen of the pack's: 2 % of SoC on the place: our choice
_UNSEEN_V = 0.002
# Uncertainty of the slope, V per 1.0 of SoC, beside that of the fit: tuned on own packs under 100,000
_SLOPE_SHARE, _SLOPE_LEAST_V = 0.03, 0.03
# Uncertainty of the place on the curve, SoC per volt left unexplained: tuned on own packs under 100,000
_PLACE_PER_V, _PLACE_MOST = 10.0, 0.03
# V per 1.0 of SoC, of any curve, and half of the width a slope is taken over: our choice
_LEAST_SLOPE_V, _SPAN = 0.02, 0.01
_BEYOND = 0.05  # of SoC, by which counted charge may run beyond empty and full: our choice


@dataclass(frozen=True, slots=True, eq=False)
class PackCurve:
    """What was fitted.

    Attributes:
        soc0: SoC of the median group where the charge moved is 0, by the profile's curve.
        diffusion_s: lead of the surface over the rate of change of charge.
        ohm: (1 + k,) resistance at once, and of the RC pairs of TAUS_S.
        slope_at: dOCV/dSoC in V per 1.0 of SoC for values of "charge moved, with the lead", any 1-d shape.
        voltage_at: OCV in V for the same values.
        fit_u: standard uncertainty of that from the fit itself.
        error_v: what the circuit leaves unexplained.
    """

    soc0: float
    diffusion_s: float
    ohm: F64
    slope_at: Callable[[F64], F64]
    voltage_at: Callable[[F64], F64]
    fit_u: Callable[[F64], F64]
    error_v: float

    def slope_u(self, z: F64) -> F64:
        """The fit's, a few per cent, and more where the curve bends: the place on it is not known well.

        How well it is known follows from how well the circuit explains the median group.
        """
        place = min(_PLACE_PER_V * self.error_v, _PLACE_MOST)
        here, above, below = self.slope_at(z), self.slope_at(z + place), self.slope_at(z - place)
        bend = np.maximum(np.abs(above - here), np.abs(here - below))
        return np.asarray(np.sqrt(self.fit_u(z) ** 2 + (_SLOPE_SHARE * here) ** 2 + _SLOPE_LEAST_V**2 + bend**2))


def filtered(time_s: F64, amps: F64, taus_s: tuple[float, ...]) -> F64:
    """(n, k) current through first-order filters, at scans that may be uneven in time."""
    step = np.floor(time_s / _STEP_S)
    first = np.flatnonzero(np.diff(step, prepend=-1.0) > 0)
    count = np.diff(np.append(first, len(time_s)))
    t, a = (np.add.reduceat(x, first) / count for x in (time_s, amps))
    out = lagged(t, a, taus_s)
    return np.column_stack([np.interp(time_s, t, out[:, j]) for j in range(len(taus_s))])


@dataclass(frozen=True, slots=True)
class Place:
    """Where the median group was seen at a known SoC, within so much, and the charge moved by then."""

    moved: float
    soc: float
    within: float


def fit_curve(
    curve: OcvCurve, time_s: F64, moved: F64, lead: F64, volts_v: F64, amps: F64, full: Place | None = None
) -> PackCurve | None:
    """Fit b rows.

    Args:
        curve: the profile's.
        time_s: (b,).
        moved: (b,) charge since the start over the capacity.
        lead: (b,) lead of the surface per second of diffusion.
        volts_v: (b,) the median group.
        amps: (b, 1 + k) current at once and filtered by TAUS_S.
        full: a place at the top of the charge, outside the rows, where one was seen.
    """
    if np.ptp(moved) < LEAST_DEPTH:
        return _by_profile(curve, moved, volts_v, amps)
    alike = np.exp(-np.abs(np.subtract.outer(time_s, time_s)) / _ERROR_S) + _WHITE_SHARE**2 * np.eye(len(time_s))
    white = np.linalg.inv(np.linalg.cholesky(alike))
    fits = [_fit(curve, moved + seconds * lead, volts_v, amps, white, full) for seconds in _DIFFUSION_S]
    known = [(fit, seconds) for fit, seconds in zip(fits, _DIFFUSION_S, strict=True) if fit is not None]
    if not known:
        return None
    best, seconds = min(known, key=lambda fit: fit[0].cost)
    return _as_curve(curve, moved + seconds * lead, best, seconds)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    cost: float  # -2 log marginal likelihood, but for a constant
    soc0: float
    error_v: float
    found: F64  # resistances, then the correction at the knots
    covariance: F64


def _fit(curve: OcvCurve, q: F64, v: F64, amps: F64, white: F64, full: Place | None) -> _Fit | None:
    """The most probable starting SoC, freedom of the correction, and error, with no resistance below zero.

    A negative one would let the curve be too steep by as much: a resistance that comes out so is none (active set).
    """
    soc0 = np.arange(0.01, 1.0, 0.01)
    soc0 = soc0[(soc0 + q.max() <= 1.0 + _BEYOND) & (soc0 + q.min() >= -_BEYOND)]
    if full is not None:  # a wrong curve errs alike in all rows: however many they are, they do not outvote the top
        near = np.abs(soc0 + full.moved - full.soc) <= full.within
        soc0 = soc0[near] if near.any() else soc0
    if not len(soc0):
        return None  # before any knots are set: a sensor that is stuck moves many capacities
    knots = _knots(q)
    x = white @ np.column_stack([amps, _hats(q, knots)])
    y = white @ (v[:, None] - curve.voltage_v(np.clip(soc0 + q[:, None], 0.0, 1.0)))
    resistances = np.arange(amps.shape[1])
    while True:
        columns = np.append(resistances, amps.shape[1] + np.arange(len(knots)))
        fit = _most_probable(soc0, x[:, columns], y, len(resistances))
        least = int(np.argmin(fit.found[: len(resistances)]))
        if fit.found[least] >= 0.0 or len(resistances) == 1:
            break
        resistances = np.delete(resistances, least)
    found, covariance = np.zeros(x.shape[1]), np.zeros((x.shape[1], x.shape[1]))
    found[columns], covariance[np.ix_(columns, columns)] = fit.found, fit.covariance
    return replace(fit, found=found, covariance=covariance)


def _most_probable(soc0: F64, x: F64, y: F64, m: int) -> _Fit:
    """The best of a grid, with m resistances free to have any sign."""
    n = x.shape[1] - m
    squares, both, own = x.T @ x, x.T @ y, np.sum(y**2, axis=0)
    smooth = np.vstack([
        np.eye(n) / _CURVE_V, np.diff(np.eye(n), 1, axis=0) / _SLOPE_V, np.diff(np.eye(n), 2, axis=0) / _BEND_V,
    ])  # fmt: skip
    best: _Fit | None = None
    for freedom in _FREEDOMS:
        prior = np.zeros((m + n, m + n))
        prior[:m, :m] = np.eye(m) / _PAIR_OHM**2
        prior[m:, m:] = smooth.T @ smooth / freedom**2
        for error_v in _ROW_ERRORS_V:
            precision = squares / error_v**2 + prior
            found = np.linalg.solve(precision, both) / error_v**2
            cost = (own - np.sum(both * found, axis=0)) / error_v**2
            cost += np.linalg.slogdet(precision)[1] - np.linalg.slogdet(prior)[1] + 2.0 * len(x) * np.log(error_v)
            k = int(np.argmin(cost))
            if best is None or cost[k] < best.cost:
                covariance: F64 = np.asarray(np.linalg.inv(precision), np.float64)
                best = _Fit(float(cost[k]), float(soc0[k]), error_v, np.asarray(found[:, k], np.float64), covariance)
    assert best is not None  # noqa: S101  # the grid is not empty
    return best


def _as_curve(curve: OcvCurve, q: F64, fit: _Fit, diffusion_s: float) -> PackCurve:
    knots = _knots(q)
    m = len(fit.found) - len(knots)

    def change(moved: F64) -> F64:
        seen = np.clip(moved, q.min(), q.max())  # beyond what was seen the correction's slope goes on
        return (_hats(seen + _SPAN, knots) - _hats(seen - _SPAN, knots)) / (2.0 * _SPAN)

    def slope_at(moved: F64) -> F64:
        soc = np.clip(fit.soc0 + moved, _SPAN, 1.0 - _SPAN)
        slope = (curve.voltage_v(soc + _SPAN) - curve.voltage_v(soc - _SPAN)) / (2.0 * _SPAN)
        return np.asarray(np.maximum(slope + change(moved) @ fit.found[m:], _LEAST_SLOPE_V))

    def voltage_at(moved: F64) -> F64:
        correction = _hats(np.clip(moved, q.min(), q.max()), knots) @ fit.found[m:]
        return np.asarray(curve.voltage_v(np.clip(fit.soc0 + moved, 0.0, 1.0)) + correction)

    def fit_u(moved: F64) -> F64:
        hats = change(moved)
        return np.asarray(np.sqrt(np.einsum("bi,ij,bj->b", hats, fit.covariance[m:, m:], hats)))

    ohm = np.maximum(fit.found[:m], 0.0)
    return PackCurve(fit.soc0, diffusion_s, ohm, slope_at, voltage_at, fit_u, fit.error_v)


def _by_profile(curve: OcvCurve, q: F64, v: F64, amps: F64) -> PackCurve:
    """Too little moved to see the pack's own curve: the profile's, at the voltage that was seen, and no resistance."""
    soc0 = float(np.clip(curve.soc(float(np.median(v))) - np.median(q), 0.0, 1.0))

    def slope_at(moved: F64) -> F64:
        soc = np.clip(soc0 + moved, _SPAN, 1.0 - _SPAN)
        return np.asarray(
            np.maximum((curve.voltage_v(soc + _SPAN) - curve.voltage_v(soc - _SPAN)) / (2.0 * _SPAN), _LEAST_SLOPE_V)
        )

    def voltage_at(moved: F64) -> F64:
        return curve.voltage_v(np.clip(soc0 + moved, 0.0, 1.0))

    return PackCurve(soc0, 0.0, np.zeros(amps.shape[1]), slope_at, voltage_at, np.zeros_like, _UNSEEN_V)


def _knots(q: F64) -> F64:
    return np.arange(q.min() - 0.75 * _KNOT, q.max() + 1.5 * _KNOT, _KNOT)


def _hats(x: F64, knots: F64) -> F64:
    return np.clip(1.0 - np.abs(x[:, None] - knots[None, :]) / _KNOT, 0.0, None)
