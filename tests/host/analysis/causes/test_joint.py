"""A joint or a worn cell: told by the slow part of the resistance, beside how much of one this string's cells have.

The string is worked out here from the circuit alone: a resistance and one RC member a group, on a straight curve.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.causes.diagnosis import find_weakness
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS, WEAK, SCANS = 20, 6, 2400
TAU_S, OHM, AH = 30.0, 3e-3, 25.0


def ride(slow_of_quick: float, *, joint: bool, times: float = 2.0) -> Session:
    """(SCANS, GROUPS) at 1 Hz: one group with twice the resistance at once, and the slow part with it or not."""
    rng = np.random.default_rng(5)
    load_a = -np.repeat(rng.choice([0, 0, 8, 15, 20, 25, 30, 40, -4, 12], SCANS // 20), 20).astype(float)
    quick = OHM * rng.normal(1.0, 0.02, GROUPS)
    slow = slow_of_quick * quick
    quick[WEAK] *= times
    slow[WEAK] *= 1.0 if joint else times
    soc = 0.9 + rng.normal(0.0, 0.002, GROUPS) + np.cumsum(load_a)[:, None] / 3600.0 / AH
    lag_a, lags = 0.0, np.zeros(SCANS)
    for k, amps in enumerate(load_a):
        lag_a += (amps - lag_a) * -np.expm1(-1.0 / TAU_S)
        lags[k] = lag_a
    volts = 3.45 + 0.7 * soc + np.outer(load_a, quick) + np.outer(lags, slow) + rng.normal(0.0, 5e-4, soc.shape)
    return Session(
        np.arange(SCANS, dtype=float), volts.astype(np.float32), np.zeros(volts.shape, np.uint8),
        np.zeros(SCANS, np.float32), current_a=load_a.astype(np.float32),
    )  # fmt: skip


@pytest.mark.parametrize("slow_of_quick", [0.4, 1.0])
@pytest.mark.parametrize(("joint", "cause"), [(False, "high_resistance"), (True, "connection")])
def test_a_worn_cell_has_as_large_a_slow_part_as_its_string_would_and_a_joint_has_none(slow_of_quick, joint, cause):
    """With little of it in all cells a worn one shows little of it, too: a fixed ratio called that a joint at 0.99."""
    profile = PackProfile(groups=GROUPS, capacity_ah=AH)

    found, _ = find_weakness(ride(slow_of_quick, joint=joint), profile, ())

    assert (found[0].group, found[0].cause) == (WEAK + 1, cause)
    assert found[0].size == pytest.approx(100.0, abs=6.0)


@pytest.mark.parametrize(("times", "sure"), [(1.25, False), (1.5, True)])
def test_a_joint_of_little_resistance_is_not_surely_one(times: float, sure: bool) -> None:
    """Of published cells half of the six under 30 % were none: a smaller cell, an emptier one, production."""
    found, _ = find_weakness(ride(1.0, joint=True, times=times), PackProfile(groups=GROUPS, capacity_ah=AH), ())

    assert (found[0].group, found[0].cause) == (WEAK + 1, "connection")
    assert (found[0].confidence >= 0.8) is sure
