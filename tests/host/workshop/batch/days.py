"""A day's folder of invented packs, small enough that a report takes a moment."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from evenstring.sim.scenario.frames import session_frames

from tests.host.streams import as_csv

GROUPS = 6
PACK = '[pack]\nname = "{name}"\ngroups = {groups}\nchemistry = "nmc"\ncapacity_ah = 20.0\n'
FILES = {  # charge that group 3 holds less than the others
    "alder.frames": 0.0,
    "birch.frames": 0.03,
    "cedar.frames": 0.9,  # empty, and far below it
    "north/dogwood.frames": 0.01,
}


def session(low: float, seed: int = 1) -> Session:
    """A rest and a short ride, read once in 20 s."""
    pack = Pack.even(GROUPS, capacity_ah=20.0, soc=0.9)
    soc = pack.soc0.copy()
    soc[2] -= low
    made = simulate(replace(pack, soc0=soc), DutyCycle().rest(minutes=10).ride(minutes=6).rest(minutes=10))
    meter = MeterModel.random(np.random.default_rng(7), GROUPS)
    return measure(made, meter, np.random.default_rng(seed), scans_per_s=0.05)


def day(folder: Path) -> Path:
    """Four recordings, a table with a pack.toml beside it, and a file of noise."""
    for name, low in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(session_frames(session(low), PACK.format(name=path.stem, groups=GROUPS), "batch"))
    table = folder / "tables" / "elder.csv"
    table.parent.mkdir()
    table.write_bytes(as_csv(session(0.02, 2)))
    (table.parent / "pack.toml").write_text(PACK.format(name="elder", groups=GROUPS))
    (folder / "noise.frames").write_bytes(np.random.default_rng(3).bytes(3000))
    (folder / "remarks.md").write_text("the day was fine\n")
    return folder
