"""Budget: errors and noise of a reading, and what two groups can be told apart by.

Bounds are worst cases of the parts; uncertainties follow JCGM 100:2008 (a bound is a rectangle, u = bound / sqrt 3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenstring.hardware.budget.figures import Line
from evenstring.hardware.bus import bus_pf, leak_paths, load_ohm, settle_us
from evenstring.hardware.front_end import RelayScan

__all__ = ["error_lines"]

_BOLTZMANN = 1.380649e-23  # J/K, exact in the SI
_HOT_K = 333.0
_WIRE_STEP_UV = 200.0
_TARGET_SHARE = 1 / 3  # the expanded uncertainty of a difference may take a third of the target; our choice
_GAIN_REACH_PPM = 10_000.0  # of the calibration in a board description


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Largest error of one reading from each cause, uV; signs differ from group to group."""

    leak: float
    clamp: float
    bent: float
    mismatch: float
    unsettled: float

    def standard_uv(self) -> float:
        """All of them together as rectangles."""
        return math.sqrt(sum(b**2 for b in (self.leak, self.clamp, self.bent, self.mismatch, self.unsettled)) / 3)


def _bounds(d: RelayScan) -> _Bounds:
    volts = d.string.group_max_v
    load, pair = load_ohm(d), 2 * d.series.ohm
    pf = bus_pf(d)
    return _Bounds(
        leak=leak_paths(d.string.groups, d.relay.bank) * d.relay.off_leak_max_na * d.series.ohm * 1e-3,
        clamp=2 * d.bus.clamp_leak_na * d.series.ohm * 1e-3,
        bent=d.converter.bent_steps * d.converter.step_uv,
        mismatch=volts * 1e6 * pair * d.series.tolerance_ppm * 1e-6 / (load + pair),
        unsettled=2 * volts * 1e6 * math.exp(-settle_us(d.series.ohm, pf) / (pair * pf * 1e-6)),
    )


def _noise_uv(d: RelayScan, johnson_uv: float) -> float:
    # The converter's own step is averaged too: noise of about half a step shakes it.
    one_uv2 = d.converter.noise_uv**2 + johnson_uv**2 + d.converter.step_uv**2 / 12
    return math.sqrt(one_uv2 / d.converter.conversions + _WIRE_STEP_UV**2 / 12)


def error_lines(d: RelayScan) -> list[Line]:
    """What a reading is wrong by, and what remains between two groups."""
    b = _bounds(d)
    johnson_uv = math.sqrt(4 * _BOLTZMANN * _HOT_K * 2 * d.series.ohm * d.converter.rate_hz / 2) * 1e6
    noise_uv = _noise_uv(d, johnson_uv)
    spread_mv = 2 * math.sqrt(2) * math.sqrt(b.standard_uv() ** 2 + noise_uv**2 / 2) * 1e-3
    limit_mv = d.string.target_mv * _TARGET_SHARE
    return [*_leak_lines(d, b, noise_uv, limit_mv), *_gain_lines(d, b), *_settle_lines(d, b),
        Line("johnson_uv", "noise of the leads", johnson_uv, "uV", "sqrt(4kTRB), 60 degC"),
        Line("noise_uv", "noise of one reading", noise_uv, "uV",
             "converter, leads, steps of converter and wire; all but the last fall with the root of the conversions"),
        Line("channel_u_uv", "one channel against another, standard uncertainty", b.standard_uv(), "uV",
             "the bounds above as rectangles; calibration lowers all but the leakage's change with heat"),
        Line("gain_mv", "converter's gain, in one group's voltage", d.string.group_max_v * d.converter.gain_ppm * 1e-3,
             "mV", "common to all groups: cancels in the spread, not against a limit"),
        Line("spread_u_mv", "difference of two groups, expanded uncertainty (k = 2)", spread_mv, "mV",
             f"mean of both passes; at most a third of the target of {d.string.target_mv:g} mV", limit_mv),
    ]  # fmt: skip


def _leak_lines(d: RelayScan, b: _Bounds, noise_uv: float, limit_mv: float) -> list[Line]:
    paths = leak_paths(d.string.groups, d.relay.bank)
    others_uv2 = 3 * b.standard_uv() ** 2 - b.leak**2
    spare_uv2 = 3 * ((limit_mv * 1e3 / (2 * math.sqrt(2))) ** 2 - noise_uv**2 / 2) - others_uv2
    allowed_na = math.sqrt(max(spare_uv2, 0.0)) / (max(paths, 1) * d.series.ohm * 1e-3)
    return [
        Line("paths", "relays that leak into one line", paths, "", "taps on the line, less the closed one"),
        Line("leak_uv", "leakage error of one reading, bound", b.leak, "uV",
             "relays x largest leakage x series resistor; differs by position and looks like spread"),
        Line("leak_allowed_na", "largest leakage that this design could bear", allowed_na, "nA",
             "from the limit on a difference, all else as it is; what each relay must keep", d.relay.off_leak_max_na,
             True),
        Line("clamp_uv", "leakage of the clamps, bound", b.clamp, "uV",
             "both lines' diodes through a lead each; turns with the polarity: a comb"),
        Line("bent_uv", "nonlinearity of the converter, bound", b.bent, "uV", "turns with the polarity: a comb"),
    ]  # fmt: skip


def _gain_lines(d: RelayScan, b: _Bounds) -> list[Line]:
    load, pair = load_ohm(d), 2 * d.series.ohm
    lost_ppm = pair / (load + pair) * 1e6
    return [
        Line("load_mohm", "load of the bus on a group", load * 1e-6, "Mohm",
             "bias, the converter's input, its two inputs to ground"),
        Line("load_ppm", "gain lost in the leads", lost_ppm, "ppm", "leads against that; common to all groups"),
        Line("gain_need_ppm", "gain that calibration must mend", lost_ppm + d.converter.gain_ppm, "ppm",
             "leads and converter; the board description reaches 10,000", _GAIN_REACH_PPM),
        Line("mismatch_uv", "its difference between groups, bound", b.mismatch, "uV", "tolerance of the leads"),
        Line("drift_ppm", "the same when one lead's resistors drift by 1 %", d.series.ohm * 0.01 / load * 1e6, "ppm",
             "of the two groups at it"),
        Line("contact_mv", "each kohm that a contact adds takes", d.string.group_max_v * 1e3 / load * 1e3, "mV",
             "of a full group, from both groups at that lead"),
    ]  # fmt: skip


def _settle_lines(d: RelayScan, b: _Bounds) -> list[Line]:
    pf = bus_pf(d)
    return [
        Line("bus_pf", "capacitance between the lines", pf, "pF",
             "half of a line's own, its open relays' and its lead's"),
        Line("tau_us", "time constant of the bus", 2 * d.series.ohm * pf * 1e-6, "us", "two leads x that"),
        Line("settle_us", "wait after closing", settle_us(d.series.ohm, pf), "us", "eleven of them and 20 us"),
        Line("unsettled_uv", "left of the voltage before, bound", b.unsettled, "uV",
             "a swing of two groups, since polarity alternates"),
    ]  # fmt: skip
