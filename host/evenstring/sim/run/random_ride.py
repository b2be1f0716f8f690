"""Loads of a small electric vehicle: currents in A at even steps, DISCHARGE positive here (a plan turns the sign)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Load", "random_ride"]

F64 = NDArray[np.float64]

# share of the peak current (low, high), seconds (low, high), how often: our own idea of a town with hills
_PARTS = {
    "accelerate": ((0.55, 1.00), (3.0, 8.0), 4),
    "cruise": ((0.12, 0.35), (10.0, 60.0), 5),
    "brake": ((-0.30, -0.08), (2.0, 5.0), 3),
    "hill": ((0.40, 0.75), (20.0, 90.0), 1),
    "stand": ((0.0, 0.0), (4.0, 20.0), 2),
}


@dataclass(frozen=True, slots=True)
class Load:
    """peak_a: of the hardest acceleration; regen: share of braking current kept; ripple: noise, as a share."""

    peak_a: float = 30.0
    regen: float = 1.0
    ripple: float = 0.10


def random_ride(rng: np.random.Generator, seconds: float, step_s: float, load: Load) -> F64:
    """Current at nodes `step_s` apart, `seconds` long, ends included; begins and ends standing."""
    names = list(_PARTS)
    weights = np.array([_PARTS[name][2] for name in names], float)
    times, values, now = [0.0, 2.0], [0.0, 0.0], 2.0
    while now < seconds:
        (low, high), (short, long), _ = _PARTS[names[rng.choice(len(names), p=weights / weights.sum())]]
        level = rng.uniform(low, high) * load.peak_a
        level *= load.regen if level < 0 else 1.0
        ramp, lasts = rng.uniform(0.3, 1.2), rng.uniform(short, long)
        times += [now + ramp, now + ramp + lasts]
        values += [level, level]
        now += ramp + lasts
    t = np.arange(round(seconds / step_s) + 1) * step_s
    current = np.interp(t, times, values) * (1.0 + load.ripple * _smooth_noise(rng, len(t), step_s))
    return np.asarray(current * np.clip((seconds - t) / 2.0, 0.0, 1.0))


def _smooth_noise(rng: np.random.Generator, n: int, step_s: float, correlation_s: float = 2.0) -> F64:
    """Noise of unit deviation and the given correlation time: white noise at that pace, interpolated."""
    knots = np.arange(int(n * step_s / correlation_s) + 3) * correlation_s
    return np.asarray(np.interp(np.arange(n) * step_s, knots, rng.standard_normal(len(knots))))
