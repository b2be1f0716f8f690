"""evenstring logbook: recordings of packs over months, what was found in them, and what changed since."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from evenstring.commands.history import dataset, evidence
from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.say import say, say_json
from evenstring.commands.table_options import table_options
from evenstring.errors import EvenstringError, InputError, UsageError
from evenstring.io.files import make_folder, refuse_existing, write_new
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.logbook.entry import entry_of
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.store.book import Book, Listed, PackKey, sha256_of
from evenstring.logbook.store.database import opened, usual_folder
from evenstring.logbook.trends.group_changes import group_changes
from evenstring.logbook.trends.line import trend
from evenstring.logbook.trends.months_page import months_page
from evenstring.logbook.trends.standing import standing
from evenstring.logbook.trends.told import facts, trend_rows
from evenstring.report.material import Material, gather_material
from evenstring.report.report_json import plain_values, report_json
from evenstring.text import json_text

__all__ = ["command"]

_PAGE = "months.html"

_Command = TypeVar("_Command", bound=Callable[..., Any])


def _where(of: _Command) -> _Command:
    return click.option(
        "--logbook", "folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of the logbook."
    )(of)


@contextmanager
def _book(folder: Path | None) -> Iterator[Book]:
    where = folder or usual_folder()
    with opened(where) as connection:
        yield Book(connection, where)


@click.group("logbook", epilog="Example: evenstring logbook add charge.frames --name 'delivery trike, left string'")
def command() -> None:
    """Keep recordings of packs and what was found in them, and say what changed over months."""


@command.command("add")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@_where
@click.option("--name", help="The pack's name, where neither its profile nor the board tells one.")
@click.option("--vehicle", help="The vehicle that it belongs to, where that has several strings.")
@click.option("--copy", is_flag=True, help="Keep a copy of the file in the logbook's folder.")
@pack_options
@table_options
def add(  # one argument an option, all named by click
    files: tuple[Path, ...],
    folder: Path | None,
    name: str | None,
    vehicle: str | None,
    copy: bool,
    given: GivenPack,
    wishes: Wishes,
) -> None:
    """Add recordings or tables; again is harmless, and the files stay where they are.

    One that cannot be read does not stop the others.
    """
    failed: list[str] = []
    with _book(folder) as book:
        for file in files:
            try:
                _add(book, file, (name, vehicle), given, wishes, copy=copy)
            except EvenstringError as error:
                failed.append(str(error))
                say(f"{file}: not added: {error}")
    if failed:
        raise InputError(f"{len(failed)} of {len(files)} not added; the others are")


def _add(
    book: Book, file: Path, names: tuple[str | None, str | None], given: GivenPack, wishes: Wishes, *, copy: bool
) -> None:
    number = book.known(sha256_of(file)[0])
    if number is not None:
        say(f"{file}: recording {number}, here already")
        return
    with recordings_of((file,), given, wishes) as recordings:
        session, parts = load_recordings(recordings)
    material = gather_material(session, profile_of(session, given.profile(session.groups)), parts)
    key = _key(material, *names)
    report = json_text(report_json(material))
    added = book.add(file, key, entry_of(material), report, copy=copy)
    say(f"{file}: recording {added.number} of {key.name}: {material.found.verdict.action.replace('_', ' ')}")


def _key(material: Material, name: str | None, vehicle: str | None) -> PackKey:
    """Whose recording it is. Packs are never merged by a guess."""
    ident, profile = material.session.ident, material.profile
    string = ident.string_name
    told = name or profile.name or string
    if not told:
        raise UsageError(
            "which pack is this? Neither a profile nor the board names it: give --name, or a pack.toml with a name"
        )
    return PackKey(vehicle or told, told, string, material.session.groups, profile.chemistry)


@command.command("list")
@_where
@click.option("--name", help="Of this pack only.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
def list_command(folder: Path | None, name: str | None, as_json: bool) -> None:
    """List recordings, by pack and time."""
    with _book(folder) as book:
        listed = list(book.recordings(name))
    if as_json:
        say_json([{"number": r.number, "pack": plain_values(r.pack), "path": str(r.path), "sha256": r.sha256,
                   "entry": plain_values(r.entry)} for r in listed])  # fmt: skip
        return
    if not listed:
        say("no recordings yet: evenstring logbook add FILE")
    for of, row in zip([None, *(r.pack for r in listed)], listed, strict=False):
        if row.pack != of:
            say(_heading(row.pack))
        say(_line(row))


def _heading(pack: PackKey) -> str:
    string = f", string {pack.string_name}" if pack.string_name and pack.string_name != pack.name else ""
    of = f" of {pack.vehicle}" if pack.vehicle != pack.name else ""
    return f"{pack.name}{of}{string}: {pack.groups} groups, {pack.chemistry}"


def _line(row: Listed) -> str:
    e = row.entry
    at = "at a time not told" if e.start_s is None else f"{datetime.fromtimestamp(e.start_s, UTC):%Y-%m-%d %H:%M}"
    spread = "" if e.spread_end_mv is None else f", spread at the end {e.spread_end_mv:.0f} mV"
    return (
        f"  {row.number:5d}  {at}  {e.duration_s / 3600.0:5.1f} h  {e.ended.replace('_', ' ')}{spread},"
        f" {e.action.replace('_', ' ')}"
    )


@command.command("show")
@click.argument("number", type=int)
@_where
def show(number: int, folder: Path | None) -> None:
    """Print report.json of recording NUMBER, as it was when it was added."""
    with _book(folder) as book:
        say(book.report(number))


@command.command("remove")
@click.argument("number", type=int)
@_where
def remove(number: int, folder: Path | None) -> None:
    """Take recording NUMBER out of the logbook; its file stays."""
    with _book(folder) as book:
        book.remove(number)
    say(f"recording {number} is out of the logbook; its file stays where it is")


@command.command("check")
@_where
def check(folder: Path | None) -> None:
    """Look whether the logbook is sound and every file is the one that was added."""
    with _book(folder) as book:
        said = book.complaints()
    for line in said:
        say(line)
    if said:
        raise InputError(f"{len(said)} not as it was")
    say("the logbook is sound and every file is the one that was added")


@command.command("clear")
@click.argument("name")
@click.argument("group", type=click.IntRange(1, 40))
@click.option("--note", "reason", required=True, help="What was done about it; kept.")
@click.option("--vehicle", help="Of this vehicle, where several have a pack of that name.")
@click.option("--string", help="Of this string, where the pack has several.")
@_where
def clear(name: str, group: int, reason: str, vehicle: str | None, string: str | None, folder: Path | None) -> None:
    """Say that the visit of GROUP of pack NAME below the discard voltage was dealt with.

    A group that was that low may have grown copper inside: clear it only when its cells were replaced.
    """
    with _book(folder) as book:
        packs = dict.fromkeys(r.pack for r in book.recordings(name))
        meant = [p for p in packs if vehicle in (None, p.vehicle) and string in (None, p.string_name)]
        if not meant:
            raise InputError(f"the logbook has no such pack {name}")
        if len(meant) > 1:
            which = "; ".join(_heading(p) for p in meant)
            raise UsageError(f"which one? Give --vehicle and --string: {which}. Nothing was cleared")
        if group > meant[0].groups:
            raise UsageError(f"{_heading(meant[0])}: there is no group {group}. Nothing was cleared")
        book.clear(meant[0], group, reason, time.time())
    say(f"group {group} of {_heading(meant[0])}: cleared; the reason is kept")


@command.command("trend")
@click.argument("name", required=False)
@_where
@click.option("-o", "--output", type=click.Path(path_type=Path), help=f"Folder for {_PAGE}, of one pack.")
@click.option("--force", is_flag=True, help="Replace an older page in the folder.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
def trend_command(name: str | None, folder: Path | None, output: Path | None, force: bool, as_json: bool) -> None:
    """Say what changed over the recordings of pack NAME (or of each), and what still stands."""
    if output:
        refuse_existing(output / _PAGE, force)
    with _book(folder) as book:
        listed = list(book.recordings(name))
        packs = list(dict.fromkeys(r.pack for r in listed))
        if not packs:
            raise InputError("no recordings of it yet: evenstring logbook add FILE")
        told = [_trend(book, pack, [r for r in listed if r.pack == pack]) for pack in packs]
        if output:
            _write_page(book, listed, packs, output, force)
    if as_json:
        say_json(told)
        return
    for pack, one in zip(packs, told, strict=True):
        say(_heading(pack))
        for line in one["lines"]:
            say(f"  {line}")
    if output:
        say(f"\nThe page: {output / _PAGE}")


def _write_page(book: Book, listed: list[Listed], packs: list[PackKey], output: Path, force: bool) -> None:
    if len(packs) > 1:
        raise UsageError("a page is of one pack: say which, by NAME")
    history = history_of([r.entry for r in listed], book.cleared(packs[0]))
    page = months_page(history, packs[0].name, time.time())
    make_folder(output)
    write_new(output / _PAGE, page.encode(), force)


def _trend(book: Book, pack: PackKey, rows: list[Listed]) -> dict[str, Any]:
    history = history_of([r.entry for r in rows], book.cleared(pack))
    silent = len(rows) - len(history)
    lines = [f"recordings: {len(rows)}" + (f"; {silent} without a date, which count in no trend" if silent else "")]
    changes = group_changes(history)
    warnings = standing(history, time.time(), changes)
    spread = trend(history.spread_mv())
    if spread is not None:
        lines.append(
            f"spread at the end of charge: {spread.level:.0f} mV now, {spread.a_week:+.2f} mV a week"
            f" ({spread.low:+.2f} to {spread.high:+.2f}, level 0.95)"
        )
    lines += [f"{word}: {said}" for word, said in facts(history)]
    lines += [line for w in warnings for line in (f"! {w.said}", f"  Now: {w.do}.")]
    if not warnings:
        lines.append("nothing stands that asks for anything" if len(history) else "no trend can be told without dates")
    return {
        "pack": plain_values(pack),
        "lines": lines,
        "standing": [plain_values(w) for w in warnings],
        "changes": [plain_values(c) for c in changes],
        "trends": [plain_values(row) for row in trend_rows(history, changes)],
    }


command.add_command(dataset.command)
command.add_command(evidence.command)
