"""What stands at the head of each recorded segment: who speaks, how its readings are corrected, what time it is."""

from __future__ import annotations

from pathlib import Path

import pytest
from evenstring.io.load import load_session
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64

# The whole firmware with its recorder on a folder of the Unix port; a correction of +20 mV comes by command on the way.
SCRIPT = (
    CASES
    + """
rig = Rig([3700000] * 4, groups=4, changes={{"alarms": {{}}, "recorder": {{"folder": {folder!r}, "room_kb": 200}}}})
app = rig.app = make_app(rig.data, "", rig.sink.write, rig.feed, 0, 1, {folder!r} + ".bin")
rig.front = app.front
app.begin()
rig.command(wire.RECORD, 1, bytes((wire.RECORD_MODE_ON,)))
def scans(n):
    for _ in range(n):
        app.scan_once()
def write(seq, offset_uv):
    fixed = struct.pack("<BHHI", 4, 300, 600, 1700000000)
    rig.command(wire.WRITE_CALIBRATION, seq, fixed + struct.pack("<4i4h", *[offset_uv] * 4, *[0] * 4))
    return app.commands.last_status
scans(30)
status = write(2, 20000)
scans(30)
again = write(3, 20000)
scans(30)
app.watch.recorder.stop()
app.watch.recorder.service()
show(status=status, again=again)
"""
)


@pytest.fixture
def segments(tmp_path: Path) -> list[Path]:
    run(Unix64(), SCRIPT.format(folder=str(tmp_path / "rec")), heap="1m")
    return sorted((tmp_path / "rec").glob("*.seg"))


def test_each_segment_tells_the_correction_that_its_own_readings_carry(segments: list[Path]) -> None:
    """By hand: 3.7 V, and 3.7 V + 20 mV from the command on; the same command again changes nothing."""
    first, second = (load_session([path]) for path in segments)

    assert (first.scans, second.scans) == (30, 60)
    assert [c.source for c in first.corrections] == ["none"]
    assert [(c.source, c.offset_uv) for c in second.corrections] == [("command", (20000,) * 4)]
    assert abs(first.volts_v.mean() - 3.700) < 1e-3
    assert abs(second.volts_v.mean() - 3.720) < 1e-3
    assert second.meter.channel_u_v == pytest.approx(300e-6)  # IDENT's, with what the correction leaves


def test_together_they_tell_when_it_changed_and_nothing_is_lost(segments: list[Path]) -> None:
    session = load_session(segments)

    assert session.link.frames_lost == session.link.frames_damaged == 0
    assert [c.offset_uv for c in session.corrections] == [(0,) * 4, (20000,) * 4]
    changed_s = session.corrections[1].time_s
    assert session.time_s[29] <= changed_s <= session.time_s[30]


def test_frames_of_a_segment_are_numbered_from_its_head_on(segments: list[Path]) -> None:
    for path in segments:
        frames = StreamDecoder().feed(path.read_bytes()).frames

        assert [f.name for f in frames[:4]] == ["IDENT", "CALIBRATION", "CLOCK", "DELTA2"]
        assert [f.seq for f in frames] == list(range(len(frames)))
