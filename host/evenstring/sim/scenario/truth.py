"""The truth about a simulated recording, as JSON beside it. Nothing of it ever reaches the analysis."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from evenstring.sim.run.engine import continue_until_balanced
from evenstring.sim.run.trajectory import Trajectory
from evenstring.sim.scenario.faults import Fault

__all__ = ["Truth", "truth_of"]


@dataclass(frozen=True, slots=True)
class Truth:
    """Lists are by group, group 1 first; times in s from the start of the plan.

    `time_to_balanced_s` counts from the end of the recording with everything left as it is; None, with
    `balanced_within_48_h` false: not in 48 h, or never.
    """

    format: str
    scenario: str
    invented: bool
    groups: int
    faults: list[dict[str, Any]]
    phases: list[dict[str, Any]]
    light_s: list[float]
    soc_start: list[float]
    soc_end: list[float]
    capacity_ah: list[float]
    r0_ohm: list[float]
    leak_a: list[float]
    min_v: list[float]
    max_v: list[float]
    spread_end_v: float
    spread_max_v: float
    balanced_target_v: float
    balanced_within_48_h: bool
    time_to_balanced_s: float | None

    def to_json(self) -> str:
        """Indented JSON text."""
        return json.dumps(asdict(self), indent=1) + "\n"


def truth_of(
    trajectory: Trajectory, faults: tuple[Fault, ...] = (), *, scenario: str = "", target_v: float = 0.010
) -> Truth:
    """Gather it; runs on for up to 48 h of simulated time to find when the pack is balanced."""
    left_s = continue_until_balanced(trajectory, target_v=target_v)
    pack = trajectory.pack

    def rounded(values: Any, digits: int = 6) -> list[float]:
        return [round(float(v), digits) for v in np.asarray(values)]

    return Truth(
        format="evenstring-truth/1",
        scenario=scenario,
        invented=True,
        groups=pack.groups,
        faults=[{"kind": f.kind, "start_h": f.start_h, "end_h": f.end_h, **f.values} for f in faults],
        phases=[asdict(p) for p in trajectory.phases],
        light_s=list(trajectory.light_s),
        soc_start=rounded(trajectory.soc[0]),
        soc_end=rounded(trajectory.soc[-1]),
        capacity_ah=rounded(pack.capacity_ah),
        r0_ohm=rounded(pack.r0_ohm + pack.joint_ohm),
        leak_a=rounded(pack.leak_a, 8),
        min_v=rounded(trajectory.volts_v.min(axis=0)),
        max_v=rounded(trajectory.volts_v.max(axis=0)),
        spread_end_v=round(float(trajectory.spread_v[-1]), 6),
        spread_max_v=round(float(trajectory.spread_v.max()), 6),
        balanced_target_v=target_v,
        balanced_within_48_h=left_s is not None,
        time_to_balanced_s=None if left_s is None else round(left_s, 1),
    )
