"""Before and after a repair: what changed, what may be chance, and no comparison of two packs."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.errors import InputError
from evenstring.profile import PackProfile
from evenstring.report.material import Material, gather_material
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from evenstring.workshop.comparison.compare import compare, refuse_other_pack

GROUPS = 12


@cache
def charged(low: float = 0.0, seed: int = 1, groups: int = GROUPS) -> Material:
    """A charge with its held voltage; group 4 holds so much less than the others."""
    pack = Pack.even(groups, capacity_ah=20.0, soc=0.85)
    soc = pack.soc0.copy()
    soc[3] -= low
    rng = np.random.default_rng(7)  # one meter, with its offsets
    meter = MeterModel.random(rng, groups)
    made = simulate(replace(pack, soc0=soc), DutyCycle().rest(minutes=10).charge(hours=1.5))
    return gather_material(
        measure(made, meter, np.random.default_rng(seed)), PackProfile(groups=groups, capacity_ah=20.0, name="trike")
    )


def test_a_group_that_was_brought_level_is_the_one_that_changed() -> None:
    found = compare(charged(0.02, 1), charged(0.0, 2))

    assert [r.group for r in found.rows if r.moved_mv is not None and r.moved_mv[0] > 3.0] == [4]
    assert found.spread_mv[0] is not None
    assert found.spread_mv[1] is not None
    assert found.spread_mv[1] < found.spread_mv[0]


def test_the_same_pack_twice_changed_by_nothing_that_is_not_chance() -> None:
    found = compare(charged(0.01, 1), charged(0.01, 2))

    assert not [r for r in found.rows if r.clear and r.moved_mv is not None and abs(r.moved_mv[1]) > 1.0]


def test_two_packs_are_not_compared() -> None:
    other = charged()
    other = replace(other, profile=replace(other.profile, name="barrow"))

    with pytest.raises(InputError, match="name trike before, barrow after"):
        refuse_other_pack(charged(), other)
    with pytest.raises(InputError, match="12 before, 10 after"):
        refuse_other_pack(charged(), charged(groups=10))
    with pytest.raises(InputError, match="cannot be put side by side"):
        compare(charged(), charged(groups=10))
