"""Fit `top_model` to a window under each rule that a board may follow, and say how well each explains it.

Gauss and Newton's method with damping (D. Marquardt, J. SIAM 11 (1963) 431) on means and normal priors together; the
posterior is taken as normal around the best parameters, and a rule's evidence by Laplace's approximation (R. Kass,
A. Raftery, J. Am. Stat. Assoc. 90 (1995) 773). Errors of a group against the others are small and the model's own;
errors that all groups share are larger.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.charge_curve import SLOW_SHARE, Base, bases
from evenstring.analysis.balancing.normal_equations import Scales, normal, voltages, whitened
from evenstring.analysis.balancing.parameters import (
    BLEED,
    GRID_V,
    KNOTS_V,
    LEVEL,
    NC,
    NG,
    QUICK,
    SLOW,
    SOFT_V,
    SPEED,
    THRESHOLD,
    Guess,
)  # fmt: skip
from evenstring.analysis.balancing.string_model import CLOSING
from evenstring.analysis.balancing.window import Window
from evenstring.analysis.series.arrays import middle_sigma
from evenstring.profile import PackProfile

__all__ = ["CLOSING", "Fit", "bleed_a", "explain", "left_over_v"]

F64 = NDArray[np.float64]
# How well the model is taken to fit a mean, group against group and all together, and how blurred a board's decision:
# from coarse to fine, so that the fit does not settle on the wrong side of a decision: tuned on own sessions under
# 300,000.
_STAGES = ((0.001, 0.002, 0.004), (0.0004, 0.001, 0.002), (0.0002, 0.0006, SOFT_V))
_ENOUGH = (2.0, 1.0, 0.3)  # gain in cost at which a stage is left: tuned on own sessions under 300,000
_LEAST_U_V, _MOST_U_V = 0.00005, 0.005  # least and most that a fit is taken to leave over: our choice
# Left over of groups against their mean: a fit is good, and no other curve is tried: tuned on own sessions under
# 300,000
_GOOD_V = 0.00015
# What is left over, times this: for the parameters; and for their uncertainty, for it runs on from mean to mean:
# tuned on own sessions under 300,000.
_CLOSE, _NOT_INDEPENDENT = 1.5, 3.0
_SLOPE_U = 0.15  # of the slope against its base's, over some 15 mV: tuned on own sessions under 300,000
# Degrees of freedom of that: now and then a curve has a dip that its base has not (a phase change): tuned on own
# sessions under 300,000
_TAIL = 2.0
_SLOW_SHARE_U = 0.12  # of polarisation's slow share: our choice
_CAPACITY_U = 0.012  # relative, of a group's capacity: production scatter: our choice
_SENSE_U_V = 0.0012  # a board's own voltage sensing, group against group: common practice
_PRIOR = {"above_lowest": 0.6, "odd_even": 0.15, "threshold": 0.245, "none": 0.005}  # what boards do: our choice
_LENT = {True: "threshold", False: "above_lowest"}  # by whether the better one closes: what else it may be
_STARTS_V = {"above_lowest": (-0.045, -0.01), "threshold": (-0.02,)}  # of full, where it is not given: our choice
_ITERATIONS = 12  # a stage: tuned on own sessions under 300,000
# More damping, step by step, until the cost falls; a few are tried at once, which takes no longer than one. A step of
# a parameter is no longer than a stride, in its standard deviations: tuned on own sessions under 300,000.
_TRIES, _AT_ONCE, _STIFFER, _STRIDE = 9, 3, 6.0, 2.5
_MORE = np.array([_STIFFER**k for k in range(_AT_ONCE)])
# Logarithm, of full current over capacity: measured, seen before the hold, neither: our choice
_SPEED_U = (0.15, 0.3, 0.6)
# Where it is not given; logarithm: given, not, and without the current: our choice
_USUAL_BLEED_MA, _BLEED_U = 70.0, (0.35, 0.6, 0.25)
_THRESHOLD_U_V, _BELOW_FULL_V, _BELOW_FULL_U_V = 0.001, 0.03, 0.018  # given; else this far under full: our choice
_LEVEL_U_V = (0.004, 0.02)  # of the level at the window's start: with a charge before the hold, without: our choice
_LEAD_U = 0.06  # of SoC, of a group far from the others: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Parameters x = mean + sd z under one guess; root: Cholesky factor of z's precision; evidence: a logarithm."""

    guess: Guess
    mean: F64
    sd: F64
    z: F64
    root: F64
    evidence: float
    cost: float
    residual_v: F64  # (n, g)

    @property
    def x(self) -> F64:
        """(NC + NG g,) parameters."""
        return np.asarray(self.mean + self.sd * self.z)


