"""Packs whose truth is known: cells, charger, balancer, rider, and the meter that watches them.

    rng = np.random.default_rng(7)
    pack = Pack.random(rng, groups=24)                       # healthy, with production scatter
    plan = Plan().ride(minutes=25, seed=3).rest(minutes=30).charge(hours=5)
    trajectory = simulate(pack, plan, step_s=1.0)            # true volts, soc, current, bleeding, phases
    session = measure(trajectory, MeterModel.random(rng, 24), rng, scans_per_s=2.0)
    left_s = continue_until_balanced(trajectory)             # None: not within 48 h, or never

Faults of cells go into the pack (`dataclasses.replace`) or, at a chosen time, through `evenstring.sim.faults`.
"""

from evenstring.sim.engine import Change, continue_until_balanced, simulate
from evenstring.sim.loads import Load
from evenstring.sim.meter import LeadFault, MeterModel, measure
from evenstring.sim.pack import Balancer, Charger, Pack, Protection, Scatter
from evenstring.sim.plan import Plan, Step
from evenstring.sim.trajectory import MODES, Phase, Trajectory

__all__ = [
    "MODES",
    "Balancer",
    "Change",
    "Charger",
    "LeadFault",
    "Load",
    "MeterModel",
    "Pack",
    "Phase",
    "Plan",
    "Protection",
    "Scatter",
    "Step",
    "Trajectory",
    "continue_until_balanced",
    "measure",
    "simulate",
]
