"""Makes pool.npz: cells of a model that we did not write, from which the tests compose strings.

`python tests/data/physics/make_physics.py` (a quarter of an hour). The model is the single particle model with
electrolyte of `pybamm` (S. G. Marquis et al., J. Electrochem. Soc. 166 (2019) A3693; pybamm: V. Sulzer et al., J. Open
Res. Softw. 9 (2021) 14) with the LG M50 parameters of C.-H. Chen et al. (J. Electrochem. Soc. 167 (2020) 080534),
5.15 Ah: diffusion in particles and electrolyte and kinetics, no equivalent circuit.

One median cell is charged and ridden with its own constant-voltage hold; the current that it took is then driven
through all variants: capacity by electrode area, resistance by contact resistance, charge by initial stoichiometry.
Invented rides and invented faults.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pybamm
from evenstring.sim.run.random_ride import Load, random_ride

HERE = Path(__file__).parent
CONTACT_OHM = 0.006  # of the median cell; adds to what kinetics and electrolyte give
PULSE_OHM = 0.025  # about what a second's step shows of the whole cell; the unit of "percent resistance" here
RIDES = ((3000, 11, 0.93), (3900, 12, 0.95), (4500, 13, 0.90), (3600, 14, 0.88))  # seconds, seed, SoC at the start
HEALTHY = 36
# (capacity, resistance, charge) of the faulty ones, added to production scatter
FAULTY = tuple(
    fault for k in (1.0, 1.4, 1.8) for fault in ((-0.05 * k, 0.0, 0.0), (0.0, 0.20 * k, 0.0), (0.0, 0.0, -0.02 * k))
)
_AREA = "Number of electrodes connected in parallel to make a cell"
_CONTACT = "Contact resistance [Ohm]"
_NEGATIVE = "Initial concentration in negative electrode [mol.m-3]"
_POSITIVE = "Initial concentration in positive electrode [mol.m-3]"


def variants(rng: np.random.Generator) -> np.ndarray:
    """(v, 3) capacity, resistance and charge relative to the median cell; row 0 is the median cell itself."""
    faults = np.array(((0.0, 0.0, 0.0),) * HEALTHY + FAULTY)
    scatter = rng.standard_normal(faults.shape) * (0.01, 0.04, 0.004)
    scatter[HEALTHY:] *= faults[HEALTHY:] == 0  # the effect is the cell's own departure, scatter included
    return np.vstack([np.zeros(3), faults + scatter])


def inputs(values: pybamm.ParameterValues, soc: float, row: np.ndarray) -> dict[str, float]:
    x, y = pybamm.lithium_ion.get_initial_stoichiometries(soc + row[2], values)[:2]
    return {
        _AREA: 1.0 + row[0],
        _CONTACT: CONTACT_OHM + row[1] * PULSE_OHM,
        _NEGATIVE: x * values["Maximum concentration in negative electrode [mol.m-3]"],
        _POSITIVE: y * values["Maximum concentration in positive electrode [mol.m-3]"],
    }


def median_current(ride_s: int, seed: int, soc: float) -> tuple[np.ndarray, np.ndarray]:
    """Times and current (discharge positive) of the median cell: ride, rest, charge, an hour of hold, rest."""
    values = pybamm.ParameterValues("Chen2020")
    values.update({_CONTACT: CONTACT_OHM, **{k: v for k, v in inputs(values, soc, np.zeros(3)).items() if k != _AREA}})
    ride = random_ride(np.random.default_rng(seed), float(ride_s), 1.0, Load(peak_a=7.5))
    drive = np.column_stack([np.arange(len(ride)), ride])
    experiment = pybamm.Experiment([
        pybamm.step.current(drive, period="1 second"),
        pybamm.step.rest(duration="20 minutes", period="1 second"),
        pybamm.step.string("Charge at 1.25 A until 4.2 V", period="10 seconds"),
        pybamm.step.string("Hold at 4.2 V for 60 minutes", period="10 seconds"),
        pybamm.step.rest(duration="10 minutes", period="10 seconds"),
    ])  # fmt: skip
    model = pybamm.lithium_ion.SPMe({"contact resistance": "true"})
    values["Upper voltage cut-off [V]"] = 4.25
    solution = pybamm.Simulation(model, parameter_values=values, experiment=experiment).solve()
    t, first = np.unique(solution["Time [s]"].entries, return_index=True)
    return t, solution["Current [A]"].entries[first]


def pool_of(t: np.ndarray, current: np.ndarray, soc: float, rows: np.ndarray) -> np.ndarray:
    """(v, n) volts of every variant under this current."""
    values = pybamm.ParameterValues("Chen2020")
    plain = values.copy()
    values.update(dict.fromkeys((_AREA, _CONTACT, _NEGATIVE, _POSITIVE), "[input]"))
    values["Upper voltage cut-off [V]"], values["Lower voltage cut-off [V]"] = 4.6, 2.0
    values["Current function [A]"] = pybamm.Interpolant(t, current, pybamm.t)
    model = pybamm.lithium_ion.SPMe({"contact resistance": "true"})
    simulation = pybamm.Simulation(model, parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-8))
    out = []
    for row in rows:
        solution = simulation.solve([t[0], t[-1]], t_interp=t, inputs=inputs(plain, soc, row))
        volts = solution["Voltage [V]"].entries
        if len(volts) != len(t):
            sys.exit(f"a variant stopped early: {row}, {len(volts)} of {len(t)}")
        out.append(volts)
    return np.array(out)


def main() -> None:
    """Solve all and write pool.npz (volts in steps of 0.1 mV)."""
    pybamm.set_logging_level("ERROR")
    saved: dict[str, np.ndarray] = {}
    for k, (ride_s, seed, soc) in enumerate(RIDES):
        rows = variants(np.random.default_rng(100 + k))
        t, current = median_current(ride_s, seed, soc)
        volts = pool_of(t, current, soc, rows)
        saved |= {
            f"time_s_{k}": t.astype(np.float32),
            f"current_a_{k}": (-current).astype(np.float32),
            f"volts_{k}": np.rint(volts * 1e4).astype(np.uint16),
            f"rows_{k}": rows.astype(np.float32),
        }
        print(f"ride {k}: {len(t)} times, {volts.min():.3f} to {volts.max():.3f} V", flush=True)
        np.savez_compressed(HERE / "pool.npz", **saved)


if __name__ == "__main__":
    main()
