"""Runs the circuits of this folder in ngspice (Debian package `ngspice`) with the values of the front ends.

`python hardware_notes/circuits/run.py` prints the results; with `--write` they go to results.json, from which the notes
take them. Every circuit runs for a second or two at most.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from evenstring.hardware.budget import budget_of
from evenstring.hardware.bus import bus_pf, load_ohm, taps_on_lines
from evenstring.hardware.front_end import RelayScan, parse_front_end

HERE = Path(__file__).parent
RESULTS = HERE / "results.json"
DESIGNS = ("relay_24", "relay_36", "relay_40")
ZERO_OHM = 1000.0  # across the bus lines, in the zero relay's path
SIMPLE = ("discharge", "filter_before", "filter_behind", "leakage", "open_lead", "settle")
EARTHS = {"50": (50.0, 162.0), "100k": (100e3, 5.0)}  # Hz, V peak
_MEASURED = re.compile(r"^(\w+)\s*=\s*([-+0-9.eE]+)", re.MULTILINE)


def design_of(name: str) -> RelayScan:
    """The relay scan described in front_ends/NAME.toml."""
    path = HERE.parent / "front_ends" / f"{name}.toml"
    design = parse_front_end(path.read_text(encoding="utf-8"), path.name)
    if not isinstance(design, RelayScan):
        raise TypeError(f"{path.name} is not a relay scan")
    return design


def values_of(design: RelayScan) -> dict[str, float]:
    """What the circuits need, by the names between @ signs."""
    budget = budget_of(design)
    wait_s = (design.relay.on_us + budget.value("settle_us")) * 1e-6
    held_s = wait_s + (design.relay.off_us + budget.value("convert_us")) * 1e-6
    volts = design.string.group_max_v
    return {
        "volts": volts,
        "start": volts / 2,
        "string": budget.value("string_v"),
        "swing": 2 * volts,
        "ohm": design.series.ohm,
        "pf": bus_pf(design),
        "line": design.bus.line_pf,
        "off": budget.value("paths") * design.relay.off_pf + design.series.lead_pf,
        "load": load_ohm(design),
        "wait_s": budget.value("settle_us") * 1e-6,
        "leak_a": budget.value("paths") * design.relay.off_leak_max_na * 1e-9,
        "zero": ZERO_OHM,
        "hop": -2 * volts,
        "charged": -volts,
        "held_at_s": held_s,
        "held_s": held_s * 1.1,
        **_island(design),
    }


def _island(design: RelayScan) -> dict[str, float]:
    """The island's own parts, as worst as their tolerances allow."""
    even, odd = taps_on_lines(design.string.groups)
    share = design.bus.line_tolerance
    return {
        "barrier": design.barrier.pf,
        "bias": design.bus.bias_ohm,
        "bias_b": design.bus.bias_ohm * 1.01,
        "bias_v": design.bus.bias_v * design.bus.supply_min_v / 5.0,
        "supply": design.bus.supply_min_v,
        "common": design.converter.common_ohm,
        "input": design.converter.input_ohm,
        "across": 0.001,
        "cap_a": design.bus.line_pf * (1 + share),
        "cap_b": design.bus.line_pf * (1 - share),
        "led_a": even * design.relay.led_pf / 2,
        "led_b": odd * design.relay.led_pf / 2,
    }


def simulate(circuit: Path, values: dict[str, float]) -> dict[str, float]:
    """Run one circuit; the results of its `meas` lines by name."""
    text = circuit.read_text(encoding="utf-8")
    for name, value in values.items():
        text = text.replace(f"@{name}@", f"{value:.9g}")
    with tempfile.TemporaryDirectory() as folder:
        net = Path(folder) / circuit.name
        net.write_text(text, encoding="utf-8")
        command = [shutil.which("ngspice") or "ngspice", "-b", str(net)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)  # noqa: S603  # our own file
    found = {name: float(value) for name, value in _MEASURED.findall(done.stdout)}
    if "failed" in done.stdout or not found:
        raise RuntimeError(f"{circuit.name}: ngspice measured nothing:\n{done.stdout}\n{done.stderr}")
    return found


