"""Made tests/data/physics_charges/*.csv: strings of physics cells (pybamm SPMe, Chen2020) charged in series.

python tests/outside/make_pybamm_charges.py

The string's current is the CC-CV current of one middling cell; every other cell gets that same current from its own
state of charge, so the sum is held only nearly. Cells nobody here wrote, no equivalent circuit; the string is invented.
"""

from __future__ import annotations

import os
from pathlib import Path

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"

import numpy as np
import pybamm

OUT = Path(__file__).parents[1] / "data" / "physics_charges"
STEP_S = 5.0
SOC = {"even": [0.5] * 6, "one_low": [0.5, 0.5, 0.46, 0.5, 0.502, 0.498]}


def middling_current() -> tuple[np.ndarray, np.ndarray, list[float]]:
    steps = ("Rest for 10 minutes", "Charge at 1.5 A until 4.2 V", "Hold at 4.2 V until 100 mA", "Rest for 20 minutes")
    values = pybamm.ParameterValues("Chen2020")
    values["Upper voltage cut-off [V]"] = 4.4
    simulation = pybamm.Simulation(
        pybamm.lithium_ion.SPMe(),
        parameter_values=values,
        experiment=pybamm.Experiment([steps], period=f"{STEP_S} seconds"),
    )
    solution = simulation.solve(initial_soc=0.5)
    ends = [float(s["Time [s]"].entries[-1]) for s in solution.cycles[0].steps]
    return solution["Time [s]"].entries, -solution["Current [A]"].entries, ends


def volts(soc: float, t: np.ndarray, amps: np.ndarray) -> np.ndarray:
    values = pybamm.ParameterValues("Chen2020")
    values["Upper voltage cut-off [V]"] = 4.5
    keep = np.concatenate([[True], np.diff(t) > 1e-6])
    values["Current function [A]"] = pybamm.Interpolant(t[keep], -amps[keep], pybamm.t)
    simulation = pybamm.Simulation(pybamm.lithium_ion.SPMe(), parameter_values=values)
    solution = simulation.solve([0, t[-1]], t_interp=np.arange(0, t[-1], STEP_S), initial_soc=soc)
    return solution["Voltage [V]"].entries


if __name__ == "__main__":
    OUT.mkdir(parents=True, exist_ok=True)
    time_s, current_a, ends_s = middling_current()
    print("ends of rest, CC, CV, rest:", [round(e, 1) for e in ends_s])
    grid = np.arange(0, time_s[-1], STEP_S)
    for name, socs in SOC.items():
        once = {s: volts(s, time_s, current_a) for s in set(socs)}
        n = min(len(grid), *(len(v) for v in once.values()))
        columns = [grid[:n], *(once[s][:n] for s in socs), np.interp(grid[:n], time_s, current_a)]
        header = ",".join(["t_s", *(f"g{k + 1}" for k in range(len(socs))), "current_a"])
        np.savetxt(OUT / f"{name}.csv", np.column_stack(columns), fmt="%.4f", delimiter=",", header=header, comments="")
