"""A string of physics cells keeps the rules of a series circuit, a charger and a board."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.worlds.physics.boards import Board
from tests.worlds.physics.cells import model_of
from tests.worlds.physics.chargers import Charger
from tests.worlds.physics.string import Groups, Plan, Run, Stage

GROUPS, AH, SET_V, BLEED_A = 5, 10.0, 4.20, 0.08


def _plan(rule: str = "band", low: float = 0.02) -> Plan:
    model = model_of("Mohtat2020")
    soc = np.full(GROUPS, 0.93)
    soc[2] -= low
    zeros = np.zeros(GROUPS)
    groups = Groups("Mohtat2020", AH / model.ah, np.ones(GROUPS), soc, zeros, zeros, np.full(GROUPS, 25.0))
    board = Board(rule, np.full(GROUPS, BLEED_A), zeros, 4.15)
    charger = Charger(GROUPS * SET_V, ((np.inf, 3.0),), light_a=0.3)
    return Plan(groups, board, charger, (Stage("charge", 2 * 3600.0, held_s=5400.0),), 2.0, 4.25, 2.8)


def _run(plan: Plan) -> tuple[Run, np.ndarray, np.ndarray]:
    run = Run(plan)
    run.go()
    return run, np.array(run.trace.volts_v), np.array(run.trace.current_a)


def test_charger_gives_its_current_until_the_sum_is_at_the_set_voltage_and_holds_it_there() -> None:
    _, volts, amps = _run(_plan())
    held = amps < 2.999

    assert held.any()
    assert not held.all()
    assert np.abs(volts[held].sum(axis=1) - GROUPS * SET_V).max() < 2e-3
    assert (volts[~held].sum(axis=1) <= GROUPS * SET_V + 2e-3).all()
    assert amps[~held] == pytest.approx(3.0)


def test_charge_that_was_counted_is_the_charge_in_the_particles() -> None:
    run, _, _ = _run(_plan())
    at = run.model.positive
    shells = np.diff(np.linspace(0.0, 1.0, at.stop - at.start + 1) ** 3)
    mean = run.cells.state[:, at] @ shells
    empty, full = (s[at] @ shells for s in (run.model.empty, run.model.full))

    np.testing.assert_allclose((mean - empty) / (full - empty), run.soc, atol=1e-5)


def test_a_volt_that_no_cell_has_ends_the_run() -> None:
    plan = _plan()
    plan = replace(plan, groups=replace(plan.groups, ohm=np.full(GROUPS, 2.0)))

    with pytest.raises(FloatingPointError, match="no cell has"):
        Run(replace(plan, stages=(Stage("ride", 60.0, np.full(61, -9.0)),), dead_v=-np.inf)).go()


def test_low_group_is_left_alone_and_gains_what_the_others_bleed() -> None:
    run, _, _ = _run(_plan())
    bleed = np.array(run.trace.bleed_a)
    before, after = run.trace.soc[0], run.soc

    assert bleed[:, 2].max() == 0.0
    assert bleed[:, [0, 1, 3, 4]].max(axis=0) == pytest.approx(BLEED_A)
    bled_ah = bleed[:, 0].sum() * 2.0 / 3600.0
    assert ((after - before)[2] - (after - before)[0]) * AH == pytest.approx(bled_ah, rel=1e-3)


def test_board_by_turns_bleeds_a_third_at_a_time() -> None:
    plan = _plan()
    plan = replace(plan, board=replace(plan.board, rule="by_turns", wants=np.zeros(0, dtype=bool)))
    run, _, _ = _run(plan)
    bleeding = np.array(run.trace.bleed_a) > 0

    assert bleeding.any()
    assert all(len({k % 3 for k in np.flatnonzero(row)}) <= 1 for row in bleeding)


def test_protection_cuts_when_a_group_is_at_its_ceiling_and_the_current_is_gone() -> None:
    plan = _plan(rule="none", low=-0.06)
    plan = replace(plan, stages=(*plan.stages, Stage("rest", 300.0)))
    run, volts, amps = _run(plan)

    assert run.ended == "ceiling"
    assert volts.max() == pytest.approx(4.25, abs=5e-3)
    assert amps[-100:].max() == 0.0
