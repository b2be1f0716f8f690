"""The ageing model against an independent implementation of the same paper.

Figures: class Nmc111_Gr_Sanyo2Ah_Battery of blast-lite 1.1.1 (package index; its model file says that it replicates
Schmalstieg et al., J. Power Sources 257, 2014, 325), its rates at the stressors below times its own powers of time and
charge. That library wants numpy below 2, so it was run apart and its figures stand here.
"""

from __future__ import annotations

import pytest
from evenstring.plan.ageing import capacity_lost, lost_by_cycles, lost_by_time


@pytest.mark.parametrize(
    ("volts_v", "days", "temp_c", "lost"),
    [
        (4.162, 365.0, 35.0, 0.09404561586634841),
        (3.9649000729695265, 365.0, 35.0, 0.0757540713070169),
        (3.69741707182681, 400.0, 50.0, 0.15601769749112138),
        (4.073017819144009, 730.0, 40.0, 0.2070992542073748),
    ],
)
def test_what_time_takes(volts_v: float, days: float, temp_c: float, lost: float) -> None:
    assert lost_by_time(volts_v, days, temp_c) == pytest.approx(lost, rel=1e-9)


@pytest.mark.parametrize(
    ("root_mean_square_v", "depth", "days", "lost"),
    [
        (3.8215410677140325, 0.8, 365.0, 0.14883501709208394),
        (3.7345706589765575, 0.6, 365.0, 0.0994922645397745),
        (3.9198982887602867, 0.3, 730.0, 0.07531419889321482),
    ],
)
def test_what_cycles_take(root_mean_square_v: float, depth: float, days: float, lost: float) -> None:
    """One cycle a day of a cell of 2.15 Ah, which that library takes."""
    assert lost_by_cycles(root_mean_square_v, depth, 2.0 * 2.15 * depth * days) == pytest.approx(lost, rel=1e-9)


def test_a_day_is_what_time_and_one_cycle_take() -> None:
    rested = capacity_lost("nmc", 1.0, 0.0, 365.0, 35.0)

    assert 0.0 < rested < capacity_lost("nmc", 1.0, 0.8, 365.0, 35.0) < rested + 0.2
