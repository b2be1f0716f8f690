"""What is found in a scenario of the library, recorded as it says."""

from __future__ import annotations

from functools import cache

import numpy as np
from evenstring.profile import parse_profile
from evenstring.report.material import Material, gather_material
from evenstring.sim.meter import measure
from evenstring.sim.scenario import load_scenario

__all__ = ["LONG", "scenario_material"]

# Scenarios that a fit, or the truth of what is left to balance, takes seconds for: in `make soak`.
LONG = ("dead_bleeder", "demo", "for_the_buyer", "lags_by_capacity", "lags_by_resistance", "lost_parallel_cell",
        "meter_comb", "one_bad_tap", "only_the_meter", "shared_balance_leads")  # fmt: skip


@cache
def scenario_material(name: str) -> Material:
    """All results of a scenario's recording."""
    scenario = load_scenario(name)
    session = measure(
        scenario.run(), scenario.meter, np.random.default_rng(1), scans_per_s=scenario.scans_per_s,
        quiet_s=scenario.quiet_s, with_current=scenario.with_current,
    )  # fmt: skip
    return gather_material(session, parse_profile(scenario.pack_toml))
