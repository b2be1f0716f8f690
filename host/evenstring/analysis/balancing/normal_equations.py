"""How `top_model`'s voltages answer to each parameter, and the normal equations of a fit that follow.

Parameters are x (NC + NG g,), taken in standard deviations sd of their priors. Residuals are weighted ("whitened") by
how well the model is taken to fit, group against group and all groups together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.parameters import NC, NG, Guess, curves_of, split
from evenstring.analysis.balancing.string_model import run
from evenstring.analysis.balancing.window import Window

__all__ = ["Scales", "normal", "slopes", "voltages", "whitened"]

F64 = NDArray[np.float64]
Scales = tuple[float, float, float]  # V: of a group against the others, of all together, of a board's decision
_STEP = 0.02  # for derivatives by the common parameters, in their standard deviations: our choice
_OWN_STEPS = np.array([1e-4, 1e-4, 1e-4, 1e-5, 1e-5])  # the same by a group's parameters: our choice


def voltages(w: Window, guess: Guess, x: F64, scales: Scales) -> F64:
    """(p, n, g) voltages of parameters (p, ...)."""
    common, own = split(x, w.volts_v.shape[1], guess.lead)
    return run(w, curves_of(w, x, guess), common, own, replace(guess, soft_v=scales[2])).volts_v


def whitened(w: Window, left_v: F64, scales: Scales) -> F64:
    """Residuals (..., n, g): own parts by their scale, the mean's by its."""
    middle = left_v.mean(axis=-1, keepdims=True)
    return np.asarray(((left_v - middle) / scales[0] + middle / scales[1]) * w.weight[:, None])


def slopes(w: Window, guess: Guess, at: tuple[F64, F64], scales: Scales) -> tuple[F64, F64]:
    """Derivatives of the voltages at (x, sd): (NC, n, g) by the common parameters, (NG, n, g) by a group's own.

    By differences; a group's own move nothing but its own voltages: what all share is held fixed, and lambda is taken
    as it is, with its mean.
    """
    (x, sd), groups, kinds = at, w.volts_v.shape[1], np.arange(NG)
    varied = np.repeat(x[None], NC + 1, axis=0)
    varied[np.arange(NC), np.arange(NC)] += _STEP * sd[:NC]
    # First the unvaried one; the last sets are that again, with all groups' parameters of one kind moved at once.
    rows = np.concatenate([[NC], np.arange(NC), np.full(NG, NC)])
    common, own = split(varied[rows], groups, guess.lead)
    own[NC + 1 + kinds, kinds] += _OWN_STEPS[:, None]
    curves = curves_of(w, varied, guess).sets(rows)
    volts = run(w, curves, common, own, replace(guess, soft_v=scales[2]), follow=NG).volts_v
    by_own = (volts[NC + 1 :] - volts[0]) / _OWN_STEPS[:, None, None]
    return (volts[1 : NC + 1] - volts[0]) / _STEP, by_own * sd[NC:].reshape(NG, 1, groups)


def normal(w: Window, guess: Guess, at: tuple[F64, F64], left_v: F64, scales: Scales) -> tuple[F64, F64]:
    """Matrix and right side of the normal equations at (x, sd), for residuals left_v (n, g); without the priors.

    A group's own parameters meet the other groups' only through the string's mean, so that the wide matrix of all
    derivatives, mostly zeros, is never written out.
    """
    n, groups = w.volts_v.shape
    common, own = slopes(w, guess, at, scales)
    twice = whitened(w, whitened(w, np.concatenate([common, left_v[None]]), scales), scales)
    # By common parameters and, last, what is left over: against common parameters, and against a group's own.
    shared = common.reshape(NC, -1) @ twice.reshape(NC + 1, -1).T
    across = np.einsum("cni,kni->cki", twice, own, optimize=True).reshape(NC + 1, -1)
    weighted = (own * w.weight[:, None]).swapaxes(0, 1).reshape(n, -1)
    apart, together = scales[0] ** -2, scales[1] ** -2
    inside = (weighted.T @ weighted) * np.tile(apart * np.eye(groups) + (together - apart) / groups, (NG, NG))
    curvature = np.block([[shared[:, :NC], across[:NC]], [across[:NC].T, inside]])
    down = np.concatenate([shared[:, NC], across[NC]])
    lead, sd = slice(NC, NC + groups), at[1][NC : NC + groups]
    for columns in (curvature.T, curvature, down[None]):  # lambda counts without its mean
        columns[:, lead] -= (columns[:, lead] / sd).mean(axis=1, keepdims=True) * sd
    return curvature, down
