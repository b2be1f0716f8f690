"""The simulated group against the equivalent-circuit model of pybamm (Sulzer et al., J. Open Res. Softw. 9 (2021) 14).

Same parameters in both: LG M50 curve, R0 and two RC pairs, 5 Ah. pybamm's current is positive on discharge. With
resistances that depend on SoC its RC pairs filter R(SoC) I where ours scale the filtered I: alike unless R is quick.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from evenstring.sim import ChargerModel, DutyCycle, Pack, simulate
from evenstring.sim.run.random_ride import Load, random_ride

CAPACITY_AH, R0 = 5.0, 0.025


def our_pack(soc: float, set_v: float = 4.1) -> Pack:
    pack = Pack.even(1, capacity_ah=CAPACITY_AH, r0_ohm=R0, soc=soc)
    charger = ChargerModel(current_a=2.5, set_v=set_v, done_light_a=0.1)
    return replace(pack, charger=charger, heat_k_per_a2=0.0, cold_rate_per_k=0.0)


def their_model(pack: Pack, soc: float) -> tuple[Any, Any]:
    """Model and parameters; pybamm is imported where it is used, since that takes seconds."""
    import pybamm  # noqa: PLC0415

    def scale(z):
        return 1.0 + pack.low_soc_rise * np.exp(-z / 0.08)

    grid = np.linspace(0.0, 1.0, 4001)
    ocv = pack.curve.voltage_v(grid)
    values = pybamm.ParameterValues("ECM_Example")
    r1, r2 = R0 * pack.r1_share, R0 * pack.r2_share
    values.update(
        {
            "Cell capacity [A.h]": CAPACITY_AH,
            "Nominal cell capacity [A.h]": CAPACITY_AH,
            "Initial SoC": soc,
            "Upper voltage cut-off [V]": 4.4,
            "Lower voltage cut-off [V]": 2.0,
            "Open-circuit voltage [V]": lambda z: pybamm.Interpolant(grid, ocv, z),
            "R0 [Ohm]": lambda _t, _i, z: R0 * scale(z),
            "R1 [Ohm]": lambda _t, _i, z: r1 * scale(z),
            "C1 [F]": lambda _t, _i, z: pack.tau1_s / (r1 * scale(z)),
            "R2 [Ohm]": lambda _t, _i, z: r2 * scale(z),
            "C2 [F]": lambda _t, _i, z: pack.tau2_s / (r2 * scale(z)),
            "Element-2 initial overpotential [V]": 0.0,
            "Entropic change [V/K]": lambda _ocv, _t: 0.0,
        },
        check_already_exists=False,
    )
    return pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 2}), values


def rms_mv(ours: np.ndarray, theirs: np.ndarray) -> float:
    return float(np.sqrt(np.mean((ours - theirs) ** 2)) * 1000.0)


@pytest.mark.parametrize("rise", [0.0, 0.8], ids=["constant R", "R rises at low SoC"])
def test_cc_cv_charge_and_rest_is_within_1_mv_rms_of_pybamm(rise):
    pack = replace(our_pack(0.3), low_soc_rise=rise)
    model, values = their_model(pack, 0.3)
    steps = [("Charge at 2.5 A until 4.1 V", "Hold at 4.1 V for 60 minutes", "Rest for 30 minutes")]
    import pybamm  # noqa: PLC0415

    experiment = pybamm.Experiment(steps, period="1 second")
    solution = pybamm.Simulation(model, parameter_values=values, experiment=experiment).solve()
    t, v = solution["Time [s]"].entries, solution["Voltage [V]"].entries
    cc_s = solution.cycles[0].steps[0]["Time [s]"].entries[-1]
    end_s = solution.cycles[0].steps[1]["Time [s]"].entries[-1]

    ours = simulate(pack, DutyCycle().charge(hours=float(end_s) / 3600.0).rest(minutes=30.0))

    assert ours.phases[0].kind == "charge_cc"
    assert abs(ours.phases[0].end_s - cc_s) <= 2.0
    keep = (np.abs(t - end_s) > 1.5) & (t > 1.0)  # our switches take one step, theirs none
    assert rms_mv(np.interp(t[keep], ours.time_s, ours.volts_v[:, 0]), v[keep]) < 1.0


def test_drive_cycle_is_within_1_mv_rms_of_pybamm():
    pack = our_pack(0.9)
    step_s = 0.5
    discharge_a = random_ride(np.random.default_rng(5), 1800.0, step_s, Load(peak_a=10.0))
    t = np.arange(len(discharge_a)) * step_s
    model, values = their_model(pack, 0.9)
    import pybamm  # noqa: PLC0415

    values["Current function [A]"] = pybamm.Interpolant(t, discharge_a, pybamm.t)
    solution = pybamm.Simulation(model, parameter_values=values).solve([0, t[-1]], t_interp=t)

    ours = simulate(pack, DutyCycle().load(-discharge_a, step_s=step_s))

    assert solution.t[-1] == pytest.approx(t[-1])  # a cut-off ends their run silently
    assert len(ours.time_s) == len(t)
    assert rms_mv(ours.volts_v[:, 0], solution["Voltage [V]"](t)) < 1.0
    assert ours.soc[-1, 0] == pytest.approx(float(solution["SoC"](t[-1])), abs=1e-4)
