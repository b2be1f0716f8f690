"""evenstring logbook: recordings of packs over months, what was found in them, and what changed.

What only reads the index is here and light; what needs the analysis is a module of its own, imported when asked for.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from evenstring.commands.group import CommandGroup, Row
from evenstring.commands.history.book_options import book_to_add, book_to_read, where_option
from evenstring.commands.say import say
from evenstring.errors import InputError, UsageError
from evenstring.logbook.store.rows import Listed
from evenstring.logbook.store.whose import PackKey, heading
from evenstring.text import json_text

__all__ = ["command"]

_ROWS = {
    "add": Row("Add recordings or tables; again is harmless.", "history.logbook_add", "add"),
    "list": Row("List recordings, by pack and time."),
    "trend": Row("Say what changed, and what stands.", "history.logbook_trend", "trend"),
    "show": Row("Print the report.json of a recording."),
    "check": Row("Look whether logbook and files are sound."),
    "remove": Row("Take a recording out."),
    "clear": Row("Clear a visit below discard, with a reason."),
    "re-analyse": Row("Compute findings again after an update.", "history.logbook_add", "re_analyse"),
    "evidence": Row("Write a history that others can check.", "history.evidence"),
    "dataset": Row("Write all of it as a Parquet data set.", "history.dataset"),
}


@click.group(
    "logbook",
    cls=CommandGroup,
    rows=_ROWS,
    epilog="Example: evenstring logbook add charge.frames --name 'delivery trike, left string'",
)
def command() -> None:
    """Keep recordings of packs and what was found in them, and say what changed over months."""


@command.command("list")
@where_option
@click.option("--name", help="Of this pack only, or of the one of this number.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
def list_command(folder: Path | None, name: str | None, as_json: bool) -> None:
    """List recordings, by pack and time."""
    with book_to_read(folder) as book:
        (_list_json if as_json else _list)(book.recordings(name))


def _list(rows: Iterable[Listed]) -> None:
    of: PackKey | None = None
    damaged = 0
    for row in rows:
        if row.pack != of:
            of = row.pack
            say(heading(of))
        try:
            say(_line(row))
        except InputError as error:  # the others are worth to be seen
            damaged += 1
            say(f"  {row.number:5d}  {error}")
    if of is None:
        say("no recordings yet: evenstring logbook add FILE")
    if damaged:
        raise InputError(f"{damaged} damaged: put the logbook's database aside and add the recordings again")


def _line(row: Listed) -> str:
    try:
        return _line_of(row, row.figures)
    except (KeyError, TypeError, AttributeError, ValueError, OverflowError, OSError) as error:
        raise row.damaged() from error


def _line_of(row: Listed, e: dict[str, Any]) -> str:
    at = "at a time not told" if row.start_s is None else f"{datetime.fromtimestamp(row.start_s, UTC):%Y-%m-%d %H:%M}"
    spread = "" if e["spread_end_mv"] is None else f", spread at the end {e['spread_end_mv']:.0f} mV"
    return (
        f"  {row.number:5d}  {at}  {e['duration_s'] / 3600.0:5.1f} h  {e['ended'].replace('_', ' ')}{spread},"
        f" {e['action'].replace('_', ' ')}"
    )


def _list_json(rows: Iterable[Listed]) -> None:
    """One array, a recording at a time: a club's logbook need not fit into memory."""
    between = "["
    for row in rows:
        say(f"{between}{json_text(_plain(row))}")
        between = ","
    say("]" if between == "," else "[]")


def _plain(row: Listed) -> dict[str, Any]:
    p = row.pack
    pack = {"number": p.number, "vehicle": p.vehicle, "name": p.name, "string_name": p.string_name,
            "groups": p.groups, "chemistry": p.chemistry, "boards": list(p.boards)}  # fmt: skip
    return {"number": row.number, "pack": pack, "path": str(row.path), "sha256": row.sha256, "entry": row.figures}


@command.command("show")
@click.argument("number", type=int)
@where_option
def show(number: int, folder: Path | None) -> None:
    """Print report.json of recording NUMBER, as it was when it was added."""
    with book_to_read(folder) as book:
        say(book.report(number))


@command.command("remove")
@click.argument("number", type=int)
@click.option("--note", "reason", help="Why, where a visit below the discard voltage goes with it; kept.")
@where_option
def remove(number: int, reason: str | None, folder: Path | None) -> None:
    """Take recording NUMBER out, and the copy that the logbook made of it; your own file stays."""
    with book_to_add(folder) as book:
        became = book.remove(number, reason, time.time())
    say(f"recording {number} is out of the logbook; {became}")


@command.command("check")
@where_option
def check(folder: Path | None) -> None:
    """Look whether the logbook is sound and every file is the one that was added."""
    complaints = 0
    with book_to_read(folder) as book:
        for line in book.complaints():
            complaints += 1
            say(line)
        for path in book.leftovers():
            say(f"{path} is of no recording: left by an add that was ended, or of one at work; it may be deleted then")
    if complaints:
        raise InputError(f"{complaints} not as it was")
    say("the logbook is sound and every file is the one that was added")


@command.command("clear")
@click.argument("name")
@click.argument("group", type=click.IntRange(1, 40))
@click.option("--note", "reason", required=True, help="What was done about it; kept.")
@click.option("--vehicle", help="Of this vehicle, where several have a pack of that name.")
@click.option("--string", help="Of this string, where the pack has several.")
@where_option
def clear(name: str, group: int, reason: str, vehicle: str | None, string: str | None, folder: Path | None) -> None:
    """Say that the visit of GROUP of pack NAME below the discard voltage was dealt with.

    A group that was that low may have grown copper inside: clear it only when its cells were replaced. NAME may be the
    pack's number.
    """
    with book_to_add(folder) as book:
        meant = [p for p in book.packs(name) if vehicle in (None, p.vehicle) and string in (None, p.string_name)]
        if not meant:
            raise InputError(f"the logbook has no such pack {name}")
        if len(meant) > 1:
            which = "; ".join(map(heading, meant))
            raise UsageError(f"which one? Give its number, or --vehicle and --string: {which}. Nothing was cleared")
        if group > meant[0].groups:
            raise UsageError(f"{heading(meant[0])}: there is no group {group}. Nothing was cleared")
        book.clear(meant[0], group, reason, time.time())
    say(f"group {group} of {heading(meant[0])}: cleared; the reason is kept")
