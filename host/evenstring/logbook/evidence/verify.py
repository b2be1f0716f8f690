"""Evidence computed once more from the recordings: where does anything differ?"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from evenstring.errors import InputError
from evenstring.logbook.evidence.again import facts_again
from evenstring.logbook.evidence.differences import Difference, differences
from evenstring.logbook.evidence.document import FORMAT, document, facts_in, told_in
from evenstring.logbook.evidence.facts import Facts
from evenstring.logbook.evidence.page import evidence_page
from evenstring.logbook.store.files import seen
from evenstring.report.report_json import plain_values

__all__ = ["JSON_NAME", "PAGE_NAME", "files_by_digest", "read_document", "verify"]

JSON_NAME, PAGE_NAME = "evidence.json", "evidence.html"
# What code that reads a document meets where a value is not what belongs there.
_MISFITS = (KeyError, TypeError, ValueError, AttributeError, IndexError, ArithmeticError, RecursionError)
_OF_NO_RECORDING = {"number": None, "file": None, "kept": None, "made_by": None}  # of the logbook, not of its file


def read_document(path: Path) -> dict[str, Any]:
    """evidence.json, looked over: all that is needed to compute it again is there.

    Raises:
        InputError: it cannot be read, or is something else.
    """
    try:
        doc = json.loads(path.read_bytes())
        if doc["format"] != FORMAT:
            raise InputError(f"{path}: its format is {doc['format']}, this evenstring reads {FORMAT}")
        document(facts_in(doc), told_in(doc))
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror or error}); give the folder of the evidence"
        ) from error
    except _MISFITS as error:
        raise InputError(f"{path}: is no {JSON_NAME}, or was damaged ({type(error).__name__}: {error})") from error
    return dict(doc)


def files_by_digest(places: Sequence[Path], known: Mapping[str, Path]) -> Callable[[Facts], Path | None]:
    """Where the file of a recording is: by its checksum in the places, else where the logbook has it.

    Where none has the checksum, one of the same name: it is to be said that it changed.
    """
    files = [p for place in places if place.is_dir() for p in sorted(place.iterdir()) if p.is_file()]

    def find(one: Facts) -> Path | None:
        alike = [p for p in files if p.stat().st_size == one.bytes and seen(p).sha256 == one.sha256]
        named = [p for p in files if p.name == one.file]
        there = [p for p in (known.get(one.sha256),) if p is not None and p.is_file()]
        return next(iter([*alike, *there, *named]), None)

    return find


def verify(
    doc: dict[str, Any],
    page: bytes | None,
    find: Callable[[Facts], Path | None],
    made_by: str,
    compute: Callable[[Path, Facts], Facts] = facts_again,
) -> Iterator[Difference]:
    """All that differs, recording by recording, then what is said of all of them, then the page.

    Args:
        doc: from `read_document`.
        page: the page beside it; None: there is none.
        find: the file of a recording.
        made_by: this version.
        compute: what is found in a file of which that is written.
    """
    again = []
    for written in facts_in(doc):
        found, said = _once_more(written, find(written), compute)
        again.append(found)
        yield from said
    told = told_in(doc)
    whole = document(again, told)
    for key in (key for key in whole if key != "recordings"):
        yield from differences(doc.get(key), whole[key], key)
    if page is not None and told.made_by == made_by and page != _page_of(doc):
        yield Difference("page", PAGE_NAME, f"is not the page that follows from {JSON_NAME}")
    versions = {one.made_by for one in facts_in(doc)} | {told.made_by}
    if versions != {made_by}:
        others = ", ".join(sorted(versions - {made_by}))
        yield Difference("version", "made_by", f"written by {others}; this is {made_by}")


def _page_of(doc: dict[str, Any]) -> bytes:
    """The page of a document; empty where none can be made of it."""
    try:
        return evidence_page(doc).encode()
    except _MISFITS:
        return b""


def _once_more(
    written: Facts, path: Path | None, compute: Callable[[Path, Facts], Facts]
) -> tuple[Facts, list[Difference]]:
    """The facts of one recording from its file, and where they differ; as they are written where that cannot be."""
    where = f"recording {written.number} ({written.file})"
    if path is None:
        return written, [Difference("gone", where, "its file was not found; what is written of it was not checked")]
    if seen(path).sha256 != written.sha256:
        said = f"{path} is not the file that this rests on: its checksum differs"
        return written, [Difference("changed", where, said)]
    try:
        found = compute(path, written)
    except InputError as error:
        return written, [Difference("unreadable", where, str(error))]
    mine, theirs = (plain_values(one) | _OF_NO_RECORDING for one in (found, written))
    kept = replace(found, number=written.number, file=written.file, kept=written.kept, made_by=written.made_by)
    return kept, [replace(d, where=f"{where}: {d.where}") for d in differences(theirs, mine)]
