"""Times as they come: out of order, twice, past midnight, back an hour, begun again, coarse, far apart, in a zone."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstring.errors import InputError
from evenstring.io.table import Wishes

from tests.host.io.tables.judge import read_back


def _table(tmp_path: Path, times: list[str], name: str = "Time", order: list[int] | None = None) -> Path:
    """Two groups; group 1 counts the rows in order of time, 1 mV each."""
    order = list(range(len(times))) if order is None else order
    path = tmp_path / "table.csv"
    rows = [f"{times[k]},{3.5 + order[k] / 1000:.3f},3.600\n" for k in range(len(times))]
    path.write_text(f"{name},Cell 1,Cell 2\n" + "".join(rows))
    return path


def _rises(session: object) -> bool:
    volts = session.volts_v[:, 0]  # type: ignore[attr-defined]
    return bool(np.allclose(np.diff(volts), 0.001, atol=1e-5))


def test_rows_out_of_order_are_put_in_order_and_said(tmp_path: Path) -> None:
    order = [0, 1, 2, 5, 3, 4, *range(6, 30)]
    session, _, made = read_back(_table(tmp_path, [str(k) for k in order], "t_s", order), 2)

    assert session.time_s.tolist() == list(range(30))
    assert _rises(session)
    assert any("line 6" in note and "in order" in note for note in made.notes)


def test_newest_first_is_turned_round(tmp_path: Path) -> None:
    order = list(range(29, -1, -1))
    session, _, made = read_back(_table(tmp_path, [str(k) for k in order], "t_s", order), 2)

    assert session.time_s.tolist() == list(range(30))
    assert _rises(session)
    assert any("newest first" in note for note in made.notes)


def test_equal_times_stay_as_they_are(tmp_path: Path) -> None:
    times = [0.0, 1.0, 1.0, *range(2, 30)]
    session, _, _ = read_back(_table(tmp_path, [f"{t:.3f}" for t in times], "t_s"), 2)

    assert session.time_s.tolist() == times
    assert _rises(session)


def test_ten_rows_a_second_under_stamps_of_whole_seconds_are_spread_evenly(tmp_path: Path) -> None:
    times = [f"2024-05-13 10:00:{k // 10:02}" for k in range(4, 204)]  # begins within its second
    session, _, made = read_back(_table(tmp_path, times), 2)

    np.testing.assert_allclose(np.diff(session.time_s), 0.1, atol=0.002)
    assert session.start == datetime(2024, 5, 13, 10, 0, 0, 400_000, UTC)
    assert any("ticks every 1 s" in note for note in made.notes)


# European rule (EU directive 2000/84/EC): clocks go back at 01:00 UTC on the last Sunday of October, 27 Oct 2024.
_AUTUMN = [f"27.10.2024 {h:02}:{m:02}:00" for h, m in [*((2, m) for m in range(30, 60)), *((2, m) for m in range(30))]]
_SPRING = [f"31.03.2024 {h:02}:{m:02}:00" for h, m in [*((1, m) for m in range(30, 60)), *((3, m) for m in range(30))]]


def test_the_hour_that_comes_twice_goes_on(tmp_path: Path) -> None:
    session, _, made = read_back(_table(tmp_path, _AUTUMN), 2)

    assert np.diff(session.time_s).tolist() == [60.0] * 59
    assert _rises(session)
    assert any("line 32" in note and "summer time" in note for note in made.notes)


@pytest.mark.parametrize(("times", "start"), [(_AUTUMN, (10, 27, 0, 30)), (_SPRING, (3, 31, 0, 30))])
def test_in_a_named_zone_both_changes_of_the_clock_leave_no_trace(
    tmp_path: Path, times: list[str], start: tuple[int, int, int, int]
) -> None:
    session, _, _ = read_back(_table(tmp_path, times), 2, Wishes(zone="Europe/Vienna"))

    assert np.diff(session.time_s).tolist() == [60.0] * 59
    assert session.start == datetime(2024, *start, tzinfo=UTC)


def test_an_hour_left_out_in_spring_is_said(tmp_path: Path) -> None:
    _, _, made = read_back(_table(tmp_path, _SPRING), 2)

    assert any("line 32" in note and "--zone" in note for note in made.notes)


def test_a_logger_that_begins_again_is_another_run(tmp_path: Path) -> None:
    session, _, made = read_back(_table(tmp_path, [str(k % 50) for k in range(100)], "t_s"), 2)

    assert session.scans == 100
    assert _rises(session)
    assert [gap.why for gap in session.gaps] == ["board restarted; length of the gap not known"]
    assert any("line 52" in note for note in made.notes)


def test_months_between_two_days_are_kept_by_their_dates(tmp_path: Path) -> None:
    times = [f"2024-01-0{1 + k // 10} 10:00:0{k % 10}" for k in range(10)]
    times += [f"2024-06-01 10:00:0{k}" for k in range(10)]
    session, _, _ = read_back(_table(tmp_path, times), 2)

    assert session.start == datetime(2024, 1, 1, 10, tzinfo=UTC)
    assert session.time_s[10] == (datetime(2024, 6, 1, 10) - datetime(2024, 1, 1, 10)).total_seconds()  # noqa: DTZ001


def test_day_and_month_are_told_apart_by_a_day_that_is_no_month(tmp_path: Path) -> None:
    times = [f"{12 + k // 30:02}/05/2024 23:{30 + k % 30}:00" for k in range(60)]
    session, _, _ = read_back(_table(tmp_path, times), 2)

    assert session.start == datetime(2024, 5, 12, 23, 30, tzinfo=UTC)


def test_a_day_that_could_be_a_month_is_not_recorded_unless_told(tmp_path: Path) -> None:
    path = _table(tmp_path, [f"03/04/2024 10:{k:02}:00" for k in range(60)])
    session, plan, _ = read_back(path, 2)
    told, _, _ = read_back(path, 2, Wishes(day_first=False))

    assert session.start is None
    assert any("day-first" in note for note in plan.notes)
    assert session.time_s.tolist() == [60.0 * k for k in range(60)]
    assert told.start == datetime(2024, 3, 4, 10, tzinfo=UTC)


def test_unix_milliseconds_are_not_taken_for_seconds(tmp_path: Path) -> None:
    session, _, _ = read_back(_table(tmp_path, [str(1_715_634_845_000 + 500 * k) for k in range(40)]), 2)

    assert session.duration_s == 19.5
    assert session.start == datetime.fromtimestamp(1_715_634_845, UTC)


def test_a_start_that_is_told_dates_the_recording(tmp_path: Path) -> None:
    start = datetime(2024, 2, 3, 4, 5, tzinfo=UTC)
    session, _, _ = read_back(_table(tmp_path, [str(k) for k in range(9)], "t_s"), 2, Wishes(start=start))

    assert session.start == start


def test_an_unknown_zone_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such zone"):
        read_back(_table(tmp_path, _SPRING), 2, Wishes(zone="Mars/Olympus"))
