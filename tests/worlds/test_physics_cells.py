"""The strings of published cells: held to pybamm's own solution of its own model, and to their own promises."""

from __future__ import annotations

import os
from dataclasses import replace

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

import numpy as np
import pytest

from tests.worlds.physics.cells import Cells, mesh_of, model_of
from tests.worlds.physics.papers import CHECKED, FULL, PAPERS, TUNED, WITHHELD, options_of, paper_of, parameters
from tests.worlds.physics.sessions import session


@pytest.mark.parametrize(
    "paper", ["Ai2020", "Prada2013", "ORegan2022", "Ecker2015+DFN", "Prada2013_branches", "Mohtat2020_titanate"]
)
def test_our_steps_follow_pybamms_own_solution_of_a_charge_within_a_millivolt(paper: str) -> None:
    import pybamm  # noqa: PLC0415  # takes seconds, in every worker that collects

    # Outside source: pybamm's Simulation with its adaptive solver, CC then CV then rest, on the same mesh.
    model, full_v, begin = model_of(paper), paper_of(paper).full_v, 0.6
    dfn = paper.endswith(FULL)
    amps = 0.5 * model.ah
    steps = [f"Charge at {amps} A until {full_v} V", f"Hold at {full_v} V for 20 minutes", "Rest for 20 minutes"]
    if dfn:
        steps = [f"Charge at {amps} A for 15 minutes", "Rest for 10 minutes"]
    theirs = pybamm.Simulation(
        (pybamm.lithium_ion.DFN if dfn else pybamm.lithium_ion.SPMe)(options_of(paper)),
        parameter_values=parameters(paper.removesuffix(FULL)),
        experiment=pybamm.Experiment([tuple(steps)], period="5 seconds"),
        var_pts=mesh_of(paper),
    ).solve(initial_soc=begin)
    t, volts, current = (theirs[k].entries for k in ("Time [s]", "Voltage [V]", "Current [A]"))

    cell, ours, now = Cells(model, np.array([begin]), np.array([25.0])), [], 0.0
    for k in range(len(t)):
        while now < t[k] - 1e-9:
            h = min(1.0, t[k] - now)
            cell.step(np.array([-np.interp(now + h / 2, t, current)]), h)
            now += h
        ours.append(cell.volts(np.array([-current[k]]))[0][0])

    assert t[-1] > 1400.0
    settled = np.interp(t, t[1:], np.diff(t)) > 1e-3  # instants at which pybamm changes the step are there twice
    assert np.abs(np.array(ours) - volts)[settled].max() < 1e-3


def test_more_shells_and_shorter_steps_say_the_same_where_the_diffusivity_is_steep(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With the 20 shells and 2 s that do for the other papers it runs away before the charge is half over."""
    fair = _charge_of("ORegan2022")
    paper = replace(PAPERS["ORegan2022"], shells=90)
    monkeypatch.setitem(PAPERS, "ORegan2022", paper)
    fine = _charge_of("ORegan2022")
    monkeypatch.setitem(PAPERS, "ORegan2022", replace(paper, shells=20))
    coarse = _charge_of("ORegan2022")

    assert np.abs(fair - fine).max() < 10e-3
    assert np.quantile(np.abs(fair - fine), 0.8) < 1e-3
    assert not np.abs(coarse - fine).max() < 1.0


def _charge_of(paper: str) -> np.ndarray:
    """V each minute of 70 minutes at 0.5 C from a fifth."""
    model_of.cache_clear()
    model = model_of(paper)
    cell, amps, volts = Cells(model, np.array([0.2]), np.array([25.0])), np.array([0.5 * model.ah]), []
    for _ in range(70):
        for _ in range(6):
            cell.step(amps, 10.0)
        volts.append(cell.volts(amps)[0][0])
    model_of.cache_clear()
    return np.array(volts)


def test_charge_put_in_is_the_charge_between_the_states_of_charge() -> None:
    model = model_of("Mohtat2020")
    cell = Cells(model, np.array([0.3]), np.array([25.0]))
    for _ in range(3600):
        cell.step(np.array([0.2 * model.ah]), 1.0)
    for _ in range(600):
        cell.step(np.zeros(1), 60.0)

    rested = Cells(model, np.array([0.5]), np.array([25.0])).volts(np.zeros(1))[0]
    assert cell.volts(np.zeros(1))[0] == pytest.approx(rested, abs=2e-4)


def test_same_seed_same_session() -> None:
    one, profile, truth = session(102, "Mohtat2020")
    other, same_profile, same_truth = session(102, "Mohtat2020")

    np.testing.assert_array_equal(one.volts_v, other.volts_v)
    assert (profile, truth) == (same_profile, same_truth)


def test_papers_are_in_one_set_only_but_for_the_one_iron_phosphate_cell_that_is_not_withheld() -> None:
    assert set(TUNED) & set(CHECKED) == {"Prada2013"}
    assert not set(WITHHELD) & {*TUNED, *CHECKED}
    for papers in (TUNED, CHECKED, WITHHELD):
        assert "lfp" in {PAPERS[p].chemistry for p in papers}
    assert {PAPERS[p].chemistry for p in PAPERS} == {"nmc", "nca", "lco", "lfp"}
