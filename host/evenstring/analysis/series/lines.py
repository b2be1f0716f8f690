"""The straight line through points, by least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["StraightLine", "line_through", "slope_u"]

F64 = NDArray[np.float64]
_TINY = 1e-12  # keeps points at one place from a division by 0: our choice


@dataclass(frozen=True, slots=True)
class StraightLine:
    """start: value at x = 0. slope: per unit of x. squares_left: sum of squares that it leaves."""

    start: float
    slope: float
    squares_left: float

    def at(self, x: float) -> float:
        """Value at x."""
        return self.start + self.slope * x


def line_through(x: F64, y: F64) -> StraightLine:
    """The line through points (n,), (n,); flat where there are fewer than two places."""
    mx, my = float(x.mean()), float(y.mean())
    dx = x - mx
    slope = float((dx * (y - my)).sum() / max(float((dx * dx).sum()), _TINY))
    start = my - slope * mx
    return StraightLine(start, slope, float(((y - start - slope * x) ** 2).sum()))


def slope_u(noise: float, x: F64) -> float:
    """Standard uncertainty of the slope through n rows evenly over x, each with this noise: sqrt(12 / n) over the span.

    The variance of n evenly spaced x is span^2 / 12 (n large); JCGM 100:2008, H.3, on the least-squares line.
    """
    return float(noise * np.sqrt(12.0 / len(x)) / max(float(x[-1] - x[0]), 1.0))
