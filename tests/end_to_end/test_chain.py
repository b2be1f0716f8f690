"""A pack's volts through the firmware on a real MicroPython, a pty and pyserial, to a session and a report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from evenstring.board.play import play, play_direct
from evenstring.io.capture import Status
from evenstring.io.load import load_session, profile_of
from evenstring.report.material import gather_material
from evenstring.session import Session
from evenstring.sim.run.trajectory import Trajectory
from evenstring.sim.scenario import Scenario, parse_scenario
from evenstring.workshop.written import write_report

_SCENARIO = """
[scenario]
title = "Towpath handcart (invented)"
[pack]
groups = 6
soc = 0.7
seed = 4
[meter]
offset_mv = 0
scans_per_s = 2
quiet_s = 5
[[step]]
do = "rest"
minutes = 1
[[step]]
do = "ride"
minutes = 1
seed = 2
[[step]]
do = "rest"
minutes = 2
"""


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return parse_scenario(_SCENARIO, name="towpath")


@pytest.fixture(scope="module")
def trajectory(scenario: Scenario) -> Trajectory:
    return scenario.run()


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory, scenario: Scenario, trajectory: Trajectory) -> Path:
    path = tmp_path_factory.mktemp("chain") / "towpath.frames"
    seen: list[Status] = []
    play(scenario, trajectory, path, seen.append)
    assert seen[-1].scans > 0
    return path


@pytest.fixture(scope="module")
def session(recording: Path) -> Session:
    return load_session([recording])


def test_nothing_is_lost_or_damaged_on_the_way(session: Session) -> None:
    link = session.link

    assert (link.frames_damaged, link.frames_lost, link.frames_unknown, link.tail_bytes) == (0, 0, 0, 0)
    assert session.scans > 100
    assert session.gaps == ()


def test_a_real_micropython_ran(session: Session) -> None:
    assert session.ident.runtime.startswith("MicroPython 1.")
    assert session.ident.front_end == "relay_scan"
    assert session.ident.groups == 6


def test_the_volts_arrive_as_they_were(session: Session, trajectory: Trajectory) -> None:
    """At rest, where the trace stands still: within what the meter says of itself, three times over, and its gain."""
    meter = session.meter
    first = session.time_s < 40.0
    measured = session.volts_v[first].mean(axis=0)
    true = trajectory.volts_v[trajectory.time_s < 40.0].mean(axis=0)
    allowed = 3 * np.hypot(meter.channel_u_v or 0.0, (meter.gain_u or 0.0) * true)

    assert (np.abs(measured - true) < allowed + 1e-3).all()
    assert abs(float(np.ptp(measured)) - float(np.ptp(true))) < 2e-3


def test_the_ride_s_current_arrives(session: Session, trajectory: Trajectory) -> None:
    """Each scan's mean against the truth at its own instant."""
    assert session.current_a is not None
    middle_s = session.time_s + session.span_s[0] / 2
    # The first scan comes a moment after the start command: the board tests its relays first.
    lags_s = np.arange(0.0, 2.0, 0.05)
    off_a = [
        np.abs(session.current_a - np.interp(middle_s + lag, trajectory.time_s, trajectory.current_a)) for lag in lags_s
    ]
    best = min(off_a, key=np.mean)

    assert np.median(best) < 0.05
    assert np.mean(best) < 0.3


def test_the_report_names_what_ran(tmp_path: Path, recording: Path, session: Session, scenario: Scenario) -> None:
    write_report(gather_material(session, profile_of(session)), [recording.name], tmp_path, force=False)
    report = json.loads((tmp_path / "report.json").read_text())

    assert report["instrument"]["runtime"].startswith("MicroPython")
    assert "MicroPython" in (tmp_path / "report.html").read_text()
    assert profile_of(session).groups == 6
    assert report["recording"]["frames_lost"] == 0
    assert scenario.name in " ".join(m["text"] for m in report["recording"]["marks"])


def test_straight_to_frames_gives_the_same_pack(
    tmp_path: Path, scenario: Scenario, trajectory: Trajectory, session: Session
) -> None:
    """Two ways that share only the trajectory: rest volts agree within their noise and gain."""
    path = tmp_path / "direct.frames"
    exact = replace(scenario, meter=replace(scenario.meter, gain=0.0, noise_v=0.0))
    play_direct(exact, trajectory, path)
    direct = load_session([path])

    assert direct.link.frames_lost == 0
    assert direct.ident.front_end == "simulator"
    rest = [s.volts_v[s.time_s < 40.0].mean(axis=0) for s in (direct, session)]
    np.testing.assert_allclose(*rest, atol=8e-3)
