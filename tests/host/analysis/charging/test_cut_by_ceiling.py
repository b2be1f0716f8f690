"""A charge that a group at its ceiling cut, as far as it was read; levels are made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from evenstring.analysis.run import analyse
from evenstring.profile import PackProfile

from tests.host.analysis.charging.test_ends_of_others import PACK, climb, recorded


def cut_at(peak_v: float, rate_v_s: float, profile: PackProfile = PACK) -> str:
    """How a charge ended, at 1 Hz, that was cut while one group rose that quickly and read so much."""
    rise = climb(600, 4.10, 1.0, 0.2)
    current = np.concatenate([np.zeros(120), np.full(len(rise), 6.0), np.zeros(600)])
    session = recorded(np.concatenate([np.full(120, 3.9), rise, np.full(600, 4.08)]), 1.0, current)
    seconds = np.arange(session.scans) - (120 + len(rise) - 1)
    climbing = np.maximum(peak_v + rate_v_s * seconds, session.volts_v[:, 4])
    session.volts_v[:, 4] = np.where(seconds <= 0, climbing, 4.12)
    return analyse(session, profile).charge.ended


def test_a_charger_that_goes_in_the_moment_in_which_a_group_would_have_met_its_ceiling_was_stopped_by_it() -> None:
    """2 mV/s and 25 mV to go: boards cut by their own reading. A slow group 25 mV below has minutes to go."""
    assert cut_at(4.225, 0.002) == "stopped_early"
    assert cut_at(4.225, 0.0002) == "stopped_before_cv"


def test_a_group_alone_above_full_may_have_been_enough_for_a_board_whose_ceiling_nobody_gave() -> None:
    """Of a published cell: a joint took one group to 4.23 V, its board cut there, and 4.25 V was assumed."""
    assumed = replace(PACK, defaults=(*PACK.defaults, "limits.ceiling_v"))

    assert cut_at(4.225, 0.0002, assumed) == "cannot_tell"
    assert cut_at(4.15, 0.0002, assumed) == "stopped_before_cv"
