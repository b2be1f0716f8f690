"""Ends of charges that chargers, leads and scans of others hid; each mend is taken out to show what it is worth.

Levels are made by hand: a constant current climbs at the curve's slope; at constant voltage the charger holds its own
end of the leads, the current dies away, and with it the leads' drop (Ohm; CC-CV as in IEC 62133-2, from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.charging import charge_end
from evenstring.analysis.phases import by_voltage, cv_hold
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.run import analyse
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS = 8
PACK = PackProfile(groups=GROUPS, capacity_ah=20.0)
NOBODYS = PackProfile(groups=GROUPS, capacity_ah=20.0, defaults=frozenset({"charger.done_light_a"}))
LEADS_V = 0.012  # what the leads drop at the charger's full current, a group


def recorded(level_v: np.ndarray, step_s: float, current_a: np.ndarray | None = None) -> Session:
    rng = np.random.default_rng(3)
    n = len(level_v)
    volts = level_v[:, None] + np.linspace(-2e-3, 2e-3, GROUPS) + rng.normal(0.0, 3e-4, (n, GROUPS))
    amps = None if current_a is None else (current_a + rng.normal(0.0, 0.01, n)).astype(np.float32)
    zero = np.zeros(n, np.float32)
    return Session(
        np.arange(n) * step_s, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), zero, current_a=amps
    )


def climb(minutes: float, to_v: float, step_s: float, v_per_h: float = 0.3) -> np.ndarray:
    hours = np.arange(0.0, minutes / 60.0, step_s / 3600.0)
    return np.asarray(to_v - v_per_h * (hours[-1] - hours))


def held(minutes: float, step_s: float) -> np.ndarray:
    """At the pack's end of the leads: their drop dies away with the current, in ten minutes to 1/e."""
    t = np.arange(0.0, 60.0 * minutes, step_s)
    return np.asarray(4.2 - LEADS_V * np.exp(-t / 600.0))


def left_alone(minutes: float, step_s: float) -> np.ndarray:
    t = np.arange(0.0, 60.0 * minutes, step_s)
    return np.asarray(4.2 - 0.004 - 0.002 * -np.expm1(-t / 400.0))


def charge(step_s: float, *parts: np.ndarray, jump_v: float = 0.015) -> np.ndarray:
    """Ten minutes of rest, then what follows: the current lifts the level at once."""
    return np.concatenate([np.full(round(600 / step_s), parts[0][0] - jump_v), *parts])


