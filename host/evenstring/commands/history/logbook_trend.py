"""evenstring logbook trend: what changed over the recordings of a pack, and what still stands."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import click

from evenstring.commands.history.book_options import book_to_read, where_option
from evenstring.commands.say import say, say_json
from evenstring.errors import InputError, UsageError
from evenstring.io.files import make_folder, refuse_existing, write_new
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.store.whose import PackKey, heading
from evenstring.logbook.trends.group_changes import group_changes
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.line import trend as line_of
from evenstring.logbook.trends.months_page import months_page
from evenstring.logbook.trends.standing import standing
from evenstring.logbook.trends.told import facts, trend_rows
from evenstring.report.report_json import plain_values

__all__ = ["trend"]

_PAGE = "months.html"


@click.command("trend")
@click.argument("name", required=False)
@where_option
@click.option("-o", "--output", type=click.Path(path_type=Path), help=f"Folder for {_PAGE}, of one pack.")
@click.option("--force", is_flag=True, help="Replace an older page in the folder.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
def trend(name: str | None, folder: Path | None, output: Path | None, force: bool, as_json: bool) -> None:
    """Say what changed over the recordings of pack NAME (or of each), and what still stands."""
    if output:
        refuse_existing(output / _PAGE, force)
    with book_to_read(folder) as book:
        entries = [(pack, [r.entry for r in book.of_pack(pack)]) for pack in book.packs(name)]
        histories = [(pack, history_of(of, book.cleared(pack)), len(of)) for pack, of in entries if of]
        older = sum(book.older(pack) for pack, _history, _n in histories)
    if not histories:
        raise InputError("no recordings of it yet: evenstring logbook add FILE")
    told = [_trend(*one) for one in histories]
    if output:
        _write_page([(pack, history) for pack, history, _n in histories], output, force)
    if as_json:
        say_json(told)
        return
    for (pack, _history, _n), one in zip(histories, told, strict=True):
        say(heading(pack))
        for line in one["lines"]:
            say(f"  {line}")
    if older:
        say(f"\n{older} recordings were looked at by an earlier version: `evenstring logbook re-analyse` looks again")
    if output:
        say(f"\nThe page: {output / _PAGE}")


def _write_page(histories: list[tuple[PackKey, History]], output: Path, force: bool) -> None:
    if len(histories) > 1:
        which = "; ".join(heading(pack) for pack, _history in histories)
        raise UsageError(f"a page is of one pack: say which, by its name or number: {which}")
    pack, history = histories[0]
    page = months_page(history, pack.name, time.time())
    make_folder(output)
    write_new(output / _PAGE, page.encode(), force)


def _trend(pack: PackKey, history: History, recordings: int) -> dict[str, Any]:
    silent = recordings - len(history)
    lines = [f"recordings: {recordings}" + (f"; {silent} without a date, which count in no trend" if silent else "")]
    changes = group_changes(history)
    warnings = standing(history, time.time(), changes)
    spread = line_of(history.spread_lately_mv())
    if spread is not None:
        lines.append(
            f"spread at the end of charge: {spread.level:.0f} mV now; in the last half year {spread.a_week:+z.2f} mV"
            f" a week ({spread.low:+z.2f} to {spread.high:+z.2f}, level 0.95)"
        )
    lines += [f"{word}: {said}" for word, said in facts(history, changes)]
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
