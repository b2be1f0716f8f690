"""What a model leaves over widens what it claims: the two halves of a charge must agree on an offset of the meter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.causes.diagnosis import judge
from evenstring.analysis.causes.evidence import estimates
from evenstring.analysis.causes.evidence.estimates import METER, Evidence, gather

from tests.worlds.fault_sessions import Case, make_case


def charge_alone(seed: int) -> Case:
    return make_case(seed, "charge", "meter_offset", 1.3)


def uncertainty_mv(case: Case) -> np.ndarray:
    evidence = gather(case.session, case.profile)
    assert evidence is not None
    return np.sqrt(evidence.covariance[:, METER, METER])


def test_a_departure_that_is_no_offset_in_one_half_is_less_sure_to_be_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """8 mV that grow with the charge and belong to no driver: switched off, the fit is as sure as of a true offset."""
    case = charge_alone(71)
    bent = case.session.volts_v.copy()
    part = np.linspace(-1.0, 1.0, len(bent))
    bent[:, 3] += (0.008 * part**3).astype(np.float32)
    odd = Case(**{**{f: getattr(case, f) for f in case.__dataclass_fields__}, "session": _with(case, bent)})

    mended = uncertainty_mv(odd)[3]
    monkeypatch.setattr(estimates, "_disagreement", lambda rows: np.zeros((rows.departure_v.shape[1], 4, 4)))
    before = uncertainty_mv(odd)[3]

    assert mended > 1.5 * before


def test_a_true_offset_costs_hardly_more(monkeypatch: pytest.MonkeyPatch) -> None:
    case = charge_alone(72)
    mended = np.median(uncertainty_mv(case))
    monkeypatch.setattr(estimates, "_disagreement", lambda rows: np.zeros((rows.departure_v.shape[1], 4, 4)))

    assert mended < 1.2 * np.median(uncertainty_mv(case))


def test_no_offset_is_said_that_is_larger_than_all_that_was_seen() -> None:
    case = make_case(75, "charge", "meter_offset", 1.0)
    evidence = gather(case.session, case.profile)
    assert evidence is not None
    assert evidence.seen_mv is not None

    said = [w.group for w in judge(evidence, *evidence.doubted) if w.cause == "meter_offset"]
    looks = [replace(e, seen_mv=0.4 * evidence.seen_mv) for e in (evidence, *evidence.doubted)]

    assert said
    assert not [w for w in judge(*looks) if w.cause == "meter_offset"]


def _with(case: Case, volts_v: np.ndarray) -> object:
    return replace(case.session, volts_v=volts_v)


def test_where_every_look_wants_a_meter_that_no_meter_is_the_cell_is_blamed() -> None:
    """40 mV of offset or 5 % of charge, the meter slightly ahead: as no meter is 40 mV out, it is the charge."""
    groups = 12
    like = np.array([8.0, -1.0, 0.0, 0.0])  # mV that a per cent of charge would stand for
    covariance = np.repeat((4.0 * np.outer(like, like) + np.diag([1.0, 0.02, 0.2, 1.0]))[None], groups, axis=0)
    size = np.zeros((groups, 4))
    size[5] = -38.0, -0.2, 0.0, 0.0
    look = Evidence(size, covariance, np.full(groups, np.nan), 0.3, has_steps=False, soc0=0.8)

    said = [w for w in judge(look, look, look) if w.group == 6]

    assert [w.cause for w in said] == ["charge_offset"]
    assert said[0].size == pytest.approx(-4.9, abs=1.5)


def test_what_only_a_meter_explains_however_absurd_stays_undecided() -> None:
    size = np.zeros((12, 4))
    size[5, METER] = 900.0
    covariance = np.repeat(np.diag([0.1, 0.01, 0.01, 0.1])[None], 12, axis=0)
    look = Evidence(size, covariance, np.full(12, np.nan), 0.3, has_steps=True, soc0=0.8)

    assert [w.cause for w in judge(look, look, look) if w.group == 6] == ["cannot_tell"]


def test_halves_that_disagree_do_not_widen_the_looks_that_doubt_already() -> None:
    case = charge_alone(71)
    rows = estimates.make_rows(case.session, case.profile)
    assert rows is not None
    apart = np.repeat(np.diag([400.0, 9.0, 25.0, 25.0])[None], case.session.groups, axis=0)

    plain, doubting = (
        [estimates._look(rows, None, a, case.session.groups, whole).covariance for a in (None, apart)]
        for whole in (0.0, 1.5)
    )

    assert np.allclose(plain[1] - plain[0], apart)
    assert np.array_equal(*doubting)
