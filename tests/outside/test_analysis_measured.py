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
    "cell-discharge-bitrode-2c": (
        "nmc",
        33.1,
        60.0,
        [
            (3563, 10342, 11247),
            (15411, 22190, 23115),
            (27277, 34056, 34962),
            (39123, 45842, 46812),
            (50972, 57691, 58644),
        ],
    ),
    "cell-discharge-bitrode-3c": (
        "nmc",
        33.1,
        60.0,
        [
            (4123, 10602, 11485),
            (16212, 22691, 23578),
            (28298, 34718, 35643),
            (40363, 46782, 47688),
            (52403, 58762, 59734),
        ],
    ),
    "cell-low-current-hppc-40c": ("nmc", 33.1, 60.0, [(4100, 15079, 15805)]),
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


# After a discharge of 2C or 3C the voltage climbs by itself for an hour; with no current known that is called charging
# today: `python -m tests.benchmarks.measured_marks` counts it.
FAST = ("cell-discharge-bitrode-2c", "cell-discharge-bitrode-3c")
BOTH = [(name, known) for name in TRUTH for known in (True, False) if known or name not in FAST]


@pytest.mark.parametrize(("name", "with_current"), BOTH)
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
