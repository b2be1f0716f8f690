"""evenstring pack: asks what is known of a pack and writes it as pack.toml."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from evenstring.checked_toml import ValueRule
from evenstring.chemistry import CHEMISTRIES, Chemistry, chemistry_named
from evenstring.commands.pack_options import CAPACITY, CHEMISTRY, GROUPS
from evenstring.commands.say import say
from evenstring.errors import InputError
from evenstring.io.files import refuse_existing, write_new
from evenstring.ocv import default_curve, mean_voltage_v
from evenstring.profile import RULES, PackProfile, parse_profile

__all__ = ["command", "pack_text"]

_LIMITS = {
    "full_v": "charged: the charger's end, volts of one group",
    "ceiling_v": "never above: charging must stop here",
    "empty_v": "empty under load",
    "discard_v": "a group seen below this must not be charged again",
}
# What is asked besides, Enter for "not known": (table, key) -> question, remark in the file.
_MORE = {
    ("balancer", "bleed_ma"): ("Bleed current of the balancer, mA", "of one group's bleeder while it is on"),
    ("charger", "current_a"): ("Charger current, A", "the charger's constant current"),
}


@click.command("pack", epilog="Example: evenstring pack --groups 20 --chemistry nmc --capacity 20 -o pack.toml")
@click.option("-o", "--output", default=Path("pack.toml"), show_default=True, type=click.Path(path_type=Path),
              help="File to write.")  # fmt: skip
@click.option("--groups", type=GROUPS, help="Cell groups in series.")
@click.option("--chemistry", type=CHEMISTRY, help="nmc, nca, lco, lfp, ... in any usual spelling.")
@click.option("--capacity", type=CAPACITY, help="Ampere-hours of the pack.")
@click.option("--name", help="What you call it; shown in reports.")
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
def command(  # one argument an option
    output: Path, groups: int | None, chemistry: str | None, capacity: float | None, name: str | None, force: bool
) -> None:
    """Ask what is known of a pack and write it as a pack profile.

    With --groups, --chemistry and --capacity nothing is asked. What you do not know stays at its usual value and is
    shown in each report as assumed. Count the groups by the sense leads: one fewer than leads. The cell maker's and
    the pack maker's limits come before any here.
    """
    refuse_existing(output, force)
    try:
        text = _asked(groups, chemistry, capacity, name)
    except click.Abort:
        say(err=True)
        raise InputError(
            f"{output}: not written, since a question got no answer. Without questions: evenstring pack --groups N"
            " --chemistry NAME --capacity AH"
        ) from None
    profile = parse_profile(text, str(output))
    write_new(output, text.encode(), force)
    say(f"{output}: {_summary(profile)}")


def _asked(groups: int | None, chemistry: str | None, capacity: float | None, name: str | None) -> str:
    """The text of the profile, from what was given and what is answered."""
    values: dict[tuple[str, str], Any] = {}
    asking = groups is None or chemistry is None or capacity is None
    if asking:
        name = click.prompt("Name, as you call it", default="", show_default=False) if name is None else name
    groups = groups or _needed("Cell groups in series (sense leads less one)", GROUPS)
    if chemistry is None:
        for key, row in CHEMISTRIES.items():
            say(f"  {key:<4} {row.about}, {row.empty_v:.2f} to {row.full_v:.2f} V a group")
        chemistry = click.prompt("Chemistry", default="nmc", value_proc=_chemistry)
    row = CHEMISTRIES[chemistry]
    capacity = _needed("Capacity, Ah", CAPACITY) if capacity is None else capacity
    if asking:
        values = _limits(row, chemistry) | _more()
    return pack_text(name or "", groups, chemistry, capacity, values)


def _needed(question: str, kind: click.ParamType[Any]) -> Any:
    """Asked until it is answered; a blank answer is told why it is none."""

    def number(text: str) -> Any:
        if not text.strip():
            raise click.BadParameter("a number is needed here; Ctrl-C leaves, and nothing is written")
        return kind(text)

    return click.prompt(question, default="", show_default=False, value_proc=number)


def _chemistry(written: str) -> str:
    try:
        return chemistry_named(written)
    except InputError as error:
        raise click.BadParameter(str(error)) from error


def _limits(row: Chemistry, chemistry: str) -> dict[tuple[str, str], float]:
    """Limits that differ from the chemistry's usual ones; asked again until they rise."""
    say(f"Volts of one group; Enter keeps what is usual for {chemistry} ({row.source}).")
    while True:
        asked = {key: click.prompt(f"  {key[:-2]} ({what})", default=getattr(row, key), type=_range("limits", key))
                 for key, what in _LIMITS.items()}  # fmt: skip
        if asked["discard_v"] <= asked["empty_v"] < asked["full_v"] <= asked["ceiling_v"]:
            return {("limits", key): v for key, v in asked.items() if v != getattr(row, key)}
        say("They must rise: discard, empty, full, ceiling. Once more:")


def _more() -> dict[tuple[str, str], float]:
    out = {}
    for at, (question, _) in _MORE.items():
        kind = _range(*at)

        def number(text: str, kind: click.FloatRange = kind) -> float | None:
            return float(kind(text)) if text.strip() else None

        found = click.prompt(f"{question} (Enter: not known)", default="", show_default=False, value_proc=number)
        if found is not None:
            out[at] = found
    return out


def _range(table: str, key: str) -> click.FloatRange:
    rule: ValueRule = RULES[table][key]
    return click.FloatRange(rule.low, rule.high)


def pack_text(name: str, groups: int, chemistry: str, capacity_ah: float, values: dict[tuple[str, str], float]) -> str:
    """The text of a pack.toml with remarks.

    What is not in `values`, (table, key) -> number, stands there as a remark with its usual value: it stays a default.
    """
    row = CHEMISTRIES[chemistry]
    usual = {("limits", key): getattr(row, key) for key in _LIMITS}
    lines = [
        "# What is known of this pack, from `evenstring pack`. A line that begins with # is not in force: its value",
        "# is assumed, and every report says so. Where you know better, take the # away and correct it.",
        "",
        "[pack]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        f"groups = {groups}  # cell groups in series",
        f'chemistry = "{chemistry}"  # {row.about}',
        f"capacity_ah = {capacity_ah:g}",
    ]
    remarks = {("limits", key): what for key, what in _LIMITS.items()} | {at: what for at, (_, what) in _MORE.items()}
    table = "pack"
    for at, remark in remarks.items():
        if at[0] != table:
            table = at[0]
            lines += ["", f"[{table}]"]
        if at in values:
            lines.append(f"{at[1]} = {values[at]:g}  # {remark}")
        else:
            lines.append(f"# {at[1]} = {usual[at]:g}  # {remark}" if at in usual else f"# {at[1]} =   # {remark}")
    return "\n".join(lines) + "\n"


def _summary(profile: PackProfile) -> str:
    full_v = profile.groups * profile.full_v
    nominal_v = profile.groups * mean_voltage_v(default_curve(profile.chemistry))
    said = f"{profile.groups} groups of {profile.chemistry}, {profile.capacity_ah:g} Ah, about {nominal_v:.0f} V,"
    said += f" {full_v:.1f} V when full"
    return said + (". Above 60 V DC a pack can kill: read hardware_notes before you touch it" if full_v > 60 else "")
