"""evenstring logbook evidence: a pack's history as a document that others can check, and the check."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from evenstring import __version__
from evenstring.commands.history.book_options import book_to_read, where_option
from evenstring.commands.say import say
from evenstring.errors import InputError, UsageError
from evenstring.io.files import make_folder, new_file, refuse_existing, write_new
from evenstring.logbook.evidence.collect import collected
from evenstring.logbook.evidence.facts import Facts
from evenstring.logbook.evidence.page import evidence_page
from evenstring.logbook.evidence.verify import JSON_NAME, PAGE_NAME, files_by_digest, read_document, verify
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import FILE, usual_folder
from evenstring.logbook.store.rows import Listed
from evenstring.logbook.store.whose import PackKey, heading
from evenstring.report.words import counted
from evenstring.text import json_text
from evenstring.workshop.paper.evidence_sheet import evidence_pdf
from evenstring.workshop.paper.typeset import refuse_without_typst

__all__ = ["command", "document_files", "write_document"]

_PAPER_NAME, _COPIES = "evidence.pdf", "recordings"
_MADE_BY = f"evenstring {__version__}"


@dataclass(frozen=True, slots=True)
class _Meant:
    """Which pack: what the command line says of it."""

    name: str | None
    vehicle: str | None
    string: str | None

    def of(self, book: Book) -> PackKey:
        """The one string that is meant.

        Raises:
            InputError: there is none. UsageError: there are several.
        """
        packs = book.packs(self.name)
        meant = [p for p in packs if self.vehicle in (None, p.vehicle) and self.string in (None, p.string_name)]
        if not meant:
            raise InputError("no recordings of it in the logbook yet: evenstring logbook add FILE")
        if len(meant) > 1:
            raise UsageError(
                f"which pack? Give its number, or --vehicle and --string: {'; '.join(map(heading, meant))}"
            )
        return meant[0]


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is written besides page and numbers, and whether older evidence may be replaced."""

    paper: bool
    copy: bool
    force: bool


def _options(command: Callable[..., Any]) -> Callable[..., Any]:
    """NAME, `--vehicle` and `--string` as one argument `meant`; `--paper`, `--copy` and `--force` as `wanted`."""

    @click.argument("name", required=False)
    @click.option("--vehicle", help="Of this vehicle, where several have a pack of that name.")
    @click.option("--string", help="Of this string, where the pack has several.")
    @click.option("--paper", is_flag=True, help=f"Also {_PAPER_NAME}: two pages of A4 and an appendix.")
    @click.option("--copy", is_flag=True, help="Also the recordings, so that the folder can be checked anywhere.")
    @click.option("--force", is_flag=True, help="Replace older evidence in the folder.")
    @wraps(command)
    def wrapped(
        *args: Any, name: str | None, vehicle: str | None, string: str | None,
        paper: bool, copy: bool, force: bool, **rest: Any,
    ) -> Any:  # fmt: skip
        return command(*args, meant=_Meant(name, vehicle, string), wanted=_Wanted(paper, copy, force), **rest)

    return wrapped


@click.command("evidence", epilog="Example: evenstring logbook evidence 'delivery trike' -o evidence --copy")
@_options
@where_option
@click.option("-o", "--output", type=click.Path(path_type=Path), help=f"Folder for {PAGE_NAME} and {JSON_NAME}.")
@click.option("--verify", "checked", type=click.Path(path_type=Path), help="Check this folder of evidence instead.")
@click.option("--recordings", type=click.Path(path_type=Path), help="With --verify: where the recordings are.")
def command(
    meant: _Meant,
    wanted: _Wanted,
    folder: Path | None,
    output: Path | None,
    checked: Path | None,
    recordings: Path | None,
) -> None:
    """Write the history of pack NAME as evidence: what was measured, how surely, by which meter, from which files.

    NAME may be the pack's number. With --verify: compute it again from the recordings and say where anything differs.
    """
    if checked is not None:
        _verify(checked, recordings, folder)
    elif output is None:
        raise UsageError("say where to write it: -o FOLDER; or check evidence with --verify FOLDER")
    else:
        _write(meant, wanted, folder, output)


def _write(meant: _Meant, wanted: _Wanted, folder: Path | None, output: Path) -> None:
    if wanted.paper:
        refuse_without_typst()
    for path in document_files(output, wanted.paper):
        refuse_existing(path, wanted.force)
    with book_to_read(folder) as book, _bar("looking at the files") as advance:
        doc, listed = collected(book, meant.of(book), time.time(), _MADE_BY, advance)
    write_document(doc, output, wanted.paper, wanted.force)
    there = {one["number"] for one in doc["recordings"] if one["kept"] == "there"}
    if wanted.copy:
        for row in (row for row in listed if row.number in there):
            _copy(row, output / _COPIES)
    say(f"{doc['headline']}.\nNext charge: {doc['next_charge']}.")
    for row in (row for row in listed if row.number not in there):
        say(f"! recording {row.number}: {row.path} is not there as it was added; what is said of it cannot be checked")
    say(f"\nThe page: {output / PAGE_NAME}\nThe numbers: {output / JSON_NAME}")
    if wanted.paper:
        say(f"On paper: {output / _PAPER_NAME}")


def document_files(output: Path, paper: bool) -> list[Path]:
    """What `write_document` writes: numbers, page, and on paper."""
    return [output / name for name in (JSON_NAME, PAGE_NAME, *([_PAPER_NAME] if paper else []))]


def write_document(doc: dict[str, Any], output: Path, paper: bool, force: bool) -> None:
    """evidence.json, and all that is made of it, into a folder.

    Raises:
        InputError: a file cannot be written, or is there and `force` is not given; or `paper`, and it is not installed.
    """
    make_folder(output)
    made: list[Callable[[], bytes]] = [json_text(doc).encode, evidence_page(doc).encode, lambda: evidence_pdf(doc)]
    for path, content in zip(document_files(output, paper), made, strict=False):
        write_new(path, content(), force)


def _copy(row: Listed, folder: Path) -> None:
    """Under its own name; where two have one name, the checksum is put before it."""
    make_folder(folder)
    to = folder / row.path.name
    to = folder / f"{row.sha256[:12]}-{row.path.name}" if to.exists() else to
    if not to.exists():
        with row.path.open("rb") as source, new_file(to) as target:
            shutil.copyfileobj(source, target)


@contextmanager
def _bar(what: str, total: int | None = None) -> Iterator[Callable[[object], None]]:
    """Progress on the error stream, where that is a terminal; what it gives is called once a recording."""
    console = Console(stderr=True)
    with Progress(
        TextColumn("{task.description}"), BarColumn(), console=console, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task(what, total=total)
        yield lambda _one: bar.advance(task)


def _verify(checked: Path, recordings: Path | None, folder: Path | None) -> None:
    path = checked / JSON_NAME if checked.is_dir() else checked
    doc = read_document(path)
    page = path.with_name(PAGE_NAME)
    places = [path.parent / _COPIES, path.parent, *([recordings] if recordings else [])]
    find = files_by_digest(places, _known_files(folder))
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


def _known_files(folder: Path | None) -> dict[str, Path]:
    """Where the recordings of a logbook are, by checksum; none where there is no logbook."""
    if not ((folder or usual_folder()) / FILE).is_file():
        return {}
    with book_to_read(folder) as book:
        return {row.sha256: row.path for row in book.recordings()}
