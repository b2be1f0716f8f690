"""What one rest and the start of a charger tell without a current sensor. Strings worked out here by hand."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.causes.diagnosis import find_weakness
from evenstring.analysis.causes.evidence.relative_sag import resistance_by_charger
from evenstring.analysis.results import Phase, Weakness
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS, ODD = 12, 4
PACK = PackProfile(groups=GROUPS)
NOISE_V = 3e-4


def session(volts_v: np.ndarray, step_s: float) -> Session:
    """Of (n, GROUPS) V, with the noise of a meter."""
    noisy = volts_v + np.random.default_rng(8).normal(0.0, NOISE_V, volts_v.shape)
    n = len(noisy)
    return Session(np.arange(n) * step_s, noisy.astype(np.float32), np.zeros(noisy.shape, np.uint8), np.zeros(n, "f4"))


def at_rest(level_v: float, away_v: float) -> tuple[tuple[Weakness, ...], float]:
    """What is said of one rest with one odd group; and the slope of the curve there, V per 1.0 of SoC."""
    volts = np.full((400, GROUPS), level_v)
    volts[:, ODD] += away_v
    said, _ = find_weakness(session(volts, 2.0), PACK, (Phase("rest", 0.0, 798.0),))
    curve = default_curve(PACK.chemistry)
    return tuple(w for w in said if w.group == ODD + 1), float(curve.slope_v(curve.soc(level_v)))


def test_near_full_a_group_further_out_than_any_meter_holds_another_charge() -> None:
    """Likely, never sure: one voltage is one voltage. The size is the departure over the slope of the curve."""
    said, slope_v = at_rest(4.10, -0.035)

    assert [w.cause for w in said] == ["charge_offset"]
    assert said[0].size == pytest.approx(-100.0 * 0.035 / slope_v, rel=0.15)
    assert said[0].size_low < said[0].size < said[0].size_high
    assert 0.5 < said[0].confidence < 0.8


def test_what_a_meter_could_be_out_by_is_not_told_from_a_meter() -> None:
    said, _ = at_rest(4.10, -0.010)

    assert "charge_offset" not in [w.cause for w in said]


def test_half_empty_a_lack_of_charge_may_be_one_of_capacity() -> None:
    """Level at the top, a tenth less capacity lacks as much here as a wrong charge would."""
    said, _ = at_rest(3.72, -0.040)

    chances = dict(said[0].probabilities)
    assert chances["low_capacity"] > 0.25
    assert said[0].confidence < 0.7


def charger_starts(ratio: float, step_v: float = 0.05, step_s: float = 2.0) -> Session:
    volts = np.full((200, GROUPS), 3.80)
    volts[100:] += step_v
    volts[100:, ODD] += step_v * (ratio - 1.0)
    return session(volts, step_s)


def phases(of: Session) -> tuple[Phase, ...]:
    return Phase("rest", 0.0, float(of.time_s[99])), Phase("charge_cc", float(of.time_s[100]), float(of.time_s[-1]))


def test_a_charger_that_starts_tells_resistances_against_the_middle_one() -> None:
    started = charger_starts(2.5)

    found = resistance_by_charger(started, phases(started))

    assert found is not None
    ratio, u = found
    assert ratio[ODD] == pytest.approx(2.5, abs=0.05)
    assert np.abs(np.delete(ratio, ODD) - 1.0).max() < 3 * u.min()
    said, _ = find_weakness(started, PACK, phases(started))
    assert (said[0].group, said[0].cause) == (ODD + 1, "high_resistance")


@pytest.mark.parametrize("odd", [charger_starts(2.5, step_v=0.002), charger_starts(2.5, step_s=60.0)])
def test_a_step_that_is_too_small_or_seen_too_seldom_tells_nothing(odd: Session) -> None:
    assert resistance_by_charger(odd, phases(odd)) is None
