"""Sodium's reserve is said higher: its published cell runs out at the surface well above empty (Chayambuka 2022)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.riding.reserve import find_reserve
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import curve
from evenstring.profile import PackProfile
from evenstring.sim import ChargerModel, DutyCycle, MeterModel, Pack, measure, simulate

GROUPS = 8


@pytest.mark.slow
def test_sodium_is_believed_to_rise_more_towards_empty_and_so_is_left_earlier(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    pack = Pack.random(rng, groups=GROUPS, capacity_ah=20.0, soc=0.85, curve=curve("chayambuka_nvpf"))
    pack = replace(pack, charger=ChargerModel(current_a=4.0, set_v=GROUPS * 4.2, done_light_a=0.5))
    day = DutyCycle().rest(minutes=10).ride(minutes=50, seed=3).rest(minutes=20).charge(hours=3.5)
    session = measure(simulate(pack, day), MeterModel.random(rng, GROUPS), rng, quiet_s=2.0, with_current=True)
    sodium = CHEMISTRIES["nvpf"]
    limits = {name: getattr(sodium, name) for name in ("full_v", "ceiling_v", "empty_v", "discard_v", "threshold_v")}
    profile = PackProfile(groups=GROUPS, capacity_ah=20.0, chemistry="nvpf", **limits)
    phases = find_phases(session, profile)

    cautious, _ = find_reserve(session, profile, phases)
    lithium = CHEMISTRIES["nmc"]
    as_lithium = replace(sodium, rise=lithium.rise, rise_u=lithium.rise_u, rise_soc=lithium.rise_soc)
    monkeypatch.setitem(CHEMISTRIES, "nvpf", as_lithium)
    hopeful, _ = find_reserve(session, profile, phases)

    assert cautious is not None
    assert hopeful is not None
    assert cautious.lowest_soc_at_full_load > hopeful.lowest_soc_at_full_load + 0.02
