"""A string's voltages over one block, and the current that holds its sum: arithmetic only, no states kept here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.sim.cells.first_order_hold import Block
from evenstring.sim.cells.pack import Pack

__all__ = ["CellState", "Swing", "hold", "swing"]

F64 = NDArray[np.float64]

_SETTLED_V = 1e-9  # of the pack: what counts as "the sum is held"


@dataclass(frozen=True, slots=True, eq=False)
class CellState:
    """soc, filtered1_a, filtered2_a: (g,); current_a: pack current at the same instant."""

    soc: F64
    filtered1_a: F64
    filtered2_a: F64
    current_a: float


@dataclass(frozen=True, slots=True, eq=False)
class Swing:
    """One block: current_a (B,), the others (B, g), at the nodes after the start."""

    current_a: F64
    soc: F64
    filtered1_a: F64
    filtered2_a: F64
    volts_v: F64

    def at(self, k: int) -> CellState:
        """The state at node k."""
        return CellState(self.soc[k], self.filtered1_a[k], self.filtered2_a[k], float(self.current_a[k]))


def resistance_scale(pack: Pack, soc: F64, temps_c: F64) -> F64:
    """Factor on all resistances, shape of soc."""
    low = 1.0 + pack.low_soc_rise * np.exp(np.maximum(soc, 0.0) / -0.08)
    return np.asarray(low * np.exp(pack.cold_rate_per_k * (25.0 - temps_c)))


def swing(pack: Pack, b: Block, start: CellState, current_a: F64, bleed_a: F64, temps_c: F64) -> Swing:
    """What the groups do under a pack current (B,) with bleed (g,) and temperatures (g,) constant over the block."""
    nodes = np.concatenate([[start.current_a], current_a])
    stored = np.where(nodes > 0, pack.charge_efficiency, 1.0) * nodes
    drain = bleed_a + pack.leak_a * 2.0 ** ((temps_c - 25.0) / 10.0)
    soc = start.soc + ((b.trapezoid_h @ stored)[:, None] - b.hours * drain) / pack.capacity_ah
    first = (b.from_current1 @ nodes)[:, None] + b.decay1 * start.filtered1_a - (1.0 - b.decay1) * bleed_a
    second = (b.from_current2 @ nodes)[:, None] + b.decay2 * start.filtered2_a - (1.0 - b.decay2) * bleed_a
    over_r0 = current_a[:, None] - bleed_a + pack.r1_share * first + pack.r2_share * second
    scale = resistance_scale(pack, soc, temps_c)
    volts = pack.curve.voltage_v(soc) + pack.entropic_v_per_k * (temps_c - 25.0) + scale * pack.r0_ohm * over_r0
    volts = volts + pack.joint_ohm * (current_a[:, None] - bleed_a)
    return Swing(current_a, soc, first, second, np.where(pack.alive, volts, 0.0))


def hold(pack: Pack, b: Block, start: CellState, bleed_a: F64, temps_c: F64) -> Swing:
    """The block in which the pack's voltage is the charger's set value at every node, with 0 <= I <= the charger's.

    Newton's method on all nodes together; the Jacobian is taken once, at the start.
    """
    current = np.full(len(b.hours), np.clip(start.current_a, 0.0, pack.charger.current_a))
    live = pack.alive
    scale = resistance_scale(pack, start.soc, temps_c) * pack.r0_ohm * live
    slope = pack.curve.slope_v(start.soc) * live / pack.capacity_ah
    jacobian = (
        np.eye(len(current)) * (scale + pack.joint_ohm * live).sum()
        + b.from_current1[:, 1:] * (pack.r1_share * scale.sum())
        + b.from_current2[:, 1:] * (pack.r2_share * scale.sum())
        + b.trapezoid_h[:, 1:] * slope.sum()
    )
    inverse = np.linalg.inv(jacobian)
    out = swing(pack, b, start, current, bleed_a, temps_c)
    for _ in range(12):
        rest = pack.set_v - out.volts_v.sum(axis=1)
        bound = ((current <= 0) & (rest < 0)) | ((current >= pack.charger.current_a) & (rest > 0))
        if np.abs(np.where(bound, 0.0, rest)).max() < _SETTLED_V:
            break
        current = np.clip(current + inverse @ np.where(bound, 0.0, rest), 0.0, pack.charger.current_a)
        out = swing(pack, b, start, current, bleed_a, temps_c)
    return out
