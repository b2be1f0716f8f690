"""Causes and reserve on packs whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.analysis.causes import diagnosis
from evenstring.analysis.causes.diagnosis import find_weakness, judge
from evenstring.analysis.causes.evidence.estimates import Evidence, gather
from evenstring.analysis.causes.hypotheses import EFFECT, PREVALENCE, SCATTER
from evenstring.analysis.causes.meter_patterns import without_meter_patterns
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.results import Weakness
from evenstring.analysis.riding.reserve import find_reserve
from evenstring.analysis.series.resistance import group_resistance

from tests.worlds.fault_sessions import CAUSES, Case, make_case
from tests.worlds.fault_truth import true_reserve


@cache
def made(cause: str, kind: str = "ride and charge", number: int = 11, share: float = 2.0) -> Case:
    return make_case(number, kind, cause, share)


def named(case: Case) -> tuple[Weakness, ...]:
    return find_weakness(case.session, case.profile, ())[0]


@pytest.mark.parametrize("cause", CAUSES)
def test_a_clear_fault_is_named_with_its_size(cause):
    case = made(cause)

    first = named(case)[0]

    truth = float(case.truth[case.group - 1, CAUSES.index(cause)])
    truth = -truth if cause == "low_capacity" else truth
    assert (first.group, first.cause) == (case.group, cause)
    assert first.confidence > 0.8
    assert first.size == pytest.approx(truth, rel=0.15)
    assert first.size_low <= first.size <= first.size_high


def test_a_healthy_pack_accuses_nobody():
    assert not [w for w in named(made("healthy")) if w.confidence >= 0.8]


@pytest.mark.parametrize("shape", ["linear", "bowed", "folded"])
def test_a_temperature_gradient_is_no_weak_group(shape):
    assert not [w for w in named(made("healthy", kind=shape)) if w.confidence >= 0.8]


def test_a_single_rest_never_tells_charge_from_meter_with_confidence():
    case = made("charge_offset", kind="single rest")

    found, unknown = find_weakness(case.session, case.profile, ())

    assert not [w for w in found if w.confidence >= 0.8 and w.cause in ("low_capacity", "high_resistance")]
    assert unknown is not None
    assert unknown.record_next


def test_resistance_is_each_groups_own_although_the_scan_takes_time():
    """True ratios from the simulator; a mean over a scan would make a gradient along the string."""
    case = made("healthy")

    ratio = group_resistance(case.session)[0]
    ratio = ratio / np.median(ratio)

    true = 1.0 + case.truth[:, 3] / 100.0
    assert np.abs(ratio - true).max() < 0.01


def test_reserve_is_within_four_points_of_the_truth():
    case = made("low_capacity")
    reserve, unknown = find_reserve(case.session, case.profile, find_phases(case.session, case.profile))

    assert unknown is None
    assert reserve.group == case.group
    assert abs(reserve.lowest_soc_at_full_load - true_reserve(case, reserve.empty_at_current_a)) < 0.04
    assert reserve.soc_low <= reserve.lowest_soc_at_full_load <= reserve.soc_high
    assert reserve.loaded_pack_v < reserve.resting_pack_v < reserve.resting_pack_v_by_display


def test_without_a_ride_there_is_no_reserve_and_the_reader_is_told_why():
    case = made("healthy", kind="single rest")

    reserve, unknown = find_reserve(case.session, case.profile, find_phases(case.session, case.profile))

    assert reserve is None
    assert unknown.record_next


def evidence(size: np.ndarray, u: tuple[float, ...] = (0.4, 0.1, 0.3, 0.5)) -> Evidence:
    covariance = np.repeat(np.diag(np.square(u))[None], len(size), axis=0)
    return Evidence(size, covariance, np.full(len(size), np.nan), 0.5, True, 0.9)


def test_an_odd_even_comb_of_the_meter_accuses_no_group():
    size = np.random.default_rng(5).standard_normal((20, 4)) * (0.5, 0.2, 0.5, 2.0)
    size[:, 0] += np.where(np.arange(20) % 2 == 0, 6.0, -6.0)

    cleaned, _ = without_meter_patterns(evidence(size), SCATTER, EFFECT, PREVALENCE)
    assert not [w for w in judge(cleaned) if w.confidence >= 0.8]


def test_two_causes_that_fit_alike_are_not_told_apart():
    """8 mV at one single voltage, where a per cent of charge makes 4 mV: the confidence is shared between the two."""
    size = np.zeros((20, 4))
    size[7, :2] = -4.0, -1.0
    found = evidence(size, (40.0, 10.0, 30.0, 30.0))
    covariance = found.covariance.copy()
    covariance[:, 0, 1] = covariance[:, 1, 0] = -0.9999 * 40.0 * 10.0

    assert not [w for w in judge(replace(found, covariance=covariance)) if w.confidence >= 0.8]


def test_more_charge_is_never_said_of_a_group_that_stands_lower_at_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """On cells whose curve is another's, the fit once gave a group that stood 65 mV lower 9.7 % more charge."""
    case = made("charge_offset")
    phases = find_phases(case.session, case.profile)
    said = next(w for w in find_weakness(case.session, case.profile, phases)[0] if w.group == case.group)
    wrong = replace(said, size=-said.size, size_low=-said.size_high, size_high=-said.size_low)
    monkeypatch.setattr(diagnosis, "_judged", lambda *_: (wrong,))

    (found,) = find_weakness(case.session, case.profile, phases)[0]

    assert (said.cause, found.cause) == ("charge_offset", "charge_offset")
    assert found.size * said.size > 0
    assert found.confidence <= 0.75
    assert "contradicts its voltage at rest" in found.detail
    assert "by how far it stands off at rest" in found.detail


@pytest.mark.parametrize(("cause", "kept"), [("meter_offset", False), ("high_resistance", True)])
def test_no_resistance_is_said_of_a_group_that_stands_as_far_off_at_rest(
    cause: str, kept: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A published cell's meter was 17 mV off, no meter's usual offset, so "39 % more resistance" was said at 0.99."""
    case = make_case(14, "charge", cause, 3.0)
    phases = find_phases(case.session, case.profile)
    evidence = replace(gather(case.session, case.profile), has_steps=False)
    monkeypatch.setattr(diagnosis, "gather", lambda *_: evidence)
    wrong = Weakness(case.group, "high_resistance", 39.0, "%", 0.99, 25.0, 53.0, 1.0, "", ())
    monkeypatch.setattr(diagnosis, "_judged", lambda *_: (wrong,))

    (found,) = find_weakness(case.session, case.profile, phases)[0]

    assert (found.cause == "high_resistance") is kept
    assert kept or "as far off at rest" in found.detail
