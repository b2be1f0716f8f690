"""Limit visits on hand-made sessions: what counts, what does not, and what it means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from evenstring.analysis.results import Event
from evenstring.analysis.run import analyse
from evenstring.profile import PackProfile
from evenstring.session import Meter, Quality, Session

PROFILE = PackProfile(groups=6)
METER = Meter(noise_v=0.0005, channel_u_v=0.001, gain_u=0.0005)


def quiet(seconds: float = 120.0, rate: float = 10.0, level_v: float = 3.6) -> Session:
    rng = np.random.default_rng(1)
    n = int(seconds * rate)
    volts = (level_v + 0.0003 * rng.standard_normal((n, 6))).astype(np.float32)
    return Session(np.arange(n) / rate, volts, np.zeros((n, 6), np.uint8), np.zeros(n, np.float32), meter=METER)


def events_of(session: Session, kind: str) -> list[Event]:
    return [e for e in analyse(session, PROFILE).events if e.kind == kind]


def test_one_noisy_scan_is_no_event() -> None:
    session = quiet()
    session.volts_v[400, 2] = 2.2

    assert not events_of(session, "below_discard")


def test_a_dip_of_three_tenths_of_a_second_at_ten_scans_a_second_is_one_event() -> None:
    session = quiet()
    session.volts_v[400:403, 2] = [2.45, 2.40, 2.44]

    (event,) = events_of(session, "below_discard")

    assert (event.group, round(event.start_s, 1), round(event.duration_s, 1)) == (3, 40.0, 0.3)
    assert abs(event.extreme_v - 2.40) < 1e-6
    assert event.certainty == "yes"


def test_a_visit_that_flickers_about_the_limit_is_one_visit() -> None:
    session = quiet()
    session.volts_v[300:900, 4] = 4.212 + 0.003 * np.sin(np.arange(600))

    assert len(events_of(session, "above_full")) == 1


def test_a_group_that_came_near_discard_without_crossing_is_not_excluded_and_one_further_off_is() -> None:
    """Two absolute uncertainties here: 2 hypot(1.1, 0.0005 x 2500) = 3.4 mV, worked by hand."""
    session = quiet()
    session.volts_v[400:440, 0] = 2.5025
    session.volts_v[400:440, 1] = 2.5060

    result = analyse(session, PROFILE)

    assert not [e for e in result.events if e.kind == "below_discard"]
    (open_question,) = [u for u in result.unknown if u.what == "events.below_discard"]
    assert open_question.why.startswith("group 1 came")


def test_an_extreme_within_the_meters_uncertainty_says_so() -> None:
    session = quiet()
    session.volts_v[400:440, 0] = 2.498

    (event,) = events_of(session, "below_discard")

    assert event.certainty == "within_uncertainty"


def test_an_open_lead_is_an_event_and_no_voltage() -> None:
    session = quiet()
    session.volts_v[100:200, 1] = np.nan
    session.quality[100:200, 1] = Quality.LEAD_OPEN

    (event,) = events_of(session, "lead_open")

    assert (event.group, event.extreme_v) == (2, None)


def test_a_visit_to_discard_at_rest_means_do_not_charge() -> None:
    session = quiet(seconds=600)
    session.volts_v[:, 3] = 2.40

    assert analyse(session, PROFILE).verdict.action == "do_not_charge"


def loaded_dip() -> Session:
    """A group of 40 milliohm against 5: half a second of 40 A takes it below discard; free of the drop it has 3.6 V."""
    session = quiet()
    amps = np.zeros(session.scans, np.float32)
    for start in range(100, 1100, 100):
        amps[start : start + 50] = -10.0
    amps[600:605] = -40.0
    ohm = np.array([0.005] * 5 + [0.040], np.float32)
    return replace(session, volts_v=(session.volts_v + amps[:, None] * ohm).astype(np.float32), current_a=amps)


def test_a_short_dip_under_load_is_inspected_with_its_ir_free_voltage() -> None:
    session = loaded_dip()

    (event,) = events_of(session, "below_discard")

    assert event.under_load is True
    assert abs(event.ir_free_v - 3.6) < 0.01
    assert analyse(session, PROFILE).verdict.action == "inspect"
    assert analyse(session, replace(PROFILE, strict_discard=True)).verdict.action == "do_not_charge"


def test_charging_below_freezing_is_found() -> None:
    n = 1200
    volts = np.linspace(3.6, 3.7, n, dtype=np.float32)[:, None].repeat(6, axis=1)
    session = Session(
        np.arange(n) * 1.0,
        volts,
        np.zeros((n, 6), np.uint8),
        np.zeros(n, np.float32),
        current_a=np.full(n, 5.0, np.float32),
        temps_c=np.full((n, 1), -3.0, np.float32),
    )

    (event,) = analyse(session, PROFILE).temperature

    assert (event.kind, event.channel, event.extreme_c) == ("charged_cold", 1, -3.0)
