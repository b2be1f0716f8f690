"""Chances by the normal distribution."""

from __future__ import annotations

from math import erf, sqrt

__all__ = ["chance_above"]


def chance_above(value: float, u: float, limit: float) -> float:
    """Chance that a value known with standard uncertainty `u` lies above a limit: the normal distribution's."""
    return 0.5 * (1.0 + erf((value - limit) / (max(u, 1e-12) * sqrt(2.0))))
