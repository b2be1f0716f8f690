"""Before and after a repair: what changed, what may be chance, and no comparison of two packs."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.profile import PackProfile
from evenstring.report.material import Material, gather_material
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from evenstring.workshop.comparison.answer import answer
from evenstring.workshop.comparison.compare import Change, Compared, Row, compare, refuse_other_pack
from evenstring.workshop.comparison.page import comparison_page
from evenstring.workshop.comparison.quantities import Quantity

from tests.host.looks import NASTY

GROUPS = 12


@cache
def charged(low: float = 0.0, seed: int = 1, groups: int = GROUPS) -> Material:
    """A charge with its held voltage; group 4 holds so much less than the others."""
    pack = Pack.even(groups, capacity_ah=20.0, soc=0.85)
    soc = pack.soc0.copy()
    soc[3] -= low
    rng = np.random.default_rng(7)  # one meter, with its offsets
    meter = MeterModel.random(rng, groups)
    made = simulate(replace(pack, soc0=soc), DutyCycle().rest(minutes=10).charge(hours=1.5))
    return gather_material(
        measure(made, meter, np.random.default_rng(seed)), PackProfile(groups=groups, capacity_ah=20.0, name="trike")
    )


def test_a_group_that_was_brought_level_is_the_one_that_changed() -> None:
    found = compare(charged(0.02, 1), charged(0.0, 2))

    assert [r.group for r in found.rows if (c := r.of("level")) is not None and c.low > 3.0] == [4]
    assert found.spread_mv[0] is not None
    assert found.spread_mv[1] is not None
    assert found.spread_mv[1] < found.spread_mv[0]


def test_the_same_pack_twice_changed_by_nothing_that_is_not_chance() -> None:
    found = compare(charged(0.01, 1), charged(0.01, 2))

    assert not [c for r in found.rows for c in r.changes if c.clear and c.quantity == "level" and abs(c.by) > 1.0]
    assert not [c for r in found.rows for c in r.changes if c.clear and c.quantity != "level"]


def test_two_packs_are_not_compared() -> None:
    other = charged()
    other = replace(other, profile=replace(other.profile, name="barrow"))

    with pytest.raises(InputError, match="name trike before, barrow after"):
        refuse_other_pack(charged(), other)
    for refused in (refuse_other_pack, compare):
        with pytest.raises(InputError, match="12 before, 10 after") as told_why:
            refused(charged(), charged(groups=10))
        assert "--same-pack" not in str(told_why.value)  # it would not help
        assert "--map" in str(told_why.value)


def test_nothing_that_says_that_it_is_one_pack_is_said_loudly_and_a_name_or_a_board_or_a_person_ends_it() -> None:
    def nameless(seed: int, board: str = "") -> Material:
        made = charged(0.0, seed)
        session = replace(made.session, ident=replace(made.session.ident, board_id=board, string_name=""))
        return replace(made, session=session, profile=replace(made.profile, name=""))

    found = compare(nameless(1, "rp2040-relay"), nameless(2, "rp2040-relay"))  # as every such board is shipped
    page = comparison_page(found, answer(found), "", "a, then b")

    assert found.unproved
    assert 'role="alert"><strong>Of one pack?' in page
    assert "pack.toml" in page
    assert not compare(charged(0.0, 1), charged(0.0, 2)).unproved
    assert not compare(nameless(1, "board-77"), nameless(2, "board-77")).unproved
    assert not compare(nameless(1), nameless(2), same_pack=True).unproved


def test_who_says_that_it_is_one_pack_gets_an_answer_whatever_the_names_say() -> None:
    other = replace(charged(0.0, 2), profile=replace(charged().profile, name="barrow"))
    found = compare(charged(0.02, 1), other, same_pack=True)

    assert found.other_pack == ()
    assert not answer(found).headline.startswith("These may be two packs")


def change(quantity: Quantity, pair: tuple[float, float], half: float) -> Change:
    by = pair[1] - pair[0]
    return Change(quantity, *pair, half, half, by - half, by, by + half)


def told(verdict: str = "ride", half: float = 1.0, **known: dict[int, tuple[float, float]]) -> Compared:
    """Twelve even groups; those named have other values before and after; intervals of the change of +-half."""
    kinds: tuple[Quantity, ...] = ("level", "capacity", "resistance")
    rows = tuple(
        Row(g, tuple(change(k, known.get(k, {}).get(g, (0.0, 0.0)), half) for k in kinds)) for g in range(1, GROUPS + 1)
    )
    return Compared(rows, 5.0, (), (20.0, 5.0), ("inspect", verdict), ("ended_uneven", "full"), ())


@pytest.mark.parametrize(("found", "headline", "good"), [
    (told(level={4: (-25.0, 0.5)}), "The repair did what it should: group 4", True),
    (told(level={4: (-25.0, 0.5)}, resistance={9: (40.0, 1.0)}), "The repair did what it should: groups 4 and 9", True),
    (told(level={4: (-25.0, -12.0)}), "Better, but not all of it: group 4 still out", False),
    (told(level={4: (-25.0, 0.0), 5: (-25.0, -25.5)}), "Better, but not all of it: group 5 still out", False),
    (told(level={4: (-25.0, -24.5)}), "The repair does not show: group 4 as before", False),
    (told(level={4: (-25.0, 0.0), 7: (0.0, 14.0)}), "Worse than before: group 7", False),
    (told(capacity={9: (-20.0, -0.5)}), "The repair did what it should: group 9", True),
    (told(capacity={9: (0.0, -20.0)}), "Worse than before: group 9", False),
    (told(resistance={2: (0.0, 30.0)}), "Worse than before: group 2", False),
    (told(level={7: (0.0, 4.0)}), "No group stood out before, and none does now", True),  # within half of the target
    (told(level={4: (-25.0, 0.0)}, half=30.0), "The repair does not show: group 4 as before", False),
    (told(level={4: (-25.0, 0.0)}, verdict="do_not_charge"), "Not done. Do not charge this pack", False),
], ids=range(12))  # fmt: skip
def test_whether_the_repair_did_what_it_should_is_answered_first(found: Compared, headline: str, good: bool) -> None:
    said = answer(found)

    assert (said.headline, said.good) == (headline, good)
    page = comparison_page(found, said, "trike", "a, then b")
    assert page.index(headline) < page.index("<figure") < page.index("Cautions")


def test_less_resistance_and_more_capacity_are_no_weakness() -> None:
    assert answer(told(resistance={2: (-20.0, 0.0), 3: (0.0, -20.0)}, capacity={4: (9.0, 0.0)})).became == ()


def test_nothing_in_common_is_said_and_is_no_good_news() -> None:
    rows = tuple(Row(g, ()) for g in range(1, 5))
    found = replace(told(), rows=rows)

    assert answer(found).headline == "Too little in common to compare"
    assert "Too little in common for a picture" in comparison_page(found, answer(found), "", "")


def test_another_pack_is_loud_and_gets_no_answer_on_a_repair() -> None:
    other = replace(charged(), profile=replace(charged().profile, name=f"barrow {NASTY[:80]}"))
    found = compare(charged(0.02, 1), other)
    page = comparison_page(found, answer(found), other.profile.name, "a, then b")

    assert answer(found).headline.startswith("These may be two packs")
    assert answer(found).became == ()
    assert 'class="loud"' in page
    assert page.index("Not the same pack?") < page.index("<figure")
    assert "<script>alert" not in page
    assert "\u202e" not in page


def test_other_cells_in_most_groups_look_like_another_pack_and_one_repaired_group_does_not() -> None:
    rng = np.random.default_rng(3)

    def with_resistances(ratio: np.ndarray, seed: int) -> Material:
        pack = Pack.even(GROUPS, capacity_ah=20.0, soc=0.85)
        made = simulate(replace(pack, r0_ohm=pack.r0_ohm * ratio), DutyCycle().rest(minutes=10).ride(minutes=15))
        meter = MeterModel.random(np.random.default_rng(7), GROUPS)
        session = measure(made, meter, np.random.default_rng(seed))
        return gather_material(session, PackProfile(groups=GROUPS, capacity_ah=20.0, name="trike"))

    one = np.ones(GROUPS)
    one[8] = 1.5
    first, second = rng.uniform(0.75, 1.25, GROUPS), rng.uniform(0.75, 1.25, GROUPS)

    assert compare(with_resistances(one, 1), with_resistances(np.ones(GROUPS), 2)).other_pack == ()
    strange = compare(with_resistances(first, 1), with_resistances(second, 2)).other_pack
    assert "groups changed their resistance: other cells, or another pack" in strange[0]


def test_the_page_stands_by_itself_and_has_the_numbers_of_the_json() -> None:
    found = compare(charged(0.02, 1), charged(0.0, 2))
    page = comparison_page(found, answer(found), "trike", "a, then b")

    assert "http" not in page
    assert "<script" not in page
    level = found.rows[3].of("level")
    assert level is not None
    assert f"{level.before:+.1f}".replace("-", "\N{MINUS SIGN}") in page
    assert f"{level.after:+.1f}".replace("-", "\N{MINUS SIGN}") in page


@pytest.mark.slow
def test_the_command_writes_the_page_and_says_the_same(tmp_path: Path) -> None:
    volts = np.minimum(3.9 + np.arange(300) / 500.0, 4.2)
    current = np.where(np.arange(300) < 150, 2.0, 2.0 * 0.97 ** (np.arange(300) - 150.0))
    rows = [f"{20 * k},{v},{v},{v - 0.01},{v},{a}" for k, (v, a) in enumerate(zip(volts, current, strict=True))]
    lines = ["t_s,g1,g2,g3,g4,current_a", *rows]
    table = tmp_path / "charge.csv"
    table.write_text("\n".join(lines) + "\n")
    given = ["compare", str(table), str(table), "--groups", "4", "--chemistry", "nmc"]

    out = CliRunner().invoke(cli, [*given, "-o", str(tmp_path / "page")], catch_exceptions=False)
    numbers = json.loads(CliRunner().invoke(cli, [*given, "--json"], catch_exceptions=False).stdout)

    assert out.stdout.splitlines()[0] == f"{numbers['answer']['headline']}."
    assert numbers["answer"]["headline"] in (tmp_path / "page" / "before-and-after.html").read_text()
    assert "! Of one pack?" in out.stdout
    assert "-0.0" not in out.stdout
    assert max(len(line) for line in out.stdout.splitlines() if not line.startswith("The page")) <= 80
    with pytest.raises(InputError, match="exists already"):
        CliRunner().invoke(cli, [*given, "-o", str(tmp_path / "page")], catch_exceptions=False)


@pytest.mark.slow
def test_a_group_with_new_cells_is_mended_though_the_charge_before_stopped_early() -> None:
    """Before: group 4 holds a fifth less and is full first, so that the pack's board ends the charge."""

    def day(weak: bool, seed: int) -> Material:
        pack = Pack.even(GROUPS, capacity_ah=20.0, soc=0.9)
        capacity, soc = pack.capacity_ah.copy(), pack.soc0.copy()
        capacity[3] *= 0.8 if weak else 1.0
        soc[3] += 0.05 if weak else 0.0
        pack = replace(pack, capacity_ah=capacity, soc0=soc)
        made = simulate(pack, DutyCycle().rest(minutes=30).ride(minutes=45).rest(minutes=40).charge(hours=4))
        session = measure(made, MeterModel.random(np.random.default_rng(7), GROUPS), np.random.default_rng(seed))
        return gather_material(session, PackProfile(groups=GROUPS, capacity_ah=20.0, name="trike"))

    found = compare(day(weak=True, seed=1), day(weak=False, seed=2))
    capacity = found.rows[3].of("capacity")

    assert found.ended == ("stopped_early", "full")
    assert capacity is not None
    assert capacity.before == pytest.approx(-20.0, abs=3.0)
    assert capacity.after == pytest.approx(0.0, abs=3.0)
    assert answer(found).headline == "The repair did what it should: group 4"


