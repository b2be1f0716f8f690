"""Interpreter time of the firmware for one scan, front-end waits and models left out, in units of a fixed loop."""

from __future__ import annotations

from tests.firmware.rig.run import run as run_script
from tests.mp import Unix64

GROUPS = 24
STEPS = {
    "read": "read both passes, sensors, checks",
    "alarms": "alarms, every single reading",
    "ahead": "warning ahead",
    "pack": "pack and write",
    "crc": "CRC-32",
    "cobs": "COBS",
}


# A scan of 24 groups on an RP2040's instruction set, in turns of a loop that does nothing (3.1 us there): a relay scan
# of 366 ms and a bank scan of 45 ms. Ahead looks four times a second at most, at every fifth bank scan.
TURNS = {"relay": 118_000, "bank": 14_500}
BUDGET = {"relay": 0.05, "bank": 0.12}


def measure(groups: int = GROUPS) -> dict[str, float]:
    """Time of a whole scan and of its steps, each as a multiple of a loop of 1000 small sums run beside it."""
    lines = run_script(Unix64(), f"import timing\ntiming.main({groups})", heap="1m")
    return {name: float(value) for name, value in (line.split() for line in lines if len(line.split()) == 2)}


def run() -> list[str]:
    """The figures as lines."""
    got = measure()
    lines = [f"one scan of {GROUPS} groups, out and back: {got['whole']:.1f} x a loop of 1000 small sums (MicroPython)"]
    lines += [f"{what:<36} {got[key]:6.2f}  {100 * got[key] / got['whole']:3.0f} %" for key, what in STEPS.items()]
    rest = got["whole"] - sum(got[key] for key in STEPS)
    lines.append(f"{'pace, quiet watch, the rest':<36} {rest:6.2f}  {100 * rest / got['whole']:3.0f} %")
    lines.append(f"{'besides, when it records: delta block':<36} {got['delta']:6.2f}")
    for front, turns in TURNS.items():
        share = got[f"turns_{front}"] / turns
        lines.append(
            f"alarms and ahead: {got[f'turns_{front}']:,.0f} turns of a loop, {100 * share:.1f} % of a {front} scan"
            f" (budget {100 * BUDGET[front]:.0f} %{'' if share <= BUDGET[front] else ', MISSED'})"
        )
    for key, what in (("crc", "CRC-32"), ("cobs", "COBS")):
        lines.append(f"{what} in viper: {got['plain_' + key] / got[key]:.0f} times the plain twin's speed")
    return lines