def explain(w: Window, profile: PackProfile, channel_u_v: float) -> list[Fit]:
    """The best explanation by a rule that gets even and by one that does not; the better first.

    Where the profile gives the rule: by it, and by no bleeding at all. `evidence` includes what boards do.
    """
    tries: list[list[Fit]] = []
    for lead in (False, True):
        among = _likely(max(tries, key=_evidence)) if lead else tuple(_PRIOR)
        for base in bases(w, profile, lead):
            tries.append(_rules(w, profile, _start(w, profile, channel_u_v, base, lead), among))
            if left_over_v(w, tries[-1][0])[0] < _GOOD_V:
                break
    rules = max(tries, key=_evidence)
    left = left_over_v(w, rules[0])
    tight, doubt = (
        (float(np.clip(k * left[0], low, _MOST_U_V)), float(np.clip(k * left[1], 3 * low, _MOST_U_V)), SOFT_V)
        for k, low in ((_CLOSE, _LEAST_U_V), (_NOT_INDEPENDENT, 3 * _LEAST_U_V))
    )
    best = [_judged(w, _fit(w, f, 2, tight), doubt) for f in rules]
    return sorted(best, key=lambda f: -f.evidence)


def _evidence(fits: list[Fit]) -> float:
    return fits[0].evidence


def _likely(fits: list[Fit]) -> tuple[str, ...]:
    """Of each kind a rule, as a circuit explains the window best: a lead in charge does not make another board."""
    rules = {f.guess.rule in CLOSING: f.guess.rule for f in reversed(fits)}
    return rules.get(True, _LENT[False]), rules.get(False, _LENT[True])


def _judged(w: Window, fit: Fit, scales: Scales) -> Fit:
    """The same parameters, with the precision and evidence that they have when errors run on from mean to mean."""
    (cost,), (left,) = _costs(w, fit, fit.z[None], scales)
    curvature, _ = normal(w, fit.guess, (fit.x, fit.sd), left, scales)
    return _summed_up(fit, fit.z, (float(cost), left), curvature + np.diag(_pull(fit.z)))


def _rules(w: Window, profile: PackProfile, start: Fit, among: tuple[str, ...]) -> list[Fit]:
    """The best of the rules that get a string even, and of the others, along one curve; the better first."""
    thin = w.thinned()
    lead = _fit(thin, start, 0)
    rules = []
    for rule in among:
        starts = [replace(lead, guess=replace(lead.guess, rule=rule))]
        if rule in _STARTS_V and "balancer.threshold_v" in profile.defaults:
            starts += [_from_threshold(starts[0], profile.full_v + shift) for shift in _STARTS_V[rule]]
        rules.append(max((_fit(thin, f, 0) for f in starts), key=lambda f: f.evidence))
    rules = [_fit(w, f, 1) for f in rules]
    kinds = [[f for f in rules if (f.guess.rule in CLOSING) == closing] for closing in (True, False)]
    first, second = sorted(
        (_fit(w, max(kind, key=lambda f: f.evidence), 2) for kind in kinds), key=lambda f: -f.evidence
    )
    best = [first, second]
    if not start.guess.lead:  # what one rule found may help another out of a corner
        lent = _under(w, first, _LENT[first.guess.rule in CLOSING])
        best = sorted([first, max(second, lent, key=lambda f: f.evidence)], key=lambda f: -f.evidence)
    if profile.bleed_rule is None:
        return best
    known = max((_under(w, f, profile.bleed_rule) for f in best), key=lambda f: f.evidence)
    return sorted([known, *(f for f in best if f.guess.rule == "none")], key=lambda f: -f.evidence)


