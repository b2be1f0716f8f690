"""Fit `top_model` to a window under each rule that a board may follow, and say how well each explains it.

Gauss and Newton's method with damping (D. Marquardt, J. SIAM 11 (1963) 431) on means and normal priors together; the
posterior is taken as normal around the best parameters, and a rule's evidence by Laplace's approximation (R. Kass,
A. Raftery, J. Am. Stat. Assoc. 90 (1995) 773). Errors of a group against the others are small and the model's own;
errors that all groups share are larger.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.top_model import KNOTS_V, NC, NG, SOFT_V, Board, curves_of, run, split
from evenstring.analysis.top_window import SLOW_H, Window
from evenstring.ocv import CURVES, curve
from evenstring.profile import PackProfile

__all__ = ["Fit", "explain"]

F64 = NDArray[np.float64]
_K = len(KNOTS_V)
# How well the model is taken to fit a mean, group against group and all together, and how blurred a board's decision:
# from coarse to fine, so that the fit does not settle on the wrong side of a decision.
_STAGES = ((0.001, 0.002, 0.004), (0.0004, 0.001, 0.002), (0.0002, 0.0006, SOFT_V))
_LEAST_U_V, _LEAST_COMMON_U_V, _MOST_U_V = 0.00015, 0.0005, 0.005
_NOT_INDEPENDENT = 3.0  # times what is left over: it runs on from mean to mean (tuned for coverage)
_SLOW_SHARE, _SLOW_SHARE_U = 0.3, 0.12  # of polarisation (R after 30 s is 1.6 to 2.3 times R after 1 s, published pulses)
_CAPACITY_U = 0.012
_SENSE_U_V = 0.0012  # a board's own voltage sensing, group against group (from memory)
_PRIOR = {"above_lowest": 0.6, "turns": 0.15, "threshold": 0.245, "none": 0.005}  # our choice: what boards do
_THRESHOLDS_V = (-0.05, -0.035, -0.02, -0.005)  # of full: starts where the profile does not give it
_ITERATIONS = 12  # a stage
Scales = tuple[float, float, float]
_OWN_STEPS = np.array([1e-4, 1e-4, 1e-4, 1e-5, 1e-5])  # for derivatives by a group's parameters


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Parameters x = mean + sd z under one rule; root: Cholesky factor of z's precision; evidence: a logarithm."""

    rule: str
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
    """All explanations, the best first; `evidence` includes what boards commonly do."""
    starts = _starts(w, profile, channel_u_v)
    rough = w.thinned()
    curves = [_fit(rough, profile.full_v, _under(w, starts[0], k, profile), _STAGES[0]) for k in range(len(_logs(profile)))]
    like = max(curves, key=lambda f: f.evidence)
    first = [_fit(rough, profile.full_v, _with_curve(s, like), _STAGES[0]) for s in starts]
    best = _best_by_rule(first)
    for scales in _STAGES[1:]:
        best = _best_by_rule([_fit(w, profile.full_v, f, scales) for f in best])
    # What one rule found may help another out of a corner.
    best = _best_by_rule([_fit(w, profile.full_v, f, _STAGES[-1]) for f in best[1:] + _lent(best)] + best[:1])
    left = best[0].residual_v
    own = left - left.mean(axis=1, keepdims=True)
    used = w.weight > 0.5
    scales = (_scale(own[used], _LEAST_U_V), _scale(left[used].mean(axis=1), _LEAST_COMMON_U_V), SOFT_V)
    return _best_by_rule([_fit(w, profile.full_v, f, scales) for f in best])


def _under(w: Window, start: Fit, k: int, profile: PackProfile) -> Fit:
    """A start from published curve k, at the speed that suits it, instead of the mean of all."""
    z = start.z.copy()
    z[:_K] = np.clip((_logs(profile)[k] + np.log(_speeds(w, profile)[k]) - start.mean[:_K]) / start.sd[:_K], -3.0, 3.0)
    return replace(start, z=z)


def _with_curve(start: Fit, like: Fit) -> Fit:
    """A start with all but the threshold as fitted elsewhere."""
    z = (like.x - start.mean) / start.sd
    z[_K + 3] = start.z[_K + 3]
    return replace(start, z=z)


def _lent(fits: list[Fit]) -> list[Fit]:
    """The best fit's parameters under the other rules; thresholds of their own too, where the best has none."""
    out = []
    for f in fits[1:]:
        z = (fits[0].x - f.mean) / f.sd
        out.append(replace(f, z=z))
        if fits[0].rule == "none":
            z = z.copy()
            z[_K + 2 : _K + 4] = f.z[_K + 2 : _K + 4]
            out.append(replace(f, z=z))
    return out


def _scale(left_v: F64, least_v: float) -> float:
    """What is left counts for more than its size: it is not independent from mean to mean."""
    return float(np.clip(_NOT_INDEPENDENT * np.sqrt((left_v**2).mean()), least_v, _MOST_U_V))


