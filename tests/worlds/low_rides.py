"""Rides until a group is cut off or the ride is over, as a board that foretells sees them.

Healthy strings and one weak group of each kind, 16 to 36 groups, a town with hills, cold, ageing. Cells of our own
simulator, or pybamm's; layered oxides, or iron phosphate with its flat curve and its knee. The same seed gives the
same ride.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from evenstring.sim.cells.first_order_hold import block
from evenstring.sim.cells.pack import Pack, Scatter
from evenstring.sim.cells.string_step import CellState, swing
from evenstring.sim.run.random_ride import Load, random_ride
from numpy.typing import NDArray

from tests.worlds.physics.cells import Cells, model_of
from tests.worlds.physics.papers import PAPERS

__all__ = ["IRON", "KINDS", "LAYERED", "SCAN_S", "Family", "Ride", "own_ride", "physics_ride"]

F64 = NDArray[np.float64]
KINDS = ("healthy", "small", "resistive", "behind", "small and resistive", "bad joint")
SCAN_S = 0.37  # a relay scan of 24 groups, as measured on an RP2040's instruction set
_NOISE_V = 0.0005
_LEAST_SOC = 0.002


@dataclass(frozen=True, slots=True)
class Family:
    """Chemistries of one curve's shape: own cells' names, pybamm's papers, limits of a group, where its seeds lie."""

    name: str
    chemistries: tuple[str, ...]
    papers: tuple[str, ...]
    ceiling_v: float
    empty_v: float
    cut_v: float
    seeds: tuple[list[int], list[int]]


_IRON = tuple(name for name, paper in PAPERS.items() if paper.chemistry == "lfp")
_OTHERS = tuple(name for name in PAPERS if name not in _IRON)
LAYERED = Family("layered oxide", ("nmc", "nca"), _OTHERS, 4.25, 3.0, 2.5, ([], [23]))
IRON = Family("iron phosphate", ("lfp",), _IRON, 3.65, 2.5, 2.0, ([41], [43]))


@dataclass(frozen=True, slots=True)
class Ride:
    """Readings (k, g) in V and current (k,) in A, charging positive; `cells`: "own" or a paper's."""

    kind: str
    cells: str
    family: Family
    volts_v: F64
    current_a: F64

    @property
    def hours(self) -> float:
        """Length of the ride."""
        return len(self.current_a) * SCAN_S / 3600


@dataclass(frozen=True, slots=True)
class _Weak:
    """What makes one group weak: factors of capacity and resistance, charge less, and a joint's share of resistance."""

    group: int
    size: float
    ohms: float
    charge: float
    joint: float


def _weak(kind: str, groups: int, rng: np.random.Generator) -> _Weak:
    return _Weak(
        int(rng.integers(groups)),
        float(rng.uniform(0.75, 0.95)) if "small" in kind else 1.0,
        float(rng.uniform(1.3, 2.2)) if "resistive" in kind else 1.0,
        float(rng.uniform(0.02, 0.12)) if kind == "behind" else 0.0,
        float(rng.uniform(0.3, 1.2)) if kind == "bad joint" else 0.0,
    )


def _temperature_c(rng: np.random.Generator) -> float:
    return float(rng.uniform(-5, 12) if rng.random() < 0.3 else rng.uniform(15, 30))


def _at(values: F64, k: int, value: float) -> F64:
    out = values.copy()
    out[k] = value
    return out


def _string(rng: np.random.Generator, family: Family) -> tuple[str, Pack, float]:
    kind = str(rng.choice(KINDS))
    aged = rng.random() < 0.4
    scatter = Scatter(0.02, 0.08, 0.006) if aged else Scatter()
    ah = float(rng.uniform(8, 25))
    ohm = float(rng.uniform(0.03, 0.06)) / ah * (1.5 if aged else 1.0)
    chemistry = str(rng.choice(family.chemistries))
    pack = Pack.random(rng, groups=int(rng.integers(16, 37)), scatter=scatter, capacity_ah=ah, r0_ohm=ohm,
                       soc=float(rng.uniform(0.55, 1.0)), chemistry=chemistry)  # fmt: skip
    weak = _weak(kind, pack.groups, rng)
    k = weak.group
    pack = replace(
        pack,
        capacity_ah=_at(pack.capacity_ah, k, pack.capacity_ah[k] * weak.size),
        r0_ohm=_at(pack.r0_ohm, k, pack.r0_ohm[k] * weak.ohms),
        soc0=np.clip(_at(pack.soc0, k, pack.soc0[k] - weak.charge), 0.05, 1.0),
        joint_ohm=_at(pack.joint_ohm, k, pack.joint_ohm[k] + ohm * weak.joint),
    )
    return kind, pack, _temperature_c(rng)


