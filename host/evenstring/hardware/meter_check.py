"""Hand-meter readings at the plug before it goes in: what is wrong, named after what usually makes it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from evenstring.hardware.lead_faults import (
    NOTHING_V,
    GroupSpan,
    HandReadings,
    LeadFault,
    Limits,
    explained,
    group_spans,
)

__all__ = ["all_measured", "at_the_edge", "check_readings", "fault_words"]

_ZERO_V = 0.05
_BLACK_V = 0.2  # what tap 0 may read against itself; our choice
_FAR_LOW, _FAR_HIGH_V = 0.6, 0.3  # how far a group may be outside its limits and still be a group; our choice
_WORDS = {
    "open": "lead {a} open (pin {pin_a} reads nothing: fuse, resistor, crimp)",
    "swapped": "leads {a} and {b} swapped (pins {pin_a} and {pin_b})",
    "on_tap": "lead {a} on tap {b}, where lead {b} is (pin {pin_a} reads as pin {pin_b})",
    "touching": "leads {a} and {b} touch each other behind their resistors (pins {pin_a} and {pin_b})",
    "one_high": "every lead from {a} on one pin too high (pin {pin_a} is empty)",
    "one_low": "no lead from tap {a}, and those above one pin too low (pin {last} is empty)",
    "reversed": "leads {a} to {b} in reverse order (pins {pin_a} to {pin_b})",
}
_SHOWN = 3  # other explanations named; our choice


def all_measured(
    volts: Mapping[int, float], by_group: bool, groups: int
) -> tuple[HandReadings | None, tuple[str, ...]]:
    """The readings in order, or None and what is missing or too many.

    Args:
        volts: by number of the group (1 to `groups`), or of the tap (0 to `groups`).
        by_group: which of the two.
        groups: of the string.
    """
    what = "group" if by_group else "tap"
    wanted = range(1 if by_group else 0, groups + 1)
    missing = [k for k in wanted if k not in volts]
    extra = sorted(k for k in volts if k not in wanted)
    problems = [f"not measured: {what} {', '.join(map(str, missing))}"] if missing else []
    problems += [f"there is no {what} {', '.join(map(str, extra))} in a string of {groups}"] if extra else []
    return (None if problems else HandReadings(by_group, tuple(volts[k] for k in wanted))), tuple(problems)


def check_readings(readings: HandReadings, low_v: float, high_v: float) -> tuple[str, ...]:
    """What is wrong; empty when each group lies between `low_v` and `high_v`, as far as a hand meter tells.

    A mistake with the leads that explains everything is named alone, with others that the same readings come from.
    """
    limits = Limits(low_v, high_v)
    in_order = [float(k) for k in range(readings.pins)]
    if not readings.by_group and abs(readings.volts[0]) > _BLACK_V:
        return (f"tap 0 reads {readings.volts[0]:.2f} V, not 0: the black lead is not on tap 0; measure all again",)
    if group_spans(readings, in_order, limits) is not None:
        return ()
    far = Limits(_FAR_LOW * low_v, high_v + _FAR_HIGH_V)
    if said := _fault(readings, limits):
        return said
    if spans := group_spans(readings, in_order, far):
        return tuple(_outside(spans, limits))
    return (
        _several_open(readings, limits)
        or _fault(readings, far, limits)
        or tuple(_step_by_step(readings.steps_v, limits))
    )


def at_the_edge(readings: HandReadings, low_v: float, high_v: float) -> tuple[str, ...]:
    """Groups that read outside the limits by less than a hand meter tells apart, where nothing else is wrong."""
    limits = Limits(low_v, high_v)
    return tuple(
        f"group {g}: {step:.2f} V, {'above' if step > high_v else 'below'}"
        f" {high_v if step > high_v else low_v:g} V by less than this meter tells: measure this group by itself"
        for g, step in enumerate(readings.steps_v, start=1)
        if not limits.low_v <= step <= limits.high_v
    )


def _several_open(readings: HandReadings, limits: Limits) -> tuple[str, ...]:
    """Leads that read nothing while the others rise as they should."""
    if readings.by_group:
        dead = [abs(v) < NOTHING_V for v in readings.volts]
        silent = [k for k in range(1, len(dead)) if dead[k - 1] and dead[k]]
    else:
        silent = [k for k in range(1, readings.pins) if abs(readings.volts[k]) < NOTHING_V]
    carried = [None if k in silent else float(k) for k in range(readings.pins)]
    if len(silent) < 2 or group_spans(readings, carried, limits) is None:
        return ()
    return (f"leads {', '.join(map(str, silent))} open, or the plug is half in: their pins read nothing",)


def _fault(readings: HandReadings, limits: Limits, narrow: Limits | None = None) -> tuple[str, ...]:
    """The mistake with the leads, and groups that are outside the narrow limits besides; empty: none explains it."""
    faults = explained(readings, limits)
    if not faults:
        return ()
    first, *others = (fault_words(f, readings.pins) for f in faults)
    if readings.by_group and (dead := _dead_end(faults[0], readings.pins)):
        others.append(dead)
    more = [f"  or: {other}" for other in others[:_SHOWN]]
    more += ["  They read the same: see which wire is in which pin."] if others else []
    spans = group_spans(readings, faults[0].carried(readings.pins), limits) or ()
    return ("\n".join([first, *more]), *(_outside(spans, narrow) if narrow else ()))


def fault_words(fault: LeadFault, pins: int) -> str:
    """A mistake in words, with the pins, counted from 1."""
    a, b = fault.at[0], fault.at[-1]
    words = _WORDS[fault.kind].format(a=a, b=b, pin_a=a + 1, pin_b=b + 1, last=pins)
    if fault.kind == "reversed" and b - a == pins - 1:
        return f"{words}: the whole harness, pack positive is on pin 1"
    return words


def _dead_end(fault: LeadFault, pins: int) -> str:
    """From pin to pin, an end group of 0 V reads like the end's open lead."""
    if fault.kind != "open" or fault.at[0] not in (0, pins - 1):
        return ""
    return f"group {max(fault.at[0], 1)} is dead"


def _outside(spans: tuple[GroupSpan, ...], limits: Limits) -> Iterator[str]:
    """Groups outside their limits, where the leads are known."""
    for span in spans:
        if span.mean_v < limits.low_v or span.mean_v > limits.high_v:
            low, high = int(span.low_tap) + 1, int(span.high_tap)
            name = f"group {low}" if low >= high else f"groups {low} to {high}, each"
            yield f"{name}: {span.mean_v:.2f} V, {_beyond(span.mean_v, limits)}"


def _beyond(volts: float, limits: Limits) -> str:
    if volts > limits.high_v:
        return f"above {limits.high_v:g} V"
    return f"below {limits.low_v:g} V: do not charge before this is explained"


def _step_by_step(steps: tuple[float, ...], limits: Limits) -> Iterator[str]:
    """Each wrong step with what usually makes such a one: there is more than one mistake, or a cell's own."""
    for group, step in enumerate(steps, start=1):
        if not limits.low_v <= step <= limits.high_v:
            yield f"group {group} (tap {group - 1} to {group}): {step:+.2f} V, {_why(step, limits)}"


def _why(step: float, limits: Limits) -> str:
    if step < -_ZERO_V:
        return "negative: a group is reversed, or several leads are out of order"
    if abs(step) <= _ZERO_V:
        return "nothing: a dead group, its two pins joined, or leads out of order"
    if step >= 2 * limits.low_v:
        return "two groups or more in one step: leads are out of order"
    return _beyond(step, limits)