def _best_by_rule(fits: list[Fit]) -> list[Fit]:
    best: dict[str, Fit] = {}
    for f in fits:
        if f.rule not in best or f.evidence > best[f.rule].evidence:
            best[f.rule] = f
    return sorted(best.values(), key=lambda f: -f.evidence)


def _starts(w: Window, profile: PackProfile, channel_u_v: float) -> list[Fit]:
    given = "balancer.threshold_v" not in profile.defaults
    shifts = (None,) if given else _THRESHOLDS_V
    starts = [_start(w, profile, channel_u_v, rule, shift) for rule in ("above_lowest", "threshold") for shift in shifts]
    starts.append(_start(w, profile, channel_u_v, "turns", None if given else -0.025))
    return [*starts, _start(w, profile, channel_u_v, "none", None)]


def _start(w: Window, profile: PackProfile, channel_u_v: float, rule: str, shift_v: float | None) -> Fit:
    """Priors (see the constants), and a first guess of each group's lead or lag."""
    groups = w.volts_v.shape[1]
    mean, sd = np.zeros(NC), np.ones(NC)
    slope, slope_u = _slopes(profile)
    speed, speed_u = _speed(w, profile)
    mean[:_K], sd[:_K] = np.log(slope * speed), np.hypot(slope_u, 0.7 * speed_u)
    mean[_K], sd[_K] = np.log(w.quick_v), w.quick_u
    mean[_K + 1], sd[_K + 1] = _SLOW_SHARE, _SLOW_SHARE_U
    given = "balancer.bleed_ma" not in profile.defaults
    full_a = w.full_current_a or speed * profile.capacity_ah
    mean[_K + 2] = np.log((profile.bleed_ma if given else 70.0) / 1000.0 / full_a)
    sd[_K + 2] = np.hypot(0.35 if given else 0.6, 0.0 if w.full_current_a else 0.25)
    mean[_K + 3] = profile.threshold_v if shift_v is None else profile.full_v + shift_v
    sd[_K + 3] = 0.001 if shift_v is None else 0.015
    sd[_K + 4] = 0.004 if w.before > 3 else 0.02
    own_mean, own_sd = np.zeros((NG, groups)), np.ones((NG, groups))
    own_mean[1] = w.rho
    own_sd[:] = np.array([0.06 / speed, w.rho_u, _CAPACITY_U, max(channel_u_v, 1e-5), _SENSE_U_V])[:, None]
    z = np.zeros(NC + NG * groups)
    height = w.volts_v[-3:].mean(axis=0) - w.volts_v[-3:].mean()
    z[NC : NC + groups] = np.clip(height / (slope[-3] * speed) / own_sd[0], -3.0, 3.0)
    all_mean, all_sd = np.concatenate([mean, own_mean.ravel()]), np.concatenate([sd, own_sd.ravel()])
    return Fit(rule, all_mean, all_sd, z, np.eye(len(z)), -np.inf, np.inf, np.zeros_like(w.volts_v))


def _logs(profile: PackProfile) -> F64:
    """(curves, knots) logarithm of the slope, V per 1.0 of SoC, of published cells of this kind."""
    alike = [c for c in CURVES if c.endswith("lfp") == (profile.chemistry == "lfp")]
    return np.log([curve(c).slope_v(curve(c).soc(profile.full_v + KNOTS_V)) for c in alike])


def _slopes(profile: PackProfile) -> tuple[F64, F64]:
    """Slope at the knots, V per 1.0 of SoC, and its relative uncertainty: how far published cells are apart."""
    logs = _logs(profile)
    return np.exp(logs.mean(axis=0)), np.maximum(logs.std(axis=0), 0.3)


def _speed(w: Window, profile: PackProfile) -> tuple[float, float]:
    """Full current over capacity, 1/h, and its relative uncertainty: by the sensor, else by how fast the level rose."""
    if w.full_current_a is not None:
        return w.full_current_a / profile.capacity_ah, 0.15
    return float(np.median(_speeds(w, profile))), 0.35 if w.before >= 6 else 0.6


def _speeds(w: Window, profile: PackProfile) -> F64:
    """(curves,) full current over capacity, 1/h, by how fast the level rose along each published curve."""
    logs = _logs(profile)
    if w.before < 6:
        return np.full(len(logs), 0.22 if w.full_current_a is None else w.full_current_a / profile.capacity_ah)
    t = np.arange(w.before) * w.step_h
    slow = 1.0 - (1.0 - w.slow0) * np.exp(-t / SLOW_H)
    polar = w.quick_v / (1.0 - _SLOW_SHARE) * (1.0 - _SLOW_SHARE * (1.0 - slow))
    level = w.volts_v[: w.before].mean(axis=1) - polar - profile.full_v
    grid = np.linspace(level.min(), max(level.max(), level.min() + 0.01), 200)
    out = []
    for row in logs:
        hours = np.exp(-np.interp(grid, KNOTS_V, row))
        soc = np.concatenate([[0.0], np.cumsum((hours[1:] + hours[:-1]) / 2.0 * np.diff(grid))])
        out.append(np.polyfit(t, np.interp(level, grid, soc), 1)[0])
    return np.clip(out, 0.03, 1.5)


