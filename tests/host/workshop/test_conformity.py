"""Decisions on a limit, held to JCGM 106:2012, to scipy, and to what the rule says of simulated measurements."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from evenstring.workshop.acceptance.conformity import (
    Limit,
    Measured,
    Prior,
    Side,
    decide,
    global_risks,
    normal_cdf,
    probability_within,
    risk_of,
)
from scipy import integrate, stats

N = 10_000
FIVE_SIGMA = 5.0  # of a share's sampling error: one of a million runs would be outside, were they not seeded


def same(value: float, u: float) -> Measured:
    return Measured(value, u, u)


def test_an_upper_limit_as_in_the_standards_example_of_a_breakdown_voltage() -> None:
    """JCGM 106:2012, clause 7, example, from memory: a Zener diode, -5.47 V with u = 0.05 V, limit -5.40 V: 92 %."""
    within = probability_within(same(-5.47, 0.05), Limit(-5.40, "most", 0.0))

    assert within == pytest.approx(0.92, abs=0.005)


def test_a_lower_limit_as_in_the_standards_example_of_a_burst_strength() -> None:
    """JCGM 106:2012, clause 7, example, from memory: a metal container, 509.7 kPa with u = 8.6 kPa, limit 490: 99 %."""
    within = probability_within(same(509.7, 8.6), Limit(490.0, "least", 0.0))

    assert within == pytest.approx(0.99, abs=0.005)


def test_a_guard_band_of_two_leaves_as_much_as_published() -> None:
    """With a guard band of twice the standard uncertainty at most 2.3 % of what passes is beyond (ILAC-G8:09/2019)."""
    edge = same(10.0 - 2.0 * 0.5, 0.5)
    limit = Limit(10.0, "most", 2.0)

    assert decide(edge, limit) == "pass"
    assert risk_of("pass", probability_within(edge, limit)) == pytest.approx(0.023, abs=0.0005)


@pytest.mark.parametrize("z", [-6.0, -1.645, 0.0, 0.3, 4.0])
def test_the_normal_distribution_is_scipys(z: float) -> None:
    assert normal_cdf(z) == pytest.approx(stats.norm.cdf(z), rel=1e-12)


@pytest.mark.parametrize(("side", "away_u", "band"), list(
    product(("most", "least"), (-3, -1.645, -0.5, 0, 0.5, 1.645, 3), (0.0, 1.645, 2.0))
))  # fmt: skip
def test_shares_of_wrong_decisions_are_what_the_rule_computes(side: Side, away_u: float, band: float) -> None:
    """10,000 measurements of an item `away_u` standard uncertainties beyond its limit (JCGM 106:2012, 8.3)."""
    limit, u = Limit(30.0, side, band), 2.5
    beyond = away_u if side == "most" else -away_u
    values = np.random.default_rng(106).normal(limit.bound + beyond * u, u, N)
    decisions = [decide(same(float(v), u), limit) for v in values]

    expected = {"pass": stats.norm.cdf(-away_u - band), "fail": stats.norm.cdf(away_u - band)}
    for decision, share in expected.items():
        seen = decisions.count(decision) / N  # type: ignore[arg-type]  # a closed set of texts
        assert abs(seen - share) <= FIVE_SIGMA * math.sqrt(share * (1 - share) / N) + 1e-9, decision


def test_a_stated_chance_of_being_wrong_is_the_share_that_is_wrong() -> None:
    """Items drawn from the prior, measured once, decided with it: of those passed at a risk so many are beyond."""
    rng = np.random.default_rng(7)
    prior, limit, u = Prior(20.0, 6.0), Limit(30.0, "most", 1.0), 3.0
    true = rng.normal(prior.mean, prior.u, N)
    values = true + rng.normal(0.0, u, N)
    stated, wrong = [], []
    for t, v in zip(true, values, strict=True):
        m = same(float(v), u)
        if (decision := decide(m, limit)) in ("pass", "fail"):
            risk = risk_of(decision, probability_within(m, limit, prior))
            assert risk is not None
            stated.append(risk)
            wrong.append((t > limit.bound) == (decision == "pass"))
    risks = np.array(stated)

    assert abs(np.mean(wrong) - risks.mean()) < FIVE_SIGMA * math.sqrt((risks * (1 - risks)).sum()) / len(risks)


@pytest.mark.parametrize(("side", "bound", "band"), [("most", 24.0, 0.0), ("most", 24.0, 1.645), ("least", 18.0, 2.0)])
def test_global_risks_are_those_of_scipys_integrals(side: Side, bound: float, band: float) -> None:
    """JCGM 106:2012, 9.5: the prior times the share that passes, over what is beyond; by adaptive quadrature."""
    prior, u, sign = Prior(20.0, 3.0), 1.2, 1.0 if side == "most" else -1.0
    reach = (prior.mean - 10 * prior.u, prior.mean + 10 * prior.u)
    beyond, within = (
        ((bound, reach[1]), (reach[0], bound)) if side == "most" else ((reach[0], bound), (bound, reach[1]))
    )

    def passed(t: float) -> float:
        return float(stats.norm.pdf(t, prior.mean, prior.u) * stats.norm.cdf(sign * (bound - t) / u - band))

    def failed(t: float) -> float:
        return float(stats.norm.pdf(t, prior.mean, prior.u) * stats.norm.cdf(sign * (t - bound) / u - band))

    risks = global_risks(Limit(bound, side, band), u, prior)

    assert risks.consumer == pytest.approx(integrate.quad(passed, *beyond)[0], abs=2e-5)
    assert risks.producer == pytest.approx(integrate.quad(failed, *within)[0], abs=2e-5)


def test_an_interval_with_unequal_arms_counts_the_arm_that_faces_the_limit() -> None:
    limit = Limit(30.0, "most", 1.645)

    assert decide(Measured(27.0, 0.1, 4.0), limit) == "not_decidable"
    assert decide(Measured(27.0, 4.0, 0.1), limit) == "pass"
    assert decide(Measured(33.0, 4.0, 0.1), limit) == "not_decidable"
    assert probability_within(Measured(27.0, 9.9, 3.0), limit) == pytest.approx(stats.norm.cdf(1.0))


def test_without_uncertainty_the_limit_itself_is_kept() -> None:
    limit = Limit(3.0, "least", 1.645)

    assert [decide(same(v, 0.0), limit) for v in (2.999, 3.0, 3.001)] == ["fail", "pass", "pass"]
    assert probability_within(same(3.0, 0.0), limit, Prior(2.0, 1.0)) == 1.0
    assert risk_of("not_decidable", 0.5) is None
