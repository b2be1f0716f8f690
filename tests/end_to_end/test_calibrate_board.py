"""`evenstring calibrate` on the virtual board: found, written, read back, in force, kept over a restart, taken back."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from evenstring.board.correct import NewCorrection, read_correction, restore_correction, write_correction
from evenstring.board.talk import Refused, Talk
from evenstring.board.virtual import VirtualBoard
from evenstring.cli import cli
from evenstring.commands.bench.kept import read_kept
from evenstring.errors import DeviceError, InputError
from evenstring.io.capture import CaptureOptions, Status, capture, open_port
from evenstring.io.load import load_session
from evenstring.io.recorder import RecordingWriter
from evenstring.session import Session

from tests.host.streams import recording

GROUPS = 5
OFFSETS_UV = (0, 3000, -2200, 1500, -4000)
VOLTS = (3.6, 4.1)  # of all groups, the first for 150 s


@contextmanager
def board(tmp_path: Path, **changes: object) -> Iterator[VirtualBoard]:
    """A board whose channels are off by OFFSETS_UV; the format of the trace is firmware/virtual/TRACE.md."""
    trace = tmp_path / "pack.trace"
    seconds = 20_000
    rows = bytearray(struct.pack("<4sBBBBII", b"EVTR", 1, GROUPS, 0, 0, 1000, seconds))
    for t in range(seconds):
        rows += struct.pack(f"<{GROUPS + 1}i", 0, *[round((VOLTS[0] if t < 150 else VOLTS[1]) * 1e6)] * GROUPS)
    trace.write_bytes(bytes(rows))
    faults = [
        {"kind": "channel_offset", "group": g, "uv": uv, "start_s": 0, "end_s": None}
        for g, uv in enumerate(OFFSETS_UV, start=1)
    ]
    trace.with_suffix(".faults.json").write_text(json.dumps(faults))
    with VirtualBoard(trace, GROUPS, heap="768k", changes={"current": None, **changes}) as made:
        yield made


def record(port: str, path: Path, until_ms: int = 0, scans: int = 60) -> Session:
    """Scans until there are enough and the board's own time has come."""
    latest: list[Status] = []

    def enough() -> bool:
        return bool(latest) and latest[-1].scans >= scans and latest[-1].uptime_ms >= until_ms

    with RecordingWriter(path) as writer:
        options = CaptureOptions(interval_ms=1000, real_time=False, seconds=60)
        capture(port, writer, options, latest.append, enough)
    return load_session([path])


def reference(path: Path, session: Session) -> Path:
    """What a meter showed: both voltages, away from the step between them."""
    step_s = session.time_s[int(np.argmax(session.volts_v[:, 0] > 3.85))]
    lines = ["group,start_s,end_s,volts,u_volts"]
    for g in range(1, GROUPS + 1):
        lines.append(f"{g},0,{step_s - 3},{VOLTS[0]:.4f},0.0002")
        lines.append(f"{g},{step_s + 3},{session.time_s[-1]},{VOLTS[1]:.4f},0.0002")
    path.write_text("\n".join(lines) + "\n")
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def largest_error_uv(session: Session) -> float:
    """Of the means of the groups, at the second voltage."""
    return float(np.abs(np.nanmean(session.volts_v, axis=0) - VOLTS[1]).max() * 1e6)


def test_from_the_recording_to_a_board_that_reads_right_and_back_again(tmp_path: Path) -> None:
    with board(tmp_path) as made:
        first = record(made.port, tmp_path / "rest.frames", until_ms=250_000)
        meter = reference(tmp_path / "meter.csv", first)
        before = run("calibrate", "--show", made.port)
        asked = run("calibrate", tmp_path / "rest.frames", meter, made.port)
        done = run("calibrate", tmp_path / "rest.frames", meter, made.port, "--yes", "--keep", tmp_path / "kept")
        shown = run("calibrate", "--show", made.port)
        second = record(made.port, tmp_path / "right.frames")
        stale = run("calibrate", tmp_path / "rest.frames", meter, made.port, "--yes")
        line = open_port(made.port)
        Talk(line, made.port).ask("RESTART", "REPLY")
        line.close()
        third = record(made.port, tmp_path / "restarted.frames")
        undone = run("calibrate", "--restore", made.port)
        fourth = record(made.port, tmp_path / "undone.frames")

    assert "in force: no correction" in before.output
    assert "Write this to the board" in asked.output
    assert asked.exit_code == 1  # nobody answered: nothing was written
    assert done.exit_code == 0, done.output
    assert "written and read back" in done.output
    assert "CAUTION" in done.output
    assert "in force: written to the board, found 20" in shown.output
    assert largest_error_uv(fourth) > 3500
    assert largest_error_uv(second) < 250  # a step of the wire, a little noise, the meter's own 0.2 mV
    assert [c.source for c in second.corrections] == ["command"]
    (kept,) = read_kept(tmp_path / "kept")
    assert (kept.offset_uv, kept.gain_ppm) == (second.corrections[-1].offset_uv, second.corrections[-1].gain_ppm)
    assert second.corrections[-1].found == kept.found
    assert isinstance(stale.exception, InputError)
    assert "no longer the one" in str(stale.exception)
    assert third.ident.boot_count == second.ident.boot_count + 1
    assert third.ident.reset_reason == "command"
    assert largest_error_uv(third) < 250
    assert third.corrections[-1].offset_uv == second.corrections[-1].offset_uv
    assert third.meter.channel_u_v is not None
    assert third.meter.channel_u_v < 150e-6  # what the calibration left, no longer the description's 0.3 mV
    assert "in force: no correction" in undone.output
    assert fourth.corrections[-1].source == "none"


