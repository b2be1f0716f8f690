"""`plan --name`: from a pack's logbook, and what of a logbook forbids a plan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.board.play import play_direct
from evenstring.cli import cli
from evenstring.commands.history.plan import known_leaks
from evenstring.logbook.entry import Entry
from evenstring.logbook.figures import Rest
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.trends.points import WEEK_S
from evenstring.sim.scenario import load_scenario

NAME = "of the book"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One that was charged, and one that was at its discard voltage."""
    folder = tmp_path_factory.mktemp("planned")
    for name, pack in (("even_evening_charge", NAME), ("visited_discard", "was low")):
        path = folder / f"{name}.frames"
        chosen = load_scenario(name)
        play_direct(chosen, chosen.run(), path)
        add = ["logbook", "add", str(path), "--name", pack, "--logbook", str(folder / "book")]
        assert CliRunner().invoke(cli, add).exit_code == 0
    return folder / "book"


@pytest.mark.slow
def test_a_plan_comes_from_a_logbook_by_the_packs_name(book: Path) -> None:
    done = CliRunner().invoke(cli, ["plan", "--name", NAME, "--logbook", str(book)])

    assert "\nNext charge:" in done.output
    assert all(len(line) < 80 for line in done.output.splitlines())


@pytest.mark.slow
def test_a_pack_whose_visit_to_the_discard_voltage_stands_gets_no_plan(book: Path) -> None:
    done = CliRunner().invoke(cli, ["plan", "--name", "was low", "--logbook", str(book)])

    assert done.output.startswith("No plan yet.")
    assert "full each time" not in done.output


def test_a_name_that_is_not_there_or_missing_is_said(book: Path) -> None:
    absent = CliRunner().invoke(cli, ["plan", "--name", "nobody", "--logbook", str(book)])
    unnamed = CliRunner().invoke(cli, ["plan", "--logbook", str(book)])

    assert "no pack nobody" in str(absent.exception)
    assert "Give --name" in str(unnamed.exception)


def entry(week: float, departure_mv: float, third: float | None) -> Entry:
    rest = None if third is None else Rest(0.0, 3600.0, 3.9, (0.0, 0.0, third, 0.0), 0.02)
    return Entry(
        1.7e9 + week * WEEK_S, 7200.0, 4, (0.0, 0.3, departure_mv, -0.3), 0.3, (1.0,) * 4, 0.02, "full", True, 1.0, 2.0,
        2.0, 8.0, 20.0, (), "ride", first_rest=rest, last_rest=rest,
    )  # fmt: skip


def test_rests_from_before_a_leak_began_do_not_say_that_there_is_none() -> None:
    """Sixteen calm weeks, then 3 mV a week: only pairs of rests since then count, and without any nothing is known."""
    rng = np.random.default_rng(3)
    calm = [entry(k, float(rng.normal(0, 0.3)), 0.0) for k in range(16)]
    falls = [entry(k, -3.0 * (k - 16), None) for k in range(16, 28)]
    rests = [Rest(0.0, 3600.0, 3.9, (0.0, 0.0, -0.4 * k, 0.0), 0.02) for k in range(len(falls))]
    seen = [replace(e, first_rest=rest, last_rest=rest) for e, rest in zip(falls, rests, strict=True)]

    known = known_leaks(history_of([*calm, *seen]))

    assert known_leaks(history_of(calm)) is not None
    assert known_leaks(history_of([*calm, *falls])) is None
    assert known is not None
    assert known[0][2] == pytest.approx(0.4, abs=0.05)
