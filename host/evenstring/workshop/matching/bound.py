"""What no arrangement can undercut, so that a result that is not proved the best says how far it may be from it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["lower_bound"]

F64 = NDArray[np.float64]


def lower_bound(z: F64, extra: F64, strings: int, size: int) -> float:
    """The larger of two bounds; arguments as in `search`.

    Neighbours: a string's squared distances from its mean are those of all its pairs over its length, so that no cell
    can have less than with its nearest ones. Each quantity for itself: alone it is least in sorted order, cut into
    pieces (W. Fisher, J. Am. Stat. Assoc. 53 (1958) 789), and no arrangement is better in a quantity than its own best.
    """
    apart = ((z[:, None, :] - z[None, :, :]) ** 2).sum(axis=2)
    nearest = np.partition(apart, size - 1, axis=1)[:, :size].sum(axis=1)  # itself among them, with 0
    each = np.sort(nearest / (2.0 * size) + extra)
    by_neighbours = float(each[: strings * size].sum())
    if strings * size < len(z):
        return by_neighbours
    pieces = np.sort(z, axis=0).reshape(strings, size, -1)
    by_quantity = float(((pieces - pieces.mean(axis=1, keepdims=True)) ** 2).sum() + extra.sum())
    return max(by_neighbours, by_quantity)
