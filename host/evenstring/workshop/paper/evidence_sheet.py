"""A pack's history on paper: evidence.pdf from evidence.json and nothing else."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from typing import Any

from evenstring.logbook.evidence import told
from evenstring.logbook.evidence.document import picture_of
from evenstring.report.words import CAUTIONS, counted
from evenstring.workshop.paper.for_paper import paper_text, part, table
from evenstring.workshop.paper.level_svg import level_svg
from evenstring.workshop.paper.typeset import typeset

__all__ = ["evidence_data", "evidence_pdf"]

_MOST = 4  # lines of one kind on the two pages; all of them are in the appendix; our choice
_HEIGHT = 640.0  # of the picture, for a width of 1000: about the room that is left; our choice
_METERS = 3  # on the first page; our choice
_CUT = 240  # characters of what a person wrote, on the two pages; our choice
_CAUTIONS = (0, 1, 6)  # of the page's cautions, those that go with a pack that changes hands; our choice


def evidence_pdf(doc: dict[str, Any]) -> bytes:
    """Two pages of A4 and an appendix.

    Args:
        doc: evidence.json as it was written.

    Raises:
        InputError: the extra `paper` is not installed.
    """
    return typeset(evidence_data(doc), files("evenstring.workshop.paper").joinpath("evidence.typ").read_bytes())


def evidence_data(doc: dict[str, Any]) -> dict[str, Any]:
    """All that the template prints, as plain values."""
    picture, stands = picture_of(doc), doc["standing"]
    more = len(stands) - _MOST
    words = {
        "title": told.ordered_pack(doc)[:_CUT],
        "about": told.about(doc),
        "headline": doc["headline"],
        "said": [f"{told.since(one)}: {one['said']}." for one in stands[:_MOST]],
        "more": f"{counted(more, 'more warning')} in the appendix." if more > 0 else "",
        "next": f"{doc['next_charge']}.",
        "last": told.last_line(doc),
        "picture_alt": picture.alt if picture else "",
        "picture_caption": picture.caption if picture else "",
        "meters": _rows(_first(told.meters(doc), _METERS)),
        "cautions": [CAUTIONS[k] for k in _CAUTIONS],
        "todo": [(f"{told.since(one)}: {one['said']}.", f"{one['do']}.") for one in stands[:_MOST]],
        "cleared": [line[:_CUT] for line in told.cleared_lines(doc)[:_MOST]],
        "trends": _rows(_first(told.trends(doc), 2 * _MOST)),
        "cannot_say": doc["cannot_say"],
        "check": told.check_line(doc),
        "appendix": _appendix(doc),
        "foot": f"{doc['made_by']} · written {doc['at'][:10]} · {told.digest_of(doc)[:16]}",
    }
    return {**paper_text(words), "picture": level_svg(picture, _HEIGHT) if picture else ""}


def _first(rows: told.Table, most: int) -> told.Table:
    return replace(rows, rows=rows.rows[:most])


def _rows(rows: told.Table) -> dict[str, Any]:
    return {"heads": rows.heads, "widths": rows.widths, "rows": rows.rows}


def _appendix(doc: dict[str, Any]) -> list[dict[str, Any]]:
    """All recordings, all warnings, all meters: what had no room on the two pages stands here whole."""
    stands = [f"{told.since(one)}: {one['said']}. Now: {one['do']}." for one in doc["standing"]]
    cleared, trends, meters = told.cleared_lines(doc), told.trends(doc), told.meters(doc)
    parts = [_table("What was measured; in brackets the 95 % interval", told.measured(doc))]
    sums = [f"{one['what']}: {one['said']}" for one in doc["sums"]]
    parts += [part("What these recordings add up to", sums)] if sums else []
    parts += [part("All warnings that stand", stands)] if len(stands) > _MOST else []
    parts += [part("All that was cleared by a person", cleared)] if len(cleared) > _MOST else []
    parts += [_table("All trends", trends)] if len(trends.rows) > 2 * _MOST else []
    parts += [_table("All meters", meters)] if len(meters.rows) > _METERS else []
    return [*parts, _table("Checksums of the recordings", told.files(doc)), part("Cautions", list(CAUTIONS))]


def _table(title: str, rows: told.Table) -> dict[str, Any]:
    return table(title, list(zip(rows.heads, rows.widths, strict=True)), rows.rows)
