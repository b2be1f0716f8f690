"""A meter's offset: surely said only where rests far apart in charge show the same."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.causes.evidence.rests import SeenAtRest, rests_seen
from evenstring.analysis.results import Phase, Weakness
from evenstring.analysis.verdict.validity import with_proof
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS = 8
CHARGE = (Phase("rest", 0.0, 900.0), Phase("charge_cc", 900.0, 5000.0), Phase("rest", 5000.0, 6000.0))
METER = Weakness(4, "meter_offset", -9.0, "mV", 0.95, -10.0, -8.0, 1.0, "", ())


def recorded(before_mv: float, after_mv: float) -> Session:
    """Group 4 stands apart by so much at two rests, far apart in charge."""
    t = np.arange(0.0, 6000.0, 5.0)
    volts = np.full((len(t), GROUPS), 3.6) + 0.5 * (t[:, None] > 900.0)
    volts[:, 3] += np.where(t < 900.0, before_mv, after_mv) / 1e3
    return Session(t, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(len(t), np.float32))


def rests(session: Session, phases: tuple[Phase, ...]) -> tuple[SeenAtRest, ...]:
    return rests_seen(session, PackProfile(groups=GROUPS), phases)


@pytest.mark.parametrize(
    ("before_mv", "after_mv", "sure"), [(-9.0, -8.0, 0.95), (-7.8, -15.0, 0.75), (-4.0, -9.0, 0.75)]
)
def test_both_rests_have_to_show_the_offset(before_mv: float, after_mv: float, sure: float) -> None:
    """Of a published cell with 2 % less charge: 8 mV below the others before its charge, 15 after: said at 0.86."""
    (said,) = with_proof((METER,), rests(recorded(before_mv, after_mv), CHARGE))

    assert said.confidence == sure
    assert (said.cause, said.size) == ("meter_offset", -9.0)


def test_without_a_rest_on_either_side_it_is_not_proved() -> None:
    (said,) = with_proof((METER,), rests(recorded(-9.0, -9.0), CHARGE[:2]))

    assert said.confidence == 0.75


def test_after_a_ride_it_needs_its_proof_too_and_other_causes_stand_on_their_own_ground() -> None:
    """Of published cells, after rides: 16 of 41 sure offsets were none, and 2 of the 8 that all rests show."""
    ride = (*CHARGE[:1], Phase("ride", 900.0, 5000.0), *CHARGE[2:])
    less = Weakness(2, "charge_offset", -3.0, "%", 0.9, -5.0, -1.0, 0.9, "", ())

    assert with_proof((METER,), rests(recorded(-9.0, -8.6), ride)) == (METER,)
    assert with_proof((METER, less), rests(recorded(-3.0, -9.0), ride))[0] == less


def test_two_rests_at_one_voltage_are_one_look() -> None:
    session = recorded(-9.0, -9.0)
    session.volts_v[session.time_s > 900.0] -= np.float32(0.48)

    assert [w.confidence for w in with_proof((METER,), rests(session, CHARGE))] == [0.75]
