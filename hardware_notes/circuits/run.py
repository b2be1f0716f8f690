"""Runs the circuits of this folder in ngspice (Debian package `ngspice`) with the values of the front ends.

`python hardware_notes/circuits/run.py` prints the results; with `--write` they go to results.json, from which the notes
take them. Every circuit runs for well under a second.
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
from evenstring.hardware.front_end import RelayScan, parse_front_end

HERE = Path(__file__).parent
RESULTS = HERE / "results.json"
DESIGNS = ("relay_24", "relay_36")
ZERO_OHM = 1000.0  # across the bus lines, in the zero relay's path
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
    load = 1 / (1 / (2 * design.bus.bias_ohm) + 1 / design.converter.input_ohm)
    held_s = (design.relay.on_us + design.relay.off_us + budget.value("settle_us") + budget.value("convert_us")) * 1e-6
    return {
        "volts": design.string.group_max_v,
        "string": budget.value("string_v"),
        "swing": 2 * design.string.group_max_v,
        "ohm": design.series.ohm,
        "pf": design.bus.pf,
        "load": load,
        "wait_s": budget.value("settle_us") * 1e-6,
        "leak_a": budget.value("paths") * design.relay.off_leak_max_na * 1e-9,
        "zero": ZERO_OHM,
        "held_at_s": held_s,
        "held_s": held_s * 1.1,
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


def run_all() -> dict[str, dict[str, float]]:
    """Results of every circuit for every design: "relay_24.settle" -> {"settled_s": ...}."""
    results = {}
    for name in DESIGNS:
        values = values_of(design_of(name))
        for circuit in sorted(HERE.glob("*.cir")):
            results[f"{name}.{circuit.stem}"] = simulate(circuit, values)
    return results


if __name__ == "__main__":
    text = json.dumps(run_all(), indent=1) + "\n"
    if "--write" in sys.argv:
        RESULTS.write_text(text, encoding="utf-8")
    sys.stdout.write(text)
