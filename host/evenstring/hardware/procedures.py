"""Tests of a board and its harness, each step with what passes: pages and `evenstring wiring --walk` print the same.

Pass values come from the reference design. `low` and `high` None: a step that is answered with yes or no.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from evenstring.hardware.budget import budget_of
from evenstring.hardware.front_end import RelayScan
from evenstring.hardware.reference import reference_design

__all__ = ["PROCEDURES", "WALKS", "Step", "line_seen_v", "procedure", "uncalibrated_mv", "windows"]

METER_OHM = 10e6  # of a usual hand meter on its volts range; common practice
_CHAIN_GROUPS = 15  # of 4 V: the highest chain below 60 V
_CHAIN_V = 58.0


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a procedure: what to do, what passes, what it means when it does not."""

    key: str
    do: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    if_not: str = ""

    @property
    def asks_number(self) -> bool:
        """Whether the answer is a reading; else yes or no."""
        return self.low is not None or self.high is not None

    def passes(self, value: float) -> bool:
        """Whether a reading (or 1 for yes, 0 for no) passes."""
        if not self.asks_number:
            return value == 1
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def limits(self) -> str:
        """What passes, in words."""
        if not self.asks_number:
            return "yes"
        if self.high is None:
            return f"{self.low:g} {self.unit} or more"
        if self.low is None:
            return f"{self.high:g} {self.unit} or less"
        return f"{self.low:g} to {self.high:g} {self.unit}"


def line_seen_v(d: RelayScan) -> float:
    """What a hand meter of 10 Mohm shows from one line to the island's ground, V, relays open, supply 5.00 V.

    The meter loads the line, so that it reads well below where the line floats without it.
    """
    bias, common, between = 1 / d.bus.bias_ohm, 1 / d.converter.common_ohm, 1 / d.converter.input_ohm
    # Two nodes: a with the meter, b without; (sum a) a - between b = bias V; (sum b) b - between a = bias V.
    sum_a, sum_b = bias + common + between + 1 / METER_OHM, bias + common + between
    source = bias * d.bus.bias_v
    return source * (sum_b + between) / (sum_a * sum_b - between**2)


def _near(volts: float) -> tuple[float, float]:
    """Within 8 %: the converter's inputs are known no better."""
    return round(0.92 * volts, 2), round(1.08 * volts, 2)


def uncalibrated_mv(d: RelayScan) -> float:
    """What leads and converter may take of a full group before calibration, mV, with 3 mV for meter and noise."""
    return round(budget_of(d).value("gain_need_ppm") * d.string.group_max_v * 1e-3 + 3)


def windows(groups: int) -> tuple[tuple[int, int], ...]:
    """Taps between which the bench chain stands in turn, so that every tap is tried below 60 V."""
    if groups <= _CHAIN_GROUPS:
        return ((0, groups),)
    starts = list(range(0, groups - _CHAIN_GROUPS, _CHAIN_GROUPS))
    return tuple((s, s + _CHAIN_GROUPS) for s in [*starts, groups - _CHAIN_GROUPS])


def procedure(name: str, groups: int) -> tuple[Step, ...]:
    """Steps of a procedure for a string of that many groups."""
    return PROCEDURES[name](reference_design(groups))


def _barrier(d: RelayScan) -> tuple[Step, ...]:
    good_mohm = d.barrier.ohm * 1e-6
    say = "below 100 Mohm: do not use the board; between: wash, dry, test again"
    test = "500 V DC, 60 s, by someone licensed to use the tester"
    return (
        Step("free", "harness, USB and supply unplugged; nobody touches the board until it is discharged"),
        Step("live", "bundle L: all tap pins, TP1, TP2, TP3, TP4 joined (so that no open relay bears the test)"),
        Step("second", "bundle S: J2, J3, J4, TP5 joined"),
        Step("touch", "bundle T: USB shell, every pin of J5, J6, J7 and of the processor's supply joined"),
        Step("l_t", f"L to T: {test}", "Mohm", good_mohm, None, say),
        Step("l_t_after", "volts L to T, after discharge through 100 kohm for 10 s", "V", None, 10),
        Step("s_t", f"S to T: {test}", "Mohm", good_mohm, None, say),
        Step("s_t_after", "volts S to T, after discharge", "V", None, 10),
        Step(
            "l_s",
            "L to S: 250 V DC, 60 s (both are live sides; a fault here is two taps joined)",
            "Mohm",
            100,
            None,
            "do not use it: two live sides are joined",
        ),
        Step("l_s_after", "volts L to S, after discharge", "V", None, 10),
        Step("opened", "all joining wires removed, counted"),
    )


def _board(d: RelayScan) -> tuple[Step, ...]:
    seen = line_seen_v(d)
    return (
        Step("barrier", "barrier test passed today, harness unplugged"),
        Step("feed", "5.0 V at J7 from a bench supply limited to 250 mA: it draws", "mA", 40, 200),
        Step("i5v", "TP4 to TP3, island supply", "V", 4.90, 5.10),
        Step("line_a", "TP1 to TP3, 10 Mohm meter (which loads it)", "V", *_near(seen),
             "clamp, converter or bias; flux residue"),
        Step("line_b", "TP2 to TP3, the same", "V", *_near(seen)),
        Step("lines", "difference of these two", "V", -0.03, 0.03, "one clamp leaks: replace it"),
        Step("clamp", "9 V battery and 12 kohm in series across TP1 and TP2: volts across them", "V", 5.3, 6.8),
        Step("clamp_back", "the same, battery turned round", "V", -6.8, -5.3),
        Step("j3v3", "second island: J3V3 to TP5", "V", 3.23, 3.37),
        Step("j5v", "second island: J5V to TP5", "V", 4.90, 5.10),
        Step("shorts", "unpowered: lowest resistance between any two neighbouring tap pins", "Mohm", 100, None,
             "solder, flux, a shorted relay"),
        Step("off", "powered, no firmware running: net OFF (one-shot) to GND", "V", 2.5, 3.6, "relays could close"),
        Step("one_shot", "one pulse on ALIVE: OFF goes low (oscilloscope; without one the self-test checks it) for",
             "ms", 35, 75),
        Step("leak", "largest leakage of any relay, full string through 1 Mohm at the source, 60 degC", "nA", None,
             d.relay.off_leak_max_na, "replace that relay"),
    )  # fmt: skip


