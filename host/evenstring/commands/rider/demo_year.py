"""evenstring demo --scenario year: some 300 recordings of an invented pack, logged, told over months, planned."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TypeVar

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from evenstring import __version__
from evenstring.commands.history.book_options import book_to_read
from evenstring.commands.history.evidence import document_files, write_document
from evenstring.commands.history.plan import asked_first, known_leaks
from evenstring.commands.say import say
from evenstring.errors import UsageError
from evenstring.io.files import make_folder, refuse_existing, write_new
from evenstring.io.load import load_session, profile_of
from evenstring.logbook.entry import Entry, entry_of
from evenstring.logbook.evidence.collect import collected
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import opened
from evenstring.logbook.store.files import Seen, seen
from evenstring.logbook.store.rows import Found
from evenstring.logbook.store.whose import Told
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.months_page import months_page
from evenstring.logbook.trends.standing import standing
from evenstring.plan.answer import Asked, answer, made_plan
from evenstring.plan.plan_page import plan_page
from evenstring.plan.state import state_of
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.sim.scenario.year import LEAK_BEGINS, LEAKING, NAME, STORY, evenings
from evenstring.text import json_text
from evenstring.workshop.paper.typeset import can_typeset

__all__ = ["demo_year"]

_ASKED = Asked(hold_h=1.0, ride_share=0.3, limit_mv=30.0)  # the habit of the invented rider
_DAY_S = 86_400.0  # published (SI brochure, day)
_T = TypeVar("_T")
_MONTHS, _PLAN = "months.html", "plan.html"


def demo_year(output: Path, force: bool) -> None:
    """Everything into a folder: recordings, logbook, months.html, plan.html, and the history as a document."""
    began_s = time.monotonic()
    folder = output / "recordings"
    documents = document_files(output, can_typeset())
    for page in (output / _MONTHS, output / _PLAN, *documents):
        refuse_existing(page, force)
    _emptied(folder, output / "logbook", force)
    make_folder(folder)
    say(f"{NAME}: a year of evenings\n{STORY}")
    entries, paths = _logged(output, folder, force)
    history = history_of(entries)
    now_s = float(history.end_s[-1]) + _DAY_S
    write_new(output / _MONTHS, months_page(history, NAME, now_s).encode(), force)
    _documented(output, now_s, force)
    said = _planned(output, _newest_charge(entries, paths), history, force)
    stands = standing(history, now_s)
    say(f"\n{len(entries)} recordings in {output / 'recordings'}, kept in {output / 'logbook'}")
    for one in stands:
        say(f"! {one.said}\n  Now: {one.do}.")
    say(said)
    say(f"The simulator's truth: group {LEAKING} leaks from {LEAK_BEGINS:%Y-%m-%d} on.")
    say(f"\nDone in {time.monotonic() - began_s:.0f} s. Look at {output / _MONTHS}, then at {output / _PLAN}")
    say(f"The same as a document to hand on: {', '.join(str(path) for path in documents[1:])}")


def _emptied(recordings: Path, logbook: Path, force: bool) -> None:
    """An older demo is taken away whole, or nothing of it."""
    old = [*recordings.glob("*.frames"), *logbook.glob("logbook.sqlite*")]
    if old and not force:
        raise UsageError(f"{recordings.parent} holds an older year; give another -o, or --force")
    for path in old:
        path.unlink()


def _logged(output: Path, folder: Path, force: bool) -> tuple[list[Entry], list[Path]]:
    """Make the recordings one after another, look at them on all processors, keep what was found."""
    entries, paths = [], []
    with opened(output / "logbook") as connection, ProcessPoolExecutor(max(os.cpu_count() or 1, 1)) as pool:
        book = Book(connection, output / "logbook")
        waiting = [(path, pool.submit(_looked_at, path)) for path in _shown(_recorded(folder, force), "recording")]
        for path, future in _shown(iter(waiting), "finding", len(waiting)):
            file, told, found = future.result()
            book.add(file, told, found, copy=False)
            entries.append(found.entry)
            paths.append(path)
    return entries, paths


def _recorded(folder: Path, force: bool) -> Iterator[Path]:
    for evening in evenings():
        path = folder / evening.name
        write_new(path, evening.frames, force)
        yield path


def _looked_at(path: Path) -> tuple[Seen, Told, Found]:
    file, session = seen(path), load_session([path])
    material = gather_material(session, profile_of(session))
    ident, chemistry = session.ident, material.profile.chemistry
    told = Told(
        material.profile.name, session.groups, chemistry, string_name=ident.string_name, board_id=ident.board_id,
        pack_toml=session.pack_toml,
    )  # fmt: skip
    return file, told, Found(entry_of(material, file.sha256), json_text(report_json(material)))


def _newest_charge(entries: list[Entry], paths: list[Path]) -> Path:
    """The newest recording that tells the groups' charge."""
    told = [path for entry, path in zip(entries, paths, strict=True) if any(v is not None for v in entry.departure_mv)]
    return (told or paths)[-1]


def _documented(output: Path, now_s: float, force: bool) -> None:
    with book_to_read(output / "logbook") as book:
        doc, _ = collected(book, book.packs()[0], now_s, f"evenstring {__version__}")
    write_document(doc, output, can_typeset(), force)


def _planned(output: Path, newest: Path, history: History, force: bool) -> str:
    session = load_session([newest])
    material = gather_material(session, profile_of(session))
    plan = made_plan(state_of(material, known_leaks(history)), _ASKED, asked_first(material, history))
    write_new(output / _PLAN, plan_page(plan, NAME).encode(), force)
    return f"Next charge: {answer(plan).do}."


def _shown(items: Iterator[_T], what: str, total: int | None = None) -> Iterator[_T]:
    """A bar on a terminal, and silence elsewhere."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}"), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        yield from bar.track(items, total=total, description=what)
