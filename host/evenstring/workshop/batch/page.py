"""The overview of a batch as one self-contained page in the look of the report: packs by what to do with them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from itertools import groupby
from urllib.parse import quote

from evenstring import __version__
from evenstring.analysis.results import Action
from evenstring.report.template import own_css, page_template
from evenstring.report.words import ACTIONS, CAUTIONS, counted
from evenstring.workshop.acceptance.table import RESULTS
from evenstring.workshop.batch.row import UNREAD, Row, label_of
from evenstring.workshop.written import PAGE

__all__ = ["overview_page", "title_of"]

_URGENT = {"do_not_charge": "Do not charge", "inspect": "Inspect first"}
_OTHERS = 12  # names of other files that are listed: our choice


@dataclass(frozen=True, slots=True)
class _Line:
    label: str
    link: str
    name: str
    headline: str  # where it says more than the heading
    reason: str
    next: str
    limits: str
    spread: str
    capacity: str
    when: str


def title_of(action: str) -> str:
    """A verdict in words, as the heading of all packs that have it."""
    titles: dict[Action, str] = ACTIONS
    return next((words for key, words in titles.items() if key == action), "Could not be read")


def overview_page(rows: Sequence[Row], title: str, other: Sequence[str] = ()) -> str:
    """The page.

    Args:
        rows: in the order of the overview.
        title: what the batch is called.
        other: names of files that were not looked at.
    """
    parts = [_part(action, list(some)) for action, some in groupby(rows, key=lambda r: r.action)]
    urgent = any(r.action in _URGENT for r in rows)
    return page_template(_text("evenstring.workshop.batch", "overview.html.j2")).render(
        css=own_css(),
        title=title,
        about=counted(len(rows), "file"),
        headline=_headline(Counter(r.action for r in rows)),
        urgent=urgent,
        parts=parts,
        other=other[:_OTHERS],
        more=max(len(other) - _OTHERS, 0),
        cautions=CAUTIONS,
        made_by=f"evenstring {__version__}",
    )


def _headline(counts: Counter[str]) -> str:
    said = [f"{words}: {counts[action]}" for action, words in _URGENT.items() if counts[action]]
    if said:
        return f"{'. '.join(said)}"
    if counts[UNREAD]:
        return f"{counted(counts[UNREAD], 'file')} could not be read; no other asks for an inspection"
    return "Nothing recorded here asks for an inspection"


def _part(action: str, rows: list[Row]) -> dict[str, object]:
    unread = action == UNREAD
    return {
        "key": action,
        "title": title_of(action),
        "unread": unread,
        "count": counted(len(rows), "file" if unread else "recording"),
        "rows": rows if unread else [_line(r) for r in rows],
    }


def _line(row: Row) -> _Line:
    return _Line(
        label=label_of(row),
        link=quote(f"{row.report}/{PAGE}", errors="surrogateescape"),
        name=row.name,
        headline="" if row.headline == title_of(row.action) else f"{row.headline}.",
        reason=row.reason,
        next=row.next_step,
        limits=RESULTS.get(row.acceptance, ""),
        spread="not known" if row.spread_rest_mv is None else f"{row.spread_rest_mv:.1f}",
        capacity="not known" if row.capacity_ah is None else f"{row.capacity_ah:.2f}",
        when=row.start[:16].replace("T", " ") or "not told",
    )


def _text(package: str, name: str) -> str:
    return files(package).joinpath(*name.split("/")).read_text(encoding="utf-8")