@pytest.mark.parametrize("step_s", [1.0, 10.0, 60.0])
def test_a_top_behind_long_leads_is_held_from_the_corner_of_the_rise(
    step_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once only the flat end of it counted: a charge held for twenty minutes was called interrupted."""
    session = recorded(
        charge(step_s, climb(90, 4.2 - LEADS_V, step_s), held(20, step_s), left_alone(30, step_s)), step_s
    )

    assert analyse(session, PACK).charge.ended == "full"
    (top,) = [p for p in find_phases(session, PACK) if p.kind == "charge_cv"]
    assert top.start_s == pytest.approx(600 + 90 * 60, abs=max(120.0, 3 * step_s))
    for room in (cv_hold, by_voltage):
        monkeypatch.setattr(room, "slows_down", lambda _t, _v, turn, _noise: turn)
    # It looks held for a moment, and had slowed long before.
    assert analyse(session, PACK).charge.ended == "cannot_tell"


@pytest.mark.parametrize("step_s", [1.0, 10.0, 60.0])
def test_a_charger_that_goes_on_with_less_current_is_still_charging(
    step_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once the step down was taken for the charger's going, and the climb behind it for a rest."""
    stages = climb(60, 4.15, step_s), climb(60, 4.188, step_s, 0.06)
    session = recorded(charge(step_s, *stages, held(40, step_s)), step_s)

    assert analyse(session, PACK).charge.ended == "still_charging"
    if step_s < 4.0:  # sparser records have the plateau to go by
        monkeypatch.setattr(by_voltage, "climbs", lambda *_: False)
        assert analyse(session, PACK).charge.ended == "stopped_before_cv"


@pytest.mark.parametrize(("jump_v", "ended"), [(0.015, "still_charging"), (0.005, "cannot_tell")])
def test_where_the_end_of_a_charge_would_leave_no_step_nobody_can_tell_without_a_sensor(
    jump_v: float, ended: str
) -> None:
    """Of published NCA cells of 12 mV: held for 45 minutes, ended long before. A twentieth of 5 mV is in the noise."""
    found = analyse(recorded(charge(2.0, climb(90, 4.188, 2.0), held(45, 2.0), jump_v=jump_v), 2.0), PACK)

    assert found.charge.ended == ended
    last = [p for p in found.phases if p.kind in ("charge_cv", "unknown")]
    assert [p.kind for p in last] == (["charge_cv"] if ended == "still_charging" else ["charge_cv", "unknown"])


@pytest.mark.parametrize(("to_v", "ended"), [(4.15, "stopped_before_cv"), (4.196, "cannot_tell")])
def test_a_charge_that_stops_at_full_may_have_been_held_for_a_moment(to_v: float, ended: str) -> None:
    """Without a sensor, and of cells whose voltage still rises while it is held."""
    stopped = recorded(charge(2.0, climb(60, to_v, 2.0), left_alone(30, 2.0) - 4.2 + to_v, jump_v=0.005), 2.0)

    found = analyse(stopped, PACK)
    assert found.charge.ended == ended
    untold = [u.why for u in found.unknown if u.what == "charge.ended"]
    assert [("held for a moment" in why) for why in untold] == ([True] if ended == "cannot_tell" else [])


@pytest.mark.parametrize(("dies_away_s", "ended"), [(150.0, "cannot_tell"), (900.0, "still_charging")])
def test_a_held_voltage_is_told_for_as_long_as_its_taper_would_leave_a_step(dies_away_s: float, ended: str) -> None:
    """Of a published LCO cell the current is down to 1/e in three minutes: within a quarter of an hour it is nothing.

    By hand, of a jump of 15 mV: to 0.3 mV in 1.5 * 150 * ln 50 = 880 s, and 5,281 s, of the 2,700 that are held.
    """
    t = np.arange(0.0, 2700.0, 2.0)
    parts = climb(60, 4.19, 2.0), 4.2 - 0.01 * np.exp(-t / dies_away_s)

    assert analyse(recorded(charge(2.0, *parts), 2.0), PACK).charge.ended == ended


def test_a_charge_that_ends_by_a_small_step_may_go_on_with_another_charger() -> None:
    """The second of two left by 5 mV, which had begun with 20: the first was still there (of a published LCO cell)."""
    on, off = climb(60, 4.14, 2.0), np.full(900, 4.14 - 0.0045)

    for jump_v, ended in ((0.005, "stopped_before_cv"), (0.030, "cannot_tell")):
        assert analyse(recorded(charge(2.0, on, off, jump_v=jump_v), 2.0), PACK).charge.ended == ended


def test_at_a_scan_a_minute_a_taper_is_read_at_where_it_fell_to() -> None:
    """By hand: 0.85 a row from 6 A, of the last three 1.63 A in the middle, 1.18 A by their end: under C/10 of 14 Ah.

    So too with a swinging charger: six rows that fall one by one to three quarters are a taper.
    """
    step_s = 60.0
    pack = PackProfile(groups=GROUPS, capacity_ah=14.0, defaults=frozenset({"charger.done_light_a"}))
    begun = [np.full(12, 3.66), climb(90, 4.13, step_s)]
    taper = 6.0 * 0.85 ** np.arange(10.0)
    level = np.concatenate([*begun, np.full(10, 4.131), np.full(24, 4.127)])
    amps = np.concatenate([np.zeros(12), np.full(len(begun[1]), 6.0), taper, np.zeros(24)])

    assert analyse(recorded(level, step_s, amps), pack).charge.ended == "cannot_tell"

    swings = 14.5 + 0.7 * np.sin(np.arange(len(begun[1])))
    swings[-6:] = 11.27, 10.63, 10.08, 9.45, 8.94, 8.51
    level = np.concatenate([*begun, np.full(24, 4.08)])
    amps = np.concatenate([np.zeros(12), swings, np.zeros(24)])

    assert analyse(recorded(level, step_s, amps), PACK).charge.ended == "interrupted_in_cv"


@pytest.mark.parametrize(("ends_a", "ended"), [(0.5, "full"), (0.65, "cannot_tell"), (1.5, "interrupted_in_cv")])
def test_a_taper_left_a_little_above_the_light_may_have_been_done(ends_a: float, ended: str) -> None:
    """A sensor whose scale is 15 or 30 % off, as some are, or a light given from memory. From 4 A to 0.5, as given."""
    taper = np.linspace(4.0, ends_a, 900)
    level = charge(2.0, climb(90, 4.19, 2.0), np.full(900, 4.193), np.full(600, 4.186))
    amps = np.concatenate([np.zeros(300), np.full(2700, 4.0), taper, np.zeros(600)])

    assert analyse(recorded(level, 2.0, amps), PACK).charge.ended == ended


def test_a_current_that_hardly_fell_is_no_taper() -> None:
    """Three chargers in stages, or whose current swings, of published cells, were unplugged before they held."""
    level = charge(2.0, climb(90, 4.12, 2.0), np.full(60, 4.121), np.full(600, 4.10))
    amps = np.concatenate([np.zeros(300), np.full(2700, 4.0), np.linspace(4.0, 3.5, 60), np.zeros(600)])

    assert analyse(recorded(level, 2.0, amps), PACK).charge.ended == "cannot_tell"


def test_three_rows_of_a_taper_a_scan_a_minute_apart_are_one() -> None:
    """Of a published NCA cell: 4.4, 4.1, 3.6 and 3.3 A, and unplugged. A stage is a step, and stays."""
    step_s = 60.0
    parts = [np.full(12, 4.0), climb(90, 4.17, step_s), np.full(24, 4.15)]
    amps = np.full(len(parts[1]), 6.0)
    stage = amps.copy()
    amps[-4:], stage[-4:] = (4.4, 4.05, 3.64, 3.29), 4.0
    for read, ended in ((amps, "interrupted_in_cv"), (stage, "stopped_before_cv")):
        session = recorded(np.concatenate(parts), step_s, np.concatenate([np.zeros(12), read, np.zeros(24)]))
        assert analyse(session, PACK).charge.ended == ended


@pytest.mark.parametrize(("step_s", "ended"), [(60.0, "cannot_tell"), (5.0, "stopped_before_cv")])
def test_iron_phosphate_a_scan_a_minute_does_not_show_who_stopped_it(step_s: float, ended: str) -> None:
    """From 3.48 V a group is at its ceiling within that minute (of published cells)."""
    parts = [np.full(round(900 / step_s), 3.33), climb(90, 3.45, step_s, 0.05), np.full(round(1800 / step_s), 3.34)]
    amps = np.repeat([0.0, 6.0, 0.0], [len(part) for part in parts])
    pack = PackProfile(groups=GROUPS, capacity_ah=20.0, chemistry="lfp", full_v=3.6, ceiling_v=3.65, threshold_v=3.5)

    found = analyse(recorded(np.concatenate(parts), step_s, amps), pack)
    assert found.charge.ended == ended
    untold = [u.why for u in found.unknown if u.what == "charge.ended"]
    assert [("shoots up" in why) for why in untold] == ([True] if ended == "cannot_tell" else [])


def test_groups_within_ten_millivolts_at_the_end_are_not_uneven_whatever_the_charger_holds() -> None:
    """A charger that holds 4.172 V leaves the lowest of an even string under 4.17 V."""
    step_s = 5.0
    amps = dying_away(step_s)
    session = tapered(step_s, amps, 4.1715, 4.165)
    light = PackProfile(groups=GROUPS, capacity_ah=20.0, done_light_a=1.05 * float(amps[-1]))

    assert analyse(session, light).charge.ended == "full"
    session.volts_v[:, 4] -= np.float32(0.012)
    assert analyse(session, light).charge.ended == "ended_uneven"


def dying_away(step_s: float) -> np.ndarray:
    return np.asarray(6.0 * np.exp(-np.arange(0.0, 1500.0, step_s) / 600.0))


def tapered(step_s: float, amps: np.ndarray, held_v: float = 4.2, after_v: float = 4.185) -> Session:
    """Rest, a climb at 6 A to just under the held voltage, the taper, and forty minutes of rest."""
    rest, after = round(600 / step_s), round(2400 / step_s)
    rise = climb(90, held_v - 0.002, step_s)
    parts = [np.full(rest, 3.74), rise, np.full(len(amps), held_v), np.full(after, after_v)]
    current = np.concatenate([np.zeros(rest), np.full(len(rise), 6.0), amps, np.zeros(after)])
    return recorded(np.concatenate(parts), step_s, current)


def taper(ends_a: float) -> Session:
    step_s = 5.0
    amps = 6.0 * np.exp(-np.arange(0.0, 600.0 * np.log(6.0 / ends_a), step_s) / 600.0)
    parts = [np.full(120, 4.0), climb(90, 4.198, step_s), np.full(len(amps), 4.2), np.full(240, 4.19)]
    current = np.concatenate([np.zeros(120), np.full(len(parts[1]), 6.0), amps, np.zeros(240)])
    return recorded(np.concatenate(parts), step_s, current)


@pytest.mark.parametrize(
    ("ends_a", "said"), [(4.0, "interrupted_in_cv"), (1.5, "cannot_tell"), (0.6, "full")], ids=["C/5", "C/13", "C/33"]
)
def test_without_the_chargers_light_a_taper_left_early_may_be_either(ends_a: float, said: str) -> None:
    found = analyse(taper(ends_a), NOBODYS)

    assert found.charge.ended == said
    asked = [u for u in found.unknown if u.what == "charge.ended"]
    assert [("done_light_a" in u.record_next) for u in asked] == ([True] if said == "cannot_tell" else [])


def test_with_the_chargers_light_it_is_said() -> None:
    assert analyse(taper(1.5), PACK).charge.ended == "interrupted_in_cv"


def test_a_sensors_gain_and_zero_do_not_make_a_done_taper_an_interrupted_one() -> None:
    """0.55 A is read where the light of 0.5 A came on."""
    assert analyse(taper(0.55), PACK).charge.ended == "full"


def test_one_row_that_holds_the_chargers_going_is_no_taper_to_the_light() -> None:
    """Unplugged at 0.8 A within a row: its mean is 0.3 A, under the light of 0.5 A."""
    session = taper(0.8)
    assert session.current_a is not None
    last = int(np.flatnonzero(session.current_a > 0.1)[-1])
    session.current_a[last] = 0.3

    assert analyse(session, PACK).charge.ended == "interrupted_in_cv"


def test_a_group_that_shoots_up_to_its_ceiling_at_the_end_of_a_taper_ended_the_charge() -> None:
    """At 0.7 A nobody knows whether the charger's light was near; that group 5 is at 4.249 V says who stopped it."""
    session = taper(0.7)
    assert session.current_a is not None
    last = int(np.flatnonzero(session.current_a > 0.1)[-1])
    session.volts_v[last - 3 : last + 1, 4] = (4.21, 4.225, 4.24, 4.249)

    charge = analyse(session, NOBODYS).charge

    assert (charge.ended, charge.cause_groups) == ("stopped_early", (5,))


@pytest.mark.parametrize(("first", "rows", "ends_a"), [(1000, 450.0, 0.0), (300, 150.0, 0.45)], ids=["late", "early"])
def test_a_current_that_fell_to_the_owners_light_was_done_though_nothing_looks_held(
    first: int, rows: float, ends_a: float
) -> None:
    """The level climbs to its end, as that of iron phosphate does; most of the charge may be its taper."""
    rise = climb(180, 4.19, 5.0, 0.2)
    amps = np.minimum(6.0, (6.0 - ends_a) * np.exp(-(np.arange(len(rise)) - first) / rows) + ends_a)
    level = np.concatenate([np.full(120, 4.0), rise, np.full(240, 4.17)])
    session = recorded(level, 5.0, np.concatenate([np.zeros(120), amps, np.zeros(240)]))

    done = replace(PACK, done_light_a=1.05 * float(amps[-1]))
    assert [p.kind for p in find_phases(session, done)] == ["rest", "charge_cc", "rest"]
    assert analyse(session, done).charge.ended == "full"
    assert analyse(session, replace(PACK, done_light_a=0.3 * float(amps[-1]))).charge.ended == "stopped_before_cv"


def test_a_taper_a_scan_a_minute_apart_falls_by_its_share_and_not_by_as_many_amperes() -> None:
    """From 1.0 A, falling by a quarter a minute, the next row would have read 0.75 A: far from the light of 0.4 A."""
    step_s = 60.0
    amps = 6.0 * 0.75 ** np.arange(7.0)
    light = PackProfile(groups=GROUPS, capacity_ah=20.0, done_light_a=0.4 * float(amps[-1]))

    assert analyse(tapered(step_s, amps), light).charge.ended == "interrupted_in_cv"


def test_a_taper_that_falls_on_between_two_scans_a_minute_apart_reached_its_light() -> None:
    amps = dying_away(60.0)
    light = PackProfile(groups=GROUPS, capacity_ah=20.0, done_light_a=0.93 * float(amps[-1]))

    assert analyse(tapered(60.0, amps), light).charge.ended == "full"


@pytest.mark.parametrize("step_s", [1.0, 5.0, 10.0])
def test_a_group_that_shot_up_to_its_ceiling_between_two_scans_ended_the_charge(
    step_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last reading of a group that rises by 3 mV/s lies up to 30 mV under where the board cut."""
    rise = climb(60, 4.10, step_s, 0.2)
    current = np.concatenate([np.zeros(120), np.full(len(rise), 6.0), np.zeros(240)])
    session = recorded(np.concatenate([np.full(120, 3.9), rise, np.full(240, 4.08)]), step_s, current)
    last = 120 + len(rise) - 1
    seconds = (np.arange(session.scans) - last) * step_s
    high = np.where(seconds <= 0, np.maximum(4.25 - 0.003 * (step_s * 0.9 - seconds), session.volts_v[:, 4]), 4.12)
    session.volts_v[:, 4] = high

    found = analyse(session, PACK).charge

    assert found.ended == "stopped_early"
    assert 5 in found.cause_groups
    monkeypatch.setattr(charge_end, "_soon_v", lambda signals, _: np.zeros(signals.volts_v.shape[1]))
    if step_s > 1.0:
        assert analyse(session, PACK).charge.ended == "stopped_before_cv"


@pytest.mark.parametrize(
    ("rises_v", "under_v", "ended"),
    [
        ((0.020, 0.035, 0.060), 0.060, "stopped_early"),
        ((0.008, 0.020, 0.060), 0.130, "stopped_early"),
        ((0.020, 0.020, 0.020), 0.060, "stopped_before_cv"),
    ],
)
def test_between_two_scans_a_minute_apart_a_group_that_bends_up_may_have_met_its_ceiling(
    rises_v: tuple[float, ...], under_v: float, ended: str
) -> None:
    """Group 3 rises by 20, 35 and 60 mV in the last minutes and stands 60 mV under its ceiling: 85 more would pass it.

    At the steep top of iron phosphate each rise is a multiple of the one before. One that rises by 20 mV in each is not
    so far. The ceiling is the one that the profile gives.
    """
    level = np.concatenate([np.full(15, 3.90), np.linspace(3.95, 4.10, 90), np.full(30, 4.07)])
    amps = np.concatenate([np.zeros(15), np.full(90, 5.0), np.zeros(30)])
    session = recorded(level, 60.0, amps)
    volts = session.volts_v.copy()
    last = 104
    volts[last - 3 : last + 1, 2] = PACK.ceiling_v - under_v - np.cumsum((0.0, *rises_v[::-1]))[::-1]
    volts[last + 1 :, 2] = 4.12

    charge = analyse(replace(session, volts_v=volts), PACK).charge

    assert charge.ended == ended
    assert charge.cause_groups == ((3,) if ended == "stopped_early" else ())


@pytest.mark.parametrize(
    ("lag_v", "ended"),
    [(0.0, "full"), (0.050, "ended_uneven"), (0.0315, "cannot_tell")],
    ids=["even", "uneven", "near"],
)
def test_a_charger_left_on_with_no_current_to_see_ended_as_the_groups_stand(lag_v: float, ended: str) -> None:
    """By hand: held for two hours after the taper, which draws half of the groups down and lifts the others.

    All are full from 30 mV under 4.2 V; at 31.5 the meter cannot tell.
    """
    t = np.arange(0.0, 7200.0, 10.0)
    taper_a = 5.0 * np.exp(-np.arange(0.0, 3600.0, 10.0) / 400.0)
    level = charge(10.0, climb(60, 4.2, 10.0), np.full(360 + len(t), 4.2))
    amps = np.concatenate([np.zeros(60), np.full(360, 5.0), taper_a, np.zeros(len(t))])
    session = recorded(level, 10.0, amps)
    volts = session.volts_v.copy()
    moved = np.outer(np.append(np.zeros(len(level) - len(t)), 1e-6 * t), np.repeat([1.0, -1.0], GROUPS // 2))
    volts += (moved - moved[-1]).astype(np.float32)
    volts[:, 0] -= np.float32(lag_v - 2e-3)

    assert analyse(replace(session, volts_v=volts), NOBODYS).charge.ended == ended