def _under(w: Window, fit: Fit, rule: str) -> Fit:
    """A fit taken on under another rule."""
    return fit if fit.guess.rule == rule else _fit(w, replace(fit, guess=replace(fit.guess, rule=rule)), 2)


def left_over_v(w: Window, fit: Fit) -> tuple[float, float]:
    """Root mean square of what is left over, V: of groups against their mean, and of the mean."""
    used = fit.residual_v[w.weight > 0.5]
    middle = used.mean(axis=1)
    return float(np.sqrt(((used - middle[:, None]) ** 2).mean())), float(np.sqrt((middle**2).mean()))


def _from_threshold(start: Fit, threshold_v: float) -> Fit:
    z = start.z.copy()
    z[THRESHOLD] = (threshold_v - start.mean[THRESHOLD]) / start.sd[THRESHOLD]
    return replace(start, z=z)


def bleed_a(w: Window, fit: Fit, profile: PackProfile) -> float:
    """Bleed current, A: by the sensor, else by the profile's capacity and how fast the charge ran along the curve."""
    full_a = w.full_current_a or float(np.exp(fit.x[SPEED])) * profile.capacity_ah
    return float(np.exp(fit.x[BLEED])) * full_a


def _start(w: Window, profile: PackProfile, channel_u_v: float, base: Base, lead: bool = False) -> Fit:
    """Priors (see the constants), and a first guess of each group's lead or lag."""
    groups, speed, log_slope = w.volts_v.shape[1], base.speed, base.log_slope
    mean, sd = np.zeros(NC), np.full(NC, _SLOPE_U)
    known_speed = w.full_current_a is not None
    mean[SPEED] = np.log(speed if w.full_current_a is None else w.full_current_a / profile.capacity_ah)
    sd[SPEED] = _SPEED_U[0 if known_speed else 1 if w.before >= 6 else 2]
    mean[QUICK], sd[QUICK] = np.log(w.quick_v), w.quick_u
    mean[SLOW], sd[SLOW] = SLOW_SHARE, _SLOW_SHARE_U
    given = "balancer.bleed_ma" not in profile.defaults
    full_a = w.full_current_a or speed * profile.capacity_ah
    mean[BLEED] = np.log((profile.bleed_ma if given else _USUAL_BLEED_MA) / 1000.0 / full_a)
    sd[BLEED] = np.hypot(_BLEED_U[0 if given else 1], 0.0 if known_speed else _BLEED_U[2])
    known = "balancer.threshold_v" not in profile.defaults
    mean[THRESHOLD], sd[THRESHOLD] = (
        (profile.threshold_v, _THRESHOLD_U_V) if known else (profile.full_v - _BELOW_FULL_V, _BELOW_FULL_U_V)
    )
    sd[LEVEL] = _LEVEL_U_V[0 if w.before > 3 else 1]
    own_mean, own_sd = np.zeros((NG, groups)), np.ones((NG, groups))
    own_mean[1] = w.rho
    own_sd[:] = np.array([_LEAD_U / speed, w.rho_u, _CAPACITY_U, max(channel_u_v, 1e-5), _SENSE_U_V])[:, None]
    height = w.volts_v[-3:].mean(axis=0) - w.volts_v[-3:].mean()
    top = float(np.exp(np.interp(-0.02, GRID_V, log_slope))) * speed
    own_sd[0] = _lead_u(height, top, channel_u_v, own_sd[0])
    z = np.zeros(NC + NG * groups)
    z[NC : NC + groups] = np.clip(height / top / own_sd[0], -3.0, 3.0)
    z[SPEED] = np.clip((np.log(speed) - mean[SPEED]) / sd[SPEED], -2.0, 2.0)
    all_mean, all_sd = np.concatenate([mean, own_mean.ravel()]), np.concatenate([sd, own_sd.ravel()])
    guess = Guess("above_lowest", log_slope, profile.full_v, polar_v=base.polar_v, lead=lead)
    return Fit(guess, all_mean, all_sd, z, np.eye(len(z)), -np.inf, np.inf, np.zeros_like(w.volts_v))


