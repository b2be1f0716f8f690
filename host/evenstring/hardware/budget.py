"""Error, fault and time budget of a front end: what it can resolve, what it takes, and whether it is over a limit.

Bounds are worst cases of the parts; uncertainties follow JCGM 100:2008 (a bound is a rectangle, u = bound / sqrt 3).
Every figure of hardware_notes comes from here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenstring.hardware.front_end import DividerBank, RelayScan

__all__ = ["Budget", "Line", "budget_of", "leak_paths", "settle_us", "taps_on_lines"]

_BOLTZMANN = 1.380649e-23  # J/K, exact in the SI
_HOT_K = 333.0
_WIRE_STEP_UV = 200.0
_DERATE = 0.6  # share of a resistor's rated power that is used; common practice, no source
_RELAY_MARGIN = 1.5  # off rating over string voltage; common practice, no source
_TARGET_SHARE = 1 / 3  # the expanded uncertainty of a difference may take a third of the target
_GAIN_REACH_PPM = 10_000.0  # of the calibration in a board description
_HOURS_A_WEEK = 168.0
_HOURS_30_DAYS = 720.0


@dataclass(frozen=True, slots=True)
class Line:
    """One figure. `limit` None: for information; `at_least`: a lower limit. `why` says where the figure comes from."""

    key: str
    what: str
    value: float
    unit: str
    why: str
    limit: float | None = None
    at_least: bool = False

    @property
    def ok(self) -> bool:
        """Whether the value keeps its limit."""
        if self.limit is None:
            return True
        return self.value >= self.limit if self.at_least else self.value <= self.limit


@dataclass(frozen=True, slots=True)
class Budget:
    """All figures of one design, in the order in which they are read."""

    title: str
    lines: tuple[Line, ...]

    @property
    def over(self) -> tuple[Line, ...]:
        """The lines that break their limit: with any of them the design is refused."""
        return tuple(line for line in self.lines if not line.ok)

    def value(self, key: str) -> float:
        """The value of the line called `key`."""
        return next(line.value for line in self.lines if line.key == key)


def budget_of(design: RelayScan | DividerBank) -> Budget:
    """Compute the budget of a design."""
    if isinstance(design, DividerBank):
        return _divider_bank(design)
    lines = (
        *_fault_lines(design), *_error_lines(design), *_time_lines(design), *_drain_lines(design),
        *_power_lines(design),
    )  # fmt: skip
    return Budget(f"relay scan, {design.string.groups} groups", lines)


def taps_on_lines(groups: int) -> tuple[int, int]:
    """Number of taps on the even and on the odd bus line; tap 0 is pack negative."""
    return groups // 2 + 1, (groups + 1) // 2


def leak_paths(groups: int, bank: int = 0) -> int:
    """Relays that leak into one bus line while one of its relays is closed, worst line.

    With banks only the rest of the closed bank and the other bank relays leak into the line.
    """
    taps = max(taps_on_lines(groups))
    if not bank:
        return taps - 1
    return min(bank, taps) - 1 + math.ceil(taps / bank) - 1


def settle_us(series_ohm: float, bus_pf: float) -> float:
    """Wait after closing a relay: eleven time constants of both leads and the bus, and 20 us. As the firmware does."""
    return 11 * 2 * series_ohm * bus_pf * 1e-6 + 20


def _string_v(design: RelayScan | DividerBank) -> float:
    return design.string.groups * design.string.group_max_v


def _load_ohm(d: RelayScan) -> float:
    """What the bus presents to a group: both bias resistors in series, and the converter's input beside them."""
    return 1 / (1 / (2 * d.bus.bias_ohm) + 1 / d.converter.input_ohm)


def _fault_lines(d: RelayScan) -> list[Line]:
    string_v = _string_v(d)
    fault_a = string_v / (2 * d.series.ohm)
    part_w = fault_a**2 * d.series.ohm / d.series.parts
    part_v = string_v / (2 * d.series.parts)
    swapped_v = 2 * d.string.group_max_v
    return [
        Line("string_v", "full string", string_v, "V", "groups x highest group voltage"),
        Line("fault_ma", "current with two relays stuck, full string", fault_a * 1e3, "mA",
             "string / two leads; must not exceed what clamps and island supply sink", d.bus.clamp_max_ma),
        Line("part_w", "heat in one series resistor then, for ever", part_w, "W",
             f"at most {_DERATE:.0%} of its rating", _DERATE * d.series.part_w),
        Line("part_v", "voltage across one series resistor then", part_v, "V", "its own rating", d.series.part_v),
        Line("relay_v", "off rating of the relay", d.relay.off_rating_v, "V",
             f"at least {_RELAY_MARGIN} x the string", _RELAY_MARGIN * string_v, True),
        Line("swapped_v", "two swapped neighbouring leads show", swapped_v, "V",
             "over the converter's range: shown as over range, sign kept"),
        Line("range_v", "converter's range either way", d.converter.range_v, "V", "at least 5 V", 5.0, True),
    ]  # fmt: skip


