"""Kept calibrations: when the next is due, what moved in between, and that the file keeps what was written."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import GTC
import numpy as np
import pytest
from dateutil.relativedelta import relativedelta
from evenstring.errors import InputError
from evenstring.hardware.calibrations import (
    Calibration,
    calibration_due_since,
    calibrations_toml,
    drift,
    due_on,
    due_since,
    parse_calibrations,
)
from evenstring.session import Correction, Session

FIRST = Calibration(
    found=datetime(2025, 3, 2, 10, tzinfo=UTC), board="invented 1", interval_months=12, points=8, low_v=3.3, high_v=4.1,
    largest_found_mv=5.1, rms_found_mv=2.9, rms_left_mv=0.05, u_own_mv=0.1, u_reference_mv=0.4,
    offset_uv=(1200, -3000, 0, 5100), gain_ppm=(4000, -2100, 6500, 100), meter='bench "3"', operator="M. Sample",
    temperature_c=21.5,
)  # fmt: skip


def test_the_day_when_it_is_due_is_that_of_the_calendar() -> None:
    """Held to dateutil, for every day of five years and intervals of up to four."""
    for day in range(0, 1826, 3):
        found = date(2023, 1, 1) + timedelta(days=day)
        for months in (1, 6, 12, 24, 47):
            assert due_on(found, months) == found + relativedelta(months=months)


def test_due_is_said_from_its_day_on_and_only_where_both_days_are_known() -> None:
    found = date(2025, 3, 2)

    assert due_since(found, date(2026, 3, 1)) is None
    assert due_since(found, date(2026, 3, 2)) == date(2026, 3, 2)
    assert due_since(None, date(2026, 3, 2)) is None
    assert due_since(found, None) is None


def test_a_recording_tells_whether_its_monitor_was_due() -> None:
    one = Session(np.zeros(1), np.zeros((1, 2), np.float32), np.zeros((1, 2), np.uint8), np.zeros(1, np.float32))
    held = Correction(0.0, "command", False, FIRST.found, (0, 0), (0, 0))
    later = replace(one, start=datetime(2026, 9, 1, tzinfo=UTC), corrections=(held,))

    assert calibration_due_since(later) == date(2026, 3, 2)
    assert calibration_due_since(replace(later, start=datetime(2025, 9, 1, tzinfo=UTC))) is None
    assert calibration_due_since(replace(later, corrections=(replace(held, found=None),))) is None
    assert calibration_due_since(replace(later, start=None)) is None
    assert calibration_due_since(one) is None


def test_what_is_kept_is_read_back_and_is_toml_to_anyone() -> None:
    second = replace(FIRST, found=datetime(2026, 3, 2, 9, 30, tzinfo=UTC), meter="", temperature_c=None)
    text = calibrations_toml((FIRST, second))

    assert parse_calibrations(text, "history.toml") == (FIRST, second)
    assert tomllib.loads(text)["calibration"][0]["meter"] == 'bench "3"'
    assert parse_calibrations("", "history.toml") == ()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("points = 8", "ponts = 8"), "did you mean 'points'"),
        (("points = 8\n", ""), "points is missing"),
        (("2025-03-02T", "2025-13-02T"), "is no date and time"),
        (("2025-03-02T", "9999-12-31T"), "found is of the year 9999"),
        (("[1200, -3000, 0, 5100]", '[1200, "x", 0, 5100]'), "whole numbers"),
        (("[1200, -3000, 0, 5100]", "[1200, -3000, 0]"), "as long as each other"),
        (("u_own_mv = 0.1", "u_own_mv = 0.0"), "must be above 0"),
    ],
)
def test_a_broken_history_is_refused_with_its_line(change: tuple[str, str], says: str) -> None:
    text = calibrations_toml((FIRST,)).replace(*change)

    with pytest.raises(InputError, match=r"history\.toml, line \d+") as error:
        parse_calibrations(text, "history.toml")
    assert says in str(error.value)


def test_drift_is_told_of_all_together_and_of_each_against_the_others() -> None:
    """All moved 0.5 mV and group 2 another 2 mV: readings rose, so that the correction takes as much back."""
    moved_uv = (500, 2500, 500, 500)
    after = replace(FIRST, found=datetime(2026, 3, 2, tzinfo=UTC),
                    offset_uv=tuple(o - m for o, m in zip(FIRST.offset_uv, moved_uv, strict=True)))  # fmt: skip
    found = drift(FIRST, after)

    # Uncertainty of a difference of two independent values, by GTC; E_n = difference / (2 u) as in ISO/IEC 17043.
    u_common = GTC.uncertainty(GTC.ureal(0, 0.4) - GTC.ureal(0, 0.4))
    u_own = GTC.uncertainty(GTC.ureal(0, 0.1) - GTC.ureal(0, 0.1))
    assert found.common_mv == pytest.approx(0.5, abs=0.01)
    assert found.common_en == pytest.approx(0.5 / (2 * u_common), rel=0.02)
    assert found.own_mv == pytest.approx((0, 2, 0, 0), abs=0.02)
    assert found.own_en[1] == pytest.approx(2 / (2 * u_own), rel=0.02)
    assert found.beyond == (2,)
    with pytest.raises(InputError, match="of 4 groups, the one after it of 3"):
        drift(FIRST, replace(after, offset_uv=(1, 2, 3), gain_ppm=(0, 0, 0)))


def test_groups_that_did_not_move_are_called_so_in_all_but_one_comparison_of_twenty() -> None:
    """Offsets found anew with their stated uncertainty, of 20 groups that did not move; 1,000 pairs."""
    rng = np.random.default_rng(3)
    named = 0
    for _ in range(1000):
        before, after = (
            replace(FIRST, offset_uv=tuple(map(int, rng.normal(0, 100, 20))), gain_ppm=(0,) * 20) for _ in range(2)
        )
        named += bool(drift(before, after).beyond)
    assert 20 < named < 70  # 50 expected; those of a median's own error besides
