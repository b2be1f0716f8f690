"""The live side of the board as an ngspice deck, and what each part bears in a state of `cases.py`.

Models are of the parts' class, from memory: relays 10 ohm closed and 50 Gohm open, low-leakage diodes, a converter of
10 Mohm an input to ground and 22 Mohm between, with diodes of its own to both rails, the regulator as a source that
cannot sink, the shunt as a knee at 5.24 V, an island that takes 0.5 mA (the least, so that the rail lifts most).
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator

from schematic.net import NOT_CONNECTED, Circuit, Part

from stress.cases import State

__all__ = ["deck", "ohms", "rewired", "solve"]

_CLOSED_OHM = 10.0
_OPEN_OHM = 5e10
_FUSE_OHM = 1.0
_NOTHING_OHM = 1e14
_MODELS = """.model clamp d(is=2e-14 n=1.1 rs=1)
.model esd d(is=1e-15 n=1 rs=20)
.model feed d(is=1e-9 n=0.05 rs=0.5)
.model knee d(is=1e-15 bv=5.24 ibv=1m rs=0.5)
.options rshunt=1e13 gmin=1e-14 abstol=1e-13 reltol=1e-5 itl1=500"""
_LIVE = {"pack", "island1", "island2"}
_RESISTORS = ("lead resistor", "tie resistor", "divider resistor", "resistor", "bias resistor", "zero resistor",
    "precise resistor")  # fmt: skip
_SCALE = {"k": 1e3, "M": 1e6}


def ohms(part: Part) -> float:
    """Resistance of a resistor, from what is written on it."""
    return float(part.value.rstrip("kM")) * _SCALE.get(part.value[-1], 1.0)


def deck(c: Circuit, state: State, group_v: float) -> str:
    """The circuit in that state as an ngspice deck that prints every node's voltage against pack negative."""
    lines = [f"* {c.title}"]
    for part in c.parts.values():
        nets = [n for n in part.nets.values() if n != NOT_CONNECTED]
        if part.ref in state.open or not any(c.regions[n] in _LIVE for n in nets) or part.option:
            continue
        if part.ref in state.short:
            lines.append(f"R_{part.ref} {_node(part.nets['1'])} {_node(part.nets['2'])} 0.01")
        else:
            lines += _models(part, rewired(part, state), state, group_v)
    lines += [f"R_join{i} {_node(a)} {_node(b)} {r}" for i, (a, b, r) in enumerate(state.join)]
    lines += ["R_load1 I5V IGND 10k", "R_load2 J3V3 JGND 6.6k", "R_still IGND CELL0 1e12"]
    lines += [_MODELS, ".op", ".control", "run", "print all", "quit", ".endc", ".end"]
    return "\n".join(line.replace("CELL0 ", "0 ") for line in lines).replace("CELL0\n", "0\n")


def _node(net: str) -> str:
    return "0" if net == "CELL0" else net


def rewired(part: Part, state: State) -> dict[str, str]:
    """The part's nets, with two leads exchanged at the plug where the state says so."""
    nets = {number: _node(net) for number, net in part.nets.items()}
    if state.swapped and part.kind == "lead resistor" and part.nets["2"].startswith("TAP"):
        a, b = state.swapped
        nets["2"] = {f"TAP{a}": f"TAP{b}", f"TAP{b}": f"TAP{a}"}.get(nets["2"], nets["2"])
    return nets


def _models(part: Part, nets: dict[str, str], state: State, group_v: float) -> Iterator[str]:
    ref = part.ref
    if part.kind == "cell":
        group = int(ref.removeprefix("BT"))
        yield f"V_{ref} {nets['1']} {nets['2']} {state.cells.get(group, group_v)}"
    elif part.kind == "lead fuse":
        yield f"R_{ref} {nets['1']} {nets['2']} {_FUSE_OHM}"
    elif part.kind in _RESISTORS:
        yield f"R_{ref} {nets['1']} {nets['2']} {ohms(part)}"
    elif part.kind == "photo-relay":
        conducts = state.zero if ref == "KZ" else int(ref[1:]) in state.closed
        yield f"R_{ref} {nets['4']} {nets['6']} {_CLOSED_OHM if conducts else _OPEN_OHM}"
    elif part.kind == "clamp pair":
        yield f"D_{ref}l {nets['1']} {nets['3']} clamp"
        yield f"D_{ref}h {nets['3']} {nets['2']} clamp"
    elif part.kind == "converter" and ref == "U2":
        yield f"R_{ref} {nets['4']} {nets['5']} 22meg"
        for pin in ("4", "5"):
            yield f"R_{ref}{pin} {nets[pin]} {nets['3']} 10meg"
            yield f"D_{ref}{pin}l {nets['3']} {nets[pin]} esd"
            yield f"D_{ref}{pin}h {nets[pin]} {nets['8']} esd"
    elif part.kind in ("regulator 5 V", "regulator 3.3 V"):
        volts = float(part.value.rstrip("V"))
        yield f"V_{ref} {ref}s {nets['1']} {volts}"
        yield f"D_{ref} {ref}s {nets['3']} feed"
    elif part.kind == "shunt":
        yield f"R_{ref} {nets['K']} {ref}k 1"  # so that its current can be read
        yield f"D_{ref} {nets['A']} {ref}k knee"


def solve(c: Circuit, state: State, group_v: float) -> dict[str, float]:
    """Voltage of every net against pack negative in that state, V.

    Raises:
        RuntimeError: ngspice found no operating point.
    """
    command = [shutil.which("ngspice") or "ngspice", "-b", "/dev/stdin"]
    text = deck(c, state, group_v)
    done = subprocess.run(command, input=text, capture_output=True, text=True, timeout=60, check=False)  # noqa: S603  # our own deck
    found = dict(re.findall(r"^(\S+) = ([-+0-9.eE]+)\s*$", done.stdout, re.MULTILINE))
    volts = {net: float(found[net.lower()]) for net in c.regions if net.lower() in found}
    if len(volts) < 4 * c.groups:
        raise RuntimeError(f"ngspice found no operating point:\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}")
    return {"CELL0": 0.0, "U5k": float(found["u5k"])} | volts