def _error_lines(d: RelayScan) -> list[Line]:
    volts = d.string.group_max_v
    paths = leak_paths(d.string.groups, d.relay.bank)
    leak_uv = paths * d.relay.off_leak_max_na * d.series.ohm * 1e-3
    load = _load_ohm(d)
    pair = 2 * d.series.ohm
    mismatch_uv = volts * 1e6 * pair * d.series.tolerance_ppm * 1e-6 / (load + pair)
    tau_us = pair * d.bus.pf * 1e-6
    unsettled_uv = 2 * volts * 1e6 * math.exp(-settle_us(d.series.ohm, d.bus.pf) / tau_us)
    band_hz = d.converter.rate_hz / 2
    johnson_uv = math.sqrt(4 * _BOLTZMANN * _HOT_K * pair * band_hz) * 1e6
    # The converter's own step is averaged too: noise of about half a step shakes it.
    one_uv2 = d.converter.noise_uv**2 + johnson_uv**2 + d.converter.step_uv**2 / 12
    noise_uv = math.sqrt(one_uv2 / d.converter.conversions + _WIRE_STEP_UV**2 / 12)
    middle_v = d.bus.bias_v * d.converter.common_ohm / (d.converter.common_ohm + d.bus.bias_ohm)
    channel_uv = math.sqrt((leak_uv**2 + mismatch_uv**2 + unsettled_uv**2) / 3)
    spread_mv = 2 * math.sqrt(2) * math.sqrt(channel_uv**2 + noise_uv**2 / 2) * 1e-3
    limit_mv = d.string.target_mv * _TARGET_SHARE
    spare_uv2 = 3 * ((limit_mv * 1e3 / (2 * math.sqrt(2))) ** 2 - noise_uv**2 / 2) - mismatch_uv**2 - unsettled_uv**2
    allowed_na = math.sqrt(max(spare_uv2, 0.0)) / (max(paths, 1) * d.series.ohm * 1e-3)
    return [
        Line("paths", "relays that leak into one line", paths, "", "taps on the line, less the closed one"),
        Line("leak_uv", "leakage error of one reading, bound", leak_uv, "uV",
             "relays x largest leakage x series resistor; differs by position and looks like spread"),
        Line("leak_allowed_na", "largest leakage that this design could bear", allowed_na, "nA",
             "from the limit on a difference, all else as it is; what each relay must keep", d.relay.off_leak_max_na,
             True),
        Line("load_ppm", "gain lost in the leads", pair / (load + pair) * 1e6, "ppm",
             "leads against bias and input; common to all groups"),
        Line("gain_need_ppm", "gain that calibration must mend", pair / (load + pair) * 1e6 + d.converter.gain_ppm,
             "ppm", "leads and converter; the board description reaches 10,000", _GAIN_REACH_PPM),
        Line("input_low_v", "lowest voltage at an input", middle_v - volts / 2, "V",
             "bias against the converter's common-mode input, half a group below", 0.0, True),
        Line("input_high_v", "highest voltage at an input", middle_v + volts / 2, "V",
             "half a group above; at most the island's lowest supply", d.bus.supply_min_v),
        Line("mismatch_uv", "its difference between groups, bound", mismatch_uv, "uV", "tolerance of the leads"),
        Line("tau_us", "time constant of the bus", tau_us, "us", "two leads x bus capacitance"),
        Line("settle_us", "wait after closing", settle_us(d.series.ohm, d.bus.pf), "us", "eleven of them and 20 us"),
        Line("unsettled_uv", "left of the voltage before, bound", unsettled_uv, "uV",
             "a swing of two groups, since polarity alternates"),
        Line("johnson_uv", "noise of the leads", johnson_uv, "uV", "sqrt(4kTRB), 60 degC"),
        Line("noise_uv", "noise of one reading", noise_uv, "uV",
             "converter, leads, steps of converter and wire; all but the last fall with the root of the conversions"),
        Line("channel_u_uv", "one channel against another, standard uncertainty", channel_uv, "uV",
             "the bounds above as rectangles; calibration lowers all but the leakage's change with heat"),
        Line("gain_mv", "converter's gain, in one group's voltage", volts * d.converter.gain_ppm * 1e-3, "mV",
             "common to all groups: cancels in the spread, not against a limit"),
        Line("spread_u_mv", "difference of two groups, expanded uncertainty (k = 2)", spread_mv, "mV",
             f"mean of both passes; at most a third of the target of {d.string.target_mv:g} mV", limit_mv),
    ]  # fmt: skip


def _time_lines(d: RelayScan) -> list[Line]:
    convert_us = 1e6 / d.converter.rate_hz * (1 + d.converter.clock_tolerance)
    wait_us = settle_us(d.series.ohm, d.bus.pf)
    step_us = d.relay.on_us + d.relay.off_us + wait_us + convert_us + d.converter.overhead_us
    again_us = (d.converter.conversions - 1) * (convert_us + d.converter.again_us)
    readings = 2 * d.string.groups + 2  # with the zero and the check for settling; tests for stuck relays take one each
    steps_us = step_us * (2 * d.string.groups + d.converter.extra_steps)
    scan_ms = (steps_us + again_us * readings + d.converter.pack_us) / 1000
    more = [Line("again_us", "further conversions of a reading", again_us, "us", "each with its own overhead")]
    return [
        *(more if again_us else []),
        Line("convert_us", "conversion", convert_us, "us", "1 / rate, slow clock"),
        Line("step_us", "one step", step_us, "us", "relay off, relay on, settle, convert, overhead"),
        Line("scan_ms", "one scan, out and back", scan_ms, "ms", "two passes, zero, stuck tests, pack samples"),
        Line("scans_per_s", "scans a second", 1000 / scan_ms, "1/s", "from largest times of the parts"),
    ]


