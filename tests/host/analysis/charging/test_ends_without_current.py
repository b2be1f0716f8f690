"""Where a charge turns to constant voltage and where it ends, told from voltages alone; truth from the simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.charging import charge_end
from evenstring.analysis.charging.charge_end import without_standstill
from evenstring.analysis.phases.current_steps import by_taps_v, without_end_leads
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.results import Balancing, Charge
from evenstring.analysis.run import analyse
from evenstring.analysis.series.signals import make_signals
from evenstring.profile import PackProfile
from evenstring.session import Meter, Session
from evenstring.sim import Balancer, ChargerModel, DutyCycle, MeterModel, Pack, Scatter, measure, simulate

GROUPS = 16
PROFILE = PackProfile(groups=GROUPS)
STATED = Meter(noise_v=0.0005, channel_u_v=0.001, gain_u=0.001)
EVEN = Scatter(charge=0.0004, capacity=0.001, resistance=0.01, leak_per_week=0.0005)


def charged(
    *,
    hours: float,
    rest: bool = True,
    scatter: Scatter = EVEN,
    lead_ohm: float = 0.0,
    board: Balancer | None = None,
    lead_of_first: float = 0.0,
) -> tuple[Session, Session, list[tuple[str, float, float]]]:
    """A charge recorded at ten scans a second, with its current and without; and the true phases."""
    pack = Pack.random(np.random.default_rng(5), groups=GROUPS, soc=0.75, scatter=scatter)
    soc = pack.soc0.copy()
    soc[0] += lead_of_first
    charger = ChargerModel(current_a=5.0, set_v=GROUPS * 4.20, done_light_a=0.5)
    pack = replace(pack, soc0=soc, charger=charger, balancer=board or pack.balancer)
    plan = DutyCycle().rest(minutes=10).charge(hours=hours)
    trajectory = simulate(pack, plan.rest(minutes=20) if rest else plan, step_s=2.0)
    meter = MeterModel(stated=STATED, shared_lead_ohm=lead_ohm, step_s=0.0025)
    session = measure(trajectory, meter, np.random.default_rng(6), scans_per_s=10.0, with_current=True)
    blind = replace(session, current_a=None, current_out_a=None, current_back_a=None)
    return session, blind, [(p.kind, p.start_s, p.end_s) for p in trajectory.phases]


@pytest.mark.slow
@pytest.mark.parametrize("hours", [1.2, 2.0, 4.5])
def test_without_a_sensor_a_charge_that_ended_is_never_said_to_go_on(hours: float) -> None:
    """Held for hours on an even string the current dies away, and its end leaves no step: then nobody can tell."""
    with_current, blind, _ = charged(hours=hours)

    told = analyse(with_current, PROFILE).charge.ended
    found = analyse(blind, PROFILE)

    assert told == ("interrupted_in_cv" if hours == 1.2 else "full")  # at 0.79 A; the light is 0.5 A
    assert found.charge.ended in ("full", "cannot_tell")  # held for long counts as full where no current tells
    if found.charge.ended == "cannot_tell":
        said = next(u for u in found.unknown if u.what == "charge.ended")
        assert said.why
        assert said.record_next


def test_nothing_is_said_never_to_get_even_where_the_charger_may_have_gone_unseen() -> None:
    never = Balancing("not_converging", answer="never", spread_mv=40.0)
    soon = replace(never, state="converging", answer="time", remaining_s=3600.0)

    assert without_standstill(never, Charge("cannot_tell")).state == "not_reached"
    assert without_standstill(never, Charge("cannot_tell")).answer == "none"
    assert without_standstill(never, Charge("full")) == never
    assert without_standstill(soon, Charge("cannot_tell")) == soon


def test_a_recording_that_ends_soon_after_the_voltage_is_held_ends_while_charging() -> None:
    _, blind, true = charged(hours=1.4, rest=False)

    assert true[-1][0] == "charge_cv"
    assert analyse(blind, PROFILE).charge.ended == "still_charging"


def test_three_minutes_of_constant_voltage_are_seen_without_a_sensor() -> None:
    _, whole, true = charged(hours=2.0)
    turn = next(start for kind, start, _ in true if kind == "charge_cv")
    _, blind, true = charged(hours=(turn + 180.0 - true[0][2]) / 3600.0)

    found = find_phases(blind, PROFILE)

    assert [p.kind for p in found] == [kind for kind, _, _ in true]
    assert whole.scans > blind.scans
    for phase, (_, _, end) in list(zip(found, true, strict=True))[:-1]:
        assert abs(phase.end_s - end) <= 30.0


def test_an_end_group_that_bleeds_through_shared_leads_does_not_end_the_charge() -> None:
    """The first group is ahead, so it bleeds again and again: by Ohm's law its lead moves the pack as read."""
    board = Balancer(bleed_a=0.12, threshold_v=4.15, rule="odd_even", at_rest=False)
    _, blind, true = charged(hours=2.0, lead_ohm=0.08, board=board, lead_of_first=0.02)

    signals = make_signals(blind)
    found = find_phases(blind, PROFILE)

    resting = np.zeros(len(signals.time_s), dtype=bool)
    assert np.ptp(without_end_leads(signals, resting) - signals.level_v) > 0.2e-3  # the leads are seen through
    assert [p.kind for p in found] == [kind for kind, _, _ in true]
    for phase, (_, _, end) in list(zip(found, true, strict=True))[:-1]:
        assert abs(phase.end_s - end) <= 60.0


