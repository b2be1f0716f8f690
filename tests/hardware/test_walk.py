"""As a new builder would, on the virtual board: calibrate a meter of known errors, see each failure answered."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from evenstring.board.virtual import VirtualBoard
from evenstring.hardware.calibrate import ReferencePoint, calibrate
from evenstring.io.capture import CaptureOptions, capture
from evenstring.io.load import load_session
from evenstring.io.recorder import RecordingWriter
from evenstring.session import Quality, Session
from evenstring.wire.stream import Frame, StreamDecoder
from evenstring_protocol import wire

GROUPS = 6
OFFSETS_UV = (0, 3000, -2200, 0, 1500, -4000)


def record(folder: Path, volts: Iterable[float], faults: list[dict[str, Any]], each_s: int = 30) -> Path:
    """A recording from the virtual board: all groups at each of `volts` for `each_s`, one short step between."""
    trace = folder / "pack.trace"
    levels = np.repeat(np.array(list(volts)), each_s)
    uv = [round(v * 1e6) for v in levels]
    head = struct.pack("<4sBBBBII", b"EVTR", 1, GROUPS, 0, 0, 1000, len(uv))
    trace.write_bytes(head + b"".join(struct.pack(f"<{GROUPS + 1}i", 0, *[v] * GROUPS) for v in uv))
    trace.with_suffix(".faults.json").write_text(json.dumps([{"start_s": 0, "end_s": None} | f for f in faults]))
    output = folder / "rest.frames"
    with (
        VirtualBoard(trace, GROUPS, heap="384k", changes={"current": None}) as board,
        RecordingWriter(output) as writer,
    ):
        capture(board.port, writer, CaptureOptions(until_closed=True, real_time=False))
    return output


def frames_of(recording: Path) -> list[Frame]:
    return list(StreamDecoder().feed(recording.read_bytes()).frames)


def last_quality(session: Session) -> list[int]:
    return [int(q) for q in session.quality[-1]]


@pytest.mark.slow
def test_calibration_finds_the_offsets_of_the_virtual_channels(tmp_path: Path) -> None:
    offsets = [{"kind": "channel_offset", "group": g + 1, "uv": uv} for g, uv in enumerate(OFFSETS_UV) if uv]
    session = load_session([record(tmp_path, (3.6, 4.1), offsets, each_s=40)])
    change_s = session.time_s[int(np.argmax(session.volts_v[:, 0] > 3.85))]
    end_s = session.time_s[-1]
    points = [
        ReferencePoint(g, start, end, volts, 0.0002)
        for g in range(1, GROUPS + 1)
        for start, end, volts in ((0.0, change_s - 3, 3.6), (change_s + 3, end_s, 4.1))
    ]
    for channel, uv in zip(calibrate(session, points), OFFSETS_UV, strict=True):
        corrected = (3.85e6 + uv + channel.offset_uv) * (1 + channel.gain_ppm * 1e-6)
        assert corrected == pytest.approx(3.85e6, abs=250), channel  # a step of the wire and a little noise


def test_open_lead_is_shown_as_open_and_never_as_a_number(tmp_path: Path) -> None:
    session = load_session([record(tmp_path, (3.7,), [{"kind": "lead_open", "tap": 3}])])
    quality = last_quality(session)
    assert quality[2] == quality[3] == Quality.LEAD_OPEN
    assert [q for k, q in enumerate(quality) if k not in (2, 3)] == [Quality.OK] * (GROUPS - 2)
    assert np.isnan(session.volts_v[-1, 2:4]).all()


@pytest.mark.slow
def test_swapped_leads_read_over_range_with_their_sign(tmp_path: Path) -> None:
    session = load_session([record(tmp_path, (3.7,), [{"kind": "swapped_leads", "tap": 3, "other_tap": 4}])])
    quality = last_quality(session)
    assert quality[2] == quality[4] == Quality.OVER_POSITIVE
    assert session.volts_v[-1, 3] == pytest.approx(-3.7, abs=0.01)


def test_stuck_relay_ends_the_monitoring_and_is_named(tmp_path: Path) -> None:
    frames = frames_of(record(tmp_path, (3.7,), [{"kind": "stuck_relay", "tap": 2, "start_s": 10}]))
    health = [f.values for f in frames if f.name == "HEALTH"]
    assert health[0]["fault"] == wire.FAULT_NONE
    assert (health[-1]["state"], health[-1]["fault"]) == (wire.STATE_FAULT, wire.FAULT_STUCK_RELAY)
    assert health[-1]["fault_where"] == 2  # the tap
