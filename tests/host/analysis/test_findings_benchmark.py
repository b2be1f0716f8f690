"""The benchmark of the findings: a few sessions in every test run, thousands behind `make soak`.

The few have bounds that only a broken method misses; the soak run prints the table with its figures.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.findings_marks import collect, table


def share(marks: dict, what: str) -> float:
    return float(np.mean([v for values in marks[what].values() for v in values]))


def test_a_few_random_sessions_are_mostly_read_right() -> None:
    marks = collect(18, 500)

    assert share(marks, "phase boundary") >= 0.90
    assert share(marks, "how the charge ended") >= 0.85
    assert share(marks, "spread inside its 95 % interval") >= 0.90
    assert share(marks, "time to balanced within twice that") >= 0.5


@pytest.mark.soak
def test_thousands_of_random_sessions() -> None:
    marks = collect(3000, 200_000, workers=2)
    print("\n".join(table(marks)))

    assert share(marks, "phase boundary") >= 0.95
    assert share(marks, "spread inside its 95 % interval") >= 0.93
