"""The report as one self-contained HTML page: no outside file, no script needed, light and dark, fit to print.

Every value that reaches the template goes through `evenstring.text.plain` and is escaped, wherever it came from; only
pictures, style and script of our own pass as markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import jinja2
import numpy as np
from markupsafe import Markup

from evenstring import __version__
from evenstring.analysis.results import ProfileCheck
from evenstring.profile import PackProfile
from evenstring.report.additions import Addition
from evenstring.report.drawing.axis import clock
from evenstring.report.drawing.level_line import level_picture
from evenstring.report.drawing.picture import draw
from evenstring.report.drawing.reduction import departures_mv
from evenstring.report.material import Material
from evenstring.report.next_steps import next_step, record_next
from evenstring.report.reasons import headline, sentence, sure_line
from evenstring.report.sections import (
    balancing,
    causes,
    charge,
    foretold,
    hazards,
    limits,
    reserve,
    ride,
    since_before,
    spread,
)
from evenstring.report.sections.first import headline_figures
from evenstring.report.sections.quality import notes, quality
from evenstring.report.sections.section import Section
from evenstring.report.template import asset, own_css, page_template
from evenstring.report.words import CAUTIONS, GLOSSARY, PROFILE, counted
from evenstring.session import Session
from evenstring.text import plain

__all__ = ["render"]


def render(material: Material, title: str = "", additions: Sequence[Addition] = ()) -> str:
    """The page.

    Args:
        material: the session and its findings; what is not there is shown as not known.
        title: which recordings this is about.
        additions: of other rooms: what stands at the head, and sections before the report's own.
    """
    session, profile, found = material.session, material.profile, material.found
    levels = level_picture(session, found.phases)
    return _template().render(
        css=own_css(),
        script=Markup(asset("page.js")),  # noqa: S704  # our own file
        name=profile.name or session.ident.string_name or "This string",
        about=_about(session, title),
        head=[row for a in additions for row in a.head],
        said=[(a.said, a.key) for a in additions if a.said],
        verdict={
            "action": found.verdict.action,
            "reasons": [(sentence(r), r.picture) for r in found.verdict.reasons],
            "sure": sure_line(found.verdict),
            "next": next_step(material),
        },
        headline=headline(found.verdict),
        record_next=record_next(material),
        figures=headline_figures(material),
        levels=draw(levels) if levels else None,
        groups=_group_rows(session),
        findings=[*(a.section for a in additions if a.section is not None), *_sections(material)],
        quality=quality(material),
        notes=notes(session),
        profile=[_profile_row(profile, *entry) for entry in PROFILE],
        assumed=[*_unfit(found.profile_check), *found.assumed],
        cautions=CAUTIONS,
        glossary=GLOSSARY,
        made_by=f"evenstring {__version__}",
    )


def _sections(material: Material) -> list[Section]:
    """All sections, in the order of the questions a rider asks."""
    rooms = (hazards, spread, charge, balancing, limits, foretold, ride, causes, reserve, since_before)
    return [made for room in rooms if (made := room.section(material)) is not None]


@cache
def _template() -> jinja2.Template:
    return page_template(asset("page.html.j2"))


def _unfit(check: ProfileCheck | None) -> list[str]:
    """Where the profile does not fit the recording, and what is not said because of it."""
    if check is None:
        return []
    withheld = ", ".join(check.withheld)
    return [*check.lines, *([f"Not given because of it: {withheld}"] if withheld else [])]


def _about(session: Session, title: str) -> str:
    when = "time of day not recorded" if session.start is None else session.start.strftime("%Y-%m-%d %H:%M UTC")
    parts = [
        plain(title, 200),
        f"{session.groups} groups",
        f"{counted(session.scans_read, 'scan')} over {clock(session.duration_s)}",
    ]
    return " · ".join(p for p in [*parts, when] if p)


def _group_rows(session: Session) -> list[tuple[str, ...]]:
    departures = departures_mv(session.volts_v)
    rows = []
    for g in range(session.groups):
        away = departures[:, g][np.isfinite(departures[:, g])]
        volts = session.volts_v[:, g][np.isfinite(session.volts_v[:, g])]
        if len(away):
            numbers = [f"{v:+z.1f}".replace("-", "−") for v in (away[0], away[-1], away.min(), away.max())]
            rows.append((str(g + 1), *numbers, f"{volts.min():.3f}", f"{volts.max():.3f}"))
        else:
            rows.append((str(g + 1), *["no reading"] * 6))
    return rows


def _profile_row(profile: PackProfile, field: str, key: str, unit: str, word: str) -> tuple[str, str, str, bool]:
    value = getattr(profile, field)
    shown = (
        "not known" if value is None else f"{value:.2f} V" if unit == "V" else f"{value:g} {unit}" if unit else value
    )
    return word, key, str(shown), key in profile.defaults and value is not None
