"""The benchmark of the findings: a few sessions in every test run, thousands behind `make soak`.

The few have bounds that only a broken method misses; the soak run prints the table with its figures and holds the
shares against the bars by their one-sided 95 % binomial bound.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from scipy.stats import binomtest

from tests.benchmarks.findings_marks import collect
from tests.benchmarks.findings_table import Collected, table


def share(marks: Collected, what: str) -> float:
    return float(np.mean([v for values in marks[what].values() for v in values]))


def at_least(marks: Collected, what: str, group: str) -> float:
    values = np.array(marks[what][group])
    return float(binomtest(round(values.sum()), len(values), alternative="greater").proportion_ci(0.95).low)


@pytest.mark.slow
@pytest.mark.usefixtures("no_forecast")
def test_a_few_random_sessions_are_mostly_read_right() -> None:
    marks, done = collect(22, 500)

    assert done == 22
    assert share(marks, "phase boundary") >= 0.90
    assert share(marks, "how the charge ended") >= 0.85
    assert share(marks, "spread inside its 95 % interval, one claim a session") >= 0.85


@pytest.mark.soak
def test_thousands_of_random_sessions() -> None:
    """On all cores; most of it is for the time to balanced. Numbers that no tuning has seen."""
    marks, _ = collect(3000, 900_000, processes=os.cpu_count() or 1)
    print("\n".join(table(marks)))

    for sensor in ("current", "no current"):
        assert at_least(marks, "phase boundary", sensor) >= 0.98
        assert at_least(marks, "phase boundary", f"iron phosphate, {sensor}") >= 0.95
        assert at_least(marks, "phases all there, none invented", f"iron phosphate, {sensor}") >= 0.93
    for size in ("0 to 5 mV", "5 to 20 mV", "over 20 mV"):
        assert at_least(marks, "spread inside its 95 % interval, one claim a session", size) >= 0.93
    assert at_least(marks, "how the charge ended", "current") >= 0.97
    assert at_least(marks, "how the charge ended", "no current") >= 0.97
    for band in ("20 min to 3 h", "3 to 8 h", "8 to 24 h"):
        assert at_least(marks, "time to balanced within max(15 %, 3 mV)", band) >= 0.50
        assert np.mean(marks["time to balanced within twice that"][band]) >= 0.90
        assert np.mean(marks["time to balanced inside its 90 % interval"][band]) >= 0.85
