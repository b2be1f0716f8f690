"""Less capacity in a group that was level with the others at full is one cause, though charge is missing too."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.causes.catalogue import CAUSES, SCATTER
from evenstring.analysis.causes.hypotheses import SUBSETS, as_charge, shares, weights

_SURE = np.diag([1.0, 0.8, 1.5, 4.0]) ** 2  # what a charge alone tells, mV, %, %, %


def probable(x: list[float], below_full: float) -> dict[str, float]:
    share = shares(weights(np.array(x), _SURE, SCATTER, 16, below_full))
    return dict(zip(CAUSES, share, strict=True))


def test_a_weak_group_that_was_level_at_full_lacks_capacity_and_not_charge() -> None:
    """From 15 % of charge on: 10 % less capacity are 8.5 % less charge there."""
    found = probable([0.0, -8.5, -10.0, 10.0], below_full=0.85)

    assert found["low_capacity"] > 0.9
    assert found["charge_offset"] < 0.2


def test_switched_off_the_same_group_is_given_a_second_cause() -> None:
    found = probable([0.0, -8.5, -10.0, 10.0], below_full=0.0)

    assert found["charge_offset"] > 0.8


def test_less_charge_alone_stays_less_charge() -> None:
    found = probable([0.0, -4.0, 0.0, 0.0], below_full=0.85)

    assert found["charge_offset"] > 0.9
    assert found["low_capacity"] < 0.1


def test_where_capacity_is_not_told_its_chances_are_those_of_charge() -> None:
    weight = weights(np.array([0.0, -8.5, -10.0, 10.0]), _SURE, SCATTER, 16, 0.85)

    folded = as_charge(weight)

    assert folded.sum() == pytest.approx(weight.sum())
    assert shares(folded)[CAUSES.index("low_capacity")] == 0.0
    assert folded[SUBSETS.index((1,))] > 0.9
    assert folded[0] == weight[0]
