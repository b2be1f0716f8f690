"""evenstring logbook evidence: a pack's history as a document that others can check, and the check."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from evenstring import __version__
from evenstring.commands.history.of_pack import known_files, logbook_option, one_pack, open_book, pack_of_logbook
from evenstring.commands.say import say
from evenstring.errors import InputError, UsageError
from evenstring.io.files import make_folder, new_file, refuse_existing, write_new
from evenstring.logbook.evidence.collect import collected
from evenstring.logbook.evidence.facts import Facts
from evenstring.logbook.evidence.page import evidence_page
from evenstring.logbook.evidence.verify import JSON_NAME, PAGE_NAME, files_by_digest, read_document, verify
from evenstring.logbook.store.book import Listed
from evenstring.report.words import counted
from evenstring.text import json_text
from evenstring.workshop.paper.evidence_sheet import evidence_pdf
from evenstring.workshop.paper.typeset import refuse_without_typst

__all__ = ["command"]

_PAPER_NAME, _COPIES = "evidence.pdf", "recordings"
_MADE_BY = f"evenstring {__version__}"


@click.command("evidence", epilog="Example: evenstring logbook evidence 'delivery trike' -o evidence --copy")
@pack_of_logbook
@logbook_option
@click.option("-o", "--output", type=click.Path(path_type=Path), help=f"Folder for {PAGE_NAME} and {JSON_NAME}.")
@click.option("--paper", is_flag=True, help=f"Also {_PAPER_NAME}: two pages of A4 and an appendix.")
@click.option("--copy", is_flag=True, help="Also the recordings, so that the folder can be checked anywhere.")
@click.option("--force", is_flag=True, help="Replace older evidence in the folder.")
@click.option("--verify", "checked", type=click.Path(path_type=Path), help="Check this folder of evidence instead.")
@click.option("--recordings", type=click.Path(path_type=Path), help="With --verify: where the recordings are.")
def command(  # one argument an option, all named by click
    pack: tuple[str | None, str | None, str | None],
    folder: Path | None,
    output: Path | None,
    paper: bool,
    copy: bool,
    force: bool,
    checked: Path | None,
    recordings: Path | None,
) -> None:
    """Write the history of pack NAME as evidence: what was measured, how surely, by which meter, from which files.

    With --verify: compute it again from the recordings and say where anything differs.
    """
    if checked is not None:
        _verify(checked, recordings, folder)
    elif output is None:
        raise UsageError("say where to write it: -o FOLDER; or check evidence with --verify FOLDER")
    else:
        _write(pack, folder, output, force, (paper, copy))


def _write(
    pack: tuple[str | None, str | None, str | None],
    folder: Path | None,
    output: Path,
    force: bool,
    also: tuple[bool, bool],
) -> None:
    paper, copy = also
    if paper:
        refuse_without_typst()
    for name in (JSON_NAME, PAGE_NAME, *([_PAPER_NAME] if paper else [])):
        refuse_existing(output / name, force)
    with open_book(folder) as book, _bar("looking at the files") as advance:
        doc, listed = collected(book, one_pack(book, *pack), time.time(), _MADE_BY, advance)
    make_folder(output)
    write_new(output / JSON_NAME, json_text(doc).encode(), force)
    write_new(output / PAGE_NAME, evidence_page(doc).encode(), force)
    if paper:
        write_new(output / _PAPER_NAME, evidence_pdf(doc), force)
    there = {one["number"] for one in doc["recordings"] if one["kept"] == "there"}
    if copy:
        for row in (row for row in listed if row.number in there):
            _copy(row, output / _COPIES)
    say(f"{doc['headline']}.\nNext charge: {doc['next_charge']}.")
    for row in (row for row in listed if row.number not in there):
        say(f"! recording {row.number}: {row.path} is not there as it was added; what is said of it cannot be checked")
    say(f"\nThe page: {output / PAGE_NAME}\nThe numbers: {output / JSON_NAME}")
    if paper:
        say(f"On paper: {output / _PAPER_NAME}")


@contextmanager
def _bar(what: str, total: int | None = None) -> Iterator[Callable[[object], None]]:
    """Progress on the error stream, where that is a terminal; what it gives is called once a recording."""
    console = Console(stderr=True)
    with Progress(
        TextColumn("{task.description}"), BarColumn(), console=console, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task(what, total=total)
        yield lambda _one: bar.advance(task)


def _copy(row: Listed, folder: Path) -> None:
    """Under its own name; where two have one name, the checksum is put before it."""
    make_folder(folder)
    to = folder / row.path.name
    to = folder / f"{row.sha256[:12]}-{row.path.name}" if to.exists() else to
    if not to.exists():
        with row.path.open("rb") as source, new_file(to) as target:
            shutil.copyfileobj(source, target)


def _verify(checked: Path, recordings: Path | None, folder: Path | None) -> None:
    path = checked / JSON_NAME if checked.is_dir() else checked
    doc = read_document(path)
    page = path.with_name(PAGE_NAME)
    places = [path.parent / _COPIES, path.parent, *([recordings] if recordings else [])]
    find = files_by_digest(places, known_files(folder))
    with _bar("computing again", len(doc["recordings"])) as advance:

        def next_file(one: Facts) -> Path | None:
            advance(one)
            return find(one)

        found = list(verify(doc, page.read_bytes() if page.is_file() else None, next_file, _MADE_BY))
    for one in found:
        say(f"{one.where}: {one.said}")
    counts = [one for one in found if one.kind != "version"]
    if counts:
        raise InputError(f"{len(counts)} not as it is written in {path}")
    say(f"{counted(len(doc['recordings']), 'recording')} looked at again: everything in {path} follows from them")
    say("Not in any recording, so not checked: names, and the reasons of cleared warnings")
