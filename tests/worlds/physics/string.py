"""A string of physics cells in series with a board, a charger and a rider: one current, each group its own state."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.worlds.physics.boards import Board
from tests.worlds.physics.cells import Cells, model_of
from tests.worlds.physics.chargers import Charger

_AFTER_S = 2400.0  # of rest, recorded after a charge that ended by itself at the end of a plan
_MOST_V = 5.0  # no cell of the papers is ever there; a model whose surface has no more room runs away past it
_CUT_DELAY_S = 2.0  # a protection board waits so long before it cuts; common practice

__all__ = ["Groups", "Plan", "Run", "Stage", "Trace"]


@dataclass(frozen=True, eq=False)
class Groups:
    """The cells of a string: each group `parallel` cells, times its own capacity; all arrays (g,).

    `ohm` carries the string's current only (joints, links), `leak_a` flows always.
    """

    paper: str
    parallel: float
    capacity: np.ndarray
    soc: np.ndarray
    ohm: np.ndarray
    leak_a: np.ndarray
    temperature_c: np.ndarray


@dataclass(frozen=True, eq=False)
class Stage:
    """What is done next: `kind` rest, ride or charge, for `seconds` at most.

    A ride's `load_a` is a reading a second (discharge negative). A charge ends sooner when the mean group reaches
    `until_v`, `held_s` after constant voltage was reached, or `after_light_s` after the light.
    """

    kind: str
    seconds: float
    load_a: np.ndarray | None = None
    until_v: float = np.inf
    held_s: float = np.inf
    after_light_s: float = np.inf


@dataclass(frozen=True, eq=False)
class Plan:
    """A session to be run. `cut_v`: the protection's ceiling; `dead_v`: its floor; `step_s`: outside rides."""

    groups: Groups
    board: Board
    charger: Charger
    stages: tuple[Stage, ...]
    step_s: float
    cut_v: float
    dead_v: float


@dataclass(eq=False)
class Trace:
    """True rows: time, volts (n, g), state of charge (n, g), bleed (n, g) and string current, A; stage of each row."""

    time_s: list[float] = field(default_factory=list)
    volts_v: list[np.ndarray] = field(default_factory=list)
    soc: list[np.ndarray] = field(default_factory=list)
    bleed_a: list[np.ndarray] = field(default_factory=list)
    current_a: list[float] = field(default_factory=list)
    stage: list[int] = field(default_factory=list)


