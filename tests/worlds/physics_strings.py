"""Strings composed from cells of a model that we did not write; sources in tests/data/physics/make_physics.py.

Sixty sessions of 14 groups: in each, a group (or two) is one of the faulty cells, or the meter has an offset, or
nothing is wrong. Sessions below 200 were used for tuning. A group is four like cells in parallel: four times the
current. Meter errors are added here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from evenstring.profile import PackProfile
from evenstring.session import Meter, Session

POOL = Path(__file__).parents[1] / "data" / "physics" / "pool.npz"
CAUSES = ("meter_offset", "charge_offset", "low_capacity", "high_resistance")
FIRST, SESSIONS = 200, 60
GROUPS, PARALLEL, CELL_AH = 14, 4, 5.153  # LG M50 as parametrised by Chen2020
RIDES, HEALTHY = 4, 36
NOMINAL_OHM, PULSE_OHM = 0.025, 0.0291  # unit of the pool's resistances; what the median cell shows in a second
_FAULTS_OF = {"low_capacity": (0, 3, 6), "high_resistance": (1, 4, 7), "charge_offset": (2, 5, 8)}


@dataclass(frozen=True, eq=False)
class Case:
    number: int
    faults: tuple[tuple[int, str], ...]  # (group, cause)
    truth: np.ndarray  # (g, 4) departures in mV, %, %, %; resistance as seen in a second
    session: Session
    profile: PackProfile


@cache
def _pool() -> dict[str, np.ndarray]:
    with np.load(POOL) as data:
        return {name: data[name] for name in data.files}


def make_case(number: int) -> Case:
    """Session of this number; composed anew for each."""
    rng = np.random.default_rng([5, number])
    pool, k = _pool(), number % RIDES
    kinds = (*CAUSES, "none")
    causes = [kinds[(number // RIDES) % 5]]
    if number % 60 >= 50 and causes[0] != "none":  # two weak groups at once
        causes.append(CAUSES[int(rng.integers(1, 4))])
    picks = 1 + rng.permutation(HEALTHY)[:GROUPS]
    places = rng.permutation(GROUPS)
    offset = 0.001 * rng.standard_normal(GROUPS)
    faults = []
    for place, cause in zip(places, causes, strict=False):
        if cause in _FAULTS_OF:
            picks[place] = 1 + HEALTHY + int(rng.choice(_FAULTS_OF[cause]))
        elif cause == "meter_offset":
            offset[place] = np.median(offset) + 0.006 * rng.choice([-1, 1])
        if cause != "none":
            faults.append((int(place) + 1, cause))
    rows = pool[f"rows_{k}"][picks].astype(float)
    departures = (rows - np.median(rows, axis=0)) * 100.0
    departures[:, 1] *= NOMINAL_OHM / PULSE_OHM
    departures[:, 1] -= departures[:, 0]  # a smaller electrode has more resistance
    truth = np.column_stack([(offset - np.median(offset)) * 1e3, departures[:, 2], departures[:, 0], departures[:, 1]])
    return Case(
        number,
        tuple(faults),
        truth,
        _session(pool, k, picks, offset, rng),
        PackProfile(groups=GROUPS, capacity_ah=PARALLEL * CELL_AH),
    )


def _session(
    pool: dict[str, np.ndarray], k: int, picks: np.ndarray, offset: np.ndarray, rng: np.random.Generator
) -> Session:
    volts = pool[f"volts_{k}"][picks].T * 1e-4 + offset
    volts = np.rint((volts + 0.0005 * rng.standard_normal(volts.shape)) / 0.0002) * 0.0002
    current = PARALLEL * pool[f"current_a_{k}"] * (1.0 + 0.01 * rng.standard_normal())
    current = current + 0.05 * rng.standard_normal(len(current))
    n = len(current)
    return Session(
        time_s=pool[f"time_s_{k}"].astype(np.float64),
        volts_v=volts.astype(np.float32),
        quality=np.zeros(volts.shape, np.uint8),
        span_s=np.zeros(n, np.float32),
        current_a=current.astype(np.float32),
        meter=Meter(noise_v=0.0005, channel_u_v=0.001, gain_u=0.001),
    )
