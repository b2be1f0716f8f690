"""Invented packs over two years, whose truth is known: what each recording of them would tell, with a fault or without.

Drift, bleeding at each full charge, ageing, seasons, habits and gaps; no voltages in between. All numbers are invented
round what is common for strings of cells of 20 to 40 Ah.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from evenstring.logbook.trends.history import History, Quantity
from numpy.typing import NDArray

__all__ = ["Fault", "FaultKind", "World", "a_pack", "with_fault"]

F64 = NDArray[np.float64]
FaultKind = Literal["leak", "loosening", "joint", "fading"]
DAY_S, START_S = 86_400.0, 1_704_067_200.0  # a history begins on 1 January 2024
SHOWS_IN: dict[FaultKind, Quantity] = {
    "leak": "departure",
    "loosening": "resistance",
    "joint": "resistance",
    "fading": "capacity",
}
_MV_A_PERCENT = 9.0  # of charge, near the top


@dataclass(frozen=True, slots=True)
class Fault:
    """What begins, when, in which group, and when a single recording shows it.

    Visible: the first recording in which the share of the fault in what is measured is at least three times the
    standard scatter of one recording (meter and what differs between recordings). Stated before anything was measured.
    """

    kind: FaultKind
    group: int
    begins_s: float
    visible_s: float | None  # None: never within the history


@dataclass(frozen=True, slots=True)
class World:
    """A history and its truth."""

    history: History
    fault: Fault | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Pack:
    days: F64  # (n,) of each recording
    full: NDArray[np.bool_]
    held_h: F64
    drift_mah_day: F64  # (g,)
    bleed_ma: float
    ah: float
    rng_seed: int


def a_pack(seed: int, years: float = 2.0) -> World:
    """A pack with nothing wrong but what is usual."""
    return World(_measured(_drawn(seed, years), None, 0.0, 0.0))


def with_fault(seed: int, years: float = 2.0) -> World:
    """The same with one fault that begins on a random date; kind, group and size are random too."""
    pack = _drawn(seed, years)
    rng = np.random.default_rng((seed, 2))
    kind: FaultKind = rng.choice(np.array(["leak", "loosening", "joint", "fading"])).item()
    group = int(rng.integers(1, len(pack.drift_mah_day) + 1))
    begins = float(rng.uniform(0.1, 0.85) * pack.days[-1])
    size = {
        "leak": float(np.exp(rng.uniform(np.log(2), np.log(15)))),  # mA
        "loosening": float(rng.uniform(0.01, 0.06)),  # of resistance, a week
        "joint": float(rng.uniform(0.12, 0.5)),  # of resistance, at once
        "fading": float(rng.uniform(0.003, 0.01)),  # of capacity, a week
    }[kind]
    fault = Fault(kind, group, START_S + begins * DAY_S, None)
    history, healthy = (_measured(pack, f, begins, size) for f in (fault, None))
    return World(history, replace(fault, visible_s=_visible(history, healthy, fault)))


def _visible(history: History, healthy: History, fault: Fault) -> float | None:
    """Same seed, same noise: the difference of the two histories is the fault's share alone."""
    quantity = SHOWS_IN[fault.kind]
    series, other = history.of_group(quantity, fault.group), healthy.of_group(quantity, fault.group)
    scatter = 3 * np.hypot(series.sigma, _BETWEEN[quantity])
    shown = np.abs(series.value - other.value) >= scatter
    return float(series.time_s[np.argmax(shown)]) if shown.any() else None


# Scatter from recording to recording that the meter's own uncertainty does not hold.
_BETWEEN: dict[Quantity, float] = {"departure": 0.8, "resistance": 0.015, "capacity": 0.004}


def _drawn(seed: int, years: float) -> _Pack:
    rng = np.random.default_rng((seed, 1))
    groups = int(rng.integers(16, 37))
    days = np.cumsum(rng.gamma(2.0, rng.uniform(0.8, 1.8), int(400 * years)))
    if rng.random() < 0.6:  # put away in winter
        away = rng.uniform(25, 70)
        days = days[((days + 30) % 365.0) > away]
    days = days[days < 365.0 * years]
    full = rng.random(len(days)) < rng.choice([1.0, 0.5, 0.25])
    held = np.where(full, rng.gamma(2.0, 2.0, len(days)), 0.0)
    drift = rng.normal(0, rng.uniform(0.3, 1.5), groups)
    return _Pack(days, full, held, drift, float(rng.uniform(40, 120)), float(rng.uniform(20, 40)), seed)


