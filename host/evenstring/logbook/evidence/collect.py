"""A string's history out of the logbook, and where its files are now."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from evenstring.errors import InputError
from evenstring.logbook.evidence.document import Cleared, Told, document
from evenstring.logbook.evidence.facts import Kept, facts_of, stamp
from evenstring.logbook.store.book import Book, Listed, PackKey, sha256_of
from evenstring.report.report_json import plain_values

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
    listed = [row for row in book.recordings(key.name) if row.pack == key]
    facts = []
    for row in listed:
        progress(row)
        report = _report(book, row)
        facts.append(facts_of(row.number, row.path.name, (row.sha256, row.size), kept(row), row.entry, report))
    cleared = tuple(Cleared(group, stamp(at_s), why) for group, (at_s, why) in sorted(book.cleared(key).items()))
    return document(facts, Told(plain_values(key), stamp(now_s), made_by, cleared)), listed


def kept(row: Listed) -> Kept:
    """Whether the file of a recording is still the one that was added."""
    try:
        return "there" if sha256_of(row.path) == (row.sha256, row.size) else "changed"
    except InputError:
        return "gone"


def _report(book: Book, row: Listed) -> dict[str, Any]:
    try:
        return dict(json.loads(book.report(row.number)))
    except ValueError as error:
        raise InputError(
            f"the report of recording {row.number} in the logbook cannot be read ({error}): add {row.path} again"
        ) from error
