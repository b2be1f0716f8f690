"""A profile that is not this pack's: what can be seen of it, what is withheld; and iron phosphate on its plateau."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.analysis.results import Findings
from evenstring.analysis.run import analyse
from evenstring.ocv import curve, default_curve, slipped
from evenstring.profile import PackProfile, parse_profile
from evenstring.report.reasons import sentence
from evenstring.session import Quality, Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

pytestmark = pytest.mark.usefixtures("no_forecast")
GROUPS = 16


@cache
def recorded(
    seed: int, chemistry: str = "nmc", capacity_ah: float = 20.0, cells: str = "", low: float = 0.0
) -> Session:
    """Rest, ride, rest, charge of an invented pack; `low`: group 5 has so much less charge (share of capacity)."""
    rng = np.random.default_rng(seed)
    of = {"": None, "umich": curve("umich_nmc"), "slipped": slipped(default_curve("nmc"), 0.04)}[cells]
    pack = Pack.random(rng, groups=GROUPS, soc=0.93, chemistry=chemistry, capacity_ah=capacity_ah, curve=of,
                       r0_ohm=0.004 if chemistry == "lfp" else 0.007)  # fmt: skip
    soc = pack.soc0.copy()
    soc[4] -= low
    plan = DutyCycle().rest(minutes=10).ride(minutes=55, seed=seed).rest(minutes=40).charge(hours=6, leave_hours=0.3)
    return measure(simulate(replace(pack, soc0=soc), plan), MeterModel.random(rng, GROUPS), rng, scans_per_s=1.0,
                   quiet_s=2.0)  # fmt: skip


def profile(chemistry: str = "nmc", capacity_ah: float = 20.0, more: str = "") -> PackProfile:
    return parse_profile(f'[pack]\ngroups = {GROUPS}\nchemistry = "{chemistry}"\ncapacity_ah = {capacity_ah}\n{more}')


def why(found: Findings, what: str) -> tuple[str, str]:
    return next((u.why, u.record_next or "") for u in reversed(found.unknown) if u.what == what)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_capacity_that_is_a_fifth_too_large_is_seen_and_what_rests_on_it_is_withheld(seed):
    found = analyse(recorded(seed, capacity_ah=16.0), profile())

    check = found.profile_check.capacity
    assert check.verdict == "off"
    assert check.low_ah < 16.0 < check.high_ah
    assert found.reserve is None
    assert found.repair == ()
    assert "set [pack] capacity_ah to about" in why(found, "reserve")[1]
    assert any("16" in sentence(r) or "15" in sentence(r) for r in found.verdict.reasons)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "cells"), [(1, ""), (2, ""), (1, "slipped"), (2, "slipped"), (1, "umich"), (2, "umich")]
)
def test_a_fitting_profile_is_not_doubted_although_the_curve_is_another_papers(seed, cells):
    found = analyse(recorded(seed, cells=cells), profile())

    assert found.profile_check.capacity.verdict == "agrees"
    assert found.profile_check.chemistry.verdict == "fits"
    assert found.profile_check.lines == ()
    assert found.reserve is not None


@pytest.mark.parametrize(("cells", "said"), [("lfp", "nmc"), ("nmc", "lfp")])
def test_another_chemistry_is_seen_and_no_claim_rests_on_its_curve(cells, said):
    found = analyse(recorded(1, cells), profile(said))

    assert found.profile_check.chemistry.verdict == "does_not_fit"
    assert found.profile_check.chemistry.likelier == cells
    assert (found.reserve, found.capacity, found.repair) == (None, None, ())
    assert {w.cause for w in found.weakness} <= {"high_resistance", "connection"}
    assert found.verdict.action in ("inspect", "do_not_charge")
    assert "chemistry" in why(found, "weakness")[1]


@pytest.mark.parametrize("low", [0.0, 0.03])
def test_on_the_plateau_of_lfp_nothing_false_is_claimed(low):
    """Under 1 mV for a per cent of charge: neither a healthy group is accused, nor a gap put on meter or capacity."""
    found = analyse(recorded(2, "lfp", low=low), profile("lfp"))

    assert found.profile_check.chemistry.verdict == "fits"
    sure = [w for w in found.weakness if w.confidence >= 0.8]
    assert [w for w in sure if (w.group, w.cause) != (5, "charge_offset")] == []


@pytest.mark.slow
def test_strings_in_parallel_withhold_rest_repair_and_leak_as_well_as_capacity():
    """At rest the strings exchange current: it is no rest, and the vehicle's current is not this string's."""
    session = recorded(1)
    alone, beside = analyse(session, profile()), analyse(session, profile(more="parallel_strings = 2\n"))

    assert alone.spread.rest_mv is not None
    assert beside.spread.rest_mv is None
    assert (beside.capacity, beside.reserve, beside.repair) == (None, None, ())
    for what in ("spread.rest_mv", "capacity", "reserve"):
        assert "parallel" in why(beside, what)[0]
    assert not [w for w in beside.weakness if w.cause in ("self_discharge", "balancer_fault")]


def test_a_group_whose_lead_was_off_is_not_judged_by_what_is_left_of_it():
    session = recorded(1)
    volts, quality = session.volts_v.copy(), session.quality.copy()
    off = slice(session.scans // 4, None)
    volts[off, 6], quality[off, 6] = np.nan, Quality.LEAD_OPEN
    out_back = session.out_back_v.copy()
    out_back[off, 6] = np.nan

    found = analyse(replace(session, volts_v=volts, quality=quality, out_back_v=out_back), profile())

    assert [w for w in found.weakness if w.group == 7] == []
    assert (found.reserve, found.usable, found.room) == (None, None, None)
    assert "group 7 was often not read" in why(found, "weakness")[0]
