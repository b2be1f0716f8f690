"""Made tests/data/physics_charges/balancing.csv: a string of physics cells that a board balances (pybamm SPMe, Ai2020).

python tests/outside/make_pybamm_balancing.py

Cells nobody here wrote, of a paper whose curve the tool does not have (W. Ai et al., J. Electrochem. Soc. 167 (2020)
013512: LiCoO2 against graphite). Twelve groups of ten cells in parallel, in series, invented: eleven within 0.6 % of
charge, one 2.5 % low. A charger holds the string's sum; a board bleeds what is above its threshold and 5 mV above the
lowest. Cells that are alike are worked out once. The table ends after an hour of constant voltage; the run goes on,
unchanged, until the spread has been at 10 mV for ten minutes, and prints how long that took.
"""

from __future__ import annotations

import os
from pathlib import Path

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"

import numpy as np
import pybamm

OUT = Path(__file__).parents[1] / "data" / "physics_charges"
STEP_S, REST_S, HELD_S = 10.0, 600.0, 3600.0
FULL_A, SET_V, BLEED_A, THRESHOLD_V, ABOVE_LOWEST_V, TARGET_V = 0.5, 4.20, 0.020, 4.15, 0.005, 0.010  # A: of a cell
PARALLEL = 10
QUICK_OHM = 0.065  # by which the charger foresees what a change of its current does
SOC = (0.700, 0.703, 0.697, 0.675)  # kinds of cells
KIND = (0, 1, 2, 0, 0, 1, 3, 2, 0, 2, 1, 0)  # of groups 1 to 12


class Cell:
    """One SPMe cell that is stepped along with a current."""

    def __init__(self, soc: float) -> None:
        values = pybamm.ParameterValues("Ai2020")
        values["Current function [A]"] = "[input]"
        values["Upper voltage cut-off [V]"] = 4.6
        self.simulation = pybamm.Simulation(pybamm.lithium_ion.SPMe(), parameter_values=values)
        self.simulation.build(initial_soc=soc, inputs={"Current function [A]": 0.0})

    def step(self, charging_a: float) -> float:
        """Volts after a step."""
        solution = self.simulation.step(STEP_S, inputs={"Current function [A]": -charging_a}, save=False)
        return float(solution["Voltage [V]"].entries[-1])


def main() -> None:
    cells = [Cell(soc) for soc in SOC]
    count = np.bincount(KIND)
    volts, bleeds = np.zeros(len(cells)), np.zeros(len(cells), dtype=bool)
    rows, amps, changed, now, held_at, even_since = [], 0.0, 0.0, 0.0, np.inf, np.nan
    level = drift = 0.0
    while True:
        charging = now >= REST_S
        before, level = level, float(volts @ count) / len(KIND)
        if not charging:
            amps = 0.0
        else:
            # What the level would do by itself, and the current that takes the rest of the way to the set voltage.
            drift = level - before - QUICK_OHM * changed
            wanted = float(np.clip(amps + (SET_V - level - drift) / QUICK_OHM, 0.0, FULL_A))
            changed, amps = wanted - amps, wanted
            held_at = now if held_at == np.inf and amps < FULL_A and now > REST_S + 600.0 else held_at
        volts = np.array([cell.step(amps - BLEED_A * on) for cell, on in zip(cells, bleeds, strict=True)])
        bleeds = (volts > THRESHOLD_V) & (volts > volts.min() + ABOVE_LOWEST_V) & charging
        now += STEP_S
        if now <= held_at + HELD_S:
            rows.append([now, *volts[list(KIND)], PARALLEL * amps])
        else:
            even_since = (now if np.isnan(even_since) else even_since) if np.ptp(volts) <= TARGET_V else np.nan
            if now - even_since >= 600.0 or now > 2e5:
                break
        if int(now) % 3600 == 0:
            print(f"{now / 3600:.0f} h: {np.ptp(volts) * 1e3:.1f} mV, {amps:.3f} A")
    left_s = even_since - held_at - HELD_S
    print(f"constant voltage from {held_at:.0f} s; balanced {left_s:.0f} s after the table's end")
    header = ",".join(["t_s", *(f"g{k + 1}" for k in range(len(KIND))), "current_a"])
    np.savetxt(OUT / "balancing.csv", rows, fmt="%.4f", delimiter=",", header=header, comments="")


if __name__ == "__main__":
    main()
