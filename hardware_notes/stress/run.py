"""What each part bears in each fault, as a share of its ratings; kept in results.json, held to 60 % by a test."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from schematic.catalog import ratings_of
from schematic.net import Circuit, Part
from schematic.reference import board

from stress.cases import FAULTS, State, fault
from stress.deck import ohms, rewired, solve

__all__ = ["GROUP_V", "KEPT", "SIZES", "run_all"]

KEPT = Path(__file__).with_name("results.json")
SIZES = (24, 36, 40)
GROUP_V = 4.35
_FUSE_OHM = 1.0
_PARTS_WITH_OHMS = ("lead resistor", "tie resistor", "divider resistor", "resistor", "bias resistor", "zero resistor",
    "precise resistor")  # fmt: skip


def _loads(part: Part, state: State, v: dict[str, float]) -> dict[str, float]:
    """Heat (w), volts (v) and amperes (a) of a part, as far as the circuit says."""
    nets = {number: "CELL0" if net == "0" else net for number, net in rewired(part, state).items()}

    def drop(a: str, b: str) -> float:
        return abs(v[nets[a]] - v[nets[b]])

    if part.kind in _PARTS_WITH_OHMS:
        ohm = ohms(part)
        return {"w": drop("1", "2") ** 2 / ohm, "v": drop("1", "2")} if ohm else {}
    if part.kind == "lead fuse":
        return {"a": drop("1", "2") / _FUSE_OHM}
    if part.kind == "photo-relay":
        closed = state.zero if part.ref == "KZ" else int(part.ref[1:]) in state.closed
        return {"a": drop("4", "6") / 10.0} if closed else {"v": drop("4", "6")}
    return {}


def _worst(c: Circuit, state: State, v: dict[str, float]) -> dict[str, float]:
    """Highest share of its ratings that any piece of a kind bears, by kind."""
    shares: dict[str, float] = {}
    for part in c.parts.values():
        known = all(net in v for net in part.nets.values() if net != "-")
        if part.option or part.ref in (*state.open, *state.short) or (not known and part.kind != "photo-relay"):
            continue
        ratings = ratings_of(part.kind, c.groups)
        for key, value in _loads(part, state, v).items():
            shares[part.kind] = max(shares.get(part.kind, 0.0), value / ratings[key])
    return shares


def _clamped(c: Circuit, v: dict[str, float]) -> dict[str, float]:
    """Current of one converter input beyond the rails and of the clamps of a line, as shares of the ratings."""
    into_input = max(abs(v[f"LINE_{x}"] - v[f"IN_{x}"]) for x in "AB") / 1e3
    from_leads = max(abs(v[f"HALF{k}"] - v[f"TAP{k}"]) for k in range(c.groups + 1)) / ohms(c.parts["R0B"])
    return {
        "converter": into_input / ratings_of("converter", c.groups)["input_a"],
        "clamp pair": min(from_leads, 1.0) / ratings_of("clamp pair", c.groups)["a"],
        "shunt": abs(v["I5V"] - v["U5k"]) / ratings_of("shunt", c.groups)["a"],
    }


def run_all(groups: int) -> dict[str, dict[str, float]]:
    """For each fault: what the converter sees (V), the most that a lead carries (mA), shares of ratings by kind."""
    c = board(groups)
    out: dict[str, dict[str, float]] = {}
    for name in FAULTS:
        state = fault(name, groups)
        v = solve(c, state, GROUP_V)
        lead_a = max(abs(v[f"FUSED{k}"] - v[f"HALF{k}"]) for k in range(groups + 1)) / ohms(c.parts["R0A"])
        shares = _worst(c, state, v) | _clamped(c, v)
        row = {"seen_v": v["IN_A"] - v["IN_B"], "lead_ma": lead_a * 1e3, "rail_v": v["I5V"] - v["IGND"]}
        row |= {"pack_v": v["JDIV"] - v["JGND"]}
        out[name] = {key: float(f"{value:.4g}") for key, value in (row | shares).items()}
    return out


if __name__ == "__main__":
    text = json.dumps({str(n): run_all(n) for n in SIZES}, indent=1) + "\n"
    if "--write" in sys.argv:
        KEPT.write_text(text, encoding="utf-8")
    sys.stdout.write(text)
