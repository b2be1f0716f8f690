"""Findings of single recordings become one history, in order of time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from evenstring.analysis.results import Findings
from evenstring.analysis.run import analyse
from evenstring.errors import InputError
from evenstring.logbook.trends.gather import history_of
from evenstring.logbook.trends.standing import standing
from evenstring.session import Session

from tests.worlds.sessions import make_case


@pytest.fixture(scope="module")
def charge() -> tuple[Session, Findings]:
    case = make_case(3, "full", with_truth=False)
    return case.session, analyse(case.session, case.profile)


def dated(recording: tuple[Session, Findings], month: int) -> tuple[Session, Findings]:
    return replace(recording[0], start=datetime(2026, month, 1, tzinfo=UTC)), recording[1]


def test_a_full_charge_gives_each_groups_departure_with_its_uncertainty(charge: tuple[Session, Findings]) -> None:
    history = history_of([dated(charge, 5), dated(charge, 2)])

    assert history.start_s.tolist() == [datetime(2026, m, 1, tzinfo=UTC).timestamp() for m in (2, 5)]
    assert history.full.all()
    assert np.array_equal(history.departure_mv[0], np.array(charge[1].spread.departures_mv, dtype=float))
    assert (history.departure_sigma_mv > 0).all()
    assert len(history.spread_mv()) == 2
    assert history.spread_mv().value[0] == pytest.approx(np.ptp(history.departure_mv[0]))


def test_what_is_not_told_warns_of_nothing_but_the_calibration(charge: tuple[Session, Findings]) -> None:
    quiet = dated((charge[0], replace(charge[1], events=())), 3)

    history = history_of([quiet])

    assert [one.kind for one in standing(history, float(history.end_s[-1]))] == ["calibration"]


def test_recordings_without_a_date_or_of_two_strings_are_refused_with_a_reason(
    charge: tuple[Session, Findings],
) -> None:
    with pytest.raises(InputError, match="time of day"):
        history_of([(replace(charge[0], start=None), charge[1])])
    fewer = replace(charge[0], volts_v=charge[0].volts_v[:, 1:], quality=charge[0].quality[:, 1:])
    with pytest.raises(InputError, match="not of one string"):
        history_of([dated(charge, 1), dated((fewer, charge[1]), 2)])