def own_ride(seed: int, family: Family = LAYERED) -> Ride:
    """One ride on cells of our own simulator."""
    rng = np.random.default_rng([*family.seeds[0], seed])
    kind, pack, temp_c = _string(rng, family)
    ah = float(np.median(pack.capacity_ah))
    load = Load(peak_a=ah * float(rng.uniform(1.2, 2.8)))
    wanted_a = -random_ride(rng, float(rng.uniform(0.3, 2.0)) * 3600, SCAN_S, load)
    state = CellState(pack.soc0.copy(), np.zeros(pack.groups), np.zeros(pack.groups), 0.0)
    temps = np.full(pack.groups, temp_c)
    none = np.zeros(pack.groups)
    parts = []
    for at in range(1, len(wanted_a) - 64, 64):
        current_a = wanted_a[at : at + 64]
        out = swing(pack, block(64, SCAN_S, pack.tau1_s, pack.tau2_s), state, current_a, none, temps)
        over = (out.volts_v.min(axis=1) < family.cut_v) | (out.soc.min(axis=1) < _LEAST_SOC)
        kept = int(np.argmax(over)) if over.any() else 64
        parts.append((out.volts_v[:kept], current_a[:kept]))
        if kept < 64:
            break
        state = out.at(63)
    volts_v = np.concatenate([p[0] for p in parts])
    return Ride(kind, "own", family, _read(volts_v, rng), np.concatenate([p[1] for p in parts]))


def _read(volts_v: F64, rng: np.random.Generator) -> F64:
    return volts_v + _NOISE_V * rng.standard_normal(volts_v.shape)


@dataclass(frozen=True, slots=True)
class _Cells:
    """A string of a paper's cells: arrays (g,); `ohm` is what stands in series with the model's own."""

    capacity_ah: F64
    soc: F64
    ohm: F64
    temp_c: float


def _physics_string(paper: str, kind: str, rng: np.random.Generator) -> _Cells:
    """Ageing is wider scatter and half of a cell's resistance more; the peak of resistance is what a second shows."""
    groups, aged = int(rng.integers(16, 37)), rng.random() < 0.4
    ah = float(rng.uniform(8, 25))
    own_ohm = _one_second_ohm(paper) * model_of(paper).ah / ah
    capacity = 1.0 + (0.02 if aged else 0.008) * rng.standard_normal(groups)
    ohms = np.maximum(0.1 + (0.5 if aged else 0.0) + (0.08 if aged else 0.03) * rng.standard_normal(groups), 0.0)
    soc = float(rng.uniform(0.3, 0.95)) + (0.006 if aged else 0.003) * rng.standard_normal(groups)
    weak = _weak(kind, groups, rng)
    k = weak.group
    return _Cells(
        ah * _at(capacity, k, capacity[k] * weak.size),
        np.clip(_at(soc, k, soc[k] - weak.charge), 0.05, 0.99),
        own_ohm * _at(ohms, k, ohms[k] + weak.ohms - 1.0 + weak.joint),
        _temperature_c(rng),
    )


def _one_second_ohm(paper: str) -> float:
    model = model_of(paper)
    cell, amps = Cells(model, np.array([0.55]), np.array([25.0])), np.array([-0.5 * model.ah])
    before = float(cell.volts(np.zeros(1))[0][0])
    cell.step(amps, 1.0)
    return (before - float(cell.volts(amps)[0][0])) / (0.5 * model.ah)


def physics_ride(seed: int, family: Family = LAYERED) -> Ride:
    """One ride on pybamm's cells (SPMe) of a published set, up to the rate that the model bears."""
    rng = np.random.default_rng([*family.seeds[1], seed])
    paper = family.papers[seed % len(family.papers)]
    kind = str(rng.choice(KINDS))
    string = _physics_string(paper, kind, rng)
    model = model_of(paper)
    ah = float(np.median(string.capacity_ah))
    load = Load(peak_a=ah * PAPERS[paper].most_c * float(rng.uniform(0.6, 1.0)))
    wanted_a = -random_ride(rng, float(rng.uniform(0.5, 2.0)) * 3600, SCAN_S, load)
    cells = Cells(model, string.soc, np.full(len(string.soc), string.temp_c))
    soc, share = string.soc.copy(), model.ah / string.capacity_ah
    rows: list[F64] = []
    for amps in wanted_a[1:-1]:
        cell_a = amps * share
        volts_v = cells.volts(cell_a)[0] + amps * string.ohm
        if not np.isfinite(volts_v).all() or volts_v.min() < family.cut_v or soc.min() < _LEAST_SOC:
            break
        rows.append(volts_v)
        cells.step(cell_a, SCAN_S)
        soc = soc + cell_a * SCAN_S / 3600 / model.ah
    kept = len(rows)
    return Ride(kind, paper, family, _read(np.array(rows), rng), wanted_a[1 : kept + 1])
