"""Recordings to sessions: time, places, quality, runs of the board, and files that cannot be used."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from evenstring.errors import InputError
from evenstring.io.load import load_session
from evenstring.session import Quality, Session
from evenstring.wire.encode import Counter, message
from evenstring.wire.stream import StreamDecoder

from tests.host.streams import recording, scans


def load(tmp_path: Path, *streams: bytes) -> Session:
    paths = []
    for k, stream in enumerate(streams):
        paths.append(tmp_path / f"{k}.frames")
        paths[-1].write_bytes(stream)
    return load_session(paths)


def test_times_are_the_middle_of_each_scan(tmp_path: Path) -> None:
    """By hand, as in the specification's example: N = 3, step 4200 us, turn 9000 us, all means at 12.9 ms."""
    session = load(tmp_path, scans(2, 3, step_us=4200, turn_us=9000, uptime_ms=np.array([1000, 1400])))

    np.testing.assert_allclose(np.diff(session.time_s), [0.4])
    np.testing.assert_allclose(session.span_s, 0.0258, rtol=1e-6)
    assert session.out_offset_s is not None
    assert session.back_offset_s is not None
    np.testing.assert_allclose(session.out_offset_s, np.array([0, 4.2, 8.4]) / 1000 - 0.0129, atol=1e-7)
    np.testing.assert_allclose(session.back_offset_s, np.array([25.8, 21.6, 17.4]) / 1000 - 0.0129, atol=1e-7)


def test_volts_are_the_mean_of_both_passes(tmp_path: Path) -> None:
    """By hand: 0.2 mV a step."""
    reading = np.array([[20000, 20010, -5, 20004, 20010, -15]], np.int16)
    session = load(tmp_path, scans(1, 3, reading=reading))

    np.testing.assert_allclose(session.volts_v, [[4.0004, 4.002, -0.002]], atol=1e-6)
    assert session.out_back_v is not None
    np.testing.assert_allclose(session.out_back_v, [[-0.0008, 0.0, 0.002]], atol=1e-6)


def test_values_that_are_no_voltage_stay_out_of_the_numbers(tmp_path: Path) -> None:
    reading = np.array([[-32768, 32767, -32767, -32766, 20000], [-32768, 20000, 20000, 20000, -32768]], np.int16)
    session = load(tmp_path, scans(1, 5, reading=reading.reshape(1, 10)))
    expected = [Quality.NO_READING, Quality.OVER_POSITIVE, Quality.OVER_NEGATIVE, Quality.LEAD_OPEN, Quality.OK]

    assert session.quality.tolist() == [expected]
    assert np.isnan(session.volts_v[0]).tolist() == [True, True, True, True, False]
    assert session.volts_v[0, 4] == pytest.approx(4.0)


def test_uptime_wraps_without_a_jump(tmp_path: Path) -> None:
    session = load(tmp_path, scans(30, 4, begin_ms=(1 << 32) - 4000))

    np.testing.assert_allclose(np.diff(session.time_s), 0.4, atol=1e-9)
    assert session.gaps == ()


def test_runs_are_placed_by_their_clocks(tmp_path: Path) -> None:
    """Two boots with a mark each; the second run begins 600 s after the first by the clock."""
    mark = [
        message("MARK_TIME", k, up, unix_ms=1_790_000_000_000 + t) for k, up, t in ((0, 9000, 9000), (1, 2000, 602_000))
    ]
    session = load(tmp_path, recording(21, 4) + mark[0] + recording(21, 4, boot_count=4) + mark[1])

    assert session.start is not None
    assert session.start.timestamp() == pytest.approx(1_790_000_001.0)
    assert session.time_s[21] - session.time_s[0] == pytest.approx(600.0)
    assert [g.why for g in session.gaps] == ["board restarted"]


def test_runs_without_a_clock_follow_each_other_and_say_so(tmp_path: Path) -> None:
    session = load(tmp_path, recording(10, 4), recording(10, 4, boot_count=4, begin_ms=50_000))

    assert (np.diff(session.time_s) > 0).all()
    assert "not known" in session.gaps[0].why
    assert session.link.frames_lost == 0


def test_a_silence_is_a_gap(tmp_path: Path) -> None:
    counter = Counter()
    session = load(tmp_path, scans(10, 4, counter) + scans(10, 4, counter, begin_ms=65_000))

    assert [(round(g.start_s, 1), round(g.end_s, 1), g.why) for g in session.gaps] == [(3.6, 64.0, "nothing received")]


def test_the_quiet_interval_is_no_gap(tmp_path: Path) -> None:
    """Flag quiet (bit 3 in the specification) says that the board waited on purpose; 200 s are a gap all the same."""
    up = np.cumsum([1000, 1000, 1000, 15000, 1000, 1000, 15000, 1000, 200_000, 1000])
    flags = np.array([0, 0, 0, 8, 0, 0, 8, 0, 8, 0], np.uint8)
    session = load(tmp_path, scans(10, 4, uptime_ms=up, flags=flags))

    assert [round(g.end_s - g.start_s) for g in session.gaps] == [200]


def test_a_board_that_missed_time_makes_a_gap_only_where_time_is_missing(tmp_path: Path) -> None:
    """Flag gap_before on two scans: one comes 0.4 s late, the other at its pace, since the write was over in time."""
    up = 1000 * np.arange(12) + np.where(np.arange(12) >= 4, 400, 0)
    flags = np.array([0, 0, 0, 0, 4, 0, 0, 0, 4, 0, 0, 0], np.uint8)
    session = load(tmp_path, scans(12, 4, uptime_ms=up, flags=flags))

    assert [(round(g.start_s, 1), round(g.end_s, 1), g.why) for g in session.gaps] == [(3.0, 4.4, "the board was busy")]


