"""Charge and capacity on a flat curve, from when groups pass the same places of a charge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.causes.evidence.shifts import Shifts, no_surer_than_courses, shifts_seen
from evenstring.analysis.results import Phase, Weakness
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS, AMPS, AH = 10, 5.0, 20.0
PACK = PackProfile(groups=GROUPS, capacity_ah=AH, chemistry="lfp", full_v=3.6, ceiling_v=3.65, charger_current_a=AMPS)


def flat_v(soc: np.ndarray) -> np.ndarray:
    """A curve of our own with a step of 30 mV at 0.6, as a stage of graphite makes it, and a steep end."""
    return 3.33 + 0.02 * soc + 0.015 * np.tanh((soc - 0.6) / 0.02) + 0.25 * np.exp((soc - 1.0) / 0.01)


def charged(
    less: float = 0.0, smaller: float = 0.0, begin: float = 0.4, sensor: bool = True, row_s: float = 10.0
) -> Session:
    """A charge from `begin` to where the first group meets its end; group 4 lacks something and reads 6 mV high."""
    t = np.arange(0.0, 3600.0 * (0.98 - begin) * AH / AMPS, row_s)
    soc = begin + np.random.default_rng(3).normal(0.0, 0.002, GROUPS) + AMPS * t[:, None] / 3600.0 / AH
    soc[:, 3] = begin - less + AMPS * t / 3600.0 / AH / (1.0 - smaller)
    volts = flat_v(soc) + np.random.default_rng(4).normal(0.0, 3e-4, soc.shape)
    volts[:, 3] += 0.006
    session = Session(t, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(len(t), np.float32))
    return replace(session, current_a=np.full(len(t), AMPS, np.float32)) if sensor else session


def seen(session: Session, pack: PackProfile = PACK) -> Shifts | None:
    return shifts_seen(session, pack, (Phase("charge_cc", 0.0, session.duration_s),))


@pytest.mark.parametrize("sensor", [True, False])
@pytest.mark.parametrize("less", [0.02, 0.05, 0.11, -0.02])
def test_a_group_that_lacks_charge_draws_the_others_course_later(less: float, sensor: bool) -> None:
    """By hand: what was taken from it; a meter's 6 mV are free."""
    found = seen(charged(less, sensor=sensor))

    assert found is not None
    charge = found.size[:, 0] - np.median(found.size[:, 0])
    assert charge[3] == pytest.approx(-100.0 * less, abs=0.6)
    assert np.abs(np.delete(charge, 3)).max() < 1.0  # they scatter by 0.2
    assert np.sqrt(found.covariance[3, 0, 0]) < 1.0


def test_a_group_that_holds_less_draws_it_quicker() -> None:
    found = seen(charged(0.0, smaller=0.10, begin=0.2))

    assert found is not None
    capacity = found.size[:, 1] - np.median(found.size[:, 1])
    assert capacity[3] == pytest.approx(-10.0, abs=1.5)
    assert found.size[3, 0] - np.median(found.size[:, 0]) == pytest.approx(0.0, abs=0.8)


def test_a_course_without_a_mark_in_it_tells_little() -> None:
    """From 0.65 to 0.9 of charge there is neither the step nor the end."""
    session = charged(0.05, begin=0.68)
    flat = session.time_s < 3600.0 * 0.22 * AH / AMPS
    part = Session(
        session.time_s[flat], session.volts_v[flat], session.quality[flat], session.span_s[flat],
        current_a=session.current_a[flat] if session.current_a is not None else None,
    )  # fmt: skip

    found = seen(part)

    assert found is not None
    assert np.sqrt(found.covariance[3, 0, 0]) > 2.0


def test_nothing_is_told_where_volts_tell_it_or_no_current_is_known() -> None:
    session = charged(0.05, sensor=False)

    assert seen(session, replace(PACK, charger_current_a=None)) is None
    assert seen(session, PackProfile(groups=GROUPS, capacity_ah=AH, charger_current_a=AMPS)) is None
    assert seen(charged(0.05, begin=0.93)) is None
    swinging = charged(0.05)
    assert swinging.current_a is not None
    swinging.current_a[::3] *= 0.5
    assert seen(swinging) is None


def test_what_a_course_tells_is_likely_and_no_more() -> None:
    less = Weakness(4, "charge_offset", -5.0, "%", 0.99, -6.0, -4.0, 1.0, "", ())

    assert no_surer_than_courses(less).confidence == 0.75
    assert no_surer_than_courses(replace(less, cause="high_resistance")).confidence == 0.99
