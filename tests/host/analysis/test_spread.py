"""Spread: what a claim says, which scans may support it, and that its interval holds the truth."""

from __future__ import annotations

import numpy as np
from evenstring.analysis.findings import analyse
from evenstring.analysis.spread import trusted_scans
from evenstring.analysis.uncertainty import spread_interval
from evenstring.profile import PackProfile
from evenstring.session import Meter, Session


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
