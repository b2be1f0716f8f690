"""What happens in a session, drawn at random: families of sessions, their faults, boards, chargers, rides, meters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from evenstring.chemistry import CHEMISTRIES

from tests.worlds.physics.boards import RULES, Board
from tests.worlds.physics.cells import Cells, model_of
from tests.worlds.physics.chargers import Charger
from tests.worlds.physics.meters import Meters
from tests.worlds.physics.papers import paper_of
from tests.worlds.physics.rides import rough_ride
from tests.worlds.physics.string import Groups, Plan, Stage

__all__ = ["FAMILIES", "Drawn", "draw"]

FAMILIES = ("ride_and_charge", "charge_only", "balancers", "ends", "danger", "healthy_and_odd")
_SHARES = (0.20, 0.16, 0.30, 0.12, 0.10, 0.12)
ROOM_C = 25.0


@dataclass(frozen=True, eq=False)
class Drawn:
    """A plan, its meters, and what was put into it.

    `faults`: (group from 1, cause, size); `seconds_ohm`: resistance of a healthy group in a second.
    """

    family: str
    plan: Plan
    meters: Meters
    faults: tuple[tuple[int, str, float], ...]
    capacity_ah: float
    bleed_a: float
    danger: bool
    seconds_ohm: float


@dataclass(eq=False)
class _String:
    """What a fault may change before the string is built."""

    ah: float
    capacity: np.ndarray
    charge: np.ndarray  # departures of the state of charge
    ohm: np.ndarray
    leak_a: np.ndarray
    offset_v: np.ndarray
    dead: np.ndarray
    stuck: np.ndarray
    one_s_ohm: float
    top: float  # how large a departure of charge is, against others; small where the top is steep and a board has time


def draw(paper: str, rng: np.random.Generator, only: str | None = None) -> Drawn:
    """A session of a random family, or of this one."""
    family = str(rng.choice(FAMILIES, p=_SHARES))
    family = only or family
    string = _healthy(paper, 0.3 if family == "balancers" and paper_of(paper).chemistry == "lfp" else 1.0, rng)
    faults = _faults(family, string, rng)
    stages, soc0, charger = _stages(family, paper, string, rng)
    bleed_a = float(string.ah * rng.uniform(0.002, 0.008))
    shared = bool(rng.random() < 0.2)
    board = _board(family, paper, string, bleed_a, shared, rng)
    # Groups are even at the top, as a board leaves them, or where the recording begins.
    away = 1.0 - soc0 if rng.random() < 0.5 or family == "charge_only" else 0.0
    soc = 1.0 - away / string.capacity - (1.0 - soc0 - away) + string.charge
    ambient_c = ROOM_C + rng.normal(0, 4)
    groups = Groups(
        paper,
        string.ah / model_of(paper).ah,
        string.capacity,
        np.clip(soc, 0.01, 1.0),
        string.ohm,
        string.leak_a,
        ambient_c + _gradient(len(soc), rng),
    )
    cut_v = CHEMISTRIES[paper_of(paper).chemistry].ceiling_v + rng.normal(0, 0.003)
    meters = _meters(family, string, ambient_c, shared, rng)
    step_s = 0.5 if meters.row_s < 1 else 1.0 if meters.row_s <= 2 else 2.0 if meters.row_s <= 10 else 5.0
    dead_v = CHEMISTRIES[paper_of(paper).chemistry].empty_v - (0.3 if paper_of(paper).chemistry == "lfp" else 0.2)
    plan = Plan(groups, board, charger, stages, step_s, cut_v, dead_v)
    return Drawn(family, plan, meters, faults, string.ah, bleed_a, family == "danger", string.one_s_ohm)


def _healthy(paper: str, top: float, rng: np.random.Generator) -> _String:
    count = int(rng.choice([8, 10, 13, 14, 16, 20, 24]))
    ah = float(np.exp(rng.uniform(np.log(8.0), np.log(45.0))))
    cell_ohm = _one_s_ohm(paper) * model_of(paper).ah / ah
    link_ohm = 0.15 * cell_ohm
    scatter = rng.uniform(0.5, 1.0)
    return _String(
        ah,
        1.0 + 0.01 * scatter * rng.standard_normal(count),
        0.003 * top * scatter * rng.standard_normal(count),
        np.maximum(link_ohm + 0.04 * scatter * cell_ohm * rng.standard_normal(count), 0.0),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count, dtype=bool),
        np.zeros(count, dtype=bool),
        cell_ohm + link_ohm,
        top,
    )


def _one_s_ohm(paper: str) -> float:
    """What a cell at half charge shows in a second, ohm."""
    model = model_of(paper)
    cell = Cells(model, np.array([0.55]), np.array([ROOM_C]))
    amps = np.array([0.5 * model.ah])
    before = float(cell.volts(np.zeros(1))[0][0])
    cell.step(amps, 1.0)
    return (float(cell.volts(amps)[0][0]) - before) / float(amps[0])


def _faults(family: str, s: _String, rng: np.random.Generator) -> tuple[tuple[int, str, float], ...]:
    if family == "danger":
        return _dangers(s, rng)
    if family == "healthy_and_odd" or (family in ("ride_and_charge", "charge_only") and rng.random() < 0.25):
        return ()
    causes = ["charge_offset", "low_capacity", "high_resistance", "meter_offset"]
    if family in ("balancers", "ends"):
        if rng.random() < (0.2 if family == "balancers" else 0.4):
            return ()
        causes = ["charge_offset"]
    cause = str(rng.choice(causes))
    return (_put(s, cause, int(rng.integers(len(s.ohm))), rng),)


def _put(s: _String, cause: str, k: int, rng: np.random.Generator, danger: bool = False) -> tuple[int, str, float]:
    if cause == "charge_offset":
        size = float(np.exp(rng.uniform(np.log(1.0), np.log(6.0)))) * (1 if rng.random() < 0.2 else -1)
        size = -float(rng.uniform(8, 14)) if danger else size * s.top
        s.charge[k] += size / 100.0
    elif cause == "low_capacity":
        size = -float(rng.uniform(7, 20))
        s.capacity[k] *= 1.0 + size / 100.0
    elif cause == "high_resistance":
        size = float(rng.uniform(25, 110))
        s.ohm[k] += s.one_s_ohm * size / 100.0
    else:
        size = float(rng.uniform(5, 14)) * float(rng.choice([-1, 1]))
        s.offset_v[k] += size / 1000.0
    return k + 1, cause, size


def _dangers(s: _String, rng: np.random.Generator) -> tuple[tuple[int, str, float], ...]:
    k = int(rng.integers(len(s.ohm)))
    kind = str(rng.choice(["joint", "dead_bleeder", "stuck_bleeder", "leak", "far_behind"]))
    if kind == "joint":  # of several watts at the usual current
        more = float(rng.uniform(2.5, 6.0) / (0.7 * s.ah) ** 2)
        more = max(more, 1.5 * s.one_s_ohm)
        s.ohm[k] += more
        return ((k + 1, "connection", 100.0 * more / s.one_s_ohm),)
    if kind == "dead_bleeder":
        s.dead[k] = True
        s.charge[k] += rng.uniform(0.015, 0.03)
        return ((k + 1, "dead_bleeder", 0.0),)
    if kind == "stuck_bleeder":
        s.stuck[k] = True
        s.charge[k] -= rng.uniform(0.0, 0.02)
        return ((k + 1, "stuck_bleeder", 0.0),)
    if kind == "leak":
        s.leak_a[k] = s.ah * rng.uniform(0.003, 0.012)
        return ((k + 1, "self_discharge", float(s.leak_a[k])),)
    return (_put(s, "charge_offset", k, rng, danger=True),)


def _stages(family: str, paper: str, s: _String, rng: np.random.Generator) -> tuple[tuple[Stage, ...], float, Charger]:
    charger = _charger(family, paper, s, rng)
    rest = Stage("rest", float(rng.uniform(400, 1500)))
    after = Stage("rest", float(rng.uniform(300, 2400)))
    if family == "danger" and (s.stuck.any() or s.leak_a.any()):
        long_rest = Stage("rest", float(rng.uniform(3.5, 8.0)) * 3600.0)
        return (long_rest,), float(rng.uniform(0.5, 0.95)), charger
    rides = family == "ride_and_charge" or (family in ("healthy_and_odd", "danger") and rng.random() < 0.6)
    rides = rides or (family in ("balancers", "ends") and rng.random() < 0.15)
    if rides:
        depth = float(rng.uniform(0.25, 0.8))
        load_a = rough_ride(s.ah, paper_of(paper).most_c, depth, rng)
        ride = Stage("ride", float(len(load_a) - 1), load_a)
        head, soc0 = (rest, ride, after), float(rng.uniform(0.93, 0.99))
    else:
        soc0 = float(rng.uniform(0.15, 0.6) if family == "charge_only" else rng.uniform(0.4, 0.85))
        head = (rest,)
    charge, tail = _charge(family, paper, rng)
    return (*head, charge, *tail), soc0, charger


def _charge(family: str, paper: str, rng: np.random.Generator) -> tuple[Stage, tuple[Stage, ...]]:
    """How long it is charged, and what is recorded after."""
    longest = 12 * 3600.0
    rest = (Stage("rest", float(rng.uniform(400, 3600))),)
    full_v = paper_of(paper).full_v
    if family in ("balancers", "danger"):
        return Stage("charge", longest, held_s=float(rng.uniform(0.7, 3.0)) * 3600.0), ()
    if family == "ends":
        how = str(rng.choice(["cc", "cv", "light", "after", "connected"], p=[0.15, 0.2, 0.3, 0.25, 0.1]))
    else:
        how = str(rng.choice(["cc", "cv", "light", "after", "connected"], p=[0.1, 0.15, 0.2, 0.3, 0.25]))
    if how == "cc":
        below = rng.uniform(0.01, 0.05) if paper_of(paper).chemistry == "lfp" else rng.uniform(0.04, 0.2)
        return Stage("charge", longest, until_v=full_v - float(below)), rest
    if how == "cv":
        return Stage("charge", longest, held_s=float(rng.uniform(120, 1200))), rest
    if how == "connected":
        return Stage("charge", longest, held_s=float(rng.uniform(0.3, 2.0)) * 3600.0), ()
    return Stage(
        "charge", longest, after_light_s=0.0 if how == "light" else float(rng.uniform(0.1, 2.0)) * 3600.0
    ), rest


def _charger(family: str, paper: str, s: _String, rng: np.random.Generator) -> Charger:
    amps, count = float(s.ah * rng.uniform(0.15, 0.5) * s.top**0.5), len(s.ohm)
    away_v = float(rng.choice([0.0, rng.normal(0, 0.004), rng.uniform(-0.06, -0.02), rng.uniform(0.008, 0.02)],
                              p=[0.3, 0.45, 0.15, 0.1]))  # fmt: skip
    set_v = count * (paper_of(paper).full_v + away_v)
    stages: tuple[tuple[float, float], ...] = ((np.inf, amps),)
    if rng.random() < 0.25:
        few = paper_of(paper).full_v - np.array([0.15, 0.06])
        stages = ((count * float(few[0]), amps), (count * float(few[1]), 0.7 * amps), (np.inf, 0.4 * amps))
    second = rng.random() < 0.12
    return Charger(
        set_v,
        stages,
        light_a=float(s.ah / rng.uniform(10, 50)),
        off_at_light=bool(rng.random() < (0.3 if family != "balancers" else 0.12)),
        swing_a=float(0.05 * amps * (rng.random() < 0.2)),
        swing_s=float(rng.uniform(20, 300)),
        second_a=0.6 * amps * second,
        second_from_s=float(rng.uniform(0, 1200)),
        second_lower_v=float(0.005 * count * rng.uniform(0, 2)),
        lead_ohm=float(rng.uniform(0.0, 0.06)),
    )


def _board(family: str, paper: str, s: _String, bleed_a: float, shared: bool, rng: np.random.Generator) -> Board:
    count = len(s.ohm)
    full_v = paper_of(paper).full_v
    rule = str(rng.choice(RULES, p=[0.15, 0.35, 0.2, 0.15, 0.15]))
    if family not in ("balancers", "danger") and rng.random() < 0.3:
        rule = "none"
    below = rng.uniform(0.05, 0.2) if paper_of(paper).chemistry == "lfp" else rng.uniform(0.01, 0.12)
    threshold_v = full_v - float(below)
    if rule == "threshold" and rng.random() < 0.6:
        threshold_v = full_v + float(rng.uniform(-0.006, 0.003))
    paused = rng.random() < (0.6 if shared else 0.3)
    period_s = float(rng.choice([10, 15, 20, 30, 60])) if paused else 0.0
    on_v = float(rng.uniform(0.002, 0.006))
    return Board(
        rule,
        np.where(s.dead, 0.0, bleed_a * (1.0 + 0.03 * rng.standard_normal(count))),
        0.0015 * rng.standard_normal(count),
        threshold_v,
        on_v,
        on_v * float(rng.uniform(0.3, 0.9)),
        int(rng.integers(1, 5)),
        float(rng.choice([10, 20, 30, 60, 300])),
        period_s,
        5.0 * int(rng.integers(1, 3)) if period_s > 10 else 5.0 * (period_s > 0),
        bool(rng.random() < 0.2),
        s.stuck,
    )


def _gradient(count: int, rng: np.random.Generator) -> np.ndarray:
    """Kelvin along the string: none, linear, warm in the middle, or folded."""
    x = np.linspace(-1.0, 1.0, count)
    size = float(rng.uniform(0.5, 4.0))
    shapes = (0.0 * x, x, 1.0 - x**2, np.where(np.arange(count) % 2, x, -x))
    return np.asarray(size * shapes[int(rng.choice(4, p=[0.4, 0.2, 0.25, 0.15]))])


def _meters(family: str, s: _String, ambient_c: float, shared: bool, rng: np.random.Generator) -> Meters:
    count = len(s.ohm)
    stated = float(rng.choice([0.0005, 0.001, 0.0015]))
    offset_v = s.offset_v + stated * rng.standard_normal(count)
    if rng.random() < 0.15:
        offset_v += rng.uniform(0.001, 0.004) * np.where(
            np.arange(count) % 2, 1.0, -1.0
        )  # one amplifier, both ways round
    if rng.random() < 0.12:
        k = int(rng.integers(count - 1))
        offset_v[k : k + 2] += rng.uniform(0.002, 0.006) * np.array([1.0, -1.0])  # of a tap
    odd = family == "healthy_and_odd"
    kinds = ["good", "none", "reversed", "offset", "dying", "scaled"]
    sensor = str(rng.choice(kinds, p=[0.3, 0.2, 0.12, 0.14, 0.12, 0.12] if odd else [0.62, 0.33, 0, 0.02, 0, 0.03]))
    gain, zero_a = 0.01 * rng.standard_normal(), 0.01 * rng.standard_normal()
    if sensor == "scaled":
        gain = float(rng.choice([-0.3, -0.15, 0.15, 0.3]))
    if sensor == "offset":
        zero_a = float(s.ah * rng.uniform(0.02, 0.08) * rng.choice([-1, 1]))
    row_s = float(rng.choice([0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 60.0], p=[0.03, 0.12, 0.35, 0.2, 0.12, 0.08, 0.1]))
    relay = row_s >= 0.5 and rng.random() < 0.5
    return Meters(
        row_s,
        offset_v,
        float(rng.uniform(0.0002, 0.0008)),
        float(rng.choice([0.0002, 0.001])),
        stated if rng.random() < 0.8 else None,
        0.001 * float(rng.standard_normal()),
        0.4 if relay else 0.0,
        float(rng.uniform(0.03, 0.1)) if shared else 0.0,
        sensor,
        float(gain),
        zero_a,
        float(rng.uniform(0.01, 0.05) * max(s.ah, 10.0) / 20.0),
        0.02 if rng.random() < 0.1 else 0.0,
        ambient_c if rng.random() < 0.5 else None,
    )
