"""A scenario becomes a recording: through the real firmware on the virtual board, or straight to frames."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from evenstring import __version__
from evenstring.board.virtual import VirtualBoard
from evenstring.io.capture import CaptureOptions, Status, capture
from evenstring.io.files import refuse_existing, write_new
from evenstring.io.recorder import RecordingWriter
from evenstring.profile import parse_profile
from evenstring.sim.meter import measure
from evenstring.sim.run.trajectory import Trajectory
from evenstring.sim.scenario import Scenario
from evenstring.sim.scenario.board_trace import write_trace
from evenstring.sim.scenario.frames import session_frames
from evenstring.sim.scenario.truth import truth_of

__all__ = ["play", "play_direct", "sensors_of", "trace_step_s", "truth_path", "write_truth"]

_TRACE_STEP_S = (0.2, 0.5, 1.0, 2.0, 10.0, 60.0, 600.0)
_TRACE_RECORDS = 150_000  # enough for a day at half a second


def trace_step_s(trajectory: Trajectory) -> float:
    """The finest step with which a trace stays small enough for a board."""
    return next((s for s in _TRACE_STEP_S if trajectory.time_s[-1] / s < _TRACE_RECORDS), _TRACE_STEP_S[-1])


def sensors_of(scenario: Scenario) -> dict[str, object]:
    """What the scenario's board has less than the virtual one, as changes of its description."""
    return {} if scenario.with_current else {"current": None}


def truth_path(recording: Path) -> Path:
    """Where the truth of a recording stands."""
    return recording.with_name(recording.name + ".truth.json")


def play(
    scenario: Scenario, trajectory: Trajectory, output: Path, show: Callable[[Status], None], *, force: bool = False
) -> None:
    """Record a scenario from the virtual board, as `evenstring record` would from a real one.

    Raises:
        InputError: the output exists or cannot be written. DeviceError: the board cannot be started.
    """
    refuse_existing(output, force)
    output.unlink(missing_ok=True)
    step_s = trace_step_s(trajectory)
    options = CaptureOptions(
        interval_ms=round(1000.0 / scenario.scans_per_s),
        quiet_interval_ms=min(65000, round(scenario.quiet_s * 1000.0)),
        until_closed=True,
        profile=parse_profile(scenario.pack_toml),
        source=f"evenstring {__version__} simulation {scenario.name} (invented), through the virtual board",
        real_time=False,
    )
    with tempfile.TemporaryDirectory(prefix="evenstring-") as folder:
        trace = Path(folder) / "pack.trace"
        write_trace(trajectory, scenario.meter, trace, step_s=step_s)
        board = VirtualBoard(trace, trajectory.pack.groups, string_name=scenario.name, changes=sensors_of(scenario))
        with board, RecordingWriter(output) as writer:
            capture(board.port, writer, options, show)
            board.wait()


def play_direct(scenario: Scenario, trajectory: Trajectory, output: Path, *, force: bool = False) -> int:
    """Write a scenario's frames with no board in between; returns the number of scans."""
    session = measure(
        trajectory,
        scenario.meter,
        np.random.default_rng(1),
        scans_per_s=scenario.scans_per_s,
        quiet_s=scenario.quiet_s,
        with_current=scenario.with_current,
    )
    write_new(output, session_frames(session, scenario.pack_toml, scenario.name), force)
    return session.scans


def write_truth(scenario: Scenario, trajectory: Trajectory, recording: Path) -> Path:
    """Write the truth beside a recording; returns its path."""
    path = truth_path(recording)
    truth = truth_of(trajectory, scenario.faults, scenario=scenario.name)
    write_new(path, truth.to_json().encode(), force=True)
    return path
