"""Recordings too long to be held whole: bounded, in time that is in proportion, and with the same answers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from evenstring.analysis.results import Findings, Weakness
from evenstring.analysis.run import analyse
from evenstring.board.play import play_direct
from evenstring.io import load
from evenstring.io.blocks import keeper as keeping
from evenstring.io.blocks.keeper import Keeper
from evenstring.io.blocks.scan_block import ScanBlock
from evenstring.io.load import load_recordings, load_session, profile_of
from evenstring.session import Session
from evenstring.sim.scenario import load_scenario
from evenstring.wire.stream import StreamDecoder

from tests.host.streams import scans

GROUPS = 6


def rows_of(count: int, begin_ms: int = 0) -> bytes:
    return scans(count, GROUPS, begin_ms=begin_ms)


def test_no_more_is_held_than_was_said_however_much_comes() -> None:
    keeper, decoder = Keeper(most_readings=1000 * GROUPS), StreamDecoder()
    keeper.begin_file()
    held = []
    for k in range(80):
        for block in decoder.feed(rows_of(100, begin_ms=k * 40_000)).scans:
            keeper.add(block)
        held.append(len(keeper.all()))
    keeper.finish()

    assert max(held) <= 1000
    assert held[-1] >= 400
    assert keeper.scans == [8000]
    assert keeper.each == 16


def test_the_work_is_in_proportion_to_the_scans(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows that go through a joining, of 16 times as many scans: 16 times as many, and not 256 times."""

    def joined(parts: int) -> int:
        seen: list[int] = []
        once = fold

        def counted(block: ScanBlock) -> ScanBlock:
            seen.append(len(block))
            return once(block)

        monkeypatch.setattr(keeping, "fold", counted)
        keeper, decoder = Keeper(most_readings=500 * GROUPS), StreamDecoder()
        keeper.begin_file()
        for k in range(parts):
            for block in decoder.feed(rows_of(100, begin_ms=k * 40_000)).scans:
                keeper.add(block)
        return sum(seen)

    fold = keeping.fold

    assert joined(320) < 2.0 * 16 * joined(20)


def test_scans_that_cannot_be_joined_are_all_kept_at_a_cost_in_proportion(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen: list[int] = []
    once = keeping.fold

    def counted(block: ScanBlock) -> ScanBlock:
        seen.append(len(block))
        return once(block)

    monkeypatch.setattr(keeping, "fold", counted)
    keeper, decoder = Keeper(most_readings=50 * GROUPS), StreamDecoder()
    keeper.begin_file()
    for k in range(400):  # the board starts again and again
        for block in decoder.feed(rows_of(1, begin_ms=(400 - k) * 400)).scans:
            keeper.add(block)

    assert len(keeper.all()) == 400
    assert sum(seen) < 4 * 400


def both_ways(path: Path, monkeypatch: pytest.MonkeyPatch, share: int) -> tuple[Session, Session]:
    whole = load_session([path])
    monkeypatch.setattr(load, "MOST_READINGS", whole.scans * whole.groups // share)
    return whole, load_session([path])


def visits(found: Findings) -> dict[tuple[str, int], float]:
    """The furthest of each kind and group."""
    furthest: dict[tuple[str, int], float] = {}
    for event in found.events:
        if event.extreme_v is not None:
            pick = min if event.kind.startswith(("below", "reversed")) else max
            key = (event.kind, event.group)
            furthest[key] = pick(furthest.get(key, event.extreme_v), event.extreme_v)
    return furthest


def clear_reasons(found: Findings) -> list[str]:
    """Kinds of reasons, but for a cause that is said just as surely as makes it one, or just not."""
    borderline = {id(r) for r in found.verdict.reasons
                  if isinstance(r.rests_on, Weakness) and abs(r.rests_on.confidence - 0.8) < 0.03}  # fmt: skip
    return [r.kind for r in found.verdict.reasons if id(r) not in borderline]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["ends_early_high_group", "reversed_in_ride", "deep_ride"])
def test_the_findings_of_the_joined_rows_are_those_of_the_whole(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scenario = load_scenario(name)
    path = tmp_path / "it.frames"
    play_direct(scenario, scenario.run(), path)
    whole, joined = both_ways(path, monkeypatch, 3)
    profile = profile_of(whole)
    one, other = analyse(whole, profile), analyse(joined, profile)

    assert joined.folded is not None
    assert joined.folded.each >= 4
    assert joined.scans_read == whole.scans > 2 * joined.scans
    assert other.verdict.action == one.verdict.action
    assert clear_reasons(other) == clear_reasons(one)
    assert other.charge.ended == one.charge.ended
    assert visits(other) == pytest.approx(visits(one), abs=1e-4)
    assert one.spread.uncertainty_mv is not None
    assert other.spread.rest_mv == pytest.approx(one.spread.rest_mv, abs=one.spread.uncertainty_mv)
    # In a ride fewer rows stand still than scans did: what is said of it is no more than of the whole.
    assert other.spread.max_mv is not None
    assert one.spread.max_mv is not None
    assert other.spread.max_mv <= one.spread.max_mv + one.spread.uncertainty_mv
    assert any(mark.kind == "reduced" for mark in joined.marks)
    assert not any(mark.kind == "reduced" for mark in whole.marks)


def test_each_of_several_files_keeps_its_own_scans(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [tmp_path / "a.frames", tmp_path / "b.frames"]
    for k, path in enumerate(paths):
        path.write_bytes(rows_of(300 + 100 * k, begin_ms=k * 200_000))
    monkeypatch.setattr(load, "MOST_READINGS", 2 * 200 * GROUPS)

    whole, parts = load_recordings(paths)

    assert [part.scans_read for part in parts] == [300, 400]
    assert whole.scans_read == 700
    assert whole.scans == sum(part.scans for part in parts) <= 200
    np.testing.assert_array_equal(whole.volts_v, np.vstack([part.volts_v for part in parts]))
