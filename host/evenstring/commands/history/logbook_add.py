"""evenstring logbook add and re-analyse: what a recording tells goes into the logbook."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

import click

from evenstring.commands.history.book_options import book_to_add, where_option
from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.say import say
from evenstring.commands.table_options import table_options
from evenstring.errors import EvenstringError, InputError
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.logbook.entry import entry_of
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.contradiction import contradictions
from evenstring.logbook.store.files import Seen, seen
from evenstring.logbook.store.rows import Added, Found, Source
from evenstring.logbook.store.whose import PackKey, Told, heading, own_id
from evenstring.profile import PackProfile, parse_profile, to_toml
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.session import Session
from evenstring.text import json_text

__all__ = ["Names", "add", "add_file", "re_analyse"]


@dataclass(frozen=True, slots=True)
class Names:
    """What the user says of whose recording it is."""

    name: str | None = None
    vehicle: str | None = None
    into: int | None = None


@click.command("add", epilog="Example: evenstring logbook add charge.frames --name 'delivery trike, left string'")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@where_option
@click.option("--name", help="The pack's name, where neither its profile nor the board tells one.")
@click.option("--vehicle", help="The vehicle that it belongs to, where that has several strings.")
@click.option("--into", type=click.IntRange(min=1), help="Number of the pack that it is of, where asked which.")
@click.option("--copy", is_flag=True, help="Keep a copy of the file in the logbook's folder.")
@pack_options
@table_options
def add(  # one argument an option, all named by click
    files: tuple[Path, ...],
    folder: Path | None,
    name: str | None,
    vehicle: str | None,
    into: int | None,
    copy: bool,
    given: GivenPack,
    wishes: Wishes,
) -> None:
    """Add recordings or tables; again is harmless, and the files stay where they are.

    One that cannot be read does not stop the others.
    """
    failed = 0
    said: dict[str, Path] = {}  # why, and of which file first: one question is asked once
    with book_to_add(folder) as book:
        for file in files:
            try:
                add_file(book, file, Names(name, vehicle, into), given, wishes, copy=copy)
            except EvenstringError as error:
                failed += 1
                first = said.setdefault(str(error), file)
                say(f"{file}: not added{f': {error}' if first == file else f', for the same reason as {first}'}")
    if failed:
        raise InputError(f"{failed} of {len(files)} not added{'; the others are' if failed < len(files) else ''}")


def add_file(
    book: Book, path: Path, names: Names, given: GivenPack, wishes: Wishes | None = None, *, copy: bool = False
) -> None:
    """Add one file to an open logbook and say what became of it.

    Raises:
        EvenstringError: it is not added, and why.
    """
    file = seen(path)
    known = book.known(file.sha256)
    if known and book.of_this_version(known[0]):
        _say_known(book, file, known, names, copy=copy)
        return
    session = _session(path, given, wishes)
    profile = given.profile(session.groups)
    told = _told(session, profile, names)
    before = known or book.shorter(file)
    pack = before[1] if before else book.pack_of(told)
    found = _found(session, _source(profile, session, pack, wishes))
    if seen(path) != file:
        raise InputError("it changed while it was read: add it again when the recording is complete")
    lost = _visits_lost(book, before[0], found) if before else ""
    added = book.add(file, told, found, copy=copy)
    what = " (again, since it grew)" if added.grew else " (findings anew)" if added.known else ""
    action = found.entry.action.replace("_", " ")
    say(f"{path}: recording {added.number}{what}: {action}; of {heading(added.pack)}{lost}")
    if added.new_pack:
        _say_new(book, added)
    elif names.into is None and not own_id(told.board_id):
        _say_doubts(book, added, found)


def _say_doubts(book: Book, added: Added, found: Found) -> None:
    """A board without an identity of its own may be another one: what speaks against it is said."""
    entry = found.entry
    beside = book.beside(added.pack, added.number, entry.start_s, (entry.start_s or 0.0) + entry.duration_s)
    doubts = list(contradictions(entry, beside))
    for doubt in doubts:
        say(f"  ! {doubt}")
    if doubts:
        say(
            f"  Of another pack after all? `evenstring logbook remove {added.number}`, then add it with another --name;"
            " and give each board a `board_id` of its own in its board.json. Of this one: nothing is to be done"
        )


def _say_new(book: Book, added: Added) -> None:
    others = [p for p in book.packs(added.pack.name) if p.number != added.pack.number]
    say("  the first of this pack" + ("" if not others else f", told apart from {'; '.join(map(heading, others))}."
        f" The same cells after all? `evenstring logbook remove {added.number}`, then add it --into"
        f" {others[0].number}"))  # fmt: skip


def _say_known(book: Book, file: Seen, known: tuple[int, PackKey], names: Names, *, copy: bool) -> None:
    number, pack = known
    was = book.origin(number)
    moved = book.met_again(number, file, copy=copy)
    same = "" if was == file.path.absolute() or moved else f", the same recording as {was}"
    say(f"{file.path}: recording {number}, here already{same}, of {heading(pack)}{f'; {moved}' if moved else ''}")
    asked = (names.name or pack.name, names.vehicle or pack.vehicle, names.into or pack.number)
    if asked != (pack.name, pack.vehicle, pack.number):
        say(f"  it stays there: to put it elsewhere, `evenstring logbook remove {number}` and add it again")


def _session(path: Path, given: GivenPack, wishes: Wishes | None) -> Session:
    with recordings_of((path,), given, wishes) as recordings:
        return load_recordings(recordings)[0]


def _told(session: Session, given: PackProfile | None, names: Names) -> Told:
    """Who it is by what the user, the profile and the board say; a name that every board of a kind may have is none."""
    ident, profile = session.ident, profile_of(session, given)
    by_board = ident.string_name if own_id(ident.board_id) else ""
    return Told(
        name=names.name or profile.name or by_board,
        groups=session.groups,
        chemistry=profile.chemistry,
        vehicle=names.vehicle,
        string_name=ident.string_name,
        board_id=ident.board_id,
        pack_toml=to_toml(given) if given else session.pack_toml,
        into=names.into,
    )


def _source(given: PackProfile | None, session: Session, pack: PackKey | None, wishes: Wishes | None) -> Source:
    """The profile that counts where the recording carries none: the one given, else its pack's own."""
    toml = to_toml(given) if given else None
    if toml is None and session.pack_toml is None and pack is not None:
        toml = pack.pack_toml
    said = wishes if wishes is not None and wishes != Wishes() else None
    return Source(toml, None if said is None else json.dumps(asdict(said), default=str))


