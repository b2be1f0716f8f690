"""A done light that nobody gave is read off the end of the taper, and said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.run import what_happened
from evenstring.profile import PackProfile, parse_profile
from evenstring.sim import ChargerModel, DutyCycle, MeterModel, Pack, measure, simulate

CAPACITY_AH = 33.0


def charged(light_a: float, profile: PackProfile, leaves: bool = True) -> str:
    rng = np.random.default_rng(8)
    pack = Pack.random(rng, groups=6, soc=0.6, capacity_ah=CAPACITY_AH)
    pack = replace(pack, charger=ChargerModel(current_a=8.0, set_v=6 * 4.2, done_light_a=light_a, off_at_light=leaves))
    session = measure(simulate(pack, DutyCycle().charge(hours=6).rest(minutes=20)), MeterModel(), rng, quiet_s=2.0)
    return what_happened(session, profile).charge.ended


@pytest.mark.parametrize("share", [1 / 25, 1 / 33, 1 / 50])
def test_a_large_pack_whose_taper_its_charger_ended_is_full(share: float) -> None:
    """Ten charges of a 33 Ah cell that ended at C/33 were once called interrupted: half an ampere was assumed."""
    profile = parse_profile(f"[pack]\ngroups = 6\ncapacity_ah = {CAPACITY_AH}\n")

    assert charged(CAPACITY_AH * share, profile) in ("full", "ended_uneven")


def test_where_the_owner_says_the_light_it_counts() -> None:
    profile = parse_profile(f"[pack]\ngroups = 6\ncapacity_ah = {CAPACITY_AH}\n[charger]\ndone_light_a = 0.5\n")

    assert charged(CAPACITY_AH / 33, profile) == "interrupted_in_cv"
