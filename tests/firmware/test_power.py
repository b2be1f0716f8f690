"""What the board draws, and when it may sleep."""

from __future__ import annotations

import json

import pytest

from tests.firmware.run import run
from tests.firmware.test_app import CASES
from tests.mp import Unix64


@pytest.fixture
def case():
    def go(script: str) -> list:
        return json.loads(run(Unix64(), CASES + "from evenboard import power\n" + script)[-1])["out"]

    return go


def test_mean_draw_is_the_weighted_mean_of_the_states(case):
    """By hand: 310 ms of 10 s at 25 + (9 + 0.6 + 10)/0.75 = 51.1 mA, the rest asleep at 1.5 mA, island off: 3 mA."""
    asleep, awake, island = case(
        "show(out=[power.mean_ua(310, 10000, True, True), power.mean_ua(310, 10000, False, True),"
        " power.mean_ua(310, 10000, True, False)])"
    )

    assert asleep == pytest.approx(1500 + 0.031 * (51133 - 1500), rel=0.02)
    assert awake == pytest.approx(25000 + 0.031 * (51133 - 25000), rel=0.02)
    assert island == pytest.approx(asleep + 12800, rel=0.05)


@pytest.mark.parametrize(
    ("change", "ms"),
    [("", 4000), ("wait=1500", 1500), ("allowed=False", 0), ("heard=True", 0), ("sounding=True", 0), ("wait=10", 0),
     ("state=wire.STATE_FAULT", 0)],
)  # fmt: skip
def test_it_sleeps_only_unheard_unalarmed_and_for_less_than_the_watchdog(case, change, ms):
    got = case(
        "how = dict(wait=9000, allowed=True, state=wire.STATE_SCANNING, heard=False, sounding=False)\n"
        f"how.update(dict({change}))\n"
        "show(out=[power.sleep_ms(how['wait'], how['allowed'], how['state'], how['heard'], how['sounding'])])"
    )

    assert got == [ms]
