"""What rests tell, on departures worked out by hand from the curve assumed: Q over its slope."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, METER, nothing_known
from evenstring.analysis.causes.evidence.rests import SeenAtRest, against_rests, rests_seen, with_rests
from evenstring.analysis.results import Phase, Weakness
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS, ODD = 12, 4
PACK = PackProfile(groups=GROUPS, capacity_ah=20.0, bleed_ma=50.0, threshold_v=4.10)
CURVE = default_curve("nmc")


def rest(soc: float, away_mv: float, u_mv: float = 1.0, *, after_charge: bool = False) -> SeenAtRest:
    """A rest at which one group departs from the others."""
    away = np.zeros(GROUPS)
    away[ODD] = away_mv
    percent_mv = 10.0 * float(CURVE.slope_v(soc))
    return SeenAtRest(
        away, np.full(GROUPS, u_mv), 600.0, float(CURVE.voltage_v(soc)), soc, percent_mv, 0.15, after_charge, True
    )


def departs(soc: float, meter_mv: float, charge: float, capacity: float, full_at: float = 0.9) -> SeenAtRest:
    """The same, of a group with departures in mV, in % of charge at `full_at` and in % of capacity."""
    percent_mv = 10.0 * float(CURVE.slope_v(soc))
    return rest(soc, meter_mv + percent_mv * (charge - capacity * (soc - full_at)))


@pytest.mark.parametrize(
    ("meter_mv", "charge", "capacity"), [(8.0, 0.0, 0.0), (0.0, -4.0, 0.0), (0.0, 0.0, -12.0), (0.0, 3.0, -10.0)]
)
def test_three_rests_tell_meter_charge_and_capacity_apart(meter_mv: float, charge: float, capacity: float) -> None:
    seen = [departs(soc, meter_mv, charge, capacity) for soc in (0.9, 0.55, 0.2)]

    found = with_rests(replace(nothing_known(GROUPS), soc0=0.9), tuple(seen))

    u = np.sqrt(np.diag(found.covariance[ODD]))
    for k, true in ((METER, meter_mv), (CHARGE, charge), (CAPACITY, capacity)):
        assert found.size[ODD, k] == pytest.approx(true, abs=max(3.0 * u[k], 0.3))
    assert np.abs(np.delete(found.size, ODD, axis=0)[:, : CAPACITY + 1]).max() < 1e-9


def test_evidence_that_a_rest_contradicts_is_less_sure_by_as_much() -> None:
    """The Birge ratio: 4 % less charge was known to 0.2 %, and the group is level at a rest, which is known to 1 mV."""
    known = replace(nothing_known(GROUPS), soc0=0.8)
    size, covariance = known.size.copy(), known.covariance.copy()
    size[ODD, CHARGE] = -4.0
    covariance[:] = np.diag([0.5, 0.2, 0.5, 10.0]) ** 2
    before = replace(known, size=size, covariance=covariance)

    after = with_rests(before, (rest(0.8, 0.0),))

    assert abs(after.size[ODD, CHARGE]) < 0.5
    assert after.covariance[ODD, METER, METER] > 5.0 * before.covariance[ODD, METER, METER]
    assert after.covariance[0, METER, METER] <= before.covariance[0, METER, METER]


def session(*parts: tuple[float, float, float]) -> Session:
    """Parts of so many seconds at a level in V, where one group departs by so many mV; a scan in ten seconds."""
    volts = np.concatenate([np.full((round(s / 10.0), GROUPS), v) + 1e-3 * mv * (np.arange(GROUPS) == ODD)
                            for s, v, mv in parts]).astype(np.float32)  # fmt: skip
    n = len(volts)
    return Session(np.arange(n) * 10.0, volts, np.zeros(volts.shape, np.uint8), np.zeros(n, np.float32))


def test_what_may_have_been_bled_is_part_of_the_uncertainty_of_a_rest_after_a_charge() -> None:
    """By hand: two hours near the threshold and a quarter of the rest; half of 50 mA over 20 Ah is 0.125 % an hour."""
    made = session((1200.0, 3.7, -40.0), (7200.0, 4.15, 0.0), (3600.0, 4.12, 0.0))
    phases = (Phase("rest", 0.0, 1190.0), Phase("charge_cc", 1200.0, 8390.0), Phase("rest", 8400.0, 11990.0))

    before, after = rests_seen(made, PACK, phases)

    assert not before.after_charge
    assert after.after_charge
    assert before.away_mv[ODD] == pytest.approx(-40.0, abs=0.1)
    assert after.away_mv[ODD] == pytest.approx(0.0, abs=0.1)
    bled_mv = after.percent_mv * 0.125 * (7200.0 + 900.0) / 3600.0
    assert after.u_mv[ODD] == pytest.approx(np.hypot(bled_mv, before.u_mv[0]), rel=0.05)


def test_on_a_curve_with_a_plateau_a_rest_tells_no_charge() -> None:
    made = session((1200.0, 3.45, -40.0))

    (seen,) = rests_seen(made, replace(PACK, chemistry="lfp"), (Phase("rest", 0.0, 1190.0),))

    assert not seen.tells_charge


LESS = Weakness(ODD + 1, "charge_offset", -5.0, "%", 0.99, -8.0, -3.0, 1.0, "", ())


@pytest.mark.parametrize(
    ("seen", "kept"),
    [
        ((rest(0.9, -40.0), rest(0.2, -60.0)), True),
        ((rest(0.9, -1.0), rest(0.2, -60.0)), False),
        ((rest(0.9, -1.0, u_mv=20.0), rest(0.2, -60.0)), True),
        ((rest(0.9, 12.0),), False),
        ((), True),
    ],
    ids=["at each", "level at full", "bled for hours", "the other way", "no rest"],
)
def test_a_group_that_lacks_charge_lacks_it_at_every_rest(seen: tuple[SeenAtRest, ...], kept: bool) -> None:
    """Of published cells five groups with less capacity, level at full, were surely said to lack charge."""
    assert (against_rests(LESS, seen, None) == LESS) is kept
    if not kept:
        assert against_rests(LESS, seen, None).cause == "cannot_tell"


SMALL = Weakness(ODD + 1, "low_capacity", 7.0, "%", 0.96, 3.0, 13.0, 1.0, "", ())


@pytest.mark.parametrize(
    ("seen", "sure"),
    [
        ((rest(0.4, 13.0), rest(0.8, 30.0)), 0.75),
        ((rest(0.4, -50.0), rest(0.8, -1.0)), 0.96),
        ((rest(0.4, -60.0), rest(0.8, -8.0)), 0.96),
        ((rest(0.4, 13.0),), 0.96),
    ],
    ids=["higher at both", "level at full", "far nearer at full", "one rest"],
)
def test_less_capacity_is_no_sure_thing_where_a_gap_in_charge_explains_the_rests(
    seen: tuple[SeenAtRest, ...], sure: float
) -> None:
    """Three groups of published cells with 2.5 to 5.7 % more charge were surely said to hold less."""
    assert against_rests(SMALL, seen, None).confidence == sure