def _harness(d: RelayScan) -> tuple[Step, ...]:
    """Resistance of each lead before it comes near a pack; part of the chain on the bench."""
    ohm = d.series.ohm
    return (
        Step("ohm_low", "harness on the table: lowest resistance of a lead, cell end to plug pin", "ohm",
             round(0.99 * ohm), round(1.01 * ohm), "a resistor left out, doubled, or of another value"),
        Step("ohm_high", "highest resistance of a lead", "ohm", round(0.99 * ohm), round(1.01 * ohm)),
        Step("between", "lowest resistance between any two leads", "Mohm", 100, None, "pinched or wrong contact"),
    )  # fmt: skip


def _chain(d: RelayScan) -> tuple[Step, ...]:
    steps = [
        *_harness(d),
        Step(
            "supply", "bench supply isolated, limited to 60 mA and set to", "V", 50, _CHAIN_V, "never above 60 V here"
        ),
    ]
    for first, last in windows(d.string.groups):
        where = f"chain on taps {first} to {last}"
        steps += [
            Step(f"read_{first}", f"{where}: largest difference of a reading from a meter across its resistor", "mV",
                 None, uncalibrated_mv(d), "before calibration; more: a lead's resistor, a relay, a clamp"),
            Step(f"zero_{first}", f"{where}: groups outside it shown as open lead, none as a number"),
        ]  # fmt: skip
    steps += [
        Step("open", "one lead pulled: both groups at it are shown as open lead, nothing else changes"),
        Step(
            "swap", "two neighbouring leads swapped: lead order; one group reads minus one, both neighbours over range"
        ),
        Step("short", "one chain resistor shorted: its group reads within 5 mV of nothing, as a number"),
        Step("loaded", "the self-test names no lead (no bad contact)"),
        Step("hung", "processor held in reset while scanning: within 0.1 s OFF is above", "V", 2.5, 3.6),
    ]
    return tuple(steps)


def _first(d: RelayScan) -> tuple[Step, ...]:
    full = d.string.groups * d.string.group_max_v
    return (
        Step("not_alone", "somebody else is present, knows where to go and whom to call; nobody is tired"),
        Step("place", "the pack stands where it may burn; a way out is free; the charger is off and unplugged"),
        Step("barrier", "barrier, board and chain passed and are written down"),
        Step("meter", "meter CAT III 600 V, volts range, shrouded 4 mm tips, proven on a known source just now"),
        Step("lv", "supply from the vehicle: both its wires to pack negative and pack positive, each 10 Mohm or more"
             " and no steady volts, with the charger in and out; own battery instead: yes"),
        Step("fuses_out", "every lead fitted with its fuse out and its plug free and covered"),
        Step("fuses_in", "fuses in, one at a time, pack negative first"),
        Step("check", "every tap read at the breakout; `evenstring wiring --check` finds every step within the limits"),
        Step("total", "pack negative to pack positive at the breakout", "V", 16 * 2.5 if d.string.groups >= 16 else 1,
             round(full, 1)),
        Step("plug", "monitor off and joined to no computer; plug in, in one movement"),
        Step("self_test", "powered from its own supply: the power-up sound, the heartbeat, no lead named"),
        Step("compare", "largest difference of a reading from the meter at the cell, before calibration", "mV", None,
             uncalibrated_mv(d)),
        Step("still", "spread over ten minutes of rest changes by", "mV", None, 2),
        Step("earth", "mains-connected computer joined and taken off (only with a passed barrier): mean of any group"
             " changes by", "mV", None, 1, "capacitance or leakage across the barrier: battery computer only"),
        Step("motor", "motor turning, wheels off the ground: spread changes by, beyond what sag explains", "mV", None,
             5, "leads lie along phase wires"),
    )  # fmt: skip


def _yearly(d: RelayScan) -> tuple[Step, ...]:
    good_mohm = d.barrier.ohm * 1e-6
    return (
        Step("look", "harness unplugged: no chafed, hot, green or loose lead; sleeves and covers whole"),
        Step("water", "no water mark in the housing; seal and membrane whole"),
        *_harness(d),
        Step("barrier", "barrier test repeated, L to T", "Mohm", good_mohm, None, "below 100 Mohm: out of use"),
        Step("line_a", "TP1 to TP3, 10 Mohm meter", "V", *_near(line_seen_v(d))),
        Step("check", "`evenstring wiring --check` with fresh hand-meter readings: within the limits"),
        Step("self_test", "self-test names no lead"),
        Step("cal", "largest difference of a calibrated reading from the reference meter", "mV", None, 3,
             "calibrate again"),
        Step("hot", "hot scan against cold scan of the resting pack: no slope along the string beyond", "mV", None, 1,
             "relay leakage has grown"),
    )  # fmt: skip


PROCEDURES: dict[str, Callable[[RelayScan], tuple[Step, ...]]] = {
    "barrier": _barrier,
    "board": _board,
    "chain": _chain,
    "first": _first,
    "yearly": _yearly,
}
WALKS = ("chain", "first", "yearly")