def test_the_second_copy_serves_where_the_main_one_is_gone_and_the_report_says_so(tmp_path: Path) -> None:
    """The record memory outlives the board's other files: the latch in it holds the second copy and the boot count."""
    flash = {"recorder": {"folder": str(tmp_path / "flash"), "room_kb": 256}}
    new = NewCorrection([-uv for uv in OFFSETS_UV], [0] * GROUPS, 120, 400, 1_790_000_000)
    with board(tmp_path, **flash) as made:
        line = open_port(made.port)
        held = write_correction(Talk(line, made.port), new)
        line.close()
    with board(tmp_path, **flash) as made:  # another folder for the description, the same flash
        session = record(made.port, tmp_path / "second.frames", scans=40)
    done = run("report", tmp_path / "second.frames", "--json")

    assert not held.second_copy
    assert session.ident.boot_count == 2
    assert session.corrections[-1].second_copy
    assert session.corrections[-1].offset_uv == tuple(new.offset_uv)
    known = json.loads(done.output)["instrument"]
    assert known["corrections"][-1]["second_copy"] is True
    assert known["corrections"][-1]["found"].startswith("2026-09-21")
    assert known["record_room_h"] > 1
    assert known["record_basis"] == "assumed"


def test_a_board_refuses_what_is_no_calibration_and_a_second_restore_changes_nothing(tmp_path: Path) -> None:
    with board(tmp_path) as made:
        line = open_port(made.port)
        talk = Talk(line, made.port)
        good = NewCorrection([100] * GROUPS, [0] * GROUPS, 100, 100, 0)
        write_correction(talk, good)
        write_correction(talk, NewCorrection([200] * GROUPS, [5] * GROUPS, 100, 100, 0))
        with pytest.raises(Refused, match="beyond 50 mV"):
            write_correction(talk, NewCorrection([50_001] * GROUPS, [0] * GROUPS, 100, 100, 0))
        with pytest.raises(Refused, match="5 groups"):
            write_correction(talk, NewCorrection([1] * 4, [0] * 4, 100, 100, 0))
        still = read_correction(talk)
        back, again = restore_correction(talk), restore_correction(talk)
        line.close()

    assert still.offset_uv == (200,) * GROUPS
    assert back == again
    assert back.offset_uv == (100,) * GROUPS
    assert back.found is None


def test_wrong_use_is_said_in_one_line(tmp_path: Path) -> None:
    assert run("calibrate").exit_code == 2
    assert run("calibrate", "--show").exit_code == 2
    assert run("calibrate", "--restore").exit_code == 2
    gone = run("calibrate", "--show", tmp_path / "none")
    assert isinstance(gone.exception, DeviceError)


def test_a_recording_that_does_not_say_its_calibration_is_not_built_on(tmp_path: Path) -> None:
    file = tmp_path / "old.frames"
    file.write_bytes(recording(40, GROUPS))
    meter = tmp_path / "meter.csv"
    session = load_session([file])
    means = np.nanmean(session.volts_v[session.time_s <= 12], axis=0)
    lines = [f"{g},0,12,{v:.4f},0.001" for g, v in enumerate(means, start=1)]
    meter.write_text("group,start_s,end_s,volts,u_volts\n" + "\n".join(lines))
    done = run("calibrate", file, meter, "/dev/none", "--yes")

    assert "does not say which calibration" in str(done.exception)
