"""Current sensors as they fail: found, mended or left out, and never a cell's fault. Packs of our own simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.readings.current_sensor import SensorLook, look_at_sensor
from evenstring.analysis.run import analyse
from evenstring.analysis.series.signals import make_signals
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

GROUPS = 12
PROFILE = PackProfile(groups=GROUPS)


def day(seed: int) -> Session:
    """A rest, a ride, a long rest, a charge: healthy, every 2 s."""
    rng = np.random.default_rng(seed)
    plan = DutyCycle().rest(minutes=20).ride(minutes=40, seed=seed).rest(minutes=60).charge(hours=3)
    trajectory = simulate(Pack.random(rng, groups=GROUPS, soc=0.9), plan, step_s=1.0)
    return measure(trajectory, MeterModel.random(rng, GROUPS), rng, scans_per_s=0.5, with_current=True)


@pytest.fixture(scope="module")
def healthy() -> Session:
    return day(3)


def looked_at(session: Session, change: str) -> tuple[str, ...]:
    assert session.current_a is not None
    current = session.current_a.copy()
    if change == "reversed":
        current = -current
    elif change == "dead":
        current[len(current) // 8 :] = 0.0
    elif change == "offset":
        current = current + np.float32(1.0)
    changed = replace(session, current_a=current)
    return look_at_sensor(changed, make_signals(changed), PROFILE).lines


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("reversed", "counts charging as negative"),
        ("dead", "the sensor or its wires failed"),
        ("offset", "A while nothing flows"),
    ],
)
def test_a_failing_sensor_is_found_and_named(healthy: Session, change: str, words: str) -> None:
    (line,) = looked_at(healthy, change)

    assert words in line


@pytest.mark.parametrize("seed", range(20, 28))
def test_a_sound_sensor_is_left_alone(seed: int) -> None:
    session = day(seed)

    assert looked_at(session, "none") == ()


def test_a_sensor_that_was_turned_round_gives_what_a_sound_one_gives(healthy: Session) -> None:
    assert healthy.current_a is not None
    sound, turned = (analyse(s, PROFILE) for s in (healthy, replace(healthy, current_a=-healthy.current_a)))

    assert turned.phases == sound.phases
    assert turned.charge == sound.charge
    assert turned.weakness == sound.weakness
    assert turned.verdict.action == sound.verdict.action
    assert [r.kind for r in turned.verdict.reasons if r.kind == "sensor_odd"] == ["sensor_odd"]


def test_on_a_flat_curve_nothing_is_called_an_offset(healthy: Session) -> None:
    """A level that stands says nothing there."""
    profile = PackProfile(groups=GROUPS, chemistry="lfp")
    assert healthy.current_a is not None
    off = replace(healthy, current_a=healthy.current_a + np.float32(1.0))

    assert look_at_sensor(off, make_signals(off), profile).lines == ()


def test_a_sensor_that_died_in_a_charge_is_found_by_the_climb_that_goes_on(
    healthy: Session,
) -> None:
    """Behind a charge a pack left alone only settles down; once a charge in stages was cut short there."""
    assert healthy.current_a is not None
    current = healthy.current_a.copy()
    charging = np.flatnonzero(current > 1.0)
    died = int(charging[len(charging) // 3])
    end = int(np.flatnonzero(make_signals(healthy).level_v > 4.18)[0])
    short = replace(_first(healthy, end), current_a=np.where(np.arange(end) < died, current[:end], np.float32(0.0)))

    assert "the sensor or its wires failed" in " ".join(look_at_sensor(short, make_signals(short), PROFILE).lines)


def test_a_charger_that_is_read_as_steady_to_the_last_digit_is_no_dead_sensor() -> None:
    """A charge at constant current, the current with few decimals: it does not change while the cells climb."""
    rng = np.random.default_rng(5)
    plan = DutyCycle().rest(minutes=10).charge(hours=1)
    trajectory = simulate(Pack.random(rng, groups=GROUPS, soc=0.4), plan, step_s=1.0)
    session = measure(trajectory, MeterModel.random(rng, GROUPS), rng, scans_per_s=0.5, with_current=True)
    assert session.current_a is not None
    steady = np.where(session.time_s < 600.0, np.float32(0.0), np.median(session.current_a))
    read = replace(session, current_a=steady, current_out_a=None, current_back_a=None)

    assert look_at_sensor(read, make_signals(read), PROFILE).lines == ()


def test_a_stage_of_a_charge_is_no_wrong_zero_where_the_cells_rise_more_than_the_assumed_curve() -> None:
    """The BPX example cell rises nearly twice as steeply from 4.05 to 4.13 V: once its stage of 2.5 A was taken off."""
    t = np.arange(0.0, 9000.0, 2.0)
    amps = np.select([t < 600.0, t < 3000.0, t < 6000.0, t < 8400.0], [0.0, 3.6, 2.5, 1.4], 0.0)
    level = 3.82 + 1.7 * np.cumsum(amps) * 2.0 / 3600.0 / 24.0 + 0.002 * amps
    volts = level[:, None] + np.random.default_rng(4).normal(0.0, 4e-4, (len(t), GROUPS))
    session = Session(
        t, volts.astype("f4"), np.zeros(volts.shape, np.uint8), np.zeros(len(t), "f4"), current_a=amps.astype("f4")
    )

    assert look_at_sensor(session, make_signals(session), PackProfile(groups=GROUPS, capacity_ah=24.0)).lines == ()


def ends_of(
    reading_a: float, last_a: float | None = None, step_s: float = 2.0, rest_s: float = 300.0
) -> tuple[str, ...]:
    """What is said of five minutes of rest, an hour of charge and five minutes of rest, with a reading at rest."""
    end_s = rest_s + 3600.0
    t = np.arange(0.0, end_s + rest_s, step_s)
    charging = (t > rest_s) & (t < end_s)
    level = np.where(charging, 3.85 + 0.1 * (t - rest_s) / 3600.0, np.where(t <= rest_s, 3.80, 3.90))
    volts = level[:, None] + np.random.default_rng(2).normal(0.0, 4e-4, (len(t), GROUPS))
    zero_a = np.where(t > end_s, reading_a if last_a is None else last_a, reading_a)
    current = (np.where(charging, 4.0, 0.0) + zero_a).astype(np.float32)
    session = Session(
        t, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(len(t), "f4"), current_a=current
    )
    return look_at_sensor(session, make_signals(session), PROFILE).lines


def test_the_same_small_charge_before_and_after_all_else_is_the_sensors_zero() -> None:
    """Too short a rest for the volts to contradict it. What draws a little all the time may be a lamp."""
    assert "reads +0.50 A while nothing flows" in " ".join(ends_of(0.5))
    assert ends_of(0.5, last_a=0.8) == ()
    assert ends_of(-0.5) == ()
    assert ends_of(0.0) == ()


def test_few_rows_tell_the_same_over_a_longer_time() -> None:
    """At a scan a minute four minutes are four rows."""
    assert "reads +0.50 A while nothing flows" in " ".join(ends_of(0.5, step_s=60.0, rest_s=900.0))


def _first(session: Session, rows: int) -> Session:
    return replace(
        session, time_s=session.time_s[:rows], volts_v=session.volts_v[:rows], quality=session.quality[:rows],
        span_s=session.span_s[:rows], current_a=None, out_back_v=None, temps_c=None, out_offset_s=None,
        back_offset_s=None,
    )  # fmt: skip


def test_braking_above_what_the_charger_holds_does_not_make_its_taper_a_wrong_zero() -> None:
    """A ride with two seconds of braking at 4.40 V, then two hours held at 4.20 V, the last one at a steady 0.8 A."""
    t = np.arange(0.0, 10_800.0, 2.0)
    held = t >= 3600.0
    amps = np.where(held, 0.8 + 3.0 * np.exp(-(t - 3600.0) / 600.0), np.where(t % 40.0 < 20.0, -8.0, -2.0))
    level = np.where(held, 4.20, 3.9 + 0.01 * amps)
    level[1000] = 4.40
    volts = level[:, None] + np.random.default_rng(4).normal(0.0, 4e-4, (len(t), GROUPS))
    session = Session(
        t, volts.astype("f4"), np.zeros(volts.shape, np.uint8), np.zeros(len(t), "f4"), current_a=amps.astype("f4")
    )

    assert look_at_sensor(session, make_signals(session), PackProfile(groups=GROUPS, capacity_ah=20.0)).lines == ()


@pytest.mark.parametrize(("reading_a", "off"), [(-2.9, True), (2.9, False)])
def test_a_load_that_does_not_move_the_whole_recordings_volts_is_a_wrong_zero(reading_a: float, off: bool) -> None:
    """Four hours of 2.9 A out of 37 Ah: 31 % of charge, and not a millivolt. A charger may hold it, a load cannot."""
    t = np.arange(0.0, 14_400.0, 5.0)
    rng = np.random.default_rng(4)
    volts = 3.98 + rng.normal(0.0, 4e-4, (len(t), GROUPS))
    current = (reading_a + rng.normal(0.0, 0.03, len(t))).astype(np.float32)
    session = Session(t, volts.astype("f4"), np.zeros(volts.shape, np.uint8), np.zeros(len(t), "f4"), current_a=current)

    found = look_at_sensor(session, make_signals(session), PackProfile(groups=GROUPS, capacity_ah=37.0))

    assert ("reads -2.90 A while nothing flows" in " ".join(found.lines)) == off


def charged(dies_s: float, reads_a: float | None) -> SensorLook:
    """Ten minutes of rest, an hour of 6 A, forty minutes of rest; from a moment on one reading, of the current then."""
    t = np.arange(0.0, 6600.0, 2.0)
    rng = np.random.default_rng(4)
    amps = np.where((t >= 600.0) & (t < 4200.0), 6.0, 0.0)
    level = 3.9 + 0.2 * np.cumsum(amps) * 2.0 / 21600.0 + 0.007 * amps
    read = np.round(amps + rng.normal(0.0, 0.03, len(t)), 2)
    if reads_a is not None:
        read = np.where(t >= dies_s, reads_a, read)
    volts = level[:, None] + rng.normal(0.0, 4e-4, (len(t), GROUPS))
    session = Session(
        t, volts.astype("f4"), np.zeros(volts.shape, np.uint8), np.zeros(len(t), "f4"), current_a=read.astype("f4")
    )
    return look_at_sensor(session, make_signals(session), PROFILE)


def test_a_reading_that_falls_to_nothing_while_no_volt_answers_is_a_dead_sensor() -> None:
    """Of a published cell: 6.7 A and then 0.00 to the end; the charge went on for half an hour."""
    found = charged(3000.0, 0.0)

    assert "without a change from 50 min on" in " ".join(found.lines)
    assert found.session.current_a is None


def test_a_reading_that_stands_still_to_its_last_digit_as_it_never_did_is_said_and_kept() -> None:
    found = charged(4800.0, 0.01)

    assert "to the last digit from 80 min on" in " ".join(found.lines)
    assert found.session.current_a is not None
    assert charged(4800.0, None).lines == ()
