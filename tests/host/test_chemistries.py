"""Each row of the chemistries, through the whole chain: an invented even pack is ridden, charged and judged."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.run import analyse
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import parse_profile
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate


@pytest.mark.parametrize("key", CHEMISTRIES)
def test_an_even_pack_of_each_chemistry_is_charged_full_with_nothing_beyond_its_limits(key: str) -> None:
    rng = np.random.default_rng(3)
    pack = Pack.even(8, soc=0.9, chemistry=key, r0_ohm=0.003)
    cycle = (
        DutyCycle()
        .rest(minutes=10)
        .ride(minutes=20, seed=2)
        .rest(minutes=30)
        .charge(hours=5, leave_hours=0.2)
        .rest(minutes=20)
    )
    session = measure(simulate(pack, cycle), MeterModel(noise_v=0.0003), rng, scans_per_s=0.2)
    found = analyse(session, parse_profile(f'[pack]\ngroups = 8\nchemistry = "{key}"\ncapacity_ah = 20\n'))

    assert found.charge.ended == "full"
    assert not [e for e in found.events if e.kind in ("above_ceiling", "below_discard", "below_empty", "reversed")]
    assert found.verdict is not None
    assert found.verdict.action not in ("do_not_charge", "inspect")


@pytest.mark.parametrize("key", CHEMISTRIES)
def test_a_group_above_its_chemistrys_ceiling_is_told(key: str) -> None:
    rng = np.random.default_rng(4)
    row = CHEMISTRIES[key]
    pack = Pack.even(4, soc=0.95, chemistry=key, r0_ohm=0.003)
    session = measure(simulate(pack, DutyCycle().rest(minutes=10)), MeterModel(noise_v=0.0003), rng, scans_per_s=1.0)
    session.volts_v[100:200, 2] = row.ceiling_v + 0.03

    found = analyse(session, parse_profile(f'[pack]\ngroups = 4\nchemistry = "{key}"\n'))

    assert [e.group for e in found.events if e.kind == "above_ceiling"] == [3]
