"""How long before a group falls below empty the board says "ease off", and how often it says so for nothing.

    python -m tests.benchmarks.ahead N SEED

N simulated rides from SEED on, each ridden until a group would be cut off or the ride is over: healthy strings and one
with a weak group of each kind, 16 to 36 groups, a town with hills, cold, ageing. The firmware's own `warn/ahead.py`
takes the readings of a scan every 0.37 s, once with and once without the current. The marks:

- of the rides in which a group falls below empty under load: the share in which a warning stood that had been raised
  20 s or more before, and the median of that time (to the first reading below empty, from the raise of the warning
  that then stood);
- of the rides in which every reading stays 100 mV clear of empty: warnings in 100 hours.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from evenstring.sim.cells.first_order_hold import block
from evenstring.sim.cells.pack import Pack, Scatter
from evenstring.sim.cells.string_step import CellState, swing
from evenstring.sim.run.random_ride import Load, random_ride
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2] / "firmware"))  # the same files that a board runs
sys.path.insert(1, str(Path(__file__).parents[2] / "protocol"))
sys.path.insert(2, str(Path(__file__).parents[2] / "firmware" / "virtual" / "cpython"))

from evenboard.warn.ahead import Ahead  # type: ignore[import-not-found]  # firmware, not typed

EMPTY_V, CLEAR_V, CUT_V = 3.0, 3.1, 2.5
SCAN_S = 0.37  # a relay scan of 24 groups, as measured on an RP2040's instruction set
NOISE_V = 0.0005
KINDS = ("healthy", "small", "resistive", "behind", "small and resistive", "bad joint")
F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ride:
    """Readings (k, g) in V and current (k,) in A, charging positive."""

    kind: str
    volts_v: F64
    current_a: F64

    @property
    def hours(self) -> float:
        """Length of the ride."""
        return len(self.current_a) * SCAN_S / 3600


@dataclass(frozen=True, slots=True)
class Mark:
    """What the board said in one ride."""

    kind: str
    hours: float
    lowest_v: float
    lead_s: float | None  # None: no group fell below empty; 0: it fell and no warning stood
    raises: int


def _string(rng: np.random.Generator) -> tuple[str, Pack, float]:
    kind = str(rng.choice(KINDS))
    aged = rng.random() < 0.4
    scatter = Scatter(0.02, 0.08, 0.006) if aged else Scatter()
    ah = float(rng.uniform(8, 25))
    ohm = float(rng.uniform(0.03, 0.06)) / ah * (1.5 if aged else 1.0)
    chemistry = str(rng.choice(["nmc", "nca"]))
    pack = Pack.random(rng, groups=int(rng.integers(16, 37)), scatter=scatter, capacity_ah=ah, r0_ohm=ohm,
                       soc=float(rng.uniform(0.55, 1.0)), chemistry=chemistry)  # fmt: skip
    weak = int(rng.integers(pack.groups))
    size, ohms, charge, joint = (np.ones(pack.groups), np.ones(pack.groups), np.zeros(pack.groups), pack.joint_ohm + 0)
    if "small" in kind:
        size[weak] = rng.uniform(0.75, 0.95)
    if "resistive" in kind:
        ohms[weak] = rng.uniform(1.3, 2.2)
    if kind == "behind":
        charge[weak] = -rng.uniform(0.02, 0.12)
    if kind == "bad joint":
        joint[weak] = ohm * rng.uniform(0.3, 1.2)
    pack = replace(pack, capacity_ah=pack.capacity_ah * size, r0_ohm=pack.r0_ohm * ohms,
                   soc0=np.clip(pack.soc0 + charge, 0.05, 1.0), joint_ohm=joint)  # fmt: skip
    return kind, pack, float(rng.uniform(-5, 12) if rng.random() < 0.3 else rng.uniform(15, 30))


def ride(seed: int) -> Ride:
    """One ride, until a group is cut off, the mean is at the vehicle's cut-off, or it is over."""
    rng = np.random.default_rng(seed)
    kind, pack, temp_c = _string(rng)
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
        over = (out.volts_v.min(axis=1) < CUT_V) | (out.soc.min(axis=1) < 0.002)
        kept = int(np.argmax(over)) if over.any() else 64
        parts.append((out.volts_v[:kept], current_a[:kept]))
        if kept < 64:
            break
        state = out.at(63)
    volts = np.concatenate([p[0] for p in parts])
    return Ride(kind, volts + NOISE_V * rng.standard_normal(volts.shape), np.concatenate([p[1] for p in parts]))


def judge(ride: Ride, with_current: bool, values: dict[str, int] | None = None) -> Mark:
    """Feeds the firmware and marks what it says."""
    steps = np.round(ride.volts_v * 5000).astype(np.int64)
    amps = np.round(ride.current_a * 100).astype(np.int64).tolist()
    board: Any = Ahead(steps.shape[1], round(5000 * EMPTY_V), 21250, values)
    below = (ride.volts_v < EMPTY_V).any(axis=1)
    falls = int(np.argmax(below)) if below.any() else -1
    raised_at, raises, lead_s = -1, 0, None
    for k, row in enumerate(steps.tolist()):
        board.look(row, 1, amps[k] if with_current else -32768, 370)
        if board.raised & 3:
            if raised_at < 0:
                raised_at, raises = k, raises + 1
        else:
            raised_at = -1
        if k == falls:
            lead_s = (k - raised_at) * SCAN_S if raised_at >= 0 else 0.0
            break
    return Mark(ride.kind, ride.hours, float(ride.volts_v.min()), lead_s, raises)


def _one(seed: int) -> tuple[Mark, Mark]:
    made = ride(seed)
    return judge(made, True), judge(made, False)


def table(marks: list[Mark]) -> Iterator[str]:
    """The marks, all kinds together and each alone."""
    kinds: dict[str, list[Mark]] = defaultdict(list)
    for mark in marks:
        kinds["all"].append(mark)
        kinds[mark.kind].append(mark)
    yield f"{'string':<20} {'fall':>5} {'20 s before':>12} {'median':>7} {'clear':>6} {'hours':>6} {'in 100 h':>9}"
    for kind in ("all", *KINDS):
        leads = [m.lead_s for m in kinds[kind] if m.lead_s is not None]
        clear = [m for m in kinds[kind] if m.lowest_v >= CLEAR_V]
        hours = sum(m.hours for m in clear)
        said = 100 * sum(m.raises for m in clear) / hours if hours else float("nan")
        share = 100 * np.mean([lead >= 20 for lead in leads]) if leads else float("nan")
        median = float(np.median(leads)) if leads else float("nan")
        yield (
            f"{kind:<20} {len(leads):>5} {share:>10.1f} % {median:>5.0f} s {len(clear):>6} {hours:>6.0f} {said:>9.2f}"
        )


def main(count: int, seed: int) -> None:
    """Prints both tables."""
    with ProcessPoolExecutor(2) as pool:
        pairs = list(pool.map(_one, range(seed, seed + count), chunksize=4))
    for name, which in (("with the current", 0), ("without a current sensor", 1)):
        print(f"\n{name}, {count} rides from seed {seed}")
        print("\n".join(table([pair[which] for pair in pairs])))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