def _measured(pack: _Pack, fault: Fault | None, begins: float, size: float) -> History:
    rng = np.random.default_rng((pack.rng_seed, 3))
    n, g = len(pack.days), len(pack.drift_mah_day)
    kind, place = (fault.kind, fault.group - 1) if fault else (None, 0)
    since = np.maximum(pack.days - begins, 0.0)
    season = np.cos(2 * np.pi * (pack.days - 20) / 365.0)[:, None]
    mah = _charges(pack, place, size if kind == "leak" else 0.0, since)
    of_percent = mah / (10 * pack.ah)
    # Departures: charge, an offset of the meter, its drift with the season, noise; the last column is the scatter.
    sigma_mv = rng.uniform(0.5, 1.2, n)
    offset, with_season = rng.normal(0, 1.0, g), rng.normal(0, 0.4, g)
    noise = rng.normal(0, np.hypot(sigma_mv, _BETWEEN["departure"])[:, None], (n, g))
    departure = _MV_A_PERCENT * of_percent + offset + with_season * season + noise
    departure[~pack.full] = np.nan
    # Resistances grow together and a little apart.
    apart = 1 + rng.normal(0, 0.04, g) + rng.normal(0, 0.01, g) * pack.days[:, None] / 365 + 0.004 * season
    resistance = apart + rng.normal(0, np.hypot(0.02, _BETWEEN["resistance"]), (n, g))
    resistance[rng.random(n) < 0.2] = np.nan
    # Capacities are seen on deep rides only.
    fade = 1 + rng.normal(0, 0.008, g) + rng.normal(0, 0.003, g) * pack.days[:, None] / 365
    capacity = fade + rng.normal(0, np.hypot(0.008, _BETWEEN["capacity"]), (n, g))
    capacity[rng.random(n) < 0.7] = np.nan
    if kind == "loosening":
        resistance[:, place] += size * since / 7
    if kind == "joint":
        resistance[since > 0, place] += size
    if kind == "fading":
        capacity[:, place] -= size * since / 7
    return _history(pack, rng, (departure, sigma_mv, resistance, capacity), np.ptp(mah, axis=1))


def _history(pack: _Pack, rng: np.random.Generator, seen: tuple[F64, F64, F64, F64], apart_mah: F64) -> History:
    n = len(pack.days)
    departure, sigma_mv, resistance, capacity = seen
    start = START_S + pack.days * DAY_S
    return History(
        start_s=start,
        end_s=start + 7200.0,
        departure_mv=departure - np.median(departure, axis=1, keepdims=True),
        departure_sigma_mv=sigma_mv,
        resistance=resistance / np.median(resistance, axis=1, keepdims=True),
        resistance_sigma=np.full(n, 0.02),
        capacity=capacity / np.median(capacity, axis=1, keepdims=True),
        capacity_sigma=np.full(n, 0.008),
        full=pack.full,
        even=np.where(pack.full, (apart_mah / (10 * pack.ah) < 1.0).astype(float), np.nan),
        held_h=pack.held_h,
        left_percent=rng.uniform(40, 70, n),  # how it stands until the next ride
        cycles=rng.uniform(0.1, 0.5, n),
        calibrated_s=START_S + 365.0 * DAY_S * np.floor(pack.days[-1] / 365.0),
    )


def _charges(pack: _Pack, leaking: int, leak_ma: float, since: F64) -> F64:
    """(n, g) charge of each group as the light comes, mAh; bled down towards the lowest while the charger holds."""
    now = np.zeros(len(pack.drift_mah_day))
    out = np.empty((len(pack.days), len(now)))
    last_day, last_since = 0.0, 0.0
    for k, day in enumerate(pack.days):
        now = now + pack.drift_mah_day * (day - last_day)
        now[leaking] -= leak_ma * 24 * (since[k] - last_since)
        last_day, last_since = day, since[k]
        out[k] = now
        if pack.full[k]:
            now = np.maximum(now - pack.bleed_ma * pack.held_h[k], np.minimum(now, now.min()))
    return out
