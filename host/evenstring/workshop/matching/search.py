"""Good strings of a batch of any size.

From a few random middles balanced k-means; then again and again a few neighbouring strings are made anew from other
middles and kept where that is cheaper. The left-over cells are one more string, which costs nothing. The same batch
always gives the same strings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.workshop.matching.balanced import assigned, dealt
from evenstring.workshop.matching.exchange import exchanged

__all__ = ["cost_of", "search"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

# Starts: so many over the number of strings, in these bounds; tuned on 60 random batches of 18 to 91 cells
_STARTS, _STARTS_LEAST, _STARTS_MOST = 100, 3, 20
_NEIGHBOURS = 6  # strings made anew together, at most: tuned on the same
_SPARE = 2  # left-over cells offered to them, for each of their cells: our choice
_ROUNDS_LEAST, _ROUNDS_EACH, _ROUNDS_MOST = 200, 10, 1000  # of making anew; for each string: our choice
_TURNS = 100  # of balanced k-means, which ends by itself far before: our choice
_ROUNDING = 1e-9  # of the mean cost of a cell


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
    """Cells to be split. z: (n, d), extra: (n,), strings of `size`; a gain under `least` is rounding."""

    z: F64
    extra: F64
    strings: int
    size: int
    least: float


def cost_of(z: F64, extra: F64, string: I64) -> float:
    """Cost of all strings; `string`: (n,) of each cell, -1: left over."""
    used = string >= 0
    count = np.bincount(string[used])
    sums = np.stack([np.bincount(string[used], column) for column in z[used].T], axis=1)
    middle = sums / np.maximum(count, 1)[:, None]
    return float(((z[used] - middle[string[used]]) ** 2).sum() + extra[used].sum())


def search(z: F64, extra: F64, strings: int, size: int, seed: int = 1) -> I64:
    """String of each cell, from 0; -1: left over.

    Args:
        z: (n, d) places of the cells, in one unit.
        extra: (n,) what a cell costs wherever it goes.
        strings: how many.
        size: cells of each; n is at least strings times size.
        seed: of what is tried.
    """
    z = z - z.mean(axis=0)
    least = _ROUNDING * max(float(((z**2).sum(axis=1) + extra).mean()), 1e-300)
    batch, rng = _Batch(z, extra, strings, size, least), np.random.default_rng(seed)
    starts = min(max(_STARTS // strings, _STARTS_LEAST), _STARTS_MOST)
    tried = [_made(batch, rng) for _ in range(starts)]
    string = min(tried, key=lambda s: cost_of(z, extra, s))
    if strings > 1 or len(z) > size:
        for _ in range(min(_ROUNDS_LEAST + _ROUNDS_EACH * strings, _ROUNDS_MOST)):
            string = _anew(batch, string, rng)
    left = np.where(string < 0, strings, string)
    string = exchanged(z, extra, left, strings, least)
    return np.where(string == strings, -1, string)


def _made(batch: _Batch, rng: np.random.Generator) -> I64:
    """Strings from random middles."""
    z, k = batch.z, batch.strings
    room = np.append(np.full(k, batch.size), len(z) - k * batch.size)
    middle = z[rng.choice(len(z), k, replace=False)]
    string, before = dealt(_costs(batch, middle), room), np.inf
    for _ in range(_TURNS):
        string = assigned(_costs(batch, middle), string, batch.least)
        middle = np.stack([z[string == s].mean(axis=0) for s in range(k)])
        cost = cost_of(z, batch.extra, np.where(string == k, -1, string))
        if cost > before - batch.least:
            break
        before = cost
    string = exchanged(z, batch.extra, string, k, batch.least)
    return np.where(string == k, -1, string)


def _costs(batch: _Batch, middle: F64) -> F64:
    """(n, k + 1) of each cell in each string, and left over."""
    apart = ((batch.z[:, None, :] - middle[None, :, :]) ** 2).sum(axis=2) + batch.extra[:, None]
    return np.concatenate([apart, np.zeros((len(apart), 1))], axis=1)


def _anew(batch: _Batch, string: I64, rng: np.random.Generator) -> I64:
    """A few neighbouring strings, with the left-over cells, made from other middles; kept where that is cheaper."""
    means = np.stack([batch.z[string == s].mean(axis=0) for s in range(batch.strings)])
    far = ((means - means[rng.integers(batch.strings)]) ** 2).sum(axis=1) * rng.uniform(0.5, 2.0, batch.strings)
    few = np.argsort(far)[: rng.integers(2, _NEIGHBOURS + 1)]
    spare = np.flatnonzero(string < 0)
    near = ((batch.z[spare][:, None, :] - means[few][None, :, :]) ** 2).sum(axis=2).min(axis=1) + batch.extra[spare]
    spare = spare[np.argsort(near, kind="stable")[: _SPARE * len(few) * batch.size]]
    pool = np.concatenate([np.flatnonzero(np.isin(string, few)), spare])
    part = _Batch(batch.z[pool], batch.extra[pool], len(few), batch.size, batch.least)
    old = np.full(len(pool), -1)
    for k, s in enumerate(few):
        old[string[pool] == s] = k
    new = _made(part, rng)
    if cost_of(part.z, part.extra, new) < cost_of(part.z, part.extra, old) - batch.least:
        string = string.copy()
        string[pool] = np.where(new < 0, -1, few[new])
    return string
