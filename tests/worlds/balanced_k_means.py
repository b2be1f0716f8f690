"""Balanced k-means as published, with scipy's assignment: what others would split cells with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

__all__ = ["balanced_k_means"]


def balanced_k_means(z: NDArray[np.float64], strings: int, size: int, seed: int) -> NDArray[np.int64]:
    """As published (M. Malinen and P. Fränti, LNCS 8621, 2014), with scipy's assignment."""
    rng = np.random.default_rng(seed)
    middle, before = z[rng.choice(len(z), strings, replace=False)], None
    while True:
        apart = ((z[:, None] - middle[None]) ** 2).sum(axis=2)
        string = linear_sum_assignment(np.repeat(apart, size, axis=1))[1] // size
        if before is not None and (string == before).all():
            return np.asarray(string)
        before = string
        middle = np.stack([z[string == s].mean(axis=0) for s in range(strings)])