@pytest.mark.slow
def test_where_a_charge_was_not_held_gaps_in_charge_stand_for_the_levels() -> None:
    def day(low: float, more: float, seed: int) -> Material:
        pack = Pack.even(GROUPS, capacity_ah=20.0, soc=0.85)
        soc, ohm = pack.soc0.copy(), pack.r0_ohm.copy()
        soc[6] -= low
        ohm[9] *= more
        days = DutyCycle().rest(minutes=10).ride(minutes=40).charge(hours=3).rest(minutes=60)
        made = simulate(replace(pack, soc0=soc, r0_ohm=ohm), days)
        session = measure(made, MeterModel.random(np.random.default_rng(7), GROUPS), np.random.default_rng(seed))
        return gather_material(session, PackProfile(groups=GROUPS, capacity_ah=20.0, name="trike"))

    found = compare(day(0.03, 1.6, 1), day(0.0, 1.0, 2))
    charge = found.rows[6].of("charge")

    assert found.rows[6].of("level") is None
    assert charge is not None
    # What was put in; meanwhile the balancer may take up to 50 mA for 3 h of 20 Ah, 0.75 %, from the others.
    assert -3.0 - charge.before_half <= charge.before <= -3.0 + 0.75 + charge.before_half
    assert charge.low > 0.0
    assert abs(charge.after) <= charge.after_half
    assert "gaps in charge stand for them" in found.cautions[0]
    assert answer(found).headline == "The repair did what it should: groups 7 and 10"


def test_what_no_charging_mends_is_not_sent_to_the_charger() -> None:
    assert "charger" in answer(told(level={4: (-25.0, -24.5)})).next
    assert answer(told(resistance={4: (40.0, 39.5)})).next.startswith("no charging mends")
    assert answer(told(level={4: (-25.0, 0.0)}, capacity={5: (-9.0, -5.0)})).next.startswith("no charging mends")
