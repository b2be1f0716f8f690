"""A logbook of an invented pack in the spring of 2026, from simulated charges: group 3 leaks more from March on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.sim.meter import measure
from evenstring.sim.scenario.frames import session_frames
from evenstring.sim.scenario.reader import parse_scenario
from evenstring.wire.encode import message

__all__ = ["a_charge", "a_logbook"]

FIRST = datetime(2026, 1, 10, 18, tzinfo=UTC)
NAME = "Ferry slip trike (invented)"
_PACK = """
[scenario]
title = "an evening's charge (invented)"
[pack]
name = "{name}"
groups = {groups}
capacity_ah = 10
soc = 0.93
seed = {seed}
[balancer]
bleed_ma = 60
threshold_v = 4.15
[charger]
current_a = 4.0
[meter]
scans_per_s = 0.1
quiet_s = 20
[[step]]
do = "rest"
minutes = 12
[[step]]
do = "charge"
hours = {hours}
[[fault]]
kind = "charge_offset"
group = 3
percent = {percent}
"""


def a_charge(
    path: Path, k: int, *, weeks: float = 1.0, behind: float = -0.3, name: str = NAME, groups: int = 6
) -> Path:
    """A recording `weeks * k` after the first; group 3 is `behind` per cent of charge."""
    text = _PACK.format(name=name, groups=groups, seed=4, hours=0.35, percent=behind)
    scenario = parse_scenario(text, name="charge")
    trajectory = scenario.run()
    session = measure(trajectory, scenario.meter, np.random.default_rng(k), scans_per_s=scenario.scans_per_s,
                      quiet_s=scenario.quiet_s, with_current=True)  # fmt: skip
    begun = FIRST + timedelta(weeks=weeks * k)
    mark = message("MARK_TIME", 2, 0, unix_ms=int(begun.timestamp() * 1000))
    path.write_bytes(session_frames(session, scenario.pack_toml, "left") + mark)
    return path


def a_logbook(folder: Path, charges: int) -> Path:
    """Charges a week apart, added through the command; group 3 falls behind from the sixth on."""
    behind = [-0.3 - 0.4 * max(k - 5, 0) for k in range(charges)]
    files = [str(a_charge(folder / f"charge-{k:02d}.frames", k, behind=behind[k])) for k in range(charges)]
    done = CliRunner().invoke(cli, ["logbook", "add", *files, "--logbook", str(folder / "book")])
    assert done.exit_code == 0, done.output
    return folder / "book"
