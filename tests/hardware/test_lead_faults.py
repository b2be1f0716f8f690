"""Each mistake with one lead is named, at every place, in readings of a hand meter as they are; healthy ones never are.

Readings are made from potentials at the pins, not by the code that is tried. The meter is an invented one of 4,000
counts: 1 mV, 10 mV, 100 mV of its three ranges (the usual count, common practice), each range with a gain of its own.
A pin with no tap on it shows anything below half a volt.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import combinations, pairwise, permutations

import pytest
from evenstring.chemistry import CHEMISTRIES
from evenstring.hardware.lead_faults import HandReadings, LeadFault, Limits, explained
from evenstring.hardware.meter_check import check_readings

from tests.shares import first_few

Potentials = list[float | None]
RANGES_V = ((4.0, 0.001), (40.0, 0.01), (400.0, 0.1))
PACKS = ("even", "spread", "weak group", "almost empty", "full")


def limits(chemistry: str) -> Limits:
    row = CHEMISTRIES[chemistry]
    return Limits(row.discard_v, row.ceiling_v)


def taps_v(groups: int, kind: str, within: Limits, rng: random.Random) -> list[float]:
    """Of a healthy pack: no group outside its limits."""
    low, high = within.low_v, within.high_v
    middle = {"almost empty": low + 0.15 * (high - low), "full": high - 0.05}.get(kind, rng.uniform(low + 0.5, high))
    scatter = {"spread": 0.05, "almost empty": 0.1, "weak group": 0.02}.get(kind, 0.005)
    volts = [min(max(rng.gauss(middle, scatter), low + 0.01), high - 0.03) for _ in range(groups)]
    if kind == "weak group":
        volts[rng.randrange(groups)] = rng.uniform(low + 0.01, middle)
    return [sum(volts[:k]) for k in range(groups + 1)]


def pins_v(fault: LeadFault, taps: list[float]) -> Potentials:
    """What is at each pin; None: nothing."""
    pins: Potentials = list(taps)
    a, b = fault.at[0], fault.at[-1]
    if fault.kind == "open":
        pins[a] = None
    elif fault.kind == "swapped":
        pins[a], pins[b] = taps[b], taps[a]
    elif fault.kind == "on_tap":
        pins[a] = taps[b]
    elif fault.kind == "touching":  # two equal resistors between them
        pins[a] = pins[b] = (taps[a] + taps[b]) / 2
    elif fault.kind == "one_high":
        pins = [*taps[:a], None, *taps[a:-1]]
    elif fault.kind == "one_low":
        pins = [*taps[:a], *taps[a + 1 :], None]
    else:
        pins = [*taps[:a], *reversed(taps[a : b + 1]), *taps[b + 1 :]]
    return pins


def every_fault(groups: int) -> Iterator[LeadFault]:
    leads = range(groups + 1)
    yield from (LeadFault("open", (k,)) for k in leads)
    yield from (LeadFault("swapped", pair) for pair in combinations(leads, 2))
    yield from (LeadFault("on_tap", pair) for pair in permutations(leads, 2))
    yield from (LeadFault("touching", pair) for pair in pairwise(leads))
    yield from (LeadFault(kind, (k,)) for kind in ("one_high", "one_low") for k in leads[:-1])
    yield LeadFault("reversed", (0, groups))


def measured(pins: Potentials, by_group: bool, rng: random.Random) -> HandReadings:
    gains = [1.002 + rng.gauss(0, 0.0007) for _ in RANGES_V]  # within 0.5 %; common practice for a hand meter

    def shown(low: float | None, high: float | None) -> float:
        if low is None or high is None:
            return round(rng.choice([rng.gauss(0, 0.003), rng.uniform(-0.4, 0.4)]), 3)
        true = high - low + rng.gauss(0, 0.001)
        which = next(k for k, (top, _) in enumerate(RANGES_V) if abs(true) < top)
        step = RANGES_V[which][1]
        return round(true * gains[which] / step) * step

    if by_group:
        return HandReadings(True, tuple(shown(a, b) for a, b in pairwise(pins)))
    return HandReadings(False, (0.0, *(shown(pins[0], pin) for pin in pins[1:])))


def ideal(pins: Potentials, by_group: bool) -> list[float]:
    """Readings of a perfect meter, 0 where there is nothing."""
    ends = pairwise(pins) if by_group else iter([(pins[0], pin) for pin in pins])
    return [0.0 if a is None or b is None else b - a for a, b in ends]


@pytest.mark.slow
@pytest.mark.parametrize("by_group", [True, False], ids=["group by group", "against tap 0"])
@pytest.mark.parametrize(("groups", "every"), first_few(2, [(20, 2), (36, 7), (20, 1), (36, 1)]))
def test_every_fault_of_a_lead_is_named_and_nothing_else_but_what_reads_the_same(
    groups: int, every: int, by_group: bool
) -> None:
    """One fault in so many; all 2,300 of 36 groups in `make soak`.

    Whatever is named besides reads alike to the volt where all groups are equal.
    """
    rng = random.Random(groups)  # seeded
    within, equal = limits("nmc"), [4.0 * k for k in range(groups + 1)]
    for fault in list(every_fault(groups))[::every]:
        taps = taps_v(groups, rng.choice(PACKS), within, rng)
        named = explained(measured(pins_v(fault, taps), by_group, rng), within)
        alike = [f for f in named if ideal(pins_v(f, equal), by_group) == ideal(pins_v(fault, equal), by_group)]
        assert fault in named
        assert list(named) == alike, fault


@pytest.mark.slow
@pytest.mark.parametrize("chemistry", list(CHEMISTRIES))
def test_neighbours_and_open_leads_are_named_with_every_chemistrys_limits(chemistry: str) -> None:
    """Where a group may read from 1.5 to 4.2 V, two groups in one step can look like one."""
    rng = random.Random(chemistry)  # seeded
    within = limits(chemistry)
    leads = range(25)
    faults = [LeadFault("open", (k,)) for k in leads]
    faults += [LeadFault(kind, pair) for kind in ("swapped", "on_tap", "touching") for pair in pairwise(leads)]
    faults += [LeadFault(kind, (k,)) for kind in ("one_high", "one_low") for k in leads[:-1]]
    for fault in faults:
        for by_group in (True, False):
            readings = measured(pins_v(fault, taps_v(24, rng.choice(PACKS), within, rng)), by_group, rng)
            assert fault in explained(readings, within), (fault, by_group)


@pytest.mark.parametrize("chemistry", ["nmc", "lfp", "na_ion", "lto"])
def test_a_thousand_healthy_harnesses_have_no_fault(chemistry: str) -> None:
    """With a weak group and almost empty packs among them; 1,000 of each chemistry."""
    rng = random.Random(chemistry)  # seeded
    within = limits(chemistry)
    for number in range(1000):
        pins: Potentials = list(taps_v(rng.choice((20, 36)), PACKS[number % 5], within, rng))
        readings = measured(pins, bool(number & 1), rng)
        assert check_readings(readings, within.low_v, within.high_v) == ()


def test_cells_are_never_called_leads() -> None:
    """One group too low, dead or reversed, the leads in order, in readings of both kinds."""
    rng = random.Random(5)  # seeded
    within = limits("nmc")
    for group in range(2, 20):  # an end group of 0 V reads like the end's lead, and both are said
        for volts, says in ((2.1, "below 2.5 V"), (0.0, "dead group"), (-3.7, "reversed"), (1.0, "below 2.5 V")):
            each = [3.7] * 20
            each[group - 1] = volts
            taps: Potentials = [sum(each[:k]) for k in range(21)]
            for by_group in (True, False):
                (said,) = check_readings(measured(taps, by_group, rng), within.low_v, within.high_v)
                assert said.startswith(f"group {group}")
                assert says in said


def test_a_lead_and_a_low_group_are_both_said() -> None:
    each = [3.7] * 20
    each[11] = 2.2
    taps = [sum(each[:k]) for k in range(21)]
    pins = pins_v(LeadFault("swapped", (7, 8)), taps)

    for by_group in (True, False):
        readings = HandReadings(by_group, tuple(ideal(pins, by_group)))
        assert check_readings(readings, 2.5, 4.25) == (
            "leads 7 and 8 swapped (pins 8 and 9)",
            "group 12: 2.20 V, below 2.5 V: do not charge before this is explained",
        )