def _lead_u(height_v: F64, slope_v: float, channel_u_v: float, wide: F64) -> F64:
    """Standard deviation of lambda before it is seen: the scatter of most groups; wide for those far from them.

    Without it the meter's offsets would widen the string: a maximum minus a minimum (JCGM 101:2008).
    """
    away = height_v - np.median(height_v)
    middle = middle_sigma(away)
    core = float(np.sqrt(max(middle**2 - channel_u_v**2, (0.4 * channel_u_v) ** 2)))
    return np.where(np.abs(away) > 3.0 * np.hypot(core, channel_u_v), wide, core / slope_v)


def _fit(w: Window, start: Fit, stage: int, scales: Scales | None = None) -> Fit:
    scales = scales or _STAGES[stage]
    z, damping = start.z, 1e-2
    (cost,), (left,) = _costs(w, start, z[None], scales)
    curvature = np.eye(len(z))
    for _ in range(_ITERATIONS):
        curvature, down = normal(w, start.guess, (start.mean + start.sd * z, start.sd), left, scales)
        pull = _pull(z)
        curvature, down = curvature + np.diag(pull), down - pull * z
        for _ in range(_TRIES // _AT_ONCE):
            dampings = damping * _MORE
            tried = z + _steps(curvature, down, dampings)
            costs, lefts = _costs(w, start, tried, scales)
            if (costs < cost).any():
                break
            damping *= _STIFFER**_AT_ONCE
        else:
            break
        first = int((costs < cost).argmax())
        small = cost - costs[first] < _ENOUGH[stage]
        z, cost, left, damping = (
            tried[first],
            float(costs[first]),
            lefts[first],
            max(float(dampings[first]) / _STIFFER, 1e-7),
        )
        if small:
            break
    return _summed_up(start, z, (cost, left), curvature)


def _steps(curvature: F64, down: F64, dampings: F64) -> F64:
    """(k, parameters) damped steps, none of a parameter longer than `_STRIDE`."""
    damped = curvature + dampings[:, None, None] * np.diag(np.diag(curvature))
    step = np.linalg.solve(damped, down[:, None])[..., 0]
    return np.asarray(step / np.maximum(1.0, np.abs(step).max(axis=1, keepdims=True) / _STRIDE))


def _summed_up(of: Fit, z: F64, found: tuple[float, F64], curvature: F64) -> Fit:
    """A fit at z with its cost and residuals, and what Laplace's approximation makes of the curvature."""
    root = np.asarray(np.linalg.cholesky(curvature), dtype=np.float64)
    cost, left = found
    evidence = -0.5 * cost - float(np.log(np.diag(root)).sum()) + float(np.log(_PRIOR[of.guess.rule]))
    return replace(of, z=z, root=root, evidence=evidence, cost=cost, residual_v=left)


def _costs(w: Window, start: Fit, z: F64, scales: Scales) -> tuple[F64, F64]:
    """(k,) costs of parameters (k, ...), and what each leaves over (k, n, g)."""
    left = w.volts_v - voltages(w, start.guess, start.mean + start.sd * z, scales)
    slopes = z[:, : len(KNOTS_V)]
    penalty = (z[:, len(KNOTS_V) :] ** 2).sum(axis=1) + (_TAIL + 1.0) * np.log1p(slopes**2 / _TAIL).sum(axis=1)
    return (whitened(w, left, scales) ** 2).sum(axis=(1, 2)) + penalty, left


def _pull(z: F64) -> F64:
    """How strongly each prior holds its parameter: normal, but for slopes Student's t, as its weight at z."""
    out = np.ones(len(z))
    out[: len(KNOTS_V)] = (_TAIL + 1.0) / (_TAIL + z[: len(KNOTS_V)] ** 2)
    return out
