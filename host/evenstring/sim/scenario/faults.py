"""Faults of cells, balancer and meter, each at a chosen time: what a scenario's `[[fault]]` tables become.

Faults of cells and balancer are changes of the pack for the engine; faults of the meter change `MeterModel` for the
fast path, and become entries of NAME.faults.json for the virtual board.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.sim.cells.pack import Pack
from evenstring.sim.meter import LeadFault, MeterModel
from evenstring.sim.run.engine import Change

__all__ = ["CELL_KINDS", "KINDS", "METER_KINDS", "Fault", "board_faults", "changes", "with_meter_faults"]

F64 = NDArray[np.float64]

# kind -> keys it needs beside start_h and end_h
CELL_KINDS: dict[str, tuple[str, ...]] = {
    "charge_offset": ("group", "percent"),  # of SoC; negative: less charge than the others
    "low_capacity": ("group", "percent"),
    "high_resistance": ("group", "percent"),
    "joint_resistance": ("group", "mohm"),  # ohmic only: a weld, link or lead
    "lost_cell": ("group", "of"),  # one of so many parallel cells
    "leak": ("group", "ma"),
    "dead_group": ("group",),  # shorted: 0 V
    "reversed_group": ("group",),  # emptied beyond empty: its voltage turns negative
    "bleeder_stuck": ("group",),
    "bleeder_dead": ("group",),
}
METER_KINDS: dict[str, tuple[str, ...]] = {
    "lead_open": ("tap",),
    "lead_intermittent": ("tap", "open_s", "closed_s"),
    "stuck_relay": ("tap",),
    "swapped_leads": ("tap", "other_tap"),
    "meter_offset": ("group", "mv"),
    "meter_comb": ("mv",),  # one converter offset, alternating polarity
    "meter_tap": ("tap", "mv"),  # a tap's potential: up on the group below, down on the one above
    "meter_gain": ("ppm",),
    "meter_drift": ("group", "mv_per_h"),
    "noise_burst": ("mv",),
}
KINDS = CELL_KINDS | METER_KINDS


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: `kind` of `KINDS`, its numbers by key, and the hours between which it is there (None: to the end)."""

    kind: str
    values: dict[str, float]
    start_h: float = 0.0
    end_h: float | None = None

    @property
    def index(self) -> int:
        """Group from 0."""
        return int(self.values["group"]) - 1


def changes(faults: tuple[Fault, ...]) -> list[Change]:
    """What the engine has to do for the faults of cells and balancer. They do not heal: `end_h` is for the meter."""
    return [_change(f) for f in faults if f.kind in CELL_KINDS]


def _change(fault: Fault) -> Change:
    def apply(pack: Pack, soc: F64) -> tuple[Pack, F64]:
        return _apply(fault, pack, soc)

    return (fault.start_h * 3600.0, apply)


def _apply(fault: Fault, pack: Pack, soc: F64) -> tuple[Pack, F64]:  # noqa: C901 - one case a kind, a table in effect
    k, v = fault.index, fault.values
    share = v.get("percent", 0.0) / 100.0
    match fault.kind:
        case "charge_offset":
            soc = _added(soc, k, share)
        case "reversed_group":
            soc = _added(soc, k, -0.15 - float(soc[k]))
        case "low_capacity":
            pack = replace(pack, capacity_ah=_scaled(pack.capacity_ah, k, 1.0 - share))
        case "high_resistance":
            pack = replace(pack, r0_ohm=_scaled(pack.r0_ohm, k, 1.0 + share))
        case "joint_resistance":
            pack = replace(pack, joint_ohm=_added(pack.joint_ohm, k, v["mohm"] / 1000.0))
        case "lost_cell":
            left = (v["of"] - 1.0) / v["of"]
            capacity, r0 = _scaled(pack.capacity_ah, k, left), _scaled(pack.r0_ohm, k, 1.0 / left)
            pack = replace(pack, capacity_ah=capacity, r0_ohm=r0)
        case "leak":
            pack = replace(pack, leak_a=_added(pack.leak_a, k, v["ma"] / 1000.0))
        case "dead_group":
            pack = replace(pack, alive=pack.alive & (np.arange(pack.groups) != k))
        case "bleeder_stuck":
            pack = replace(pack, balancer=replace(pack.balancer, stuck=(*pack.balancer.stuck, k + 1)))
        case "bleeder_dead":
            pack = replace(pack, balancer=replace(pack.balancer, dead=(*pack.balancer.dead, k + 1)))
    return pack, soc


