"""Charge that brings each group level, against what the simulated cells are short of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.run import analyse
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

pytestmark = pytest.mark.usefixtures("no_forecast")


@pytest.mark.parametrize("seed", [31, 32, 33, 34])
def test_iron_phosphate_is_read_along_its_bent_curve_not_along_a_straight_line(seed):
    """An hour after a charge most groups are on the knee, the low one on the plateau: the slope changes tenfold."""
    rng = np.random.default_rng(seed)
    pack = Pack.random(rng, groups=16, soc=0.92, chemistry="lfp")
    pack = replace(pack, soc0=pack.soc0 - 0.03 * (np.arange(16) == 6))
    truth = simulate(pack, DutyCycle().rest(minutes=10).charge(hours=1.5).rest(minutes=60), step_s=5.0)
    session = measure(truth, MeterModel.random(rng, 16), rng, quiet_s=10.0)
    profile = PackProfile(groups=16, chemistry="lfp", **CHEMISTRIES["lfp"].limits)

    repair = analyse(session, profile).repair

    soc = truth.soc[-1]
    short_ah = (np.median(soc) - soc) * pack.capacity_ah
    add_ah = np.array([r.add_ah for r in repair])
    off_ah = np.abs(add_ah - short_ah)
    assert off_ah.max() < 0.15
    assert all(r.low_ah - 0.01 <= s <= r.high_ah + 0.01 for r, s in zip(repair, short_ah, strict=True))
    curve = default_curve("lfp")
    level = float(np.median(session.volts_v[-60:].mean(axis=0)))
    straight_ah = (level - session.volts_v[-60:].mean(axis=0)) / curve.slope_v(curve.soc(level)) * 20.0
    assert abs(straight_ah[6] - short_ah[6]) > 3 * off_ah[6]
