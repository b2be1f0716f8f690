"""Current sensors as they fail: found, mended or left out, and never a cell's fault. Packs of our own simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.readings.current_sensor import look_at_sensor
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
    healthy: Session, monkeypatch: pytest.MonkeyPatch
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


def _first(session: Session, rows: int) -> Session:
    return replace(
        session, time_s=session.time_s[:rows], volts_v=session.volts_v[:rows], quality=session.quality[:rows],
        span_s=session.span_s[:rows], current_a=None, out_back_v=None, temps_c=None, out_offset_s=None,
        back_offset_s=None,
    )  # fmt: skip
