"""An invented charge, rest and ride, whose numbers the tables here carry: the truth they are compared with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

__all__ = ["START", "World", "make_world"]

F64 = NDArray[np.float64]
START = datetime(2024, 5, 13, 21, 14, 5, tzinfo=UTC)


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """Columns as they were measured. Charging current is positive."""

    time_s: F64  # (n,)
    volts_v: F64  # (n, g), NaN where no reading was taken
    current_a: F64  # (n,)
    temps_c: F64  # (n, 2)
    pack_v: F64  # (n,)


def make_world(groups: int, rows: int, dt_s: float, seed: int, *, missing: float = 0.0, low_v: float = 3.55) -> World:
    """A charge at 4 A, a rest and a ride of up to 30 A; groups differ by some 15 mV and sag by some 3 mohm."""
    rng = np.random.default_rng(seed)
    charge, rest = int(rows * 0.4), int(rows * 0.55)
    current = np.full(rows, 4.0)
    current[charge:rest] = 0.0
    current[rest:] = -np.abs(rng.normal(12.0, 9.0, rows - rest)).clip(0.5, 30.0)
    level = low_v + 0.5 * np.cumsum(current * dt_s) / max(1.0, 4.0 * charge * dt_s)
    ohms = rng.normal(0.003, 0.0003, groups)
    volts = (
        level[:, None] + rng.normal(0.0, 0.015, groups) + current[:, None] * ohms + rng.normal(0, 4e-4, (rows, groups))
    )
    pack = volts.sum(axis=1)
    if missing:
        volts[rng.random(volts.shape) < missing] = np.nan
    temps = 21.0 + np.outer(np.linspace(0.0, 6.0, rows), [1.0, 0.7])
    return World(np.arange(rows) * dt_s, volts, current, temps, pack)
