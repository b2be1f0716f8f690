"""Spread: what a claim says, which scans may support it, and that its interval holds the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.readings.shared_leads import widened
from evenstring.analysis.results import Phase, SharedLeads, Spread, SpreadClaim
from evenstring.analysis.run import analyse
from evenstring.analysis.series.signals import trusted_scans
from evenstring.analysis.series.uncertainty import spread_interval
from evenstring.profile import PackProfile
from evenstring.session import Meter, Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate


def still(departures_v: np.ndarray, n: int = 60, *, meter: Meter | None = None) -> Session:
    volts = (3.7 + np.tile(departures_v, (n, 1))).astype(np.float32)
    meter = meter or Meter(noise_v=1e-5, channel_u_v=1e-5, gain_u=0.001)
    return Session(np.arange(n) * 1.0, volts, np.zeros(volts.shape, np.uint8), np.zeros(n, np.float32), meter=meter)


def test_an_exact_meter_gives_the_plain_difference() -> None:
    spread = analyse(still(np.array([0.0, 0.004, -0.010, 0.001])), PackProfile(groups=4)).spread

    assert abs(spread.end_mv - 14.0) < 0.1
    assert spread.uncertainty_mv < 0.2


def test_a_scan_in_which_the_string_moved_supports_no_spread() -> None:
    session = still(np.zeros(4))
    moved = np.zeros(session.volts_v.shape, np.float32)
    moved[10:20] = 0.030
    session = Session(
        **{f: getattr(session, f) for f in ("time_s", "volts_v", "quality", "span_s", "meter")}, out_back_v=moved
    )

    trusted = trusted_scans(session)

    assert not trusted[10:20].any()
    assert trusted[:10].all()
    assert analyse(session, PackProfile(groups=4)).spread.scans_skewed == 10


def coverage(true_sd_v: float, outlier_v: float, packs: int = 300) -> tuple[float, float]:
    """Share of intervals that hold the true spread, and their median width, at 1.7 mV of offset (sd) and 24 groups."""
    rng = np.random.default_rng(5)
    hit, width = 0, []
    for _ in range(packs):
        true = true_sd_v * rng.standard_normal(24)
        true[0] += outlier_v
        _, low, high = spread_interval(true + rng.uniform(-0.003, 0.003, 24), 0.003 / np.sqrt(3))
        hit += low <= np.ptp(true) <= high
        width.append(high - low)
    return hit / packs, float(np.median(width))


@pytest.mark.slow
def test_intervals_hold_the_true_spread_of_even_middling_and_uneven_strings() -> None:
    for true_sd_v, outlier_v in ((0.0005, 0.0), (0.003, 0.0), (0.010, 0.0), (0.001, -0.040)):
        share, width_v = coverage(true_sd_v, outlier_v)

        assert share >= 0.90, (true_sd_v, outlier_v, share)
        assert width_v < 0.016


def test_an_even_string_with_offsets_is_not_called_uneven() -> None:
    rng = np.random.default_rng(6)
    best, low, _ = spread_interval(rng.uniform(-0.003, 0.003, 24), 0.003 / np.sqrt(3))

    assert low < 0.002
    assert best < 0.004


def test_leads_shared_with_the_balancer_widen_only_claims_made_while_bleeders_may_be_on() -> None:
    """Two drops of 6 mV between two groups, by Ohm's law along the leads: 12 mV either way."""
    shared = SharedLeads(6.0, 4, 40.0, True, (), (), (), "")
    phases = (Phase("rest", 0.0, 100.0), Phase("charge_cv", 100.0, 900.0), Phase("rest", 900.0, 1000.0))
    claims = tuple(SpreadClaim(w, at, 20.0, 20.0, 15.0, 25.0, 20) for w, at in (("start", 50.0), ("end", 950.0)))
    spread = Spread(20.0, 20.0, 20.0, 50.0, None, None, 5.0, 9, 0, (), claims)

    before, after = widened(spread, shared, phases).claims

    assert (before.low_mv, before.high_mv) == (15.0, 25.0)
    assert (after.low_mv, after.high_mv) == (3.0, 37.0)


def test_a_ride_gives_a_spread_under_load_of_the_scan_that_drew_the_level_lowest() -> None:
    """Groups 2 mohm apart at 30 A: 60 mV, by Ohm's law."""
    pack = Pack.even(8, soc=0.7, r0_ohm=0.004)
    pack = replace(pack, joint_ohm=np.array([0.002, *[0.0] * 7]))
    plan = DutyCycle().rest(minutes=6).load(np.full(600, -30.0), step_s=1.0).rest(minutes=6)
    meter = MeterModel(noise_v=1e-4, stated=Meter(noise_v=1e-4, channel_u_v=1e-4, gain_u=1e-4))
    session = measure(simulate(pack, plan, step_s=1.0), meter, np.random.default_rng(1))

    (claim,) = [c for c in analyse(session, PackProfile(groups=8)).spread.claims if c.where == "load"]

    assert abs(claim.best_mv - 60.0) < 1.0
    assert claim.low_mv <= 60.0 <= claim.high_mv
