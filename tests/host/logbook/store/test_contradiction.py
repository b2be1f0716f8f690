"""Two packs whose boards share the identity they came with: what contradicts is said, what does not is not."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.logbook.entry import Entry, to_text
from evenstring.logbook.store.contradiction import contradictions
from evenstring.logbook.store.rows import Listed
from evenstring.logbook.store.whose import PackKey

from tests.host.logbook.store.books import ENTRY

TOWPATH = Path(__file__).resolve().parents[3] / "data" / "recordings" / "towpath.frames"
PACK = PackKey("cart", "cart", "", 20, "nmc", number=1)
HOUR_S = 3600.0


def entry(start_s: float, seed: int, scatter: float = 0.0) -> Entry:
    """Twenty groups as made with seed 7; `scatter` beside that is of these cells; 2 % uncertain."""
    rng = np.random.default_rng(seed)
    made = 1 + np.random.default_rng(7).normal(0, 0.04, 20) + rng.normal(0, scatter, 20)
    seen = made + rng.normal(0, 0.02, 20)
    capacity = 1 + rng.normal(0, 0.008, 20)
    return replace(
        ENTRY, start_s=start_s, duration_s=HOUR_S, groups=20, resistance=tuple(map(float, seen)), resistance_sigma=0.02,
        capacity=tuple(map(float, capacity)), capacity_sigma=0.008,
    )  # fmt: skip


def listed(number: int, of: Entry) -> Listed:
    return Listed(number, PACK, Path("a.frames"), "", 0, of.start_s, to_text(of))


@pytest.mark.parametrize("seed", range(20))
def test_the_same_cells_weeks_apart_contradict_nothing(seed: int) -> None:
    before = [listed(k, entry(k * 100 * HOUR_S, 100 * seed + k)) for k in range(5)]

    assert list(contradictions(entry(1e7, 100 * seed + 50), before)) == []


@pytest.mark.parametrize("seed", range(5))
def test_other_cells_under_one_name_are_seen(seed: int) -> None:
    """Worn packs: resistances that differ by 20 % standard from group to group."""
    other = entry(1e7, seed, scatter=0.2)

    assert any("other cells, or another pack" in said for said in contradictions(other, [listed(4, entry(0.0, 99))]))


def test_two_recordings_of_the_same_hours_are_seen_and_one_after_the_other_are_not() -> None:
    here = [listed(3, entry(0.0, 1))]

    assert "recording 3 of this pack is of the same hours" in next(contradictions(entry(0.5 * HOUR_S, 2), here))
    assert list(contradictions(entry(HOUR_S, 2), here)) == []


@pytest.mark.slow
def test_adding_says_so_and_an_answer_of_the_users_ends_it(tmp_path: Path) -> None:
    """The same evening in another file: one frame less, so another checksum."""
    first, second = tmp_path / "a.frames", tmp_path / "b.frames"
    shutil.copyfile(TOWPATH, first)
    second.write_bytes(TOWPATH.read_bytes()[400:])
    book = ["--logbook", str(tmp_path / "book")]

    def added(*words: str) -> str:
        return CliRunner().invoke(cli, ["logbook", "add", *words, *book], catch_exceptions=False).output

    assert "!" not in added(str(first))
    said = added(str(second), "--name", "Towpath handcart (invented)")

    assert "! recording 1 of this pack is of the same hours" in said
    assert "logbook remove 2" in said
    CliRunner().invoke(cli, ["logbook", "remove", "2", *book])
    assert "!" not in added(str(second), "--into", "1")
