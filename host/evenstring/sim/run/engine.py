"""Steps a pack through a plan. `simulate` gives the trajectory; `continue_until_balanced` the truth about balancing.

Works in blocks of up to 64 steps during which nothing switches: a block is computed, the first node at which something
would switch is found (bleed, ceiling, taper, cut-off, light), the block is kept up to there, and the switch is made.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.sim.cells.bleeding import wanted_bleed
from evenstring.sim.cells.first_order_hold import block
from evenstring.sim.cells.pack import Pack
from evenstring.sim.cells.string_step import CellState, Swing, hold, swing
from evenstring.sim.run.duty_cycle import DutyCycle, Step
from evenstring.sim.run.trajectory import MODES, Trajectory, TruePhase

__all__ = ["Change", "continue_until_balanced", "simulate"]

F64 = NDArray[np.float64]
Change = tuple[float, Callable[[Pack, F64], tuple[Pack, F64]]]  # at this time: (pack, soc) become others

_ABSENT, _CC, _CV, _CUT, _OFF = range(len(MODES))
_MAX_BLOCK = 64
_SWITCH_S = 1.0  # connecting and disconnecting take this long
_CALM_S = 600.0  # balanced has to last this long


class _Run:
    """The state of one simulation, and what was recorded."""

    def __init__(self, pack: Pack, changes: Iterable[Change]) -> None:
        zero = np.zeros(pack.groups)
        self.pack = pack
        self.cells = CellState(pack.soc0.copy(), zero, zero, 0.0)
        self.time_s = 0.0
        self.bleeding = np.zeros(pack.groups, bool)
        self.mode = _ABSENT
        self.heat_k = 0.0
        self.ambient_c = 25.0
        self.size = 8
        self.recheck = True  # the balancer looks at once when something was switched
        self.light_s: list[float] = []
        self.lit = False
        self.changes = sorted(changes, key=lambda change: change[0])
        self.rows: list[tuple[F64, Swing, NDArray[np.bool_], F64, int]] = []
        self.phases: list[TruePhase] = []

    # -- one block ---------------------------------------------------------------------------------------------------

    def advance(self, load_a: F64 | None, most: int, step_s: float, stop: Callable[[Swing], F64]) -> tuple[int, str]:
        """One block of at most `most` steps; `stop` marks nodes (B,) that end the plan's step.

        Returns the steps taken, and why the plan's step ends ("" when it goes on).
        """
        self._apply_changes()
        n = min(self.size, most, _MAX_BLOCK)
        if self.changes:
            n = max(1, min(n, int((self.changes[0][0] - self.time_s) / step_s + 1e-9)))
        temps = self.ambient_c + self.pack.temp_offset_k + self.heat_k
        bleed = self.bleeding * (self.pack.balancer.bleed_a * self.pack.balancer.duty)
        b = block(n, step_s, self.pack.tau1_s, self.pack.tau2_s)
        if self.mode == _CV:
            out = hold(self.pack, b, self.cells, bleed, temps)
        else:
            current = np.zeros(n) if load_a is None else load_a[:n]
            if self.mode == _CC:
                current = np.full(n, self.pack.charger.current_a)
            out = swing(self.pack, b, self.cells, current, bleed, temps)
        times = np.round(self.time_s + step_s * np.arange(1, n + 1), 6)  # no drift from adding up
        kept, switch = self._first_switch(out, times, step_s, stop)
        if kept:
            self._keep(out, times, kept, temps)
        self.size = max(8, kept) if kept < n else min(2 * self.size, _MAX_BLOCK)
        return kept, switch() if switch else ""

    def _first_switch(
        self, out: Swing, times: F64, step_s: float, stop: Callable[[Swing], F64]
    ) -> tuple[int, Callable[[], str] | None]:
        """Nodes to keep, and what to do then: the earliest of all switches."""
        found: list[tuple[int, Callable[[], str]]] = []

        def add(hits: Any, then: Callable[[], str], keep_node: bool = True) -> None:
            k = int(hits.argmax())
            if hits[k]:
                found.append((k + keep_node, then))

        ended = stop(out)
        for code, why in enumerate(_STOPS, start=1):
            add(ended == code, partial(str, why))
        if self.mode in (_CC, _CV):
            add((out.volts_v > self.pack.protection.ceiling_v).any(axis=1), lambda: self._to(_CUT, "ceiling"))
        if self.mode == _CC:
            add(out.volts_v.sum(axis=1) > self.pack.set_v, lambda: self._to(_CV, "cv"), keep_node=False)
        if self.mode == _CV:
            full_current = out.current_a >= self.pack.charger.current_a
            sagging = out.volts_v.sum(axis=1) < self.pack.set_v - 1e-3
            add(full_current & sagging, lambda: self._to(_CC, "cc"))
            if not self.lit:
                add(out.current_a <= self.pack.charger.done_light_a, self._light)
        if self.mode == _CUT and self.pack.protection.release_v is not None:
            add((out.volts_v < self.pack.protection.release_v).all(axis=1), lambda: self._to(_CC, "done"))
        self._add_bleed_switch(out, times, step_s, add)
        return min(found, key=lambda item: item[0]) if found else (len(times), None)

    def _add_bleed_switch(self, out: Swing, times: F64, step_s: float, add: Callable[..., None]) -> None:
        every = max(1, round(self.pack.balancer.check_s / step_s))
        index = np.rint(times / step_s).astype(np.int64)
        checks = np.flatnonzero((index % every == 0) | ((index == index[0]) & self.recheck))
        if not len(checks):
            return
        self.recheck = False
        charging = self.mode in (_CC, _CV)
        want = wanted_bleed(self.pack.balancer, out.volts_v[checks], self.bleeding, times[checks], charging)
        differs = (want != self.bleeding).any(axis=1)
        if differs.any():
            first = int(differs.argmax())
            hits = np.zeros(len(times), bool)
            hits[checks[first]] = True
            add(hits, lambda: self._set_bleeding(want[first]))

    def _set_bleeding(self, want: NDArray[np.bool_]) -> str:
        self.bleeding = want
        return ""

    def _light(self) -> str:
        self.lit = True
        self.light_s.append(self.time_s)
        if self.pack.charger.off_at_light:
            return self._to(_OFF, "light")
        return ""

    def _to(self, mode: int, why: str) -> str:
        self.close_phase(why)
        self.mode, self.recheck = mode, True
        self.phase_start_s = self.time_s
        return ""

    def _keep(self, out: Swing, times: F64, kept: int, temps: F64) -> None:
        part = Swing(out.current_a[:kept], out.soc[:kept], out.filtered1_a[:kept], out.filtered2_a[:kept],
                     out.volts_v[:kept])  # fmt: skip
        self.rows.append((times[:kept], part, self.bleeding, temps, self.mode))
        lasted = float(times[kept - 1] - self.time_s)
        self.time_s, self.cells = float(times[kept - 1]), out.at(kept - 1)
        aim = self.pack.heat_k_per_a2 * float(np.mean(part.current_a**2))
        self.heat_k += (aim - self.heat_k) * -float(np.expm1(-lasted / self.pack.heat_tau_s))

    def _apply_changes(self) -> None:
        while self.changes and self.changes[0][0] <= self.time_s + 1e-9:
            self.pack, soc = self.changes.pop(0)[1](self.pack, self.cells.soc)
            old = self.cells
            self.cells = CellState(soc, old.filtered1_a, old.filtered2_a, old.current_a)

    # -- steps of a plan ---------------------------------------------------------------------------------------------

    phase_start_s = 0.0
    plain_kind = "rest"

    def close_phase(self, why: str) -> None:
        """Write down the phase that ends now, if it lasted."""
        kind = {_ABSENT: self.plain_kind, _CC: "charge_cc", _CV: "charge_cv"}.get(self.mode, "held")
        if self.time_s > self.phase_start_s + 1e-9:
            self.phases.append(TruePhase(kind, self.phase_start_s, self.time_s, why))

    def plan_step(self, step: Step, step_s: float) -> None:
        """Carry out one step of a plan."""
        self.ambient_c, self.plain_kind = step.ambient_c, step.kind
        self.mode, self.lit = (_CC if step.kind == "charge" else _ABSENT), False
        self.phase_start_s, self.recheck = self.time_s, True
        if step_s > _SWITCH_S and step.current_a is None:  # a coarse step would draw the switch out into a long ramp
            self.advance(None, 1, _SWITCH_S, lambda out: self._stops(step, out))
        left, done, why = round(step.duration_s / step_s), 0, ""
        stuck = 0
        while left > 0 and not why:
            load = None if step.current_a is None else step.current_a[done + 1 :]
            taken, why = self.advance(load, left, step_s, lambda out: self._stops(step, out))
            done, left = done + taken, left - taken
            stuck = 0 if taken else stuck + 1
            if stuck > 3:  # two switches that undo each other at one node: take the node as it is
                self.mode, stuck = _CV, 0
            if step.leave_s is not None and self._ended_since() >= step.leave_s and not why:
                why = "unplugged"
        stays = step.kind == "charge" and step is self.last_step and not why
        self.close_phase("still_connected" if stays else why or ("unplugged" if step.kind == "charge" else "done"))
        if not stays:
            self.mode = _ABSENT

    last_step: Step | None = None

    def _ended_since(self) -> float:
        if self.mode in (_CUT, _OFF):
            return self.time_s - self.phase_start_s
        return self.time_s - self.light_s[-1] if self.lit else -1.0

    def _stops(self, step: Step, out: Swing) -> F64:
        """(B,) codes into _STOPS, 0 where the step goes on."""
        codes = np.zeros(len(out.current_a))
        if step.kind == "ride":
            loaded = out.current_a < 0
            codes[(out.volts_v.sum(axis=1) < self.pack.protection.vehicle_cutoff_v * self.pack.groups) & loaded] = 1
            codes[((out.volts_v < self.pack.protection.floor_v) & self.pack.alive).any(axis=1) & loaded] = 2
            if step.until_soc is not None:
                codes[out.soc.mean(axis=1) <= step.until_soc] = 3
        elif step.kind == "charge" and step.until_soc is not None:
            codes[out.soc.mean(axis=1) >= step.until_soc] = 3
        return codes

    def trajectory(self) -> Trajectory:
        """All that was recorded."""
        counts = [len(row[0]) for row in self.rows]

        def spread(values: list[Any]) -> NDArray[Any]:
            return np.repeat(np.stack(values), counts, axis=0)

        made = Trajectory(
            time_s=np.concatenate([row[0] for row in self.rows]),
            current_a=np.concatenate([row[1].current_a for row in self.rows]),
            volts_v=np.concatenate([row[1].volts_v for row in self.rows]),
            soc=np.concatenate([row[1].soc for row in self.rows]),
            bleeding=spread([row[2] for row in self.rows]),
            temps_c=spread([row[3] for row in self.rows]).astype(np.float32),
            mode=np.repeat(np.array([row[4] for row in self.rows], np.int8), counts),
            phases=tuple(self.phases),
            light_s=tuple(self.light_s),
            pack=self.pack,
            final=self,
        )
        self.rows = []  # all of it is in the arrays now
        return made


_STOPS = ("pack_cutoff", "group_floor", "until_soc")


def simulate(pack: Pack, plan: DutyCycle, *, step_s: float = 1.0, changes: Iterable[Change] = ()) -> Trajectory:
    """Run a pack through a plan.

    Args:
        pack: its `soc0` is the state at the start.
        plan: what happens.
        step_s: time between nodes where the plan does not say another (rides: 0.2 s, storage: 1800 s).
        changes: what happens to the cells at a time (see `evenstring.sim.scenario.faults`).
    """
    run = _Run(pack, changes)
    run.last_step = plan.steps[-1] if plan.steps else None
    _first_node(run)
    for step in plan.steps:
        run.plan_step(step, step.step_s or step_s)
    return run.trajectory()


def continue_until_balanced(
    trajectory: Trajectory, *, target_v: float = 0.010, limit_h: float = 48.0, step_s: float = 10.0
) -> float | None:
    """Seconds from the end of a trajectory until its true spread is at or under the target and stays so for 10 min.

    Everything stays connected as it is at the end (a plan that ends in a charge ends with the charger still on).
    None: not within `limit_h`, which includes never.
    """
    run: _Run = copy.copy(trajectory.final)
    run.rows, run.phases, run.light_s = [], [], list(run.light_s)
    run.changes, start_s = [], run.time_s
    since: float | None = start_s if trajectory.spread_v[-1] <= target_v else None
    while run.time_s < start_s + limit_h * 3600.0:
        run.rows.clear()
        run.advance(None, _MAX_BLOCK, step_s, lambda out: np.zeros(len(out.current_a)))
        for times, out, *_ in run.rows:
            for t, spread in zip(times, np.ptp(out.volts_v, axis=1), strict=True):
                if spread > target_v:
                    since = None
                elif since is None:
                    since = float(t)
                if since is not None and t - since >= _CALM_S:
                    return since - start_s
    return None


def _first_node(run: _Run) -> None:
    """The node at time 0, at rest."""
    run._apply_changes()
    temps = run.ambient_c + run.pack.temp_offset_k
    at_rest = run.pack.curve.voltage_v(run.cells.soc) + run.pack.entropic_v_per_k * (temps - 25.0)
    volts = np.where(run.pack.alive, at_rest, 0.0)
    start = Swing(
        np.zeros(1), run.cells.soc[None], run.cells.filtered1_a[None], run.cells.filtered2_a[None], volts[None]
    )
    run.rows.append((np.zeros(1), start, run.bleeding, temps, run.mode))
