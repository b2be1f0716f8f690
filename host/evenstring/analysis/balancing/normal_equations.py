"""How `top_model`'s voltages answer to each parameter, and the normal equations of a fit that follow.

Parameters are x (NC + NG g,), taken in standard deviations sd of their priors. Residuals are weighted ("whitened") by
how well the model is taken to fit, group against group and all groups together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.parameters import NC, NG, Guess, curves_of, split
from evenstring.analysis.balancing.string_model import Sets, run
from evenstring.analysis.balancing.window import Window

__all__ = ["Asked", "Scales", "answers", "derivatives", "normal", "varied", "whitened"]

F64 = NDArray[np.float64]
Scales = tuple[float, float, float]  # V: of a group against the others, of all together, of a board's decision
_STEP = 0.02  # for derivatives by the common parameters, in their standard deviations: our choice
_OWN_STEPS = np.array([1e-4, 1e-4, 1e-4, 1e-5, 1e-5])  # the same by a group's parameters: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """Parameter sets whose voltages somebody needs.

    Attributes:
        x: (c, ...) parameters, each with its curve.
        rows: (p,) whose of them each set has.
        more: (p, NG) added to the own parameters of all groups.
        keeps_to: (p,) see `string_model.Sets`.
    """

    x: F64
    rows: NDArray[np.intp]
    more: F64
    keeps_to: NDArray[np.intp]

    @classmethod
    def of(cls, x: F64) -> Asked:
        """Just these parameters (p, ...)."""
        own = np.arange(len(x))
        return cls(x, own, np.zeros((len(x), NG)), own)


def answers(w: Window, asked: Sequence[tuple[Guess, Asked]], soft_v: float) -> list[F64]:
    """(p, n, g) voltages of all that is asked, in one go: guesses with the same base for the curve, whatever rule."""
    guess = asked[0][0]
    curves_in, sets_in = _pieces([len(one.x) for _, one in asked]), _pieces([len(one.rows) for _, one in asked])
    x = np.concatenate([one.x for _, one in asked])
    rows = np.concatenate([one.rows + of.start for (_, one), of in zip(asked, curves_in, strict=True)])
    keeps_to = np.concatenate([one.keeps_to + of.start for (_, one), of in zip(asked, sets_in, strict=True)])
    common, own = split(x[rows], w.volts_v.shape[1], guess.lead)
    own += np.concatenate([one.more for _, one in asked])[:, :, None]
    rules = np.repeat([of.rule for of, _ in asked], [len(one.rows) for _, one in asked])
    each_own = bool((keeps_to == np.arange(len(rows))).all())
    sets = Sets(rules, None if each_own else keeps_to, sets_in)
    curves = curves_of(w, x, guess, curves_in).sets(rows)
    volts = run(w, curves, common, own, replace(guess, soft_v=soft_v), sets).volts_v
    return [volts[piece] for piece in sets_in]


def _pieces(sizes: Sequence[int]) -> tuple[slice, ...]:
    """Where each is, one after the other."""
    ends = np.cumsum(sizes).tolist()
    return tuple(slice(end - size, end) for size, end in zip(sizes, ends, strict=True))


def whitened(w: Window, left_v: F64, scales: Scales) -> F64:
    """Residuals (..., n, g): own parts by their scale, the mean's by its."""
    middle = left_v.mean(axis=-1, keepdims=True)
    return np.asarray(((left_v - middle) / scales[0] + middle / scales[1]) * w.weight[:, None])


def varied(x: F64, sd: F64) -> Asked:
    """What `derivatives` at x needs: the unvaried, each common parameter varied, then each kind of a group's own.

    A group's own parameters move nothing but its own voltages: all groups' of one kind are moved at once, what all
    share is held fixed, and lambda is taken as it is, with its mean.
    """
    at = np.repeat(x[None], NC + 1, axis=0)
    at[:NC, :NC] += _STEP * np.diag(sd[:NC])
    sets = np.arange(NC + 1 + NG)
    more = np.concatenate([np.zeros((NC + 1, NG)), np.diag(_OWN_STEPS)])
    return Asked(at, np.where((sets > 0) & (sets <= NC), sets - 1, NC), more, np.where(sets > NC, 0, sets))


def derivatives(volts: F64, sd: F64) -> tuple[F64, F64]:
    """(NC, n, g) by the common parameters, (NG, n, g) by a group's own, by differences of the `varied` voltages."""
    by_own = (volts[NC + 1 :] - volts[0]) / _OWN_STEPS[:, None, None]
    return (volts[1 : NC + 1] - volts[0]) / _STEP, by_own * sd[NC:].reshape(NG, 1, -1)


def normal(w: Window, by: tuple[F64, F64], sd: F64, left_v: F64, scales: Scales) -> tuple[F64, F64]:
    """Matrix and right side of the normal equations by `derivatives`, for residuals left_v (n, g); without the priors.

    A group's own parameters meet the other groups' only through the string's mean, so that the wide matrix of all
    derivatives, mostly zeros, is never written out.
    """
    n, groups = w.volts_v.shape
    common, own = by
    twice = whitened(w, whitened(w, np.concatenate([common, left_v[None]]), scales), scales)
    # By common parameters and, last, what is left over: against common parameters, and against a group's own.
    shared = common.reshape(NC, -1) @ twice.reshape(NC + 1, -1).T
    across = np.einsum("cni,kni->cki", twice, own, optimize=True).reshape(NC + 1, -1)
    weighted = (own * w.weight[:, None]).swapaxes(0, 1).reshape(n, -1)
    apart, together = scales[0] ** -2, scales[1] ** -2
    inside = (weighted.T @ weighted) * np.tile(apart * np.eye(groups) + (together - apart) / groups, (NG, NG))
    curvature = np.block([[shared[:, :NC], across[:NC]], [across[:NC].T, inside]])
    down = np.concatenate([shared[:, NC], across[NC]])
    lead, sd = slice(NC, NC + groups), sd[NC : NC + groups]
    for columns in (curvature.T, curvature, down[None]):  # lambda counts without its mean
        columns[:, lead] -= (columns[:, lead] / sd).mean(axis=1, keepdims=True) * sd
    return curvature, down
