"""Whose recording is it? Told by name, string, groups, board and profile; packs are never merged by a guess."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from evenstring.errors import InputError, UsageError
from evenstring.profile import PackProfile, parse_profile

__all__ = ["SHARED_IDS", "PackKey", "Told", "heading", "own_id", "whose"]

# The identities that come with the board descriptions of firmware/boards: every board that keeps one has the same.
SHARED_IDS = ("", "virtual", "rp2040-relay", "esp32-relay")

Likeness = Literal["same", "other", "unsure", "unknown"]


def own_id(board_id: str) -> str:
    """The identity of a board where it tells this one from others, else nothing."""
    return "" if board_id in SHARED_IDS else board_id


@dataclass(frozen=True, slots=True)
class PackKey:
    """A string as the logbook knows it.

    Attributes:
        number: in the logbook; 0 before it is there.
        boards: own identities of the boards that measured it.
        pack_toml: the profile that was given last, None where none was.
    """

    vehicle: str
    name: str
    string_name: str
    groups: int
    chemistry: str
    number: int = 0
    boards: tuple[str, ...] = ()
    pack_toml: str | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What a recording, its profile and the user say of the pack.

    Attributes:
        vehicle: None where nobody said.
        board_id: as the recording has it.
        pack_toml: what its owner says of it, None where nobody does.
        into: number of the pack that the user named.
    """

    name: str
    groups: int
    chemistry: str
    vehicle: str | None = None
    string_name: str = ""
    board_id: str = ""
    pack_toml: str | None = None
    into: int | None = None

    @property
    def new_pack(self) -> PackKey:
        """The pack that it begins, where it is of none that is here."""
        own = own_id(self.board_id)
        boards = (own,) if own else ()
        named = self.name, self.string_name, self.groups, self.chemistry
        return PackKey(self.vehicle or self.name, *named, boards=boards, pack_toml=self.pack_toml)


def heading(pack: PackKey) -> str:
    """One line that tells it from others."""
    string = f", string {pack.string_name}" if pack.string_name and pack.string_name != pack.name else ""
    of = f" of {pack.vehicle}" if pack.vehicle != pack.name else ""
    board = f", board {' and '.join(pack.boards)}" if pack.boards else ""
    return f"pack {pack.number}: {pack.name}{of}{string}{board}: {pack.groups} groups, {pack.chemistry}"


def whose(told: Told, packs: Sequence[PackKey]) -> PackKey | None:
    """The pack of a recording among those that are here; None: it begins one of its own.

    Raises:
        UsageError: it may be of one that is here, or not; or nothing says whose it is.
        InputError: it cannot be of the pack that the user named.
    """
    if told.into is not None:
        return _named(told, packs)
    own = own_id(told.board_id)
    if not told.name:
        return _of_board(told, [p for p in packs if own and own in p.boards and _fits(told, p)])
    alike = [p for p in packs if p.name == told.name and _fits(told, p)]
    same = [p for p in alike if _likeness(told, p) == "same"]
    unsure = [p for p in alike if _likeness(told, p) == "unsure"]
    if len(same) > 1 or (unsure and not same):
        raise UsageError(_question(told, same or unsure))
    return same[0] if same else None


def _fits(told: Told, pack: PackKey) -> bool:
    string = pack.string_name == told.string_name
    return string and pack.groups == told.groups and told.vehicle in {None, pack.vehicle}


def _named(told: Told, packs: Sequence[PackKey]) -> PackKey:
    for pack in packs:
        if pack.number == told.into:
            if pack.groups != told.groups:
                raise InputError(f"{heading(pack)}; the recording has {told.groups} groups and cannot be of it")
            return pack
    raise InputError(f"the logbook has no pack {told.into}; `evenstring logbook list` shows their numbers")


def _of_board(told: Told, packs: Sequence[PackKey]) -> PackKey:
    if not packs:
        raise UsageError(
            "which pack is this? Neither a profile nor the board names it (boards of one kind come with one identity):"
            " give --name, or a pack.toml with a name by --pack"
        )
    if len(packs) > 1:
        raise UsageError(_question(told, packs))
    return packs[0]


def _likeness(told: Told, pack: PackKey) -> Likeness:
    """Whether a recording of a pack's name, string and groups is of it."""
    own, profiles = own_id(told.board_id), _profiles_agree(told.pack_toml, pack.pack_toml)
    if own and pack.boards:
        if own not in pack.boards:
            return "other"
        return "unsure" if profiles == "other" else "same"
    if profiles != "unknown":
        return "same" if profiles == "same" else "unsure"
    one_board_unknown = bool(own) != bool(pack.boards)
    other_vehicle = told.vehicle is None and pack.vehicle != pack.name  # who named one before may have two
    return "unsure" if one_board_unknown or other_vehicle else "same"


def _profiles_agree(one: str | None, two: str | None) -> Likeness:
    """By what does not change over the years: chemistry, capacity, cells side by side."""
    if one is None or two is None:
        return "unknown"
    first, second = (parse_profile(text, "profile", newer=True) for text in (one, two))
    a, b = _lasting(first), _lasting(second)
    both = a.keys() & b.keys()
    if any(a[key] != b[key] for key in both):
        return "other"
    return "same" if "capacity_ah" in both else "unknown"  # chemistry alone is that of every second pack


def _lasting(profile: PackProfile) -> dict[str, object]:
    """What was given of it."""
    given: dict[str, object] = {"parallel_strings": profile.parallel_strings} if profile.parallel_strings > 1 else {}
    if "pack.chemistry" not in profile.defaults:
        given["chemistry"] = profile.chemistry
    if "pack.capacity_ah" not in profile.defaults:
        given["capacity_ah"] = profile.capacity_ah
    return given


def _question(told: Told, packs: Sequence[PackKey]) -> str:
    here = "; ".join(heading(p) for p in packs)
    board = own_id(told.board_id)
    this = f"this recording is by board {board}" if board else "this recording's board has no identity of its own"
    return (
        f"which pack is this? The logbook has {here}; {this}, and its profile does not settle it. Of the same cells:"
        f" --into {packs[0].number}{' (or another of these)' if len(packs) > 1 else ''}. Of others: another --name or"
        " --vehicle, or a pack.toml with a name of its own by --pack"
    )
