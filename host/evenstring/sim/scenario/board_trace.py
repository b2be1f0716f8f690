"""A trajectory as the virtual board's input: NAME.trace and NAME.faults.json (format: firmware/virtual/TRACE.md)."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np

from evenstring.sim.meter import MeterModel, at_taps
from evenstring.sim.run.trajectory import Trajectory
from evenstring.sim.scenario.faults import board_faults

__all__ = ["write_trace"]

_CHUNK = 20_000  # records turned to bytes at a time


def write_trace(trajectory: Trajectory, meter: MeterModel, path: Path, *, step_s: float = 0.5) -> None:
    """Write `path` and its .faults.json beside it; linear in between, so `step_s` should not be far from the nodes'.

    The voltages are those where the meter is connected (balance leads that it shares included).
    """
    groups = trajectory.volts_v.shape[1]
    step_ms = max(1, round(step_s * 1000))
    count = int(trajectory.time_s[-1] * 1000 // step_ms) + 1
    warmest = int(trajectory.pack.temp_offset_k.argmax())
    record = np.dtype([("ma", "<i4"), ("uv", "<i4", (groups,)), ("cdegc", "<i2", (1,))])
    seen = at_taps(trajectory, meter)
    with path.open("wb") as file:
        file.write(struct.pack("<4sBBBBII", b"EVTR", 1, groups, 1, 0, step_ms, count))
        for begin in range(0, count, _CHUNK):
            t = np.arange(begin, min(begin + _CHUNK, count)) * (step_ms / 1000.0)
            rows = np.zeros(len(t), record)
            rows["ma"] = np.rint(np.interp(t, trajectory.time_s, trajectory.current_a) * 1000.0)
            for k in range(groups):
                rows["uv"][:, k] = np.rint(np.interp(t, trajectory.time_s, seen[:, k]) * 1e6)
            rows["cdegc"][:, 0] = np.rint(np.interp(t, trajectory.time_s, trajectory.temps_c[:, warmest]) * 100.0)
            file.write(rows.tobytes())
    faults = json.dumps(board_faults(meter, groups), indent=1)
    path.with_suffix(".faults.json").write_text(faults + "\n", encoding="utf-8")
