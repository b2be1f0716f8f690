"""The simulator's speed beside pybamm's equivalent-circuit model, in one process."""

from __future__ import annotations

import os
import time
from collections.abc import Callable

import numpy as np
from evenstring.ocv import curve
from evenstring.sim import DutyCycle, Pack, simulate
from evenstring.sim.run.daily_habit import Fleet, Habit, live

HOURS = 8
PACKS = 1000


def run() -> list[str]:
    pack = Pack.random(np.random.default_rng(1), soc=0.3)
    plan = DutyCycle().ride(minutes=20, seed=1, step_s=1.0).rest(minutes=40).charge(hours=HOURS - 1)
    ours_s = best(lambda: simulate(pack, plan, step_s=1.0), 3)
    theirs_s = reference_s(HOURS * 3600)
    fleet = Fleet.random(np.random.default_rng(1), PACKS, 24, curve("lg_m50_nmc"))
    fleet_s = best(lambda: live(fleet, Habit(), 365), 1)
    day = (
        f"24 groups x {HOURS} h at 1 s: {ours_s:.2f} s (bar: 1 s); pybamm's Thevenin model, one group: {theirs_s:.2f} s"
    )
    years = f"{PACKS} packs x 365 days of habit: {fleet_s:.1f} s (bar: 60 s)"
    return [
        f"{day}; a group for a group, ours is {24 * theirs_s / ours_s:.0f} times as quick",
        f"{years}, {fleet_s / theirs_s:.0f} times that one-group run",
    ]


def best(work: Callable[[], object], times: int) -> float:
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return min(spent)


def reference_s(seconds: int) -> float:
    """One group, constant resistances, one charge with its constant-voltage part and rest, a point a second."""
    os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
    import pybamm  # noqa: PLC0415 - heavy, and only wanted here

    values = pybamm.ParameterValues("ECM_Example")
    c = curve("lg_m50_nmc")
    grid = np.linspace(0.0, 1.0, 401)
    values.update(
        {
            "Cell capacity [A.h]": 20.0, "Nominal cell capacity [A.h]": 20.0, "Initial SoC": 0.3,
            "Upper voltage cut-off [V]": 4.4, "Lower voltage cut-off [V]": 2.0,
            "Open-circuit voltage [V]": lambda z: pybamm.Interpolant(grid, c.voltage_v(grid), z),
            "R0 [Ohm]": lambda _t, _i, _z: 0.007, "R1 [Ohm]": lambda _t, _i, _z: 0.006,
            "C1 [F]": lambda _t, _i, _z: 2000.0, "Entropic change [V/K]": lambda _ocv, _t: 0.0,
        }
    )  # fmt: skip
    rest_minutes = seconds // 60 - 240
    steps = [("Charge at 5 A until 4.2 V", "Hold at 4.2 V for 60 minutes", f"Rest for {rest_minutes} minutes")]
    experiment = pybamm.Experiment(steps, period="1 second")
    model = pybamm.equivalent_circuit.Thevenin()
    return best(lambda: pybamm.Simulation(model, parameter_values=values, experiment=experiment).solve(), 2)
