"""Rough loads with braking: stops, hills, bursts, a rider's throttle."""

from __future__ import annotations

import numpy as np

__all__ = ["rough_ride"]


def rough_ride(ah: float, most_c: float, depth: float, rng: np.random.Generator) -> np.ndarray:
    """(s,) A of the string, a value a second, charging positive, until `depth` of `ah` is used."""
    mean_c = float(rng.uniform(0.35, 0.7))
    seconds = int(depth / mean_c * 3600.0)
    throttle = _smooth(rng.standard_normal(seconds), float(rng.uniform(2.0, 12.0)))
    hills = _smooth(rng.standard_normal(seconds), 120.0)
    wanted = 1.0 + 0.7 * throttle + 0.5 * hills
    stopped = _smooth(rng.standard_normal(seconds), 25.0) > 1.1
    braking = wanted < -0.1
    wanted = np.where(stopped, 0.0, np.where(braking, 0.5 * wanted, np.maximum(wanted, 0.0)))
    amps = wanted * mean_c / max(float(wanted.mean()), 0.2)
    return np.asarray(-ah * np.clip(amps, -0.4, most_c))


def _smooth(noise: np.ndarray, seconds: float) -> np.ndarray:
    """First-order lag of white noise, scaled to a deviation of one."""
    keep, out, state = float(np.exp(-1.0 / seconds)), np.empty(len(noise)), 0.0
    for k, value in enumerate(noise):
        state = keep * state + value
        out[k] = state
    return out * np.sqrt(1.0 - keep * keep)
