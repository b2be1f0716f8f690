"""The benchmark of the causes: a dozen sessions in every test run, thousands behind `make soak`."""

from __future__ import annotations

import os

import numpy as np
import pytest

from tests.benchmarks.weakness_marks import collect, mark
from tests.benchmarks.weakness_table import at_least, bins, table
from tests.worlds.fault_sessions import CAUSES, CLASSES, STORE


@pytest.mark.slow
def test_a_fault_of_full_size_is_told_from_one_of_half_the_size():
    full = [mark((900 + k, CLASSES[0], cause, 1.0)) for k, cause in enumerate(CAUSES)]
    half = [mark((910 + k, CLASSES[0], cause, 0.5)) for k, cause in enumerate(CAUSES)]

    assert all(m.right for m in full)
    assert sum(m.named for m in half) >= 2
    assert not any(m.wrong for m in full + half)


@pytest.mark.slow
def test_a_leak_between_two_rests_is_found_and_a_store_in_order_accuses_nobody():
    assert mark((920, STORE, "self_discharge", 1.0)).right
    assert not mark((921, STORE, "healthy", 0.0)).wrong


@pytest.mark.soak
def test_thousands_of_random_packs():
    """On all cores; the bars of the project by their one-sided 95 % binomial bounds."""
    marks = collect(1.0, 200_000, os.cpu_count() or 1)
    print("\n".join(table(marks)))

    def of(cause: str, share: float, kind: str = CLASSES[0]):
        return [m for m in marks if (m.kind, m.cause, m.share) == (kind, cause, share)]

    for cause in CAUSES:
        assert at_least([m.right for m in of(cause, 1.0)]) >= 0.95
        assert at_least([not m.wrong for m in of(cause, 0.5)]) >= 0.98
        assert at_least([m.named for m in of(cause, 0.5)]) >= 0.5
    assert at_least([m.right for m in of("self_discharge", 1.0, STORE)]) >= 0.95
    assert at_least([not m.wrong for m in of("healthy", 0.0)]) >= 0.99
    inside = [m.inside for m in marks if m.inside is not None]
    assert 0.85 <= np.mean(inside) <= 0.97
    reserve = [m.reserve for m in marks if m.reserve is not None]
    assert np.quantile([abs(r[0]) for r in reserve], 0.9) < 0.04
    assert 0.85 <= np.mean([r[1] for r in reserve]) <= 0.97
    for _, _, n, stated, true in bins(marks, 0.5):
        assert n < 30 or true >= stated - 0.05
