"""Time and memory of the whole report against loading the same recording: 24 groups, 8 h, up to 10 scans/s.

An invented day: rest, a ride, and a whole charge with an hour of constant voltage, so that everything has to be found.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from evenstring.io.load import load_session
from evenstring.profile import PackProfile
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.sim import ChargerModel, DutyCycle, MeterModel, Pack, Trajectory, measure, simulate
from evenstring.sim.scenario.frames import session_frames

GROUPS = 24
_HOURS, _RIDE_MIN, _HELD_H = 8.0, 60.0, 1.0
_SLOW, _FAST = 1.0, 10.0  # scans/s
_TIMES, _MORE_S = 1.5, 1.0  # the bar: so many times the loading, and so much more
_OF_LOADING = 1.0  # findings against loading: the bar, not reached
_MOST_MB = 600.0


def run() -> list[str]:
    """The bars: 1.5 times loading plus a second; ten times the scans at about ten times the cost; under 600 MB."""
    _times(_recording(_SLOW, sensor=True))  # imports and first calls are not what is timed
    lines = []
    for sensor in (True, False):
        words = "with a current sensor" if sensor else "without a current sensor"
        scarce, plenty = (_times(_recording(pace, sensor=sensor)) for pace in (_SLOW, _FAST))
        bar = _TIMES * plenty[0] + _MORE_S
        lines += [
            f"{words}, {_HOURS * 3600 * _FAST:.0f} scans: loading {plenty[0]:.2f} s, report {plenty[1]:.2f} s of CPU",
            f"{words}: {plenty[1] / bar:.2f} of the bar ({_TIMES} times loading + {_MORE_S:.0f} s)",
            f"{words}: findings take {plenty[1] / plenty[0]:.1f} times loading (at most {_OF_LOADING})",
            f"{words}: ten times the scans cost {plenty[1] / scarce[1]:.1f} times",
        ]
    most = [_most_mb(_recording(pace, sensor=True)) for pace in (_SLOW, _FAST)]
    return [
        *lines,
        f"most memory of the whole process: {most[0]:.0f} MB, {most[1]:.0f} MB (the bar: {_MOST_MB:.0f} MB)",
    ]


@cache
def _day() -> Trajectory:
    """Eight hours that end with an hour of constant voltage; the first rest takes what the rest leaves."""
    rng = np.random.default_rng(1)
    pack = Pack.random(rng, groups=GROUPS, capacity_ah=20.0, soc=0.75)
    pack = replace(pack, charger=ChargerModel(current_a=4.0, set_v=GROUPS * 4.2, done_light_a=0.3))

    def plan(before_min: float, charge_h: float) -> DutyCycle:
        ride = DutyCycle().rest(minutes=before_min).ride(minutes=_RIDE_MIN, seed=1)
        return ride.rest(minutes=20).charge(hours=charge_h)

    first = simulate(pack, plan(20.0, 9.0), step_s=20.0)
    start_s, end_s = next((p.start_s, p.end_s) for p in first.phases if p.kind == "charge_cc")
    charge_h = (end_s - start_s) / 3600.0 + _HELD_H
    return simulate(pack, plan((_HOURS - charge_h) * 60.0 - _RIDE_MIN - 20.0, charge_h), step_s=2.0)


def _recording(scans_per_s: float, *, sensor: bool) -> bytes:
    rng = np.random.default_rng(2)
    meter = replace(MeterModel.random(rng, GROUPS), step_s=0.0015)
    session = measure(
        _day(), meter, rng, scans_per_s=scans_per_s, quiet_s=1.0 / scans_per_s, with_current=sensor,
        current_per_reading=False,
    )  # fmt: skip
    return session_frames(session, "", "bench")


def _most_mb(recording: bytes) -> float:
    """Peak resident memory of a fresh process that loads and reports, numpy and all else included."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.frames"
        path.write_bytes(recording)
        with get_context("spawn").Pool(1) as pool:
            return float(pool.apply(_load_and_report, (str(path),)))


def _load_and_report(path: str) -> float:
    session = load_session((Path(path),))
    report_json(gather_material(session, PackProfile(groups=session.groups)))
    # Not getrusage: its figure is handed on from parent to child. Linux only, as this benchmark is.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024.0


def _times(recording: bytes) -> tuple[float, float]:
    """CPU seconds of loading and of the report, the quickest of three: what nobody else on the machine adds to."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.frames"
        path.write_bytes(recording)
        session = load_session((path,))
        load_s = min(_seconds(lambda: load_session((path,))) for _ in range(3))
    return load_s, min(
        _seconds(lambda: report_json(gather_material(session, PackProfile(groups=GROUPS)))) for _ in range(3)
    )


def _seconds(call: Callable[[], Any]) -> float:
    start = time.process_time()
    call()
    return time.process_time() - start
