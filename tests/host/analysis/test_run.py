"""The report as a whole on simulated strings, with and without current, and on sessions that hold next to nothing."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from evenstring.profile import PackProfile
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.session import Quality, Session
from evenstring.sim import DutyCycle, MeterModel, Pack, Protection, measure, simulate

FIXED = {
    "recording": {"groups", "scans", "duration_s", "frames_lost", "frames_damaged", "start", "has_current"},
    "limits": {"full_v", "ceiling_v", "empty_v", "discard_v"},
    "spread": {"start_mv", "end_mv", "max_mv", "max_at_s", "rest_mv", "uncertainty_mv"},
    "charge": {"ended", "cause_group", "lowest_group", "pack_v_end"},
    "balancing": {"state", "rate_mv_per_h", "remaining_s", "remaining_low_s", "remaining_high_s"},
    "verdict": {"action", "reasons"},
}


def report_of(pack: Pack, plan: DutyCycle, *, with_current: bool = True) -> dict:
    rng = np.random.default_rng(3)
    trajectory = simulate(pack, plan, step_s=2.0)
    session = measure(
        trajectory, MeterModel.random(rng, pack.groups), rng, scans_per_s=2.0, quiet_s=2.0, with_current=with_current
    )
    return report_json(gather_material(session, PackProfile(groups=pack.groups)))


def uneven(group: int, soc: float, groups: int = 16) -> Pack:
    pack = Pack.random(np.random.default_rng(4), groups=groups, soc=0.75)
    lag = np.zeros(groups)
    lag[group - 1] = soc
    return replace(pack, soc0=pack.soc0 + lag)


def kinds(report: dict) -> list[str]:
    return [p["kind"] for p in report["phases"]]


@pytest.mark.slow
@pytest.mark.parametrize("with_current", [True, False], ids=["current", "no current"])
def test_a_day_with_ride_rest_and_charge_is_told_in_order(with_current: bool) -> None:
    plan = (
        DutyCycle()
        .rest(minutes=8)
        .ride(minutes=15, seed=3)
        .rest(minutes=20)
        .charge(hours=9, leave_hours=0.3)
        .rest(minutes=15)
    )

    report = report_of(uneven(1, 0.0), plan, with_current=with_current)

    assert kinds(report) == ["rest", "ride", "rest", "charge_cc", "charge_cv", "rest"]
    assert report["charge"]["ended"] == "full"
    assert report["verdict"]["action"] in ("ride", "keep_charging")
    json.dumps(report, allow_nan=False)


def test_one_high_group_ends_a_charge_early_and_is_named() -> None:
    report = report_of(uneven(5, 0.09), DutyCycle().charge(hours=8).rest(minutes=10))

    assert report["charge"]["ended"] == "stopped_early"
    assert report["charge"]["cause_group"] == 5
    assert report["balancing"]["state"] == "not_reached"


def test_one_low_group_lets_the_light_come_on_and_is_named() -> None:
    pack = replace(uneven(7, -0.08), protection=Protection(ceiling_v=4.30))
    report = report_of(pack, DutyCycle().charge(hours=8, leave_hours=0.2).rest(minutes=10))

    assert report["charge"]["ended"] == "ended_uneven"
    assert report["charge"]["cause_group"] == 7
    assert report["charge"]["short_ah"] > 0.5


def test_stopped_before_constant_voltage_is_told_from_full() -> None:
    report = report_of(uneven(1, 0.0), DutyCycle().charge(hours=0.5).rest(minutes=10))

    assert report["charge"]["ended"] == "stopped_before_cv"


def test_all_groups_bleeding_alike_never_get_even() -> None:
    """With the threshold below them all the gap stays as it is: worked by hand."""
    pack = uneven(3, -0.02)
    pack = replace(pack, balancer=replace(pack.balancer, rule="threshold", threshold_v=4.10))

    report = report_of(pack, DutyCycle().charge(hours=7))

    assert report["balancing"]["state"] == "not_converging"
    assert report["balancing"]["remaining_s"] is None
    assert report["unknown"]["balancing.remaining_s"]["record_next"]


def test_fixed_keys_are_all_there_and_every_gap_says_why() -> None:
    report = report_of(uneven(1, 0.0), DutyCycle().rest(minutes=6))

    assert report["format"] == "evenstring-report/1"
    for table, keys in FIXED.items():
        assert keys <= set(report[table]), table
    assert report["charger"] is None
    assert {"charge", "charger", "balancing.remaining_s"} <= set(report["unknown"])
    for missing in report["unknown"].values():
        assert missing["why"]


@pytest.mark.parametrize("scans", [0, 1, 2, 7])
@pytest.mark.parametrize("known", [True, False])
def test_sessions_that_hold_next_to_nothing_still_make_a_report(scans: int, known: bool) -> None:
    volts = np.full((scans, 3), 3.7 if known else np.nan, np.float32)
    quality = np.full((scans, 3), Quality.OK if known else Quality.NO_READING, np.uint8)
    session = Session(np.arange(scans) * 1.0, volts, quality, np.zeros(scans, np.float32))

    report = report_json(gather_material(session, PackProfile(groups=3)))

    json.dumps(report, allow_nan=False)
    assert report["verdict"]["action"]


def test_ten_times_the_length_costs_about_ten_times() -> None:
    """Rows grow with the scans and nothing grows faster: counted in rows, not timed."""
    from evenstring.analysis.series.signals import make_signals  # noqa: PLC0415  # only this test looks inside

    def rows(n: int) -> int:
        volts = np.full((n, 4), 3.7, np.float32)
        return len(make_signals(Session(np.arange(n) * 0.1, volts, np.zeros((n, 4), np.uint8), np.zeros(n))).time_s)

    assert rows(20000) == 10 * rows(2000)
