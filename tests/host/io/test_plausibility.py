"""What no cell does is told from what it does. Truth is made here, with seeds."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.io.plausibility import Dropouts, Sign, Steps, mean_v, without_dropouts
from evenstring.session import Quality, Session


def _volts(rows: int = 300, groups: int = 4, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 3.8 + np.linspace(0, 0.1, rows)[:, None] + rng.normal(0, 0.002, (rows, groups))


def _stretches(volts: np.ndarray, block: int) -> dict[int, list[list[int]]]:
    drops = Dropouts(volts.shape[1])
    for first in range(0, len(volts), block):
        drops.feed(volts[first : first + block])
    return {g: found.tolist() for g, found in drops.stretches().items()}


@pytest.mark.parametrize("block", [1, 7, 300])
def test_a_moment_at_zero_between_readings_of_a_cell_is_found_however_the_rows_come(block: int) -> None:
    volts = _volts()
    volts[100, 2] = 0.0
    volts[150:160, 0] = 0.001
    volts[149, 0] = volts[160, 0] = np.nan

    assert _stretches(volts, block) == {2: [[100, 101]], 0: [[150, 161]]}


def test_zeros_before_the_first_reading_are_none() -> None:
    volts = _volts()
    volts[:20, 1] = 0.0

    assert _stretches(volts, 50) == {1: [[0, 20]]}


def test_a_group_that_falls_to_zero_step_by_step_or_stays_there_is_kept() -> None:
    volts = _volts()
    volts[100:140, 0] = np.linspace(3.8, 0.0, 40)  # a group that collapses under load
    volts[140:180, 0] = np.linspace(0.0, 3.8, 40)
    volts[200:, 3] = 0.0  # and one that is gone
    drops = Dropouts(4)
    drops.feed(volts)

    assert drops.stretches() == {}
    assert [(doubt.kind, doubt.group) for doubt in drops.doubts()] == [("ends_at_zero", 4)]


def test_a_group_in_reversal_is_kept() -> None:
    volts = _volts()
    volts[100:110, 1] = -0.8

    assert _stretches(volts, 40) == {}


@pytest.mark.parametrize("step_v", [0.001, 0.005, 0.01, 0.02])
def test_the_step_of_the_readings_is_found(step_v: float) -> None:
    steps = Steps(4)
    steps.feed(np.rint(_volts() / step_v) * step_v)

    assert steps.step_v == step_v


def test_fine_readings_have_no_step_and_a_standing_group_is_named() -> None:
    volts = np.rint(_volts() / 2e-4) * 2e-4
    volts[:, 2] = 3.7
    steps = Steps(4)
    steps.feed(volts)

    assert steps.step_v is None
    assert [(doubt.kind, doubt.group) for doubt in steps.doubts()] == [("stands", 3)]


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("kind", ["ride", "charge"])
def test_the_sign_of_the_current_is_told_by_the_cells(sign: int, kind: str) -> None:
    rng = np.random.default_rng(5)
    rows = 400
    current = -rng.uniform(0, 20, rows) if kind == "ride" else np.full(rows, 4.0)
    volts = 3.7 + np.cumsum(current)[:, None] * 2e-5 + current[:, None] * 0.003 + rng.normal(0, 0.001, (rows, 4))
    found = Sign()
    found.feed(sign * current, mean_v(volts))

    assert found.charging_is_positive() is (sign > 0)


def test_a_current_of_noise_tells_no_sign() -> None:
    rng = np.random.default_rng(6)
    found = Sign()
    found.feed(rng.normal(0, 0.05, 400), mean_v(_volts(400) * 0 + 3.7 + rng.normal(0, 0.001, (400, 4))))

    assert found.charging_is_positive() is None


def test_a_session_loses_readings_that_no_cell_makes_and_says_so() -> None:
    volts = _volts()
    volts[100, 2] = 0.0
    session = Session(
        np.arange(300.0), volts.astype(np.float32), np.zeros((300, 4), np.uint8), np.zeros(300, np.float32)
    )
    cleaned = without_dropouts(session)

    assert cleaned.quality[100, 2] == Quality.NO_READING
    assert np.isnan(cleaned.volts_v[100, 2])
    assert int(np.isnan(cleaned.volts_v).sum()) == 1
    assert "not a cell's doing" in cleaned.marks[-1].text
    assert session.volts_v[100, 2] == 0.0
