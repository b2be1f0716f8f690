"""Pack profile: what is known of the pack beforehand (pack.toml), with defaults by chemistry.

Every value that the user did not give is listed in `PackProfile.defaults`, so that a report can show it. A key that is
not known and a value that no pack has are refused: a limit that is misspelt must not leave another in force unseen.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from evenstring.checked_toml import Checked, ValueRule, toml_text
from evenstring.chemistry import CHEMISTRIES, chemistry_named
from evenstring.errors import InputError

__all__ = ["BLEED_RULES", "RULES", "PackProfile", "load_profile", "parse_profile", "to_toml"]


@dataclass(frozen=True, slots=True)
class PackProfile:
    """A pack as its owner describes it. Units are in the names; None means not known."""

    groups: int
    name: str = ""
    chemistry: str = "nmc"
    capacity_ah: float = 20.0
    parallel_strings: int = 1
    full_v: float = 4.20
    ceiling_v: float = 4.25
    empty_v: float = 3.00
    discard_v: float = 2.50
    bleed_ma: float = 50.0
    threshold_v: float = 4.18
    bleed_rule: str | None = None  # one of BLEED_RULES
    charger_current_a: float | None = None
    done_light_a: float = 0.5
    load_a: float | None = None  # discharge, for which the reserve is asked besides the ride's own
    display_offset_v: float | None = None  # the vehicle's own pack voltage minus the true one
    repair_a: float | None = None  # of a bench supply or load, for the hours that bringing a group level takes
    strict_discard: bool = False  # any visit below discard, however short and loaded, means do not charge
    defaults: tuple[str, ...] = ()  # names ("limits.full_v") of the values that were not given


# What decides that a group bleeds: the threshold alone; and a few mV above the lowest group, which is left alone; the
# same, odd and even groups taking turns.
BLEED_RULES = ("threshold", "above_lowest", "odd_even")

_NAME = 200  # characters: the profile must fit into a frame of a recording (our choice)
_GROUP_V = ValueRule(low=0.1, high=5.5)  # a group's limit in V: wider than any chemistry (our choice)

# (table, key) in pack.toml -> what it may be. Bounds are far outside any vehicle's pack: they catch a slip of the unit,
# mAh for Ah, mV for V (our choice).
RULES: dict[str, dict[str, ValueRule]] = {
    "pack": {
        "name": ValueRule(str, longest=_NAME),
        "groups": ValueRule(low=1, high=40, whole=True),
        "chemistry": ValueRule(str),
        "capacity_ah": ValueRule(low=0.05, high=2000, hint="ampere-hours; a cell's label may give mAh"),
        "parallel_strings": ValueRule(low=1, high=40, whole=True),
    },
    "limits": {
        "full_v": _GROUP_V, "ceiling_v": _GROUP_V, "empty_v": _GROUP_V, "discard_v": _GROUP_V,
        "strict_discard": ValueRule(bool),
    },
    "balancer": {
        "bleed_ma": ValueRule(low=0.1, high=20_000), "threshold_v": _GROUP_V, "rule": ValueRule(choices=BLEED_RULES),
    },
    "charger": {"current_a": ValueRule(low=0.01, high=1000), "done_light_a": ValueRule(low=0.001, high=1000)},
    "repair": {"current_a": ValueRule(low=0.001, high=1000)},
    "ride": {"load_a": ValueRule(low=0.01, high=5000), "display_offset_v": ValueRule(low=-100, high=100)},
}  # fmt: skip

# (table, key) in pack.toml -> field here; all numbers.
_NUMBERS = {
    ("pack", "capacity_ah"): "capacity_ah",
    ("limits", "full_v"): "full_v",
    ("limits", "ceiling_v"): "ceiling_v",
    ("limits", "empty_v"): "empty_v",
    ("limits", "discard_v"): "discard_v",
    ("balancer", "bleed_ma"): "bleed_ma",
    ("balancer", "threshold_v"): "threshold_v",
    ("charger", "current_a"): "charger_current_a",
    ("charger", "done_light_a"): "done_light_a",
    ("repair", "current_a"): "repair_a",
    ("ride", "load_a"): "load_a",
    ("ride", "display_offset_v"): "display_offset_v",
}


def load_profile(path: Path) -> PackProfile:
    """Read a pack.toml.

    Raises:
        InputError: the file cannot be read or a value makes no sense.
    """
    return parse_profile(profile_text(path), where=str(path))


def profile_text(path: Path) -> str:
    """The text of a pack.toml.

    Raises:
        InputError: the file cannot be read.
    """
    try:
        return toml_text(path.read_bytes())
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot read this pack profile ({error}); give a pack.toml file") from error


def parse_profile(text: str, where: str = "pack.toml", *, newer: bool = False) -> PackProfile:
    """Make a profile from the text of a pack.toml; `where` names it in messages.

    `newer`: a program wrote it, maybe a later version; what is not known here is passed over, as in frames.

    Raises:
        InputError: not TOML, no `groups`, a key that is not known, or a value that makes no sense; with its line.
    """
    doc = Checked(text, where)
    if newer:
        doc.forget_unknown(RULES)
    doc.check_tables(list(RULES))
    tables = {name: doc.table(name, rules) for name, rules in RULES.items()}
    pack = tables["pack"]
    if "groups" not in pack:
        raise doc.error("pack", 0, "", "[pack] needs groups = N, the number of cell groups in series")
    chemistry = _chemistry(doc, pack.get("chemistry", "nmc"))
    given = {name: tables[table][key] for (table, key), name in _NUMBERS.items() if key in tables[table]}
    left_out = [f"{table}.{key}" for (table, key) in _NUMBERS if key not in tables[table]]
    profile = PackProfile(
        groups=int(pack["groups"]),
        chemistry=chemistry,
        name=pack.get("name", ""),
        parallel_strings=int(pack.get("parallel_strings", 1)),
        strict_discard=tables["limits"].get("strict_discard", False),
        bleed_rule=tables["balancer"].get("rule"),
        defaults=(*([] if "chemistry" in pack else ["pack.chemistry"]), *left_out),
    )
    profile = replace(profile, **(CHEMISTRIES[chemistry].limits | given))
    if not profile.discard_v <= profile.empty_v < profile.full_v <= profile.ceiling_v:
        raise doc.error(
            "limits",
            0,
            "",
            f"[limits] must rise: discard {profile.discard_v:g}, empty {profile.empty_v:g},"
            f" full {profile.full_v:g}, ceiling {profile.ceiling_v:g}",
        )
    return profile


def _chemistry(doc: Checked, written: str) -> str:
    try:
        return chemistry_named(written)
    except InputError as error:
        raise doc.error("pack", 0, "chemistry", str(error)) from error


def to_toml(profile: PackProfile) -> str:
    """The profile as the text of a pack.toml: what was given and no more, so that defaults stay defaults."""
    lines = ["[pack]", f"name = {_quoted(profile.name)}", f"groups = {profile.groups}"]
    if "pack.chemistry" not in profile.defaults:
        lines.append(f'chemistry = "{profile.chemistry}"')
    if profile.parallel_strings != 1:
        lines.append(f"parallel_strings = {profile.parallel_strings}")
    table = "pack"
    for (section, key), name in _NUMBERS.items():
        if f"{section}.{key}" in profile.defaults or getattr(profile, name) is None:
            continue
        if section != table:
            lines += ["", f"[{section}]"]
            table = section
        lines.append(f"{key} = {getattr(profile, name)!r}")
    if profile.strict_discard:
        _add(lines, "limits", "strict_discard = true")
    if profile.bleed_rule:
        _add(lines, "balancer", f'rule = "{profile.bleed_rule}"')
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string; JSON escapes all that TOML wants escaped but DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _add(lines: list[str], table: str, line: str) -> None:
    """A line more at the head of a table, which is begun where there is none."""
    if f"[{table}]" not in lines:
        lines += ["", f"[{table}]"]
    lines.insert(lines.index(f"[{table}]") + 1, line)