def _drain_lines(d: RelayScan) -> list[Line]:
    volts = d.string.group_max_v
    shares = d.string.groups + d.converter.extra_steps / 2
    read_a = volts / (2 * d.series.ohm + _load_ohm(d)) / shares
    # The leak of all relays above a group may flow through it: at most one relay a tap.
    leak_a = (d.string.groups + 1) * d.relay.off_leak_max_na * 1e-9
    supply_a = d.supply.board_mw * 1e-3 / d.supply.efficiency / _string_v(d)
    return [
        Line("read_mah_week", "taken from a group by reading it", read_a * _HOURS_A_WEEK * 1e3, "mAh/week",
             "the bus load for this group's share of the time; about the same for all"),
        Line("leak_mah_week", "taken unevenly by leakage, bound", leak_a * _HOURS_A_WEEK * 1e3, "mAh/week",
             "one relay a tap"),
        Line("supply_ah_week", "taken from every group alike by a supply fed from the pack", supply_a * _HOURS_A_WEEK,
             "Ah/week", "board power / efficiency / string voltage: empties, does not unbalance"),
    ]  # fmt: skip


def _power_lines(d: RelayScan) -> list[Line]:
    """Mean draw of the board at 3.3 V while nothing happens."""
    s = d.supply
    scan_ms = next(line.value for line in _time_lines(d) if line.key == "scan_ms")
    share = min(1.0, scan_ms / (1000 * s.interval_s))
    island_ua = s.island_ua / s.island_efficiency
    busy_ua = s.awake_ua + island_ua + 2 * s.relay_ua / s.island_efficiency
    every = f"a scan every {s.interval_s:g} s"
    rest = ((s.awake_ua + island_ua, "awake_ma", "awake, island on"), (s.asleep_ua + island_ua, "asleep_ma", "asleep"),
            (s.asleep_ua, "island_off_ma", "asleep, island switched off"))  # fmt: skip
    return [
        Line(key, f"mean draw, {words} in between", (share * busy_ua + (1 - share) * idle_ua) / 1e3, "mA",
             f"{every}, from typical currents of the parts")
        for idle_ua, key, words in rest
    ]  # fmt: skip


def _divider_bank(d: DividerBank) -> Budget:
    string_v = _string_v(d)
    tracking = d.divider.tracking_ppm_per_k * d.divider.temperature_range_k * 1e-6
    limit_mv = d.string.target_mv * _TARGET_SHARE
    step_mv = string_v / 2**d.converter.bits * 1e3
    bent = d.converter.bent_steps / 2**d.converter.bits
    error_mv = string_v * math.hypot(tracking, bent) * 1e3
    noise_mv = math.sqrt(2 / d.converter.conversions) * d.converter.noise_steps * step_mv
    # Group 1 carries the current of every divider, the top group that of one: sum over taps k of k V / R.
    n, volts = d.string.groups, d.string.group_max_v
    bottom_a = volts * n * (n + 1) / 2 / d.divider.ohm
    top_a = string_v / d.divider.ohm
    hours = 0.0 if d.divider.idle_disconnect else _HOURS_30_DAYS
    reach_v = limit_mv * 1e-3 / math.hypot(tracking, bent)
    lines = (
        Line("string_v", "full string", string_v, "V", "groups x highest group voltage"),
        Line("tracking_ppm", "one divider against another", tracking * 1e6, "ppm", "tracking x temperature range"),
        Line("step_mv", "one step of the converter", step_mv, "mV", "string / 2^bits"),
        Line("error_mv", "error of the top group, bound", error_mv, "mV",
             f"tracking and nonlinearity, of the string; at most a third of the target of {d.string.target_mv:g} mV",
             limit_mv),
        Line("reach_v", "highest string at which that is kept", reach_v, "V", "limit / (tracking and nonlinearity)"),
        Line("noise_mv", "noise of the top group", noise_mv, "mV", "two taps, falls with the root of the conversions"),
        Line("bottom_ah_30d", "taken from group 1 in 30 days", bottom_a * hours, "Ah", "it feeds every divider"),
        Line("top_ah_30d", "taken from the top group in 30 days", top_a * hours, "Ah", "it feeds one"),
        Line("uneven_ah_30d", "imbalance made in 30 days", (bottom_a - top_a) * hours, "Ah",
             "at most 0.05 Ah: small against a month's leak of a healthy cell", 0.05),
    )  # fmt: skip
    return Budget(f"divider bank, {n} groups", lines)
