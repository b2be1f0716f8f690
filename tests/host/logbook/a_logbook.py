"""A logbook of an invented pack in the spring of 2026, from simulated charges: group 3 leaks more from March on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.logbook.evidence.document import Cleared, PackName, Told, document
from evenstring.logbook.evidence.facts import Facts
from evenstring.sim.meter import measure
from evenstring.sim.scenario.frames import session_frames
from evenstring.sim.scenario.reader import parse_scenario
from evenstring.wire.encode import message

__all__ = ["NAME", "a_charge", "a_document", "a_logbook"]

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


def a_document(recordings: int, groups: int = 20) -> dict[str, Any]:
    """evidence.json of so many invented full charges, two a week; group 3 sinks in their last third."""
    rng = np.random.default_rng(1)
    return document([_facts(k, recordings, groups, rng) for k in range(recordings)], _told(groups))


def _told(groups: int) -> Told:
    pack = PackName(NAME, NAME, "left", groups, "nmc")
    cleared = (Cleared(2, "2026-02-03T10:00:00Z", "cells of group 2 replaced, invented"),)
    return Told(pack, "2026-12-01T12:00:00Z", "evenstring 0.1.0", cleared)


def _facts(k: int, recordings: int, groups: int, rng: np.random.Generator) -> Facts:
    start = FIRST + timedelta(days=3.5 * k)
    away = rng.normal(0.0, 1.0, groups)
    away[2] -= 60.0 * max(k / recordings - 0.66, 0.0)
    entry = {
        "start_s": start.timestamp(), "duration_s": 9000.0, "groups": groups, "departure_mv": away.tolist(),
        "departure_sigma_mv": 0.5, "resistance": [None] * groups, "resistance_sigma": None, "ended": "full",
        "balanced": True, "held_h": 1.0, "spread_end_mv": float(np.ptp(away)), "spread_rest_mv": None,
        "charged_ah": 4.0, "capacity_ah": 20.0, "below_discard": [], "action": "ride",
    }  # fmt: skip
    meter = {"board_id": "b-17", "front_end": "relay_scan", "firmware": "0.1.0", "noise_mv": 0.5, "channel_u_mv": 0.8,
             "gain_u_percent": 0.05, "calibration": "command", "calibration_found": "2026-01-02"}  # fmt: skip
    wide = float(np.ptp(away))
    return Facts(
        number=k + 1, file=f"charge-{k:04d}.frames", sha256=f"{k:064x}", bytes=200_000 + k, kept="there",
        made_by="evenstring 0.1.0", pack_toml="", wishes="",
        start=start.strftime("%Y-%m-%dT%H:%M:%SZ"), duration_s=9000.0,
        has_current=True, frames_damaged=0, frames_lost=0, action="ride", confidence=0.9, reasons=("invented",),
        next_step="Ride it as usual.", ended="full", spread_end_mv=(wide, wide - 1.0, wide + 1.0),
        spread_rest_mv=(None, None, None), meter=meter, not_known=("capacity",), entry=entry,
    )  # fmt: skip
