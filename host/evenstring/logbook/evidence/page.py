"""Evidence as one self-contained page in the look of the report: what to do first, then what it rests on."""

from __future__ import annotations

from importlib.resources import files as assets
from typing import Any

import jinja2
from markupsafe import Markup

from evenstring.logbook.evidence import told
from evenstring.logbook.evidence.document import picture_of
from evenstring.report.drawing.picture import draw
from evenstring.report.words import CAUTIONS
from evenstring.text import plain

__all__ = ["evidence_page"]


def evidence_page(doc: dict[str, Any]) -> str:
    """The page of evidence.json."""
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, finalize=_shown, undefined=jinja2.StrictUndefined
    )
    picture, stands = picture_of(doc), doc["standing"]
    return environment.from_string(
        _asset("evidence.html.j2")
    ).render(
        css=Markup(_asset("page.css")),  # noqa: S704  # our own file
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


def _shown(value: object) -> object:
    return value if isinstance(value, Markup) else plain(value, 1200)


def _asset(name: str) -> str:
    return assets("evenstring.report").joinpath("assets", name).read_text(encoding="utf-8")
