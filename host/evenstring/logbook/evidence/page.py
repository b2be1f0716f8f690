"""Evidence as one self-contained page in the look of the report: what to do first, then what it rests on."""

from __future__ import annotations

from typing import Any

from evenstring.logbook.evidence import told
from evenstring.logbook.evidence.document import picture_of
from evenstring.report.drawing.picture import draw
from evenstring.report.template import asset, own_css, page_template
from evenstring.report.words import CAUTIONS

__all__ = ["evidence_page"]


def evidence_page(doc: dict[str, Any]) -> str:
    """The page of evidence.json."""
    picture, stands = picture_of(doc), doc["standing"]
    return page_template(asset("evidence.html.j2")).render(
        css=own_css(),
        name=told.ordered_pack(doc),
        about=told.about(doc),
        headline=doc["headline"],
        urgent=told.urgent(doc),
        standing=[(told.since(one), one) for one in stands],
        next=doc["next_charge"],
        last=told.last_line(doc),
        levels=draw(picture) if picture else None,
        cleared=told.cleared_lines(doc),
        trends=told.trends(doc),
        sums=[(one["what"], one["said"]) for one in doc["sums"]],
        meters=told.meters(doc),
        measured=told.measured(doc),
        files=told.files(doc),
        cannot_say=doc["cannot_say"],
        check=told.check_line(doc),
        cautions=CAUTIONS,
        foot=f"{doc['made_by']} · written {doc['at'][:10]}",
    )
