"""A current that was stated, against what the sensor sees and against what limits want."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.results import Phase
from evenstring.profile import PackProfile
from evenstring.report.material import Material
from evenstring.workshop.acceptance.limits import parse_limits
from evenstring.workshop.stated import limits_out_of_reach, stated_against_seen

from tests.host.looks import a_day, a_material


def flowing(amps: float | None) -> Material:
    """Ten minutes of discharge at `amps`, seen by a sensor with 0.1 A of noise; None: no sensor."""
    material = a_material(a_day())
    time_s = np.arange(0.0, 600.0, 0.5)
    noise = np.random.default_rng(18).normal(0.0, 0.1, len(time_s)).astype(np.float32)
    current = None if amps is None else noise - np.float32(amps)
    volts = np.full((len(time_s), 24), 3.7, np.float32)
    session = replace(material.session, time_s=time_s, volts_v=volts, quality=np.zeros(volts.shape, np.uint8),
                      current_a=current, temps_c=None)  # fmt: skip
    found = replace(material.found, phases=(Phase("ride", 0.0, 600.0),))
    return replace(material, session=session, found=found)


@pytest.mark.parametrize(("stated_a", "seen_a", "told"), [
    (8.0, 8.0, False), (8.0, 8.9, False), (8.0, 7.0, False),  # within a tenth and 0.3 A: our choice
    (8.0, 9.4, True), (8.0, 6.5, True), (2.0, 3.0, True),
])  # fmt: skip
def test_what_the_sensor_sees_otherwise_is_told(stated_a: float, seen_a: float, told: bool) -> None:
    notes = stated_against_seen(flowing(seen_a), stated_a, None)
    assert bool(notes) is told
    assert not told or f"{stated_a:.2f} A were stated" in notes[0]


def test_nothing_is_told_without_a_sensor_or_a_statement() -> None:
    assert stated_against_seen(flowing(None), 8.0, 5.0) == ()
    assert stated_against_seen(flowing(8.0), None, None) == ()


def test_a_limit_under_load_that_the_stated_current_cannot_decide_is_told_beforehand() -> None:
    text = '[[limit]]\nof = "lowest_under_load_v"\nleast = 3.0\nload_a = 20\norigin = "agreed"\n'
    limits = parse_limits(text, "x", PackProfile(groups=24))
    assert limits_out_of_reach(limits, 20.0) == limits_out_of_reach(limits, 24.0) == limits_out_of_reach(limits, None)
    assert "20 to 24 A; at 10 A it stays not measured" in limits_out_of_reach(limits, 10.0)[0]
