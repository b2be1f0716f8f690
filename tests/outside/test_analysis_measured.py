"""Measured charges that nobody here made: phase boundaries within one sample with current, within two without.

Sources and licences: tests/data/measured/README.md. The truth was read from the current column by rule: start is the
first sample with charge current, end of constant current the last sample at 99 % of the set current, end the last
sample with charge current.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from evenstring.analysis.charging.charge_end import charge_spans
from evenstring.analysis.phases.segment import find_phases
from evenstring.profile import PackProfile
from evenstring.session import Session

DATA = Path(__file__).parents[1] / "data" / "measured"

# name: (chemistry, capacity, sample interval in the charges, [(start, last at constant current, end)])
TRUTH = {
    "cell-discharge-bitrode-1c": (
        "nmc",
        33.1,
        60.0,
        [
            (1801, 8640, 9485),
            (15455, 22294, 23246),
            (29217, 36056, 36957),
            (42923, 49762, 50679),
            (56644, 63483, 64428),
        ],
    ),
    "cell-low-current-hppc-25c": ("nmc", 33.1, 60.0, [(1, 10500, 11845)]),
    "cell-low-current-hppc-10c": ("nmc", 33.1, 60.0, [(3952, 14271, 16862)]),
    "lfp-cccv": ("lfp", 1.1, 5.0, [(5, 520, 1200), (3608, 4133, 4808)]),
}


def load(name: str, *, with_current: bool) -> tuple[Session, float]:
    table = np.loadtxt(DATA / f"{name}.csv", delimiter=",", skiprows=1)
    volts = table[:, 1:2].astype(np.float32)
    session = Session(
        time_s=table[:, 0] - table[0, 0],
        volts_v=volts,
        quality=np.zeros(volts.shape, np.uint8),
        span_s=np.zeros(len(volts), np.float32),
        current_a=table[:, 2].astype(np.float32) if with_current else None,
    )
    return session, float(table[0, 0])


@pytest.mark.parametrize("name", TRUTH)
@pytest.mark.parametrize("with_current", [True, False], ids=["current", "withheld"])
def test_boundaries_of_measured_charges(name: str, with_current: bool) -> None:
    chemistry, capacity_ah, sample_s, truth = TRUTH[name]
    session, first_s = load(name, with_current=with_current)
    profile = PackProfile(groups=1, capacity_ah=capacity_ah, chemistry=chemistry)

    spans = charge_spans(find_phases(session, profile))
    whole = [
        (s[0].start_s + first_s, s[-1].start_s + first_s, s[-1].end_s + first_s)
        for s in spans
        if s[-1].kind == "charge_cv" and len(s) == 2
    ]
    allowed_s = sample_s * (1 if with_current else 2) + 1.0  # truth is rounded to a second

    for start, turn, end in truth:
        near = [w for w in whole if abs(w[0] - start) <= allowed_s]
        assert near, f"no charge found near {start} s; found {whole}"
        assert abs(near[0][1] - turn) <= allowed_s
        assert abs(near[0][2] - end) <= allowed_s
    if not with_current:
        assert len(whole) == len(truth)
