"""What bounds a size beside its fit: what a group can have lost at most, and how late a resistance was read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.causes.diagnosis import judge
from evenstring.analysis.causes.evidence.estimates import gather
from evenstring.analysis.causes.hypotheses import no_more_than
from scipy.stats import truncnorm

from tests.worlds.fault_sessions import make_case


@pytest.mark.parametrize(("most", "size", "u"), [(26.8, 37.4, 0.34), (20.0, 15.0, 0.34), (30.0, 15.0, 0.6)])
def test_what_a_group_was_charged_with_fits_into_it(most: float, size: float, u: float) -> None:
    """Quantiles of a normal distribution cut off at the most that can be, against `scipy.stats.truncnorm`.

    Of a published cell 37 % of its capacity was said to be missing, of a group that had taken in 77 %.
    """
    whole = size * np.exp(-1.645 * u), size * np.exp(1.645 * u)
    cut = truncnorm(-np.inf, np.log(most / size) / u, loc=np.log(size), scale=u)

    found = no_more_than(most, size, *whole)

    assert found == pytest.approx(np.exp(cut.ppf([0.5, 0.05, 0.95])), rel=1e-3)
    assert found[1] < found[0] < found[2] <= most


def test_a_size_that_is_well_below_what_can_be_stays() -> None:
    assert no_more_than(80.0, 12.0, 8.0, 18.0) == (12.0, 8.0, 18.0)
    assert no_more_than(20.0, 3.0, -2.0, 40.0) == (3.0, -2.0, 40.0)


def test_where_nothing_would_be_left_a_label_or_a_sensor_is_off_and_the_size_stays() -> None:
    assert no_more_than(1.0, 4300.0, 2500.0, 7500.0) == (4300.0, 2500.0, 7500.0)


@pytest.mark.parametrize(("every", "late"), [(1, False), (10, True)], ids=["each second", "ten seconds"])
def test_a_resistance_that_is_read_late_is_of_an_unsure_scale(every: int, late: bool) -> None:
    """R after 30 s is 1.6 to 2.3 times R after 1 s (from memory, published pulses): an ohm is a smaller share of it."""
    session = make_case(75, "both", "high_resistance", 1.0).session
    rows = np.arange(0, session.scans, every * max(1, round(1.0 / float(np.median(np.diff(session.time_s))))))
    taken = {name: getattr(session, name)[rows] for name in ("time_s", "volts_v", "quality", "span_s", "current_a")}
    optional = ("out_back_v", "current_out_a", "current_back_a", "pack_v", "temps_c", "folded")
    thinned = replace(session, **taken, **dict.fromkeys(optional))

    evidence = gather(thinned, make_case(75, "both", "high_resistance", 1.0).profile)
    assert evidence is not None
    (found,) = (w for w in judge(evidence) if w.cause in ("high_resistance", "connection"))
    (sooner,) = (w for w in judge(replace(evidence, late=False)) if w.group == found.group)

    assert evidence.late is late
    assert (found.size_high > 1.3 * sooner.size_high) is late