def test_files_put_together_read_as_one_after_the_other(tmp_path: Path) -> None:
    a, b = recording(10, 4), recording(12, 4, boot_count=4)

    assert load(tmp_path, a + b).scans == load(tmp_path, a, b).scans == 22


def test_a_torn_tail_costs_only_itself(tmp_path: Path) -> None:
    session = load(tmp_path, recording(10, 4)[:-20])

    assert session.scans == 9
    assert session.link.tail_bytes > 0
    assert session.link.frames_damaged == 0


def test_a_torn_tail_before_another_file_is_one_damaged_piece(tmp_path: Path) -> None:
    session = load(tmp_path, recording(10, 4)[:-20], recording(10, 4, boot_count=4))

    assert session.scans == 19
    assert session.link.frames_damaged == 1


def test_the_instrument_and_its_uncertainty_come_from_ident(tmp_path: Path) -> None:
    session = load(tmp_path, recording(3, 4))

    assert session.ident.board_id == "invented"
    assert session.ident.front_end == "relay_scan"
    assert session.meter.noise_v is None


def test_notes_stand_at_their_time(tmp_path: Path) -> None:
    counter = Counter()
    note = message("MARK_NOTE", 0, 0, text="light on")
    session = load(tmp_path, scans(10, 4, counter) + note + scans(10, 4, counter, begin_ms=5000))

    assert [(m.kind, m.text, round(m.time_s, 1)) for m in session.marks] == [("note", "light on", 3.6)]


def test_different_shapes_of_one_string_join(tmp_path: Path) -> None:
    counter = Counter()
    stream = scans(10, 4, counter) + scans(10, 4, counter, begin_ms=5000, passes=1, current_10ma=None, temp_cdegc=None)
    session = load(tmp_path, stream)

    assert session.scans == 20
    assert session.current_a is not None
    assert np.isnan(session.current_a[10:]).all()
    assert np.isfinite(session.current_a[:10]).all()


def test_current_of_each_reading_is_kept_and_its_mean_given(tmp_path: Path) -> None:
    each = np.array([[100, 200, 300, 600, 500, 400]], np.int16)
    session = load(tmp_path, scans(1, 3, current_10ma=each))

    assert session.current_a is not None
    assert session.current_out_a is not None
    assert session.current_back_a is not None
    np.testing.assert_allclose(session.current_a, [3.5])
    np.testing.assert_allclose(session.current_out_a, [[1, 2, 3]])
    np.testing.assert_allclose(session.current_back_a, [[6, 5, 4]])


def test_recordings_of_different_strings_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="3, 4 groups"):
        load(tmp_path, scans(3, 4), scans(3, 3))


def test_files_that_hold_no_frame_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no evenstring frame"):
        load(tmp_path, b"t_s,g1\n0,4.0\n")
    with pytest.raises(InputError, match="is empty"):
        load(tmp_path, b"")
    with pytest.raises(InputError, match="is a folder"):
        load_session([tmp_path])
    with pytest.raises(InputError, match="cannot read"):
        load_session([tmp_path / "absent"])


def test_a_clock_that_is_set_back_does_not_move_the_start_and_is_said(tmp_path: Path) -> None:
    """One later mark an hour earlier once shifted the whole recording, unsaid."""
    counter = Counter()
    noon = 1_700_000_000_000

    def mark(unix_ms: int, uptime_ms: int) -> bytes:
        return message("MARK_TIME", 0, uptime_ms, unix_ms=unix_ms)

    first = scans(3, 4, counter, begin_ms=1000) + mark(noon + 2000, 2000)
    later = scans(3, 4, counter, begin_ms=4000) + mark(noon + 5000 - 3_600_000, 5000)
    session = load(tmp_path, first + later)

    assert session.start is not None
    assert session.start.timestamp() * 1000 == noon + 1000
    assert [m.text for m in session.marks if m.kind == "clock"] == [
        "the clock was set back by 1:00:00; times go by before"
    ]


def test_a_mark_beyond_the_last_year_that_can_be_written_is_passed_over(tmp_path: Path) -> None:
    session = load(tmp_path, scans(3, 4) + message("MARK_TIME", 0, 1000, unix_ms=(1 << 64) - 1))

    assert session.start is None


def test_frames_of_a_schema_that_is_not_known_are_not_interpreted(tmp_path: Path) -> None:
    """Specification, "Growth": a reader that does not know the number says so and stops interpreting."""
    head = recording(0, 4)
    decoder_values = StreamDecoder().feed(head).frames[0].values
    newer = message("IDENT", 0, 0, **(decoder_values | {"schema": 2}))

    with pytest.raises(InputError, match=r"schema 2.*newer version"):
        load(tmp_path, newer + scans(3, 4))


def test_a_board_with_a_finer_step_reads_as_it_says(tmp_path: Path) -> None:
    """Specification, "Units": the step is stated in IDENT; a board of 100 uV once read double."""
    values = StreamDecoder().feed(recording(0, 4)).frames[0].values
    fine = message("IDENT", 0, 0, **(values | {"reading_step_uv": 100}))
    reading = np.full((2, 8), 30000, np.int16)
    session = load(tmp_path, scans(2, 4, reading=reading // 2) + fine + scans(2, 4, reading=reading, begin_ms=9000))

    np.testing.assert_allclose(session.volts_v, 3.0, atol=1e-6)


def test_a_session_is_shown_in_one_short_line(tmp_path: Path) -> None:
    path = tmp_path / "invented.frames"
    path.write_bytes(recording(50, 24))

    shown = repr(load_session([path]))

    assert shown.startswith("<Session: 50 scans of 24 groups over ")
    assert len(shown) < 120
    assert "\n" not in shown