class Run:
    """A plan under way; `ended` says how each charge ended: ceiling, unplugged_cc, unplugged_cv, light, connected."""

    def __init__(self, plan: Plan) -> None:
        g = plan.groups
        self.plan, self.model = plan, model_of(g.paper)
        self.cells = Cells(self.model, g.soc, g.temperature_c)
        self.soc, self.now_s, self.amps = g.soc.copy(), 0.0, 0.0
        self.bleed_a = np.zeros(len(g.soc))
        self.trace, self.ended = Trace(), ""
        self.cut, self.over_s = False, 0.0
        self.after_ride: tuple[Cells, np.ndarray] | None = None
        self.volts_v = self._volts(0.0)[0]
        self.held_since_s: float | None = None
        self.first_held_s: float | None = None

    def go(self) -> None:
        """All stages."""
        for k, stage in enumerate(self.plan.stages):
            self._stage(k, stage)
        if self.ended in ("ceiling", "light") and self.plan.stages[-1].kind == "charge":
            self._stage(len(self.plan.stages), Stage("rest", _AFTER_S))  # the recorder does not know that it is over

    def on(self, seconds: float, step_s: float) -> None:
        """Everything stays as it is at the end of the last stage (a charge goes on)."""
        until, start = self.now_s + seconds, self.now_s
        while self.now_s < until - 1e-6:
            self._charge_step(start, step_s, len(self.plan.stages))

    def _stage(self, k: int, stage: Stage) -> None:
        start = self.now_s
        self.held_since_s = None
        step_s = min(1.0, self.plan.step_s) if stage.kind == "ride" else self.plan.step_s
        while self.now_s < start + stage.seconds - 1e-6:
            if stage.kind == "charge":
                self._charge_step(start, step_s, k)
                if self._over(stage):
                    break
            else:
                if stage.kind == "ride" and stage.load_a is not None:
                    self.amps = float(np.interp(self.now_s - start, np.arange(len(stage.load_a)), stage.load_a))
                else:
                    self.amps = 0.0
                self.volts_v = self._volts(self.amps)[0]
                self._advance(step_s, k, charging=False)
                if stage.kind == "ride" and self.volts_v.min() < self.plan.dead_v:
                    break
        if stage.kind == "charge" and not self.ended:
            self.ended = "connected" if k == len(self.plan.stages) - 1 else self._unplugged()
        if stage.kind == "ride":
            self.after_ride = self.cells.copy(), self.soc.copy()

    def _unplugged(self) -> str:
        if self.plan.charger.light_at_s is not None:
            return "light"
        return "unplugged_cv" if self.held_since_s is not None else "unplugged_cc"

    def _charge_step(self, start_s: float, step_s: float, k: int) -> None:
        charger, total = self.plan.charger, float(self.volts_v.sum())
        most = 0.0 if self.cut else charger.most_a(total, self.now_s, self.now_s - start_s)
        amps = most
        volts, slope = self._volts(min(self.amps, most))
        if most > 0:
            room = charger.set_v - volts.sum() - charger.lead_ohm * min(self.amps, most)
            amps = float(np.clip(min(self.amps, most) + room / (slope + charger.lead_ohm), 0.0, most))
        holding = most > 0 and amps < most - 1e-9
        if holding and self.held_since_s is None:
            self.held_since_s = self.first_held_s = self.now_s
        self.amps, self.volts_v = amps, self._volts(amps)[0]
        charger.after(amps, holding, self.now_s)
        self._advance(step_s, k, charging=amps > 0.0 or holding)
        self.over_s = self.over_s + step_s if self.volts_v.max() >= self.plan.cut_v and amps > charger.light_a else 0.0
        if self.over_s >= _CUT_DELAY_S and not self.cut:
            self.cut, self.ended = True, "ceiling"

    def _over(self, stage: Stage) -> bool:
        charger = self.plan.charger
        light = charger.light_at_s
        if self.cut:
            return True
        if light is not None and (charger.off_at_light or self.now_s - light >= stage.after_light_s):
            self.ended = "light"
            return True
        if self.held_since_s is not None and self.now_s - self.held_since_s >= stage.held_s:
            return True
        if self.volts_v.mean() >= stage.until_v:
            self.ended = "unplugged_cc"
            return True
        return False

    def _cell_a(self, amps: float) -> np.ndarray:
        g = self.plan.groups
        return (amps - self.bleed_a - g.leak_a) / (g.parallel * g.capacity)

    def _volts(self, amps: float) -> tuple[np.ndarray, float]:
        """(g,) V at this string current, and V of the string per ampere."""
        g = self.plan.groups
        volts, slope = self.cells.volts(self._cell_a(amps))
        return volts + amps * g.ohm, float((slope / (g.parallel * g.capacity) + g.ohm).sum())

    def _advance(self, step_s: float, k: int, charging: bool) -> None:
        t = self.trace
        t.time_s.append(self.now_s)
        t.volts_v.append(self.volts_v)
        t.soc.append(self.soc.copy())
        t.bleed_a.append(self.bleed_a)
        t.current_a.append(self.amps)
        t.stage.append(k)
        if not (np.abs(self.volts_v) < _MOST_V).all():
            raise FloatingPointError("the model has no voltage at this current, or one that no cell has")
        cell_a = self._cell_a(self.amps)
        self.cells.step(cell_a, step_s)
        self.soc = self.soc + cell_a * step_s / 3600.0 / self.model.ah
        self.now_s += step_s
        if step_s >= 1.0 or abs(self.now_s % 1.0) < 1e-6:
            self.bleed_a = self.plan.board.amps(self.volts_v, self.now_s, charging)