def moved_v(values: dict[str, float], hz: float, peak: float) -> dict[str, float]:
    """What an alternating earth does to a reading: mean and ripple against the same circuit at rest.

    Up to 1 kHz a conversion (1.2 ms) catches the wave at any point, so that its peak counts; above, it averages it out.
    """
    fast = hz > 1000.0
    times = (
        {"stop_s": 8e-3, "from_s": 4e-3, "step_s": 0.2e-6} if fast else {"stop_s": 0.1, "from_s": 0.06, "step_s": 20e-6}
    )
    quiet = simulate(HERE / "common_mode.cir", values | times | {"hz": hz, "peak": 0.0})
    found = simulate(HERE / "common_mode.cir", values | times | {"hz": hz, "peak": peak})
    mean = found["mean_v"] - quiet["mean_v"]
    peak_v = max(found["high_v"] - quiet["mean_v"], quiet["mean_v"] - found["low_v"])
    return {"moved_v": mean if fast else peak_v, "common_v": found["common_high_v"] - quiet["common_high_v"]}


def _earth_limit_pf(values: dict[str, float]) -> float:
    """Largest capacitance of the barrier at which the mains' half-wave moves a reading by less than 1 mV."""
    low, high = 1.0, 400.0
    for _ in range(10):
        middle = (low * high) ** 0.5
        ok = moved_v(values | {"barrier": middle}, *EARTHS["50"])["moved_v"] < 1e-3
        low, high = (middle, high) if ok else (low, middle)
    return low


def _alone(values: dict[str, float], zero_s: float) -> dict[str, float]:
    """A relay alone, half a string away, looked at one wait after the zero relay was let go."""
    far = values["string"] / 2
    look_s = zero_s + values["held_at_s"] - 1e-3
    times = {"zero_s": zero_s, "look_s": look_s, "stop_s": look_s * 1.1}
    return simulate(HERE / "alone.cir", values | times | {"far": far})


# A supply's input plugged in: with nothing before 22 uF, with nothing before 1 uF (it rings), with the 47 ohm.
PLUGS = {
    "bare": {"series": 1e-3, "store": 22.0, "wire_uh": 0.1, "step_s": 0.02e-6, "stop_s": 100e-6},
    "ringing": {"series": 1e-3, "store": 1.0, "wire_uh": 2.0, "step_s": 0.02e-6, "stop_s": 100e-6},
    "series": {"series": 47.0, "store": 22.0, "wire_uh": 2.0, "step_s": 1e-6, "stop_s": 10e-3},
}

# The circuit that the review simulated: no capacitors to the island's ground, 2.4 Mohm to 2.9 V, 60 pF across.
BEFORE = {"ohm": 12000.0, "line": 1.0, "cap_a": 1.0, "cap_b": 1.0, "across": 3300.0, "bias": 2.4e6, "bias_b": 2.4e6,
          "bias_v": 2.9, "supply": 5.0, "barrier": 60.0, "led_a": 1e-3, "led_b": 1e-3, "volts": 4.2}  # fmt: skip


def run_all() -> dict[str, dict[str, float]]:
    """Results of every circuit for every design: "relay_24.settle" -> {"settled_s": ...}."""
    results = {}
    for name in DESIGNS:
        values = values_of(design_of(name))
        for circuit in SIMPLE:
            results[f"{name}.{circuit}"] = simulate(HERE / f"{circuit}.cir", values)
        for earth, (hz, peak) in EARTHS.items():
            results[f"{name}.earth_{earth}"] = moved_v(values, hz, peak)
        results[f"{name}.earth_limit"] = {"barrier_pf": _earth_limit_pf(values)}
        results[f"{name}.alone_unheld"] = _alone(values, 2e-6)
        results[f"{name}.alone_held"] = _alone(values, values["wait_s"] + 2e-3)
        for kind, changes in PLUGS.items():
            results[f"{name}.plug_{kind}"] = simulate(HERE / "hot_plug.cir", values | {"wire": 0.35} | changes)
    before = values_of(design_of("relay_24")) | BEFORE
    for label, hz, peak in (("100k_2", 100e3, 2.0), ("100k_5", 100e3, 5.0), ("50", 50.0, 162.0)):
        results[f"before.earth_{label}"] = moved_v(before, hz, peak)
    return results


if __name__ == "__main__":
    text = json.dumps(run_all(), indent=1) + "\n"
    if "--write" in sys.argv:
        RESULTS.write_text(text, encoding="utf-8")
    sys.stdout.write(text)
