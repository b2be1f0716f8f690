"""What a simulated pack did: true values at every node, immutable."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.sim.cells.pack import Pack

__all__ = ["MODES", "Trajectory", "TruePhase"]

F64 = NDArray[np.float64]

MODES = ("absent", "cc", "cv", "cut", "off")  # the charger: off means by itself, at its light


@dataclass(frozen=True, slots=True)
class TruePhase:
    """A stretch of one kind: ride, rest, store, charge_cc, charge_cv, or held (connected, no current).

    `ended` says why: done, pack_cutoff, group_floor, light, ceiling, until_soc, unplugged, still_connected,
    cv (from cc), cc (from cv).
    """

    kind: str
    start_s: float
    end_s: float
    ended: str


@dataclass(frozen=True, eq=False)
class Trajectory:
    """n nodes, g groups; between nodes all is a straight line.

    Attributes:
        time_s: (n,) rising. current_a: (n,) pack current, charging positive.
        volts_v, soc: (n, g) true. bleeding: (n, g) bool, over the interval that ends at the node. temps_c: (n, g).
        mode: (n,) index into `MODES`. phases: in order. light_s: instants at which the done light came on.
        pack: as it is at the end, faults included. final: the engine's state there (private to the engine).
    """

    time_s: F64
    current_a: F64
    volts_v: F64
    soc: F64
    bleeding: NDArray[np.bool_]
    temps_c: NDArray[np.float32]
    mode: NDArray[np.int8]
    phases: tuple[TruePhase, ...]
    light_s: tuple[float, ...]
    pack: Pack
    final: Any

    @property
    def spread_v(self) -> F64:
        """(n,) true highest minus lowest group."""
        return np.asarray(self.volts_v.max(axis=1) - self.volts_v.min(axis=1))

    def phase_at(self, time_s: float) -> TruePhase | None:
        """The phase around an instant."""
        return next((p for p in self.phases if p.start_s <= time_s <= p.end_s), None)