def _found(session: Session, source: Source) -> Found:
    given = None if source.pack_toml is None else parse_profile(source.pack_toml, "the pack's profile", newer=True)
    material = gather_material(session, profile_of(session, given))
    return Found(entry_of(material), json_text(report_json(material)), source)


@click.command("re-analyse")
@click.argument("numbers", nargs=-1, type=click.IntRange(min=1))
@where_option
@click.option("--all", "every", is_flag=True, help="Those of this version too.")
def re_analyse(numbers: tuple[int, ...], folder: Path | None, every: bool) -> None:
    """Compute findings again from the files, of recordings NUMBERS or of all that an earlier version looked at.

    A file that is gone or changed keeps the findings that it has.
    """
    failed = done = 0
    with book_to_add(folder) as book:
        wanted = numbers or [n for n in book.numbers() if every or not book.of_this_version(n)]
        for number in wanted:
            try:
                _again(book, number)
                done += 1
            except EvenstringError as error:
                failed += 1
                say(f"recording {number}: its findings stay as they are: {error}")
    say(f"{done} computed again" if done or failed else "all findings are of this version: nothing to do")
    if failed:
        raise InputError(f"{failed} of {len(wanted)} not computed again")


def _again(book: Book, number: int) -> None:
    was, source = book.source(number)
    if not was.path.is_file():
        raise InputError(f"{was.path} is gone; add it again from where it is now")
    if seen(was.path).sha256 != was.sha256:
        raise InputError(f"{was.path} is not the file that was added; add it again if it is meant")
    profile = None if source.pack_toml is None else parse_profile(source.pack_toml, "the profile kept", newer=True)
    with recordings_of((was.path,), GivenPack(known=profile), _wishes(source)) as recordings:
        session = load_recordings(recordings)[0]
    if profile is None and session.pack_toml is None and _had_profile(book.report(number)):
        raise InputError(f"which profile was given is not kept: `logbook remove {number}`, then add it with --pack")
    found = _found(session, source)
    lost = _visits_lost(book, number, found)
    book.again(number, found)
    say(f"recording {number}, {was.path}: {found.entry.action.replace('_', ' ')}{lost}")


def _visits_lost(book: Book, number: int, found: Found) -> str:
    """A warning that stood must not go unseen because a later version looks otherwise."""
    before = {int(group) for group, _v in book.listed(number).figures.get("below_discard") or ()}
    gone = sorted(before - {group for group, _v in found.entry.below_discard})
    if not gone:
        return ""
    groups = " and ".join(map(str, gone))
    return f"\n  ! group {groups} below the discard voltage, as an earlier version found, is not found any more"


def _had_profile(report: str) -> bool:
    """Whether findings rest on a profile that was given; the first logbooks did not keep it."""
    return "pack.capacity_ah" not in json.loads(report).get("profile", {}).get("defaults", ["pack.capacity_ah"])


def _wishes(source: Source) -> Wishes:
    if source.wishes is None:
        return Wishes()
    said = json.loads(source.wishes)
    start = None if said["start"] is None else datetime.fromisoformat(said["start"])
    return Wishes(said["roles"], said["units"], start, said["zone"], said["day_first"])
