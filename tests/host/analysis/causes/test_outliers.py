"""Groups within production scatter: named, never accused."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.causes.outliers import stand_outs
from scipy.stats import norm

SCATTER = np.diag(np.square([1.0, 0.4, 1.0, 4.0]))


def string(groups: int = 20) -> tuple[np.ndarray, np.ndarray]:
    return np.zeros((groups, 4)), np.repeat(SCATTER[None], groups, axis=0)


def test_a_group_two_and_a_half_deviations_out_is_named_with_its_chance():
    """The chance: 1 - (1 - p)^n with p from scipy's normal distribution and n six looks a group."""
    size, total = string()
    size[3, 1] = -1.0

    (found,) = stand_outs(size, total, frozenset())

    assert (found.group, found.kinds, found.deviations) == (3, (1,), pytest.approx(2.5))
    assert found.by_chance == pytest.approx(1.0 - (1.0 - norm.sf(2.5)) ** 120, rel=1e-9)


def test_more_capacity_and_less_resistance_are_no_weakness():
    size, total = string()
    size[3, 2], size[8, 3] = 3.0, -12.0

    assert stand_outs(size, total, frozenset()) == ()


def test_kinds_that_a_recording_cannot_tell_apart_are_both_named():
    """At one voltage a per cent of charge is 5 mV: a gap of 9 mV is meter or charge."""
    size, total = string()
    along = np.array([-5.0, 1.0, 0.0, 0.0])  # a meter offset that one per cent of charge makes up for
    total = total + 1e4 * np.outer(along, along)
    size[5] = [9.0, 0.0, 0.0, 0.0]

    (found,) = stand_outs(size, total, frozenset())

    assert (found.group, set(found.kinds)) == (5, {0, 1})


def test_few_are_named_and_none_that_is_accused_already():
    size, total = string()
    size[:9, 0] = 3.0 + 0.1 * np.arange(9)

    found = stand_outs(size, total, frozenset({8}))

    assert [s.group for s in found] == [7, 6, 5, 4]
