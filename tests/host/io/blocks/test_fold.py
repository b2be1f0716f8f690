"""Two neighbouring scans as one: means, extremes, holes. All expectations are by hand."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.io.blocks.fold import fold
from evenstring.io.blocks.scan_block import ScanBlock
from evenstring.session import Quality


def block(volts: list[list[float]], uptime: list[int], out_back: list[list[float]] | None = None) -> ScanBlock:
    n = len(volts)
    number, flag = np.full(n, 0.1, np.float32), np.zeros(n, np.bool_)
    volts_v = np.array(volts, np.float32)
    quality = np.where(np.isnan(volts_v), Quality.NO_READING, Quality.OK).astype(np.uint8)
    back = None if out_back is None else np.array(out_back, np.float32)
    return ScanBlock(
        np.arange(n), np.array(uptime), flag, flag.copy(), number, number, number, volts_v, quality, back,
        current_a=np.arange(n, dtype=np.float32),
    )  # fmt: skip


def test_a_row_is_the_mean_of_two_and_keeps_the_extremes_of_both_passes() -> None:
    folded = fold(block([[3.9], [3.8]], [1000, 1100], [[0.02], [0.2]]))

    assert folded.volts_v.tolist() == [[pytest.approx(3.85)]]
    assert folded.uptime_ms.tolist() == [1050]
    assert folded.current_a is not None
    assert folded.current_a.tolist() == [0.5]
    assert folded.lowest_v is not None
    assert folded.highest_v is not None
    assert folded.low_gap_mv is not None
    assert folded.high_gap_mv is not None
    assert folded.lowest_v[0, 0] == pytest.approx(3.7)  # 3.8 less half of 0.2
    assert folded.highest_v[0, 0] == pytest.approx(3.91)
    assert folded.low_gap_mv[0, 0] in (190, 191)  # to 3.89; rounded up
    assert folded.high_gap_mv[0, 0] in (10, 11)  # to 3.9


def test_folding_again_keeps_the_lowest_two_readings_of_all() -> None:
    """Of eight readings in random places: numpy's sort is the reference."""
    volts = np.random.default_rng(3).uniform(3.0, 3.2, (8, 5))
    folded = fold(fold(fold(block(volts.tolist(), list(range(0, 800, 100))))))
    ordered = np.sort(volts, axis=0)

    assert len(folded) == 1
    assert folded.lowest_v is not None
    assert folded.highest_v is not None
    assert folded.low_gap_mv is not None
    assert folded.high_gap_mv is not None
    np.testing.assert_allclose(folded.volts_v[0], volts.mean(axis=0), atol=1e-6)
    np.testing.assert_allclose(folded.lowest_v[0], ordered[0], atol=1e-6)
    np.testing.assert_allclose(folded.highest_v[0], ordered[-1], atol=1e-6)
    np.testing.assert_allclose(folded.low_gap_mv[0], (ordered[1] - ordered[0]) * 1000, atol=1.01)
    np.testing.assert_allclose(folded.high_gap_mv[0], (ordered[-1] - ordered[-2]) * 1000, atol=1.01)


def test_scans_on_two_sides_of_a_hole_stay_apart() -> None:
    folded = fold(block([[3.9], [3.7], [3.6], [3.5], [3.4], [3.3]], [0, 100, 200, 9000, 9100, 9200]))

    assert folded.uptime_ms.tolist() == [50, 200, 9000, 9150]


def test_uptime_that_falls_joins_nothing() -> None:
    assert len(fold(block([[3.9]] * 4, [100, 0, 100, 50]))) == 4


def test_what_was_not_read_in_one_scan_is_the_reading_of_the_other() -> None:
    nan = float("nan")
    folded = fold(block([[nan, nan], [3.8, nan]], [0, 100]))

    assert folded.quality.tolist() == [[Quality.OK, Quality.NO_READING]]
    assert folded.volts_v[0, 0] == pytest.approx(3.8)
    assert np.isnan(folded.volts_v[0, 1])


def test_an_open_lead_in_either_scan_counts() -> None:
    given = block([[3.9], [3.8]], [0, 100])
    given.quality[1, 0], given.volts_v[1, 0] = Quality.LEAD_OPEN, np.nan

    folded = fold(given)

    assert folded.quality.tolist() == [[Quality.LEAD_OPEN]]
    assert np.isnan(folded.volts_v).all()


def test_a_moment_at_0_v_does_not_pull_the_mean_down_and_a_lasting_one_stays() -> None:
    folded = fold(block([[3.9, 3.9], [0.0, 3.9], [0.0, 3.9], [0.0, 3.9]], [0, 100, 200, 300]))

    np.testing.assert_allclose(folded.volts_v[:, 0], [3.9, 0.0], atol=1e-6)
    assert folded.lowest_v is not None
    assert folded.lowest_v[0, 0] == pytest.approx(3.9)