def _fit(w: Window, full_v: float, start: Fit, scales: Scales) -> Fit:
    mean, sd, z, damping = start.mean, start.sd, start.z, 1e-2
    cost, left = _cost(w, full_v, start, z, scales)
    curvature = np.eye(len(z))
    for _ in range(_ITERATIONS):
        wide = _jacobian(w, full_v, replace(start, z=z), scales)
        curvature = wide.T @ wide + np.eye(len(z))
        down = wide.T @ _whitened(w, left, scales).ravel() - z
        for _ in range(9):
            step = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), down)
            step /= max(1.0, float(np.abs(step).max()) / 2.5)
            tried, tried_left = _cost(w, full_v, start, z + step, scales)
            if tried < cost:
                break
            damping *= 6.0
        else:
            break
        small = cost - tried < 0.02
        z, cost, left, damping = z + step, tried, tried_left, max(damping / 6.0, 1e-7)
        if small:
            break
    root = np.linalg.cholesky(curvature)
    evidence = -0.5 * cost - float(np.log(np.diag(root)).sum()) + float(np.log(_PRIOR[start.rule]))
    return Fit(start.rule, mean, sd, z, root, evidence, cost, left)


def _cost(w: Window, full_v: float, start: Fit, z: F64, scales: Scales) -> tuple[float, F64]:
    left = w.volts_v - _volts(w, full_v, Board(start.rule, scales[2]), (start.mean + start.sd * z)[None])[0]
    return float((_whitened(w, left, scales) ** 2).sum() + (z**2).sum()), left


def _volts(w: Window, full_v: float, board: Board, x: F64) -> F64:
    """(p, n, g) voltages of parameters (p, ...)."""
    common, own = split(x, w.volts_v.shape[1])
    return run(w, curves_of(w, x, full_v), common, own, board)[1].volts_v


def _whitened(w: Window, left_v: F64, scales: Scales) -> F64:
    """Residuals (..., n, g): own parts by their scale, the mean's by its."""
    middle = left_v.mean(axis=-1, keepdims=True)
    return np.asarray(((left_v - middle) / scales[0] + middle / scales[1]) * w.weight[:, None])


def _jacobian(w: Window, full_v: float, at: Fit, scales: Scales) -> F64:
    """(n g, parameters) of whitened voltages by z: differences for the common ones, in closed form for the groups'."""
    n, groups = w.volts_v.shape
    x, h = at.x[None], 0.02
    board = Board(at.rule, scales[2])
    varied = np.repeat(x, NC, axis=0)
    varied[np.arange(NC), np.arange(NC)] += h * at.sd[:NC]
    base = _volts(w, full_v, board, np.concatenate([x, varied]))
    out = np.empty((n, groups, len(at.z)))
    out[:, :, :NC] = np.moveaxis(_whitened(w, (base[1:] - base[0]) / h, scales), 0, 2)
    for p, by in enumerate(_by_own(w, full_v, board, x)):
        block = np.zeros((n, groups, groups))
        block[:, np.arange(groups), np.arange(groups)] = by
        if p == 0:  # lambda counts without its mean
            block -= by[:, :, None] / groups
        # Groups are the middle axis here, parameters the last.
        wide = np.moveaxis(_whitened(w, np.moveaxis(block, 2, 0), scales), 0, 2)
        out[:, :, NC + p * groups : NC + (p + 1) * groups] = wide * at.sd[NC + p * groups : NC + (p + 1) * groups]
    return out.reshape(n * groups, -1)


def _by_own(w: Window, full_v: float, board: Board, x: F64) -> F64:
    """(NG, n, g) derivative of a group's voltage by its own parameters, what all share held fixed."""
    common, own = split(x, w.volts_v.shape[1])
    curves = curves_of(w, x, full_v)
    drive, parts, lowest = run(w, curves, common, own, board)
    many = len(_OWN_STEPS)
    varied = np.repeat(own, many, axis=0)
    varied[np.arange(many), np.arange(many)] += _OWN_STEPS[:, None]
    moved = run(
        w, _repeated(curves, many), _repeated(common, many), varied, board, (_repeated(drive, many), lowest.repeat(many, 0))
    )[1]
    return np.asarray((moved.volts_v - parts.volts_v) / _OWN_STEPS[:, None, None])


def _repeated(one: Any, times: int) -> Any:
    """A dataclass of arrays with p = 1 as one with p = times."""
    return type(one)(*(np.repeat(getattr(one, f.name), times, axis=0) for f in fields(one)))
