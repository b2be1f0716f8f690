"""Packs whose truth is known: cells, charger, balancer, rider, and the meter that watches them.

    rng = np.random.default_rng(7)
    pack = Pack.random(rng, groups=24)                       # healthy, with production scatter
    plan = DutyCycle().ride(minutes=25, seed=3).rest(minutes=30).charge(hours=5)
    trajectory = simulate(pack, plan, step_s=1.0)            # true volts, soc, current, bleeding, phases
    session = measure(trajectory, MeterModel.random(rng, 24), rng, scans_per_s=2.0)
    left_s = continue_until_balanced(trajectory)             # None: not within 48 h, or never

Faults of cells go into the pack (`dataclasses.replace`) or, at a chosen time, through `evenstring.sim.scenario.faults`.
"""

from evenstring.sim.cells.pack import Balancer, ChargerModel, Pack, Protection, Scatter
from evenstring.sim.meter import LeadFault, MeterModel, measure
from evenstring.sim.run.duty_cycle import DutyCycle, Step
from evenstring.sim.run.engine import Change, continue_until_balanced, simulate
from evenstring.sim.run.random_ride import Load
from evenstring.sim.run.trajectory import MODES, Trajectory, TruePhase

__all__ = [
    "MODES",
    "Balancer",
    "Change",
    "ChargerModel",
    "DutyCycle",
    "LeadFault",
    "Load",
    "MeterModel",
    "Pack",
    "Protection",
    "Scatter",
    "Step",
    "Trajectory",
    "TruePhase",
    "continue_until_balanced",
    "measure",
    "simulate",
]
