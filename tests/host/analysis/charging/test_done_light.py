"""A done light that nobody gave is read off the end of the taper, and said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.run import what_happened
from evenstring.profile import PackProfile, parse_profile
from evenstring.report.material import gather_material
from evenstring.report.sections import charge
from evenstring.session import Session
from evenstring.sim import ChargerModel, DutyCycle, MeterModel, Pack, measure, simulate

CAPACITY_AH = 33.0


def charged(light_a: float, profile: PackProfile, leaves: bool = True) -> str:
    return what_happened(recorded(light_a, leaves), profile).charge.ended


def recorded(light_a: float, leaves: bool = True) -> Session:
    rng = np.random.default_rng(8)
    pack = Pack.random(rng, groups=6, soc=0.6, capacity_ah=CAPACITY_AH)
    pack = replace(pack, charger=ChargerModel(current_a=8.0, set_v=6 * 4.2, done_light_a=light_a, off_at_light=leaves))
    return measure(simulate(pack, DutyCycle().charge(hours=6).rest(minutes=20)), MeterModel(), rng, quiet_s=2.0)


@pytest.mark.parametrize("share", [1 / 25, 1 / 33, 1 / 50])
def test_a_large_pack_whose_taper_its_charger_ended_is_full(share: float) -> None:
    """Ten charges of a 33 Ah cell that ended at C/33 were once called interrupted: half an ampere was assumed."""
    profile = parse_profile(f"[pack]\ngroups = 6\ncapacity_ah = {CAPACITY_AH}\n")

    assert charged(CAPACITY_AH * share, profile) in ("full", "ended_uneven")


def test_where_the_owner_says_the_light_it_counts() -> None:
    profile = parse_profile(f"[pack]\ngroups = 6\ncapacity_ah = {CAPACITY_AH}\n[charger]\ndone_light_a = 0.5\n")

    assert charged(CAPACITY_AH / 33, profile) == "interrupted_in_cv"


def test_the_page_says_where_the_light_was_taken_from() -> None:
    profile = parse_profile(f"[pack]\ngroups = 6\ncapacity_ah = {CAPACITY_AH}\n")
    (light,) = [p for p in charge.section(gather_material(recorded(1.0), profile)).pairs if p[0] == "done light"]

    assert float(light[1].removesuffix(" A")) == pytest.approx(1.0, rel=0.05)
    assert "nobody gave it" in light[2]