def _scaled(values: F64, k: int, factor: float) -> F64:
    out = values.copy()
    out[k] *= factor
    return out


def _added(values: F64, k: int, more: float) -> F64:
    out = values.copy()
    out[k] += more
    return out


def with_meter_faults(meter: MeterModel, faults: tuple[Fault, ...], groups: int) -> MeterModel:
    """The meter with the faults of its kind added. Offsets, gain and drift count from the start of the recording."""
    zero = np.zeros(groups)
    leads: list[LeadFault] = []
    for fault in faults:
        v = fault.values
        if fault.kind == "meter_offset":
            meter = replace(meter, offset_v=_added(zero + meter.offset_v, fault.index, v["mv"] / 1000.0))
        elif fault.kind == "meter_drift":
            drift = _added(zero + meter.drift_v_per_h, fault.index, v["mv_per_h"] / 1000.0)
            meter = replace(meter, drift_v_per_h=drift)
        elif fault.kind == "meter_comb":
            meter = replace(meter, comb_v=meter.comb_v + v["mv"] / 1000.0)
        elif fault.kind == "meter_tap":
            taps = np.zeros(groups + 1) if meter.tap_v is None else meter.tap_v
            meter = replace(meter, tap_v=_added(taps, int(v["tap"]), v["mv"] / 1000.0))
        elif fault.kind == "meter_gain":
            meter = replace(meter, gain=meter.gain + v["ppm"] / 1e6)
        elif fault.kind in METER_KINDS:
            leads.append(_lead_fault(fault))
    return replace(meter, faults=(*meter.faults, *leads))


def _lead_fault(fault: Fault) -> LeadFault:
    v = fault.values
    return LeadFault(
        kind="noise" if fault.kind == "noise_burst" else fault.kind,
        start_s=fault.start_h * 3600.0,
        end_s=float("inf") if fault.end_h is None else fault.end_h * 3600.0,
        tap=int(v.get("tap", 0)),
        other_tap=int(v.get("other_tap", 0)),
        open_s=v.get("open_s", 0.0),
        closed_s=v.get("closed_s", 0.0),
        sd_v=v.get("mv", 0.0) / 1000.0,
    )


def board_faults(meter: MeterModel, groups: int) -> list[dict[str, Any]]:
    """The meter's errors as the virtual board's list of faults (firmware/virtual/TRACE.md)."""
    always = {"start_s": 0.0, "end_s": None}
    constant = meter.constant_v(groups) - meter.comb_v * (1.0 - 2.0 * (np.arange(groups) % 2))
    out: list[dict[str, Any]] = [
        {"kind": "channel_offset", "group": k + 1, "uv": round(float(v) * 1e6), **always}
        for k, v in enumerate(constant)
        if abs(v) >= 1e-6
    ]
    drift = np.zeros(groups) + meter.drift_v_per_h
    out += [
        {"kind": "drift", "group": k + 1, "uv_per_h": round(float(v) * 1e6), **always} for k, v in enumerate(drift) if v
    ]
    if meter.comb_v:
        out.append({"kind": "converter_offset", "uv": round(meter.comb_v * 1e6), **always})
    if meter.gain:
        out.append({"kind": "gain", "ppm": round(meter.gain * 1e6), **always})
    if meter.noise_v:
        out.append({"kind": "noise", "uv": round(meter.noise_v * 1e6), **always})
    return out + [_board_lead_fault(f) for f in meter.faults]


def _board_lead_fault(fault: LeadFault) -> dict[str, Any]:
    times = {"start_s": fault.start_s, "end_s": None if np.isinf(fault.end_s) else fault.end_s}
    match fault.kind:
        case "noise":
            own: dict[str, Any] = {"uv": round(fault.sd_v * 1e6)}
        case "lead_intermittent":
            own = {"tap": fault.tap, "open_ms": round(fault.open_s * 1e3), "closed_ms": round(fault.closed_s * 1e3)}
        case "swapped_leads":
            own = {"tap": fault.tap, "other_tap": fault.other_tap}
        case _:
            own = {"tap": fault.tap}
    return {"kind": fault.kind, **times, **own}
