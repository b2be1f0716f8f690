"""Several recordings of one pack: leak and fade between them, and the reserve at a load that was asked for."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.analysis.causes.between_recordings import find_second_look
from evenstring.analysis.phases import segment
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.results import SecondLook
from evenstring.analysis.riding.reserve import find_reserve
from evenstring.cli import cli
from evenstring.io.load import load_recordings, load_session
from evenstring.profile import PackProfile, parse_profile, to_toml
from evenstring.session import Quality, Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from evenstring.sim.scenario.frames import session_frames
from evenstring.wire.encode import message
from evenstring.wire.stream import StreamDecoder

from tests.worlds.fault_sessions import make_case
from tests.worlds.fault_truth import true_reserve

PROFILE = PackProfile(groups=20)
BEGAN = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)  # invented


def two_rests(seed: int, percent_per_week: float, *, days: float = 21.0, monitor: float = 0.0, warmer_k: float = 0.0,
              between_ah: float = 0.0) -> tuple[Session, Session]:  # fmt: skip
    """Two recordings of a rest; group 8 leaks, the monitor takes more from each group up the string (% a week)."""
    rng = np.random.default_rng(seed)
    pack = Pack.random(rng, groups=20, soc=0.6)
    leak = pack.leak_a + np.linspace(0.0, monitor, 20) / 100.0 * 20.0 / (7 * 24)
    leak[7] += percent_per_week / 100.0 * 20.0 / (7 * 24)
    meter = MeterModel.random(rng, 20)
    rest = DutyCycle().rest(minutes=60, step_s=10.0)
    first = simulate(replace(pack, leak_a=leak), rest, step_s=10.0)
    away = simulate(replace(pack, leak_a=leak, soc0=first.soc[-1]), DutyCycle().store(days=days), step_s=10.0)
    warm = replace(pack, leak_a=leak, soc0=away.soc[-1] + between_ah / 20.0)
    last = simulate(warm, DutyCycle().at(25.0 + warmer_k).rest(minutes=60, step_s=10.0), step_s=10.0)
    one, other = (measure(t, meter, rng, scans_per_s=0.1) for t in (first, last))
    return replace(one, start=BEGAN), replace(other, start=BEGAN + timedelta(days=days, hours=1))


def true_leaks(seed: int, percent_per_week: float) -> np.ndarray:
    """% a week against the median group, by the simulator's own currents."""
    leak = Pack.random(np.random.default_rng(seed), groups=20, soc=0.6).leak_a * (7 * 24) / 20.0 * 100.0
    leak[7] += percent_per_week
    return leak - np.median(leak)


def looked(parts: tuple[Session, Session]) -> SecondLook:
    look, unknown = find_second_look(parts, PROFILE)
    assert unknown is None
    assert look is not None
    return look


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_leak_between_two_recordings_is_found_with_an_interval(seed):
    look = looked(two_rests(seed, 0.6))

    assert look.days == pytest.approx(21.04, abs=0.01)
    assert look.leaks[0].group == 8
    held = [low < true < high for (_, _, low, high), true in zip(look.all_leaks, true_leaks(seed, 0.6), strict=True)]
    assert sum(held) >= 16  # of 20, at level 0.9


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_healthy_groups_do_not_leak_even_when_it_got_warmer(seed):
    look = looked(two_rests(seed, 0.0, warmer_k=10.0))

    assert [leak for leak in look.leaks if leak.confidence >= 0.8] == []
    assert (look.looks[0].rest_temperature_c, look.looks[1].rest_temperature_c) == pytest.approx((25.0, 35.0), abs=0.5)


def test_what_the_monitor_takes_along_the_string_is_taken_off_before_a_group_is_accused():
    look = looked(two_rests(2, 0.8, monitor=1.0))

    assert look.monitor_percent_per_week == pytest.approx(1.0, rel=0.3)
    assert [leak.group for leak in look.leaks] == [8]


def test_a_charge_between_the_recordings_withholds_the_leak_and_says_so():
    look = looked(two_rests(3, 0.6, between_ah=1.0))

    assert look.leaks == ()
    assert "charged or ridden" in look.unknown[0].why
    assert look.unknown[0].record_next


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("unread", [slice(2, 3), slice(None)])
def test_groups_that_were_not_read_are_left_out_of_the_leaks(unread):
    early, late = two_rests(2, 0.6)
    volts, quality = late.volts_v.copy(), late.quality.copy()
    volts[:, unread], quality[:, unread] = np.nan, Quality.LEAD_OPEN

    look, _ = find_second_look((early, replace(late, volts_v=volts, quality=quality)), PROFILE)

    told = {g for g, *_ in look.all_leaks}
    assert told == (set(range(1, 21)) - {3} if unread == slice(2, 3) else set())


def test_fade_between_two_recordings_has_an_interval_that_holds_the_truth():
    case, worn = make_case(21, "ride and charge", "healthy", 0.0), make_case(21, "ride and charge", "low_capacity", 2.0)

    look, _ = find_second_look((replace(case.session, start=BEGAN), replace(worn.session, start=BEGAN + timedelta(90))),
                               case.profile)  # fmt: skip

    faded = next(c for c in look.changes if c.what == "low_capacity")
    true = worn.truth[worn.group - 1, 2] - case.truth[worn.group - 1, 2]
    assert faded.group == worn.group
    assert faded.low <= true <= faded.high


