"""Simulated recordings: straight to frames, as a trace, and as a command."""

from __future__ import annotations

import json
import struct

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.commands.files.simulate import command
from evenstring.io.load import load_session
from evenstring.sim import measure
from evenstring.sim.scenario import load_scenario
from evenstring.sim.scenario.board_trace import write_trace
from evenstring.sim.scenario.frames import session_frames


@pytest.fixture(scope="module")
def short():
    scenario = load_scenario("lead_comes_and_goes")
    return scenario, scenario.run()


def test_frames_hold_what_the_meter_measured(short, tmp_path):
    scenario, trajectory = short
    session = measure(trajectory, scenario.meter, np.random.default_rng(1), scans_per_s=2.0)
    path = tmp_path / "a.frames"
    path.write_bytes(session_frames(session, scenario.pack_toml, scenario.name))

    read = load_session([path])

    assert read.scans == session.scans
    assert (read.quality == session.quality).all()
    np.testing.assert_allclose(read.volts_v, session.volts_v, atol=0.00021)
    np.testing.assert_allclose(
        read.out_back_v, np.where(session.quality == 0, session.out_back_v, np.nan), atol=0.00041
    )
    np.testing.assert_allclose(read.time_s, session.time_s, atol=0.0011)
    np.testing.assert_allclose(read.current_out_a, session.current_out_a, atol=0.0051)
    np.testing.assert_allclose(read.current_back_a, session.current_back_a, atol=0.0051)
    assert read.link.frames_damaged == 0
    assert read.meter.noise_v == pytest.approx(0.0005)
    assert read.pack_toml is not None


def test_a_trace_is_as_its_definition_says(short, tmp_path):
    scenario, trajectory = short
    path = tmp_path / "a.trace"
    write_trace(trajectory, scenario.meter, path, step_s=0.5)
    data = path.read_bytes()
    magic, version, groups, temps, zero, step_ms, count = struct.unpack_from("<4sBBBBII", data)
    size = 4 + 4 * groups + 2 * temps

    assert (magic, version, groups, zero, step_ms) == (b"EVTR", 1, 20, 0, 500)
    assert len(data) == 16 + count * size
    first = struct.unpack_from(f"<i{groups}i{temps}h", data, 16)
    assert first[1] == round(trajectory.volts_v[0, 0] * 1e6)
    kinds = {fault["kind"] for fault in json.loads(path.with_suffix(".faults.json").read_text())}
    assert {"lead_intermittent", "noise", "channel_offset", "gain"} <= kinds


def test_the_command_writes_recording_and_truth_and_replaces_nothing(tmp_path):
    output = tmp_path / "out.frames"
    done = CliRunner().invoke(command, ["lead_off", "--direct", "-o", str(output)])
    again = CliRunner().invoke(command, ["lead_off", "--direct", "-o", str(output)])

    assert done.exit_code == 0, done.output
    assert json.loads((tmp_path / "out.frames.truth.json").read_text())["scenario"] == "lead_off"
    assert load_session([output]).groups == 16
    assert again.exit_code != 0


def test_the_list_shows_every_question():
    listed = CliRunner().invoke(command, ["--list"]).output

    assert "demo" in listed
    assert "leak_in_storage" in listed
