"""Budget: time of a scan, what it takes from the groups, what the board draws."""

from __future__ import annotations

from evenstring.hardware.budget.figures import Line
from evenstring.hardware.bus import bus_pf, load_ohm, settle_us, string_v
from evenstring.hardware.front_end import RelayScan

__all__ = ["drain_lines", "pack_lines", "power_lines", "time_lines"]

_HOURS_A_WEEK = 168.0
_HOURS_A_MONTH = 720.0
_BOARD_V = 3.3
_RESTING_V = 3.6  # a group of 4.2 V chemistries, half charged; common practice
_SMALL_AH = 10.0  # a small pack, for the share that parking takes; our choice


def time_lines(d: RelayScan) -> list[Line]:
    """From the largest times of the parts."""
    convert_us = 1e6 / d.converter.rate_hz * (1 + d.converter.clock_tolerance)
    wait_us = settle_us(d.series.ohm, bus_pf(d))
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


def drain_lines(d: RelayScan) -> list[Line]:
    """What the monitor takes from the groups, evenly and unevenly."""
    volts = d.string.group_max_v
    shares = d.string.groups + d.converter.extra_steps / 2
    read_a = volts / (2 * d.series.ohm + load_ohm(d)) / shares
    # The leak of all relays above a group may flow through it: at most one relay a tap.
    leak_a = (d.string.groups + 1) * d.relay.off_leak_max_na * 1e-9
    supply_a = d.supply.board_mw * 1e-3 / d.supply.efficiency / string_v(d)
    return [
        Line("read_mah_week", "taken from a group by reading it", read_a * _HOURS_A_WEEK * 1e3, "mAh/week",
             "the bus load for this group's share of the time; about the same for all"),
        Line("leak_mah_week", "taken unevenly by leakage, bound", leak_a * _HOURS_A_WEEK * 1e3, "mAh/week",
             "one relay a tap"),
        Line("supply_ah_week", "taken from every group alike by a supply fed from the pack", supply_a * _HOURS_A_WEEK,
             "Ah/week", "board power / efficiency / string voltage: empties, does not unbalance"),
    ]  # fmt: skip


def _busy_ua(d: RelayScan) -> float:
    """Draw at 3.3 V in the midst of a scan."""
    s = d.supply
    return s.awake_ua + (s.island_ua + 2 * s.relay_ua) / s.island_efficiency


def pack_lines(d: RelayScan) -> list[Line]:
    """What a supply fed from the pack takes in a month awake, asleep between scans, and parked."""
    s, volts = d.supply, d.string.groups * _RESTING_V
    mean_ma = {line.key: line.value for line in power_lines(d)}
    awake, asleep = (
        (mean_ma[key] * _BOARD_V / s.efficiency + s.idle_mw) / volts for key in ("awake_ma", "island_off_ma")
    )
    look_ma = (_busy_ua(d) * 1e-3 * _BOARD_V / s.efficiency + s.idle_mw) / volts
    parked = look_ma * s.look_s / s.parked_s + s.gate_ua * 1e-3
    every = f"fed from the pack at {_RESTING_V:g} V a group; the supply takes {s.idle_mw:g} mW for itself"
    return [
        Line("draw_awake_mah", "taken from the pack in 30 days, awake", awake * _HOURS_A_MONTH, "mAh", every),
        Line("draw_asleep_mah", "the same, asleep between scans", asleep * _HOURS_A_MONTH, "mAh",
             "island switched off; most of it is the supply itself"),
        Line("draw_parked_mah", "the same, parked", parked * _HOURS_A_MONTH, "mAh",
             f"its supply switched off, on for {s.look_s:g} s every {s.parked_s:g} s; {s.gate_ua:g} uA for the timer"),
        Line("parked_share", f"a week parked, of {_SMALL_AH:g} Ah", parked * _HOURS_A_WEEK / _SMALL_AH / 10, "%",
             "0.1 % is what is aimed at"),
    ]  # fmt: skip


def power_lines(d: RelayScan) -> list[Line]:
    """Mean draw of the board at 3.3 V while nothing happens."""
    s = d.supply
    scan_ms = next(line.value for line in time_lines(d) if line.key == "scan_ms")
    share = min(1.0, scan_ms / (1000 * s.interval_s))
    island_ua = s.island_ua / s.island_efficiency
    busy_ua = _busy_ua(d)
    every = f"a scan every {s.interval_s:g} s"
    rest = ((s.awake_ua + island_ua, "awake_ma", "awake, island on"), (s.asleep_ua + island_ua, "asleep_ma", "asleep"),
            (s.asleep_ua, "island_off_ma", "asleep, island switched off"))  # fmt: skip
    return [
        Line(key, f"mean draw, {words} in between", (share * busy_ua + (1 - share) * idle_ua) / 1e3, "mA",
             f"{every}, from typical currents of the parts")
        for idle_ua, key, words in rest
    ]  # fmt: skip
