"""Many steps at once: the linear part of the circuit over a block, exact for current that is linear between nodes.

Between nodes the current is a straight line. Then a first-order filter of time constant tau has the exact step
x' = a x + c0 u + c1 u' with a = exp(-h/tau), c1 = 1 - (1-a) tau/h, c0 = (1-a) tau/h - a (first-order hold), and a block
of B steps is a product with a lower-triangular matrix. Charge is the trapezoidal sum, exact as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["Block", "block"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Matrices of one block size.

    Attributes:
        decay1, decay2: (B, 1) share of the initial filter state left after each step.
        from_current1, from_current2: (B, B+1) filter state from the currents at nodes 0..B.
        trapezoid_h: (B, B+1) hours-weighted sum of the currents. hours: (B, 1) since the start of the block.
    """

    decay1: F64
    decay2: F64
    from_current1: F64
    from_current2: F64
    trapezoid_h: F64
    hours: F64


@lru_cache(maxsize=256)
def block(steps: int, step_s: float, tau1_s: float, tau2_s: float) -> Block:
    """The matrices for `steps` steps of `step_s`."""
    decay1, current1 = _filter(steps, step_s, tau1_s)
    decay2, current2 = _filter(steps, step_s, tau2_s)
    trapezoid = np.tril(np.ones((steps, steps + 1)), 1)
    trapezoid[:, 0] = 0.5
    trapezoid[np.arange(steps), np.arange(1, steps + 1)] = 0.5
    hours = np.arange(1, steps + 1)[:, None] * (step_s / 3600.0)
    return Block(decay1, decay2, current1, current2, trapezoid * (step_s / 3600.0), np.asarray(hours, np.float64))


def _filter(steps: int, step_s: float, tau_s: float) -> tuple[F64, F64]:
    a = float(np.exp(-step_s / tau_s))
    mean = -np.expm1(-step_s / tau_s) * tau_s / step_s
    c0, c1 = mean - a, 1.0 - mean
    power = a ** np.arange(steps + 1)
    lag = np.arange(steps)[:, None] - np.arange(steps)[None, :]  # steps between the end of an interval and the node
    weight = np.where(lag >= 0, power[np.maximum(lag, 0)], 0.0)
    matrix = np.zeros((steps, steps + 1))
    matrix[:, :-1] += c0 * weight
    matrix[:, 1:] += c1 * weight
    return np.asarray(power[1:, None], np.float64), matrix
