"""A string's history out of the logbook, and where its files are now."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from evenstring.errors import InputError
from evenstring.logbook.evidence.document import Cleared, PackName, Told, document
from evenstring.logbook.evidence.facts import Kept, facts_of, stamp
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.files import Seen, seen
from evenstring.logbook.store.rows import Listed
from evenstring.logbook.store.whose import PackKey

__all__ = ["collected", "kept"]


def collected(
    book: Book, key: PackKey, now_s: float, made_by: str, progress: Callable[[Listed], None] = lambda _: None
) -> tuple[dict[str, Any], list[Listed]]:
    """evidence.json of one string, and its recordings as the logbook has them.

    Args:
        book: open.
        key: which string.
        now_s: since 1970.
        made_by: this version.
        progress: called before each recording is looked at.

    Raises:
        InputError: a report in the logbook cannot be read.
    """
    listed = list(book.of_pack(key))
    facts = []
    for row in listed:
        progress(row)
        report = _report(book, row)
        wishes = book.source(row.number)[1].wishes or ""
        facts.append(facts_of(row.number, _file(row), wishes, kept(row), row.entry, report))
    cleared = tuple(Cleared(group, stamp(at_s), why) for group, (at_s, why) in sorted(book.cleared(key).items()))
    return document(facts, Told(_named(key), stamp(now_s), made_by, cleared)), listed


def kept(row: Listed) -> Kept:
    """Whether the file of a recording is still the one that was added."""
    try:
        return "there" if seen(row.path) == _file(row) else "changed"
    except InputError:
        return "gone"


def _file(row: Listed) -> Seen:
    return Seen(row.path, row.sha256, row.size)


def _named(key: PackKey) -> PackName:
    return PackName(key.vehicle, key.name, key.string_name, key.groups, key.chemistry)


def _report(book: Book, row: Listed) -> dict[str, Any]:
    try:
        return dict(json.loads(book.report(row.number)))
    except ValueError as error:
        raise InputError(
            f"the report of recording {row.number} in the logbook cannot be read ({error}): add {row.path} again"
        ) from error
