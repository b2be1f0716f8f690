"""A simulated pack through the real firmware: what the host reads is what the simulator knows."""

from __future__ import annotations

import numpy as np
from evenstring.board.play import play
from evenstring.io.load import load_session
from evenstring.session import Quality
from evenstring.sim.scenario import parse_scenario

SCENARIO = """
[scenario]
title = "Two minutes of towpath (invented)"
[pack]
groups = 6
soc = 0.7
seed = 3
[meter]
offset_mv = 0
gain_ppm = 0
noise_mv = 0.2
scans_per_s = 1
[[step]]
do = "rest"
minutes = 0.5
[[step]]
do = "ride"
minutes = 1.5
seed = 4
[[fault]]
kind = "charge_offset"
group = 4
percent = -3
[[fault]]
kind = "meter_offset"
group = 2
mv = 10
[[fault]]
kind = "lead_open"
tap = 6
start_h = 0.025
"""


def test_the_firmware_measures_the_simulated_pack_and_its_faults(tmp_path):
    scenario = parse_scenario(SCENARIO)
    trajectory = scenario.run()
    path = tmp_path / "ride.frames"
    play(scenario, trajectory, path, lambda _status: None)

    session = load_session([path])

    assert session.groups == 6
    assert session.link.frames_damaged == 0
    rest = (session.time_s > 5) & (session.time_s < 20)
    truth = trajectory.volts_v[trajectory.time_s < 25].mean(axis=0)
    off_mv = (session.volts_v[rest].mean(axis=0) - truth) * 1000
    np.testing.assert_allclose(
        off_mv, [0, 10, 0, 0, 0, 0], atol=1.5
    )  # the virtual parts have small errors of their own
    lost = session.quality[session.time_s > 100]
    assert (lost[:, 5] == Quality.LEAD_OPEN).all()
    assert (lost[:, :5] == Quality.OK).all()
    assert session.has_current
    riding = session.time_s > 40
    assert np.nanmin(session.current_a[riding]) < -5
    assert np.nanmedian(np.abs(session.current_a[rest])) < 0.5
