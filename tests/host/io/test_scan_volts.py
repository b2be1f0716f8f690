"""Session, live view and recorder's line say the same of the same frames, readings that are missing included."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from evenstring.io.capture import CaptureOptions, Status, _Capture
from evenstring.io.load import load_session
from evenstring.io.recorder import RecordingWriter
from evenstring.live.source import scans_of
from evenstring.session import Quality
from evenstring.wire.encode import Counter, ScanValues, scan_frames
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.table import load_table

CODES = load_table().reading_codes
STEP_V = 200e-6  # of a reading: SPECIFICATION


def frames_of(reading: np.ndarray, passes: int, current: np.ndarray | None = None) -> bytes:
    n = len(reading)
    values = ScanValues(
        uptime_ms=1000 + 400 * np.arange(n), reading=reading.astype(np.int16), groups=reading.shape[1] // passes,
        passes=passes, current_10ma=current, step_us=4200, turn_us=4200,
    )  # fmt: skip
    return scan_frames(values, Counter())


def three_ways(data: bytes, folder: Path) -> tuple[np.ndarray, np.ndarray, list[float | None]]:
    """Volts of the session, volts of the live view, and the recorder's spread scan by scan, mV."""
    path = folder / "invented.frames"
    path.write_bytes(data)
    session = load_session([path])
    live = np.concatenate([scans_of(block)[1] for block in StreamDecoder().feed(data).scans])
    writer = RecordingWriter(folder / "again.frames")
    shown: list[Status] = []
    loop = _Capture("loop://", writer, CaptureOptions(), shown.append, lambda: True)
    spreads = []
    for piece in data.split(b"\0")[:-1]:
        loop.look(writer.take(piece + b"\0"), 0.0)
        spreads.append(loop.status(0.0).spread_mv)
    writer.close()
    return session.volts_v, live, spreads


def spread_mv(volts: np.ndarray) -> list[float | None]:
    return [
        None if np.isnan(row).all() else float(np.nanmax(row) - np.nanmin(row)) * 1000.0 for row in volts.astype(float)
    ]


def test_one_pass_without_a_reading_leaves_the_other_one_in_all_three(tmp_path: Path) -> None:
    out_and_back = np.array([[20_000, 19_000, CODES["no_reading"], 19_010]])  # group 1 has 4.0 V on the way out only

    session_v, live_v, spreads = three_ways(frames_of(out_and_back, 2), tmp_path)

    assert session_v[0].tolist() == pytest.approx([4.0, 3.801])
    np.testing.assert_array_equal(live_v, session_v)
    assert spreads == pytest.approx([199.0], abs=1e-3)


@pytest.mark.parametrize("code", ["lead_open", "over_positive", "over_negative"])
def test_trouble_in_one_pass_is_no_reading_in_all_three(tmp_path: Path, code: str) -> None:
    out_and_back = np.array([[20_000, 19_000, 18_500, CODES[code], 19_010, 18_500]])

    session_v, live_v, spreads = three_ways(frames_of(out_and_back, 2), tmp_path)

    assert np.isnan(session_v[0, 0])
    np.testing.assert_array_equal(live_v, session_v)
    assert spreads == pytest.approx([101.0], abs=1e-3)


@pytest.mark.parametrize("passes", [1, 2])
def test_random_scans_with_every_code_agree_three_ways_and_with_a_reckoning_by_hand(
    tmp_path: Path, passes: int
) -> None:
    rng = np.random.default_rng(12)
    reading = rng.integers(15_000, 21_000, (60, 6 * passes))
    where = rng.random(reading.shape) < 0.2
    reading[where] = rng.choice(list(CODES.values()), where.sum())
    reading[7] = CODES["no_reading"]  # nothing at all

    session_v, live_v, spreads = three_ways(frames_of(reading, passes), tmp_path)

    np.testing.assert_array_equal(live_v, session_v)
    for row, got in zip(reading.reshape(60, passes, 6), session_v, strict=True):
        for g in range(6):
            good = [s for s in row[:, g] if s not in CODES.values()]
            trouble = any(s in CODES.values() and s != CODES["no_reading"] for s in row[:, g])
            if good and not trouble:
                assert got[g] == pytest.approx(np.mean(good) * STEP_V, abs=1e-6)
            else:
                assert np.isnan(got[g])
    assert spreads[7] is None
    expected = spread_mv(session_v)
    assert [s is None for s in spreads] == [e is None for e in expected]
    np.testing.assert_allclose([s or 0 for s in spreads], [e or 0 for e in expected], atol=1e-3)


def test_a_current_of_one_pass_counts_alike_live_and_in_the_session(tmp_path: Path) -> None:
    current = np.array([[-1250, -32768, -1150, -1200]], np.int16)  # one of four was not read
    data = frames_of(np.full((1, 4), 18_000), 2, current)
    path = tmp_path / "invented.frames"
    path.write_bytes(data)

    session_a = load_session([path]).current_a
    live_a = scans_of(StreamDecoder().feed(data).scans[0])[2]

    assert session_a is not None
    assert session_a[0] == pytest.approx(-12.0)
    np.testing.assert_array_equal(session_a, live_a)


def test_quality_says_why(tmp_path: Path) -> None:
    path = tmp_path / "invented.frames"
    path.write_bytes(frames_of(np.array([[CODES["lead_open"], CODES["no_reading"], 18_000, CODES["no_reading"]]]), 2))

    assert load_session([path]).quality.tolist() == [[Quality.LEAD_OPEN, Quality.NO_READING]]
