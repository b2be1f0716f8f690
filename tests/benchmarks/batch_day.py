"""`python -m tests.benchmarks.batch_day --count 200 FOLDER`: a day's folder in one run, and killed in the middle.

Invented packs of 20 groups at 1 Hz, each with its own meter and its own fault. The batch is killed when half of it is
done and started again, then done once from scratch: both end with the same bytes, and the times are printed.
"""

from __future__ import annotations

import argparse
import hashlib
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from evenstring.io.files import write_new
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from evenstring.sim.scenario.frames import session_frames

GROUPS = 20
PACK = '[pack]\nname = "invented {k:03d}"\ngroups = 20\nchemistry = "nmc"\ncapacity_ah = 20.0\n'


def recording(k: int, hours: float) -> bytes:
    """A ride, a rest, a charge and a rest; every second pack has one group that is small, behind, or both."""
    rng = np.random.default_rng(k)
    pack = Pack.even(GROUPS, capacity_ah=20.0, soc=0.9)
    capacity, soc = pack.capacity_ah * rng.normal(1.0, 0.01, GROUPS), pack.soc0 + rng.normal(0.0, 0.003, GROUPS)
    if k % 2:
        group = int(rng.integers(GROUPS))
        capacity[group] *= 1.0 - float(rng.uniform(0.0, 0.15))
        soc[group] -= float(rng.uniform(0.0, 0.05))
    part_min = 60.0 * hours / 8.0
    duty = DutyCycle().ride(minutes=part_min, seed=k).rest(minutes=part_min)
    duty = duty.charge(hours=hours / 2.0).rest(minutes=2.0 * part_min)
    made = simulate(replace(pack, capacity_ah=capacity, soc0=np.clip(soc, 0.0, 1.0)), duty)
    session = measure(made, MeterModel.random(rng, GROUPS), rng, scans_per_s=1.0)
    return session_frames(session, PACK.format(k=k), "batch day")


def folder_of(folder: Path, count: int, hours: float) -> Path:
    """The recordings; those that are there stay."""
    for k in range(count):
        path = folder / f"{k % 7}" / f"pack-{k:03d}.frames"
        if not path.exists():
            write_new(path, recording(k, hours))
    return folder


def batch(source: Path, output: Path, stop_at: int | None = None) -> float:
    """Seconds of the command; killed once it has said that so many files are done."""
    began_s = time.monotonic()
    command = [sys.executable, "-m", "evenstring", "batch", str(source), "-o", str(output)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert process.stdout is not None
        for line in process.stderr:
            if stop_at is not None and line.startswith(f"{stop_at}/"):
                process.send_signal(signal.SIGKILL)
        print(process.stdout.read(), flush=True)
    return time.monotonic() - began_s


def digests(output: Path) -> dict[str, str]:
    """Of every file of a batch."""
    files = sorted(p for p in output.rglob("*") if p.is_file())
    return {p.relative_to(output).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("folder", type=Path, help="new, or that of an earlier call")
    options.add_argument("--count", type=int, default=200)
    options.add_argument("--hours", type=float, default=8.0)
    given = options.parse_args()
    source = folder_of(given.folder / "in", given.count, given.hours)
    size_mb = sum(p.stat().st_size for p in source.rglob("*.frames")) / 1e6
    print(f"{given.count} recordings of {given.hours:g} h at 1 Hz, {size_mb:.0f} MB", flush=True)
    first_s = batch(source, given.folder / "killed", given.count // 2)
    there = len(list((given.folder / "killed").rglob("done.json")))
    second_s = batch(source, given.folder / "killed")
    print(f"killed after {first_s:.0f} s with {there} done, the rest in {second_s:.0f} s", flush=True)
    whole_s = batch(source, given.folder / "whole")
    same = digests(given.folder / "killed") == digests(given.folder / "whole")
    print(f"at one go: {whole_s:.0f} s; both end with the same bytes: {'yes' if same else 'NO'}")
    sys.exit(not same)


if __name__ == "__main__":
    main()
