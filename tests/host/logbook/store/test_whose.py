"""Two packs are never taken for one, and one never for two without a word."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from evenstring.errors import InputError, UsageError
from evenstring.logbook.store.whose import SHARED_IDS, PackKey, Told, whose

from tests.host.logbook.store.books import add, numbers

ROOT = Path(__file__).resolve().parents[4]
TOML = '[pack]\nname = "cart"\ngroups = 20\nchemistry = "nmc"\ncapacity_ah = 20.0\n'
LARGER = TOML.replace("20.0", "32.0")
CART = PackKey("cart", "cart", "", 20, "nmc", number=1)
SAID = Told("cart", 20, "nmc")


def test_every_identity_that_comes_with_a_board_description_tells_nothing() -> None:
    shipped = [json.loads(p.read_text(encoding="utf-8"))["board_id"] for p in (ROOT / "firmware/boards").glob("*.json")]

    assert shipped
    assert set(shipped) <= set(SHARED_IDS)


@pytest.mark.parametrize(
    ("told", "pack", "of_it"),
    [
        (SAID, CART, True),
        (replace(SAID, name="barrow"), CART, False),
        (replace(SAID, string_name="right"), CART, False),
        (replace(SAID, groups=24), CART, False),
        (replace(SAID, vehicle="van"), CART, False),
        (replace(SAID, board_id="rp2040-relay"), CART, True),
        (replace(SAID, board_id="a"), replace(CART, boards=("a",)), True),
        (replace(SAID, board_id="b"), replace(CART, boards=("a",)), False),
        (replace(SAID, board_id="b", pack_toml=TOML), replace(CART, boards=("a",), pack_toml=TOML), False),
        (replace(SAID, pack_toml=TOML), replace(CART, boards=("a",), pack_toml=TOML), True),
        (replace(SAID, board_id="a"), replace(CART, vehicle="van", boards=("a",)), True),
        (replace(SAID, name="", board_id="a"), replace(CART, boards=("a",)), True),
        (replace(SAID, board_id="b", into=1), replace(CART, boards=("a",)), True),
    ],
)  # fmt: skip
def test_what_is_certain_is_decided(told: Told, pack: PackKey, of_it: bool) -> None:
    assert whose(told, [pack]) == (pack if of_it else None)


@pytest.mark.parametrize(
    ("told", "packs"),
    [
        (replace(SAID, board_id="a"), [CART]),  # the board got an identity since, or it is another one
        (SAID, [replace(CART, boards=("a",))]),
        (replace(SAID, pack_toml=LARGER), [replace(CART, pack_toml=TOML)]),
        (replace(SAID, board_id="a", pack_toml=LARGER), [replace(CART, boards=("a",), pack_toml=TOML)]),
        (SAID, [replace(CART, vehicle="van")]),  # one who names vehicles may have two packs of that name
        (SAID, [CART, replace(CART, number=2)]),
        (replace(SAID, name="", board_id="a"), [replace(CART, boards=("a",)), replace(CART, number=2, boards=("a",))]),
        (replace(SAID, name=""), [CART]),
        (replace(SAID, name="", board_id="a"), [CART]),
    ],
)
def test_what_is_not_certain_is_asked(told: Told, packs: list[PackKey]) -> None:
    with pytest.raises(UsageError, match="which pack is this"):
        whose(told, packs)


def test_a_question_tells_what_to_answer() -> None:
    with pytest.raises(UsageError) as asked:
        whose(replace(SAID, board_id="a"), [CART])

    for word in ("pack 1: cart", "board a", "--into 1", "--vehicle", "--pack"):
        assert word in str(asked.value)


def test_a_pack_that_the_user_named_must_be_there_and_have_as_many_groups() -> None:
    with pytest.raises(InputError, match="no pack 7"):
        whose(replace(SAID, into=7), [CART])
    with pytest.raises(InputError, match="24 groups"):
        whose(replace(SAID, into=1, groups=24), [CART])


def test_two_boards_with_identities_of_their_own_make_two_packs_of_one_name(tmp_path: Path) -> None:
    """They ran together before: only name, string and number of groups were looked at."""
    told = Told("cart", 3, "nmc", board_id="a")
    first, second = add(tmp_path, 1, told=told), add(tmp_path, 2, told=replace(told, board_id="b"))
    third = add(tmp_path, 3, told=replace(told, board_id="b"))

    assert first.pack.number != second.pack.number == third.pack.number
    assert (first.new_pack, second.new_pack, third.new_pack) == (True, True, False)
    assert numbers(tmp_path) == [1, 2, 3]


def test_what_was_asked_and_not_answered_adds_nothing(tmp_path: Path) -> None:
    add(tmp_path, 1, told=Told("cart", 3, "nmc"))
    with pytest.raises(UsageError):
        add(tmp_path, 2, told=Told("cart", 3, "nmc", board_id="a"))

    assert numbers(tmp_path) == [1]
    put = add(tmp_path, 2, told=Told("cart", 3, "nmc", board_id="a", into=1))
    assert (put.pack.number, put.pack.boards) == (1, ("a",))
    assert not add(tmp_path, 3, told=Told("cart", 3, "nmc", board_id="a")).new_pack
