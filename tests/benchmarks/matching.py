"""Strings out of 500 cells, against scipy's balanced k-means from ten starts on the same cells and criterion.

Balanced k-means as published (M. Malinen and P. Fränti, LNCS 8621, 2014), each assignment by
`scipy.optimize.linear_sum_assignment`.
"""

from __future__ import annotations

from time import process_time

import numpy as np
from evenstring.workshop.matching.cells import Cell, Reading
from evenstring.workshop.matching.criterion import Assumed, points_of
from evenstring.workshop.matching.match import match
from evenstring.workshop.matching.search import cost_of

from tests.worlds.balanced_k_means import balanced_k_means

__all__ = ["run"]

_CELLS, _STARTS = 500, 10


def _batch() -> list[Cell]:
    rng = np.random.default_rng(11)
    ah = 2.45 * (1 + 0.02 * rng.standard_normal(_CELLS))
    mohm = 30.0 * (1 + 0.08 * rng.standard_normal(_CELLS))
    leak = 0.1 + 0.15 * rng.exponential(size=_CELLS)
    return [
        Cell(str(k), "invented", (Reading(float(a)), Reading(float(r)), Reading(float(w))))
        for k, (a, r, w) in enumerate(zip(ah, mohm, leak, strict=True))
    ]


def run() -> list[str]:
    """Cost and seconds of one core, for strings of several lengths."""
    cells, lines = _batch(), []
    for size in (20, 10, 5):
        strings = _CELLS // size
        points = points_of(cells, Assumed(), size)
        start = process_time()
        found = match(cells, strings, size)
        ours_s = process_time() - start
        start = process_time()
        theirs = min(
            cost_of(points.z, points.extra, balanced_k_means(points.z, strings, size, s)) for s in range(_STARTS)
        )
        theirs_s = process_time() - start
        extra = float(points.extra.sum())  # the same wherever the cells go
        lines.append(
            f"{_CELLS} cells into {strings} strings of {size}: {ours_s:.1f} s, {ours_s / theirs_s:.1f} times as long as"
            f" ten of scipy's, cost {(found.cost - extra) / (theirs - extra):.3f} of theirs"
        )
    return lines
