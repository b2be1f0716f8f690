"""The invented year: what it says it is, its leak by hand, and the whole demo on a few of its days."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.commands.rider import demo_year
from evenstring.io.load import load_session, profile_of
from evenstring.logbook.entry import Entry, entry_of
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.trends.likes import leaks
from evenstring.report.material import gather_material
from evenstring.sim.scenario.year import LEAKING, NAME, evenings

LATE = datetime(2025, 8, 21, tzinfo=UTC)  # a Thursday; the weekend after it is off


def test_an_evening_says_when_it_began_whose_it_is_and_when_the_meter_was_calibrated(tmp_path: Path) -> None:
    evening = next(evenings())
    path = tmp_path / evening.name
    path.write_bytes(evening.frames)

    session = load_session([path])

    assert "(invented)" in NAME
    assert profile_of(session).name == NAME
    assert session.start is not None
    assert abs(session.start - evening.start) < timedelta(seconds=1)
    assert session.corrections[-1].found == datetime(2024, 12, 14, tzinfo=UTC)


def test_the_same_seed_gives_the_same_evenings_and_each_begins_as_the_one_before_it_ended(tmp_path: Path) -> None:
    days = [list(evenings(days=4)) for _ in range(2)]
    volts = []
    for evening in days[0]:
        path = tmp_path / evening.name
        path.write_bytes(evening.frames)
        volts.append(load_session([path]).volts_v)

    assert days[0] == days[1]
    assert np.abs(volts[1][0] - volts[0][-1]).max() < 0.02  # relaxed overnight, nothing charged or ridden


@pytest.mark.slow
def test_the_leak_of_august_is_read_from_rests_round_a_weekend_as_large_as_it_was_put_in(tmp_path: Path) -> None:
    """By hand: 1.05 mA x 168 h of 15 Ah are 1.18 % a week."""
    found = leaks(history_of(list(looked_at(tmp_path))))

    assert found is not None
    best, low, high = found.interval(LEAKING)
    assert int(np.argmax(found.percent_week)) + 1 == LEAKING
    assert best == pytest.approx(1.18, abs=0.3)
    assert low < 1.18 < high


def looked_at(folder: Path) -> list[Entry]:
    entries = []
    for evening in evenings(days=5, first=LATE):
        path = folder / evening.name
        path.write_bytes(evening.frames)
        session = load_session([path])
        entries.append(entry_of(gather_material(session, profile_of(session))))
    return entries


@pytest.mark.slow
def test_the_demo_logs_tells_and_plans_and_replaces_nothing_unasked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo_year, "evenings", lambda: evenings(days=5, first=LATE))
    command = ["demo", "--scenario", "year", "-o", str(tmp_path / "year")]

    done = CliRunner().invoke(cli, command)
    again = CliRunner().invoke(cli, command)
    listed = CliRunner().invoke(cli, ["logbook", "list", "--logbook", str(tmp_path / "year" / "logbook")])
    plan = (tmp_path / "year" / "plan.html").read_text(encoding="utf-8")

    assert done.exit_code == 0, done.output
    assert "Next charge:" in done.output
    assert "(invented)" in (tmp_path / "year" / "months.html").read_text(encoding="utf-8")
    assert "Next charge:" in plan
    assert done.output.rstrip().splitlines()[-1].endswith("evidence.pdf")
    assert (tmp_path / "year" / "evidence.pdf").read_bytes().startswith(b"%PDF")
    assert "(invented)" in (tmp_path / "year" / "evidence.html").read_text(encoding="utf-8")
    assert "2025-11" in plan  # dated from the last recording on
    assert listed.output.count("2025-08-2") == 2
    planned = CliRunner().invoke(cli, ["plan", "--name", NAME, "--logbook", str(tmp_path / "year" / "logbook")])

    assert "Next charge:" in planned.output
    assert "Drift is assumed" in planned.output  # one pair of rests is too few
    assert again.exit_code != 0
    assert "--force" in str(again.exception)