def test_the_level_by_taps_is_the_slope_of_numpys_line_through_their_potentials() -> None:
    """Outside reference: numpy.polyfit through the potentials of all taps, the pack's negative included."""
    volts = np.random.default_rng(7).normal(3.9, 0.05, (4, GROUPS))
    taps = np.concatenate([np.zeros((4, 1)), np.cumsum(volts, axis=1)], axis=1)

    slope = np.polyfit(np.arange(GROUPS + 1.0), taps.T, 1)[0]

    assert np.allclose(by_taps_v(volts), slope, atol=1e-12)
    one_lead = volts.copy()
    one_lead[:, :2] += np.array([-0.004, 0.002])  # the first group bleeds: twice the drop down, its neighbour up
    assert np.abs(by_taps_v(one_lead) - by_taps_v(volts)).max() < 0.05 * np.abs((one_lead - volts).mean(axis=1)).max()


def held_for(rows: int, first_mv: float = 0.0, stop_v: float = 0.032) -> Session:
    """A climb of an hour, so many rows of a minute at 4.172 V, and a stop; the first group stands so much higher."""
    step_s, climb = 60.0, 4.17 - 0.004 * np.arange(60.0)[::-1]
    level = np.concatenate([
        np.full(10, climb[0] - 0.03), climb, np.full(rows, 4.172), np.full(30, 4.172 - stop_v),
    ])  # fmt: skip
    volts = level[:, None] + np.linspace(-2e-3, 2e-3, GROUPS)
    volts[:, 0] += first_mv / 1e3
    volts += np.random.default_rng(7).normal(0.0, 2e-4, volts.shape)
    t = np.arange(len(level)) * step_s
    return Session(t, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(len(t), np.float32))


@pytest.mark.parametrize(("first_mv", "ended"), [(0.0, "interrupted_in_cv"), (78.0, "cannot_tell")])
def test_a_group_at_its_ceiling_may_have_ended_a_current_too_small_to_leave_a_step(first_mv: float, ended: str) -> None:
    """Of a published cell: its third stage left a millivolt when the board cut at 4.25 V."""
    assert analyse(held_for(7, first_mv, 0.004), PROFILE).charge.ended == ended


@pytest.mark.parametrize(("rows", "ended"), [(5, "cannot_tell"), (7, "interrupted_in_cv")])
def test_a_few_rows_of_a_minute_are_no_held_voltage_yet(rows: int, ended: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of published cells two of 46 charges said to be interrupted there were full, or had not come to it."""
    session = held_for(rows)

    mended = analyse(session, PROFILE).charge.ended
    monkeypatch.setattr(charge_end, "_FEW_ROWS", 0.0)

    assert mended == ended
    assert analyse(session, PROFILE).charge.ended == "interrupted_in_cv"