def test_report_of_two_files_holds_the_second_look(tmp_path: Path):
    files = []
    for k, session in enumerate(two_rests(4, 0.6)):
        files.append(tmp_path / f"part{k}.frames")
        ended_ms = round((session.start.timestamp() + session.duration_s) * 1000)
        mark = message("MARK_TIME", 2, 0, unix_ms=ended_ms)  # received when the recording ended
        files[-1].write_bytes(session_frames(session, to_toml(PROFILE), "rest (invented)") + mark)

    result = CliRunner().invoke(cli, ["report", *map(str, files), "--json"])
    page = CliRunner().invoke(cli, ["report", *map(str, files), "-o", str(tmp_path / "out")])

    assert result.exit_code == 0, (result.output, result.exception)
    report = json.loads(result.output)
    assert report["second_look"]["days"] == pytest.approx(21.04, abs=0.01)
    assert report["second_look"]["leaks"][0]["group"] == 8
    assert "Group 8 loses" in page.output
    assert "Since the recording before" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_report_of_two_files_reads_each_file_once_and_looks_at_each_recording_once(tmp_path, monkeypatch):
    files = []
    for k, session in enumerate(two_rests(4, 0.6)):
        files.append(tmp_path / f"part{k}.frames")
        files[-1].write_bytes(session_frames(session, to_toml(PROFILE), "rest (invented)"))
    fed, looked_at = [], []
    feed, make = StreamDecoder.feed, segment.make_signals
    monkeypatch.setattr(StreamDecoder, "feed", lambda self, data: fed.append(len(data)) or feed(self, data))
    monkeypatch.setattr(segment, "make_signals", lambda session: looked_at.append(session.scans) or make(session))

    result = CliRunner().invoke(cli, ["report", *map(str, files), "--json"])

    assert result.exit_code == 0, (result.output, result.exception)
    heads = 2 * 4096  # in which each board says the name of its string
    assert sum(fed) == sum(f.stat().st_size for f in files) + 1 + heads  # one delimiter between the two
    assert heads < 0.1 * sum(fed)
    assert len(looked_at) == 2


def test_parts_that_were_decoded_together_are_as_if_each_was_read_alone(tmp_path: Path):
    files = []
    for k, session in enumerate(two_rests(4, 0.6)):
        files.append(tmp_path / f"part{k}.frames")
        files[-1].write_bytes(session_frames(session, to_toml(PROFILE), "rest (invented)"))

    whole, parts = load_recordings(files)

    assert whole.scans == sum(p.scans for p in parts)
    assert whole.link.bytes_total == sum(f.stat().st_size for f in files)
    for part, alone in zip(parts, (load_session([f]) for f in files), strict=True):
        assert np.array_equal(part.volts_v, alone.volts_v, equal_nan=True)
        assert np.array_equal(part.time_s, alone.time_s)
        assert (part.start, part.ident, part.meter, part.marks) == (alone.start, alone.ident, alone.meter, alone.marks)
        assert part.link.frames_good == alone.link.frames_good


@cache
def ridden():
    return make_case(11, "ride and charge", "low_capacity", 2.0)


def test_reserve_at_a_current_that_was_asked_for_agrees_with_the_simulator():
    """Truth: the simulator's own cells under that current from each depth on (true_reserve)."""
    case = ridden()
    profile = replace(case.profile, load_a=45.0)

    reserve, _ = find_reserve(case.session, profile, find_phases(case.session, profile))

    quick, long = reserve.asked
    assert (quick.current_a, quick.load_s, long.load_s) == (45.0, 5.0, 60.0)
    assert abs(quick.lowest_soc - true_reserve(case, 45.0)) < 0.04
    assert long.lowest_soc > quick.lowest_soc >= reserve.lowest_soc_at_full_load  # 45 A is more than was ridden
    assert quick.soc_low <= quick.lowest_soc <= quick.soc_high
    assert long.loaded_pack_v < long.resting_pack_v


def test_a_load_that_no_full_pack_bears_is_said_to_be_one():
    case = ridden()
    profile = replace(case.profile, load_a=400.0)

    reserve, _ = find_reserve(case.session, profile, find_phases(case.session, profile))

    assert reserve.asked[1].lowest_soc == pytest.approx(1.0)


def test_without_an_anchor_for_the_state_of_charge_there_is_no_reserve_but_a_reason():
    """A short ride alone: no full charge, and too little moved to place it on the curve."""
    rng = np.random.default_rng(5)
    pack = Pack.random(rng, groups=16, soc=0.7)
    session = measure(simulate(pack, DutyCycle().ride(minutes=6, seed=5)), MeterModel.random(rng, 16), rng)
    profile = PackProfile(groups=16)

    reserve, unknown = find_reserve(session, profile, find_phases(session, profile))

    assert reserve is None
    assert "anchor" in unknown.why
    assert unknown.record_next


def test_the_displays_offset_is_folded_in_as_told_or_one_volt():
    case = ridden()

    def reserve(profile: PackProfile):
        return find_reserve(case.session, profile, find_phases(case.session, profile))[0]

    usual, told = reserve(case.profile), reserve(replace(case.profile, display_offset_v=-0.4))

    assert usual.resting_pack_v_by_display == pytest.approx(usual.resting_pack_v + 1.0)
    assert told.loaded_pack_v_by_display == pytest.approx(told.loaded_pack_v - 0.4)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("[ride]\nload_a = 60.0\ndisplay_offset_v = -0.5\n", {"load_a": 60.0, "display_offset_v": -0.5}),
        ("[limits]\nstrict_discard = true\n", {"strict_discard": True}),
        ("[balancer]\nrule = 'odd_even'\n", {"bleed_rule": "odd_even"}),
        ("[balancer]\nbleed_ma = 60\nrule = 'threshold'\n", {"bleed_ma": 60.0, "bleed_rule": "threshold"}),
    ],
)
def test_what_the_owner_knows_is_read_from_the_profile_and_written_back(text, values):
    profile = parse_profile("[pack]\ngroups = 20\n" + text)

    assert {name: getattr(profile, name) for name in values} == values
    assert parse_profile(to_toml(profile)) == profile
