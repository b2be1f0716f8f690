"""Pack profile: what is known of the pack beforehand (pack.toml), with defaults by chemistry.

Every value that the user did not give is listed in `PackProfile.defaults`, so that a report can show it.
Limits of the 4.2 V chemistries are common practice.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from evenstring.errors import InputError

__all__ = ["BLEED_RULES", "CHEMISTRIES", "PackProfile", "load_profile", "parse_profile", "to_toml"]


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

# Volts of one group. 4.2 V rows: common practice; LFP row: common practice, from memory.
CHEMISTRIES: dict[str, dict[str, float]] = {
    "nmc": {"full_v": 4.20, "ceiling_v": 4.25, "empty_v": 3.00, "discard_v": 2.50, "threshold_v": 4.18},
    "nca": {"full_v": 4.20, "ceiling_v": 4.25, "empty_v": 3.00, "discard_v": 2.50, "threshold_v": 4.18},
    "lco": {"full_v": 4.20, "ceiling_v": 4.25, "empty_v": 3.00, "discard_v": 2.50, "threshold_v": 4.18},
    "lfp": {"full_v": 3.60, "ceiling_v": 3.65, "empty_v": 2.50, "discard_v": 2.00, "threshold_v": 3.45},
}  # fmt: skip

_LARGEST = 1e9  # beyond it no pack: catches infinity, and whole numbers that no float can hold

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
_SIGNED = ("display_offset_v",)  # may be 0 or below


def load_profile(path: Path) -> PackProfile:
    """Read a pack.toml.

    Raises:
        InputError: the file cannot be read or a value makes no sense.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot read this pack profile ({error}); give a pack.toml file") from error
    return parse_profile(text, where=str(path))


def parse_profile(text: str, where: str = "pack.toml") -> PackProfile:
    """Make a profile from the text of a pack.toml; `where` names it in messages.

    Raises:
        InputError: not TOML, no `groups`, or a value makes no sense.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{where}: not valid TOML: {error}") from error
    pack = _table(data, "pack", where)
    groups = pack.get("groups")
    if not isinstance(groups, int) or isinstance(groups, bool) or not 1 <= groups <= 40:
        raise InputError(f"{where}: [pack] groups must be a whole number from 1 to 40, not {str(groups)[:40]}")
    chemistry = str(pack.get("chemistry", "nmc")).lower()
    if chemistry not in CHEMISTRIES:
        raise InputError(f"{where}: [pack] chemistry {chemistry!r} is not known; use one of {', '.join(CHEMISTRIES)}")
    given: dict[str, Any] = {}
    defaults = [] if "chemistry" in pack else ["pack.chemistry"]
    for (table, key), name in _NUMBERS.items():
        value = _table(data, table, where).get(key)
        if value is None:
            defaults.append(f"{table}.{key}")
            continue
        least = -_LARGEST if name in _SIGNED else 0
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not least < value < _LARGEST:
            what = "a number" if name in _SIGNED else "a number above 0"
            raise InputError(f"{where}: [{table}] {key} must be {what}, not {str(value)[:40]}")
        given[name] = float(value)
    profile = PackProfile(groups=groups, chemistry=chemistry)
    profile = replace(
        profile,
        **(CHEMISTRIES[chemistry] | given),
        name=str(pack.get("name", "")),
        parallel_strings=_strings(pack.get("parallel_strings", 1), where),
        strict_discard=_switch(_table(data, "limits", where), "strict_discard", where),
        bleed_rule=_rule(_table(data, "balancer", where).get("rule"), where),
        defaults=tuple(defaults),
    )
    if not profile.discard_v <= profile.empty_v < profile.full_v <= profile.ceiling_v:
        raise InputError(
            f"{where}: [limits] must rise: discard {profile.discard_v}, empty {profile.empty_v},"
            f" full {profile.full_v}, ceiling {profile.ceiling_v}"
        )
    return profile


def _table(data: dict[str, Any], name: str, where: str) -> dict[str, Any]:
    table = data.get(name, {})
    if not isinstance(table, dict):
        raise InputError(f"{where}: [{name}] must be a table, not {table!r}")
    return table


def _strings(value: object, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 40:
        raise InputError(f"{where}: [pack] parallel_strings must be a whole number from 1 to 40, not {str(value)[:40]}")
    return value


def _rule(value: object, where: str) -> str | None:
    if value is not None and value not in BLEED_RULES:
        raise InputError(
            f"{where}: [balancer] rule must be one of {', '.join(BLEED_RULES)} (leave it out where it is not known),"
            f" not {str(value)[:40]!r}"
        )
    return None if value is None else str(value)


def _switch(table: dict[str, Any], key: str, where: str) -> bool:
    value = table.get(key, False)
    if not isinstance(value, bool):
        raise InputError(f"{where}: {key} must be true or false, not {str(value)[:40]!r}")
    return value


def to_toml(profile: PackProfile) -> str:
    """The profile as the text of a pack.toml: what was given and no more, so that defaults stay defaults."""
    lines = ["[pack]", f"name = {json.dumps(profile.name, ensure_ascii=False)}", f"groups = {profile.groups}"]
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


def _add(lines: list[str], table: str, line: str) -> None:
    """A line more at the head of a table, which is begun where there is none."""
    if f"[{table}]" not in lines:
        lines += ["", f"[{table}]"]
    lines.insert(lines.index(f"[{table}]") + 1, line)
