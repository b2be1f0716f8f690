"""Which mistake with the sense leads explains hand-meter readings at the plug: each is tried, the best is named.

A mistake says which tap each pin really carries. It explains the readings when pins on one tap read alike, pins on none
read nothing, and what lies between two pins, a group, lies within the limits of one. Of several that do, the one that
leaves the groups nearest to each other counts; those that leave the very same groups cannot be told apart, and are
named as well.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, combinations, pairwise

__all__ = ["NOTHING_V", "GroupSpan", "HandReadings", "LeadFault", "Limits", "explained", "group_spans"]

NOTHING_V = 0.5  # a lead that hangs in the air reads less than that on a hand meter of 10 Mohm; common practice
_SLACK_V = 0.03  # of a hand meter at one group: its last digits, and cells that settle in between; our choice …
_TAP_PART, _TAP_MOST_V = 0.003, 0.2  # … of a reading against tap 0: the meter's next range, coarser; common practice
_SUM_PART = 0.004  # of the largest reading in a sum of readings from pin to pin; our choice
_CELL_V = 1.0  # a mistake with the leads may leave the groups that uneven before a dead group is likelier; our choice
_SAME_V, _SAME_PART = 0.05, 0.005  # two readings of one tap, and their part of the largest reading; our choice


@dataclass(frozen=True, slots=True)
class HandReadings:
    """What a hand meter showed at the pins of the plug.

    Attributes:
        by_group: True: pin to next pin, black probe on the lower one; `volts[g - 1]` is group g.
            False: black probe on pin 1, which carries tap 0; `volts[k]` is tap k.
        pin_v: each pin against the first; group by group these are sums, true as far as no pin is open.
        steps_v: from each pin to the next.
    """

    by_group: bool
    volts: tuple[float, ...]
    pin_v: tuple[float, ...] = field(init=False)
    steps_v: tuple[float, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Fill in what follows from the readings."""
        pin_v = (0.0, *accumulate(self.volts)) if self.by_group else self.volts
        steps_v = self.volts if self.by_group else tuple(b - a for a, b in pairwise(self.volts))
        object.__setattr__(self, "pin_v", pin_v)
        object.__setattr__(self, "steps_v", steps_v)

    @property
    def pins(self) -> int:
        """How many pins the plug has."""
        return len(self.pin_v)

    @property
    def same_v(self) -> float:
        """How far two readings of one tap may be apart."""
        return _SAME_V + _SAME_PART * max(map(abs, self.volts))

    def slack_v(self, pin: int, other: int) -> float:
        """How far the voltage between two pins, from 0, may be wrong."""
        if self.by_group:
            return _SLACK_V + _SUM_PART * max(map(abs, self.volts[min(pin, other) : max(pin, other)]))
        return min(_SLACK_V + _TAP_PART * max(abs(self.volts[pin]), abs(self.volts[other])), _TAP_MOST_V)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a group may read, in volts."""

    low_v: float
    high_v: float


@dataclass(frozen=True, slots=True)
class LeadFault:
    """One mistake: its kind, and the leads that it is about, numbered from 0 at pack negative.

    open (k,); swapped (a, b); on_tap (k, j): lead k sits on tap j; touching (k, k + 1); one_high (k,): from lead k on
    each sits one pin too high, its own is empty; one_low (k,): tap k has no lead, those above sit one pin too low;
    reversed (a, b): all from a to b are in reverse order.
    """

    kind: str
    at: tuple[int, ...]

    def carried(self, pins: int) -> list[float | None]:
        """The tap that each pin carries; None: none, k + 1/2: the middle of two that touch behind their resistors."""
        taps: list[float | None] = [float(k) for k in range(pins)]
        first, last = self.at[0], self.at[-1]
        match self.kind:
            case "open":
                taps[first] = None
            case "swapped":
                taps[first], taps[last] = taps[last], taps[first]
            case "on_tap":
                taps[first] = float(last)
            case "touching":
                taps[first] = taps[last] = first + 0.5
            case "one_high":
                taps[first:] = [None, *taps[first:-1]]
            case "one_low":
                taps[first:] = [*taps[first + 1 :], None]
            case "reversed":
                taps[first : last + 1] = taps[first : last + 1][::-1]
        return taps


@dataclass(frozen=True, slots=True)
class GroupSpan:
    """What lies between two taps that were both measured: `mean_v` of each group between them."""

    low_tap: float
    high_tap: float
    mean_v: float


def explained(readings: HandReadings, limits: Limits) -> tuple[LeadFault, ...]:
    """The mistake that explains the readings best, and behind it those that the same readings come from.

    Empty where none does, or one group that is dead or reversed explains them better.
    """
    fits = []
    for fault in _thinkable(readings, limits):
        spans = group_spans(readings, fault.carried(readings.pins), limits)
        if spans is not None:
            fits.append((_unevenness_v(spans), fault))
    best = min((v for v, _ in fits), default=0.0)
    if best > _one_cell_v(readings, limits):
        return ()
    return tuple(fault for v, fault in fits if v <= best + readings.same_v)


def group_spans(
    readings: HandReadings, carried: Sequence[float | None], limits: Limits
) -> tuple[GroupSpan, ...] | None:
    """The groups, if each pin carries that tap; None where the readings speak against it."""
    if not _nothing_at_empty_pins(readings, carried):
        return None
    spans: list[GroupSpan] = []
    for run in _runs(readings, carried):
        for (low, low_pin), (high, high_pin) in pairwise(run):
            step_v, groups = readings.pin_v[high_pin] - readings.pin_v[low_pin], high - low
            if groups == 0:
                if abs(step_v) > readings.same_v:
                    return None
                continue
            slack_v = readings.slack_v(low_pin, high_pin)
            if not limits.low_v * groups - slack_v <= step_v <= limits.high_v * groups + slack_v:
                return None
            spans.append(GroupSpan(low, high, step_v / groups))
    return tuple(spans)


def _nothing_at_empty_pins(readings: HandReadings, carried: Sequence[float | None]) -> bool:
    """Whether all that was measured against a pin with no tap on it reads nothing."""
    ends = list(pairwise(carried)) if readings.by_group else [(carried[0], tap) for tap in carried]
    empty = [v for v, (a, b) in zip(readings.volts, ends, strict=True) if a is None or b is None]
    return all(abs(v) < NOTHING_V for v in empty)


def _runs(readings: HandReadings, carried: Sequence[float | None]) -> Iterator[list[tuple[float, int]]]:
    """Taps and their pins, from 0, that were measured against each other, in the order of the taps."""
    if not readings.by_group and carried[0] is None:
        return
    run: list[tuple[float, int]] = []
    for pin, tap in enumerate(carried):
        if tap is not None:
            run.append((tap, pin))
        elif readings.by_group:  # what is above was measured against nothing below
            yield sorted(run)
            run = []
    yield sorted(run)


def _unevenness_v(spans: Sequence[GroupSpan]) -> float:
    """How far the groups are from the middle one, in all."""
    if not spans:
        return 0.0
    middle = statistics.median(s.mean_v for s in spans)
    return sum((s.high_tap - s.low_tap) * abs(s.mean_v - middle) for s in spans)


def _one_cell_v(readings: HandReadings, limits: Limits) -> float:
    """What it takes to explain the readings by one group that is wrong itself, the leads being in order."""
    right = [
        GroupSpan(g, g + 1, step)
        for g, step in enumerate(readings.steps_v)
        if limits.low_v <= step + readings.slack_v(g, g + 1) and step - readings.slack_v(g, g + 1) <= limits.high_v
    ]
    return _CELL_V + _unevenness_v(right) if len(right) == len(readings.steps_v) - 1 else math.inf


def _thinkable(readings: HandReadings, limits: Limits) -> Iterator[LeadFault]:
    """Every mistake with one lead, or with all leads from one on; the likelier first.

    Whatever moves a lead leaves a step at its pin that no group has, so that only pins beside such steps are tried.
    """
    pins = readings.pins
    near = sorted(
        {
            k
            for g, step in enumerate(readings.steps_v, start=1)
            if not limits.low_v <= step <= limits.high_v
            for k in (g - 1, g)
        }
    )
    yield from (LeadFault("open", (k,)) for k in range(pins))
    yield from (LeadFault("swapped", pair) for pair in combinations(near, 2))
    alike = [(k, j) for k in near for j in range(pins) if abs(readings.pin_v[k] - readings.pin_v[j]) <= readings.same_v]
    yield from (LeadFault("on_tap", (k, j)) for k, j in alike if k != j)
    yield from (LeadFault("touching", (k, k + 1)) for k in near if k + 1 in near)
    yield from (LeadFault(kind, (k,)) for kind in ("one_high", "one_low") for k in range(pins - 1))
    yield from (LeadFault("reversed", (a, b)) for a, b in combinations(near, 2) if b - a > 2)
