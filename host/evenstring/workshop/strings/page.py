"""Strings of one vehicle as one self-contained page in the look of the report: joining them first, then each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from evenstring import __version__
from evenstring.analysis.results import Unknown
from evenstring.report.drawing.axis import clock
from evenstring.report.drawing.level_line import level_picture
from evenstring.report.drawing.picture import draw
from evenstring.report.material import Material
from evenstring.report.next_steps import next_step
from evenstring.report.reasons import headline, sentence, sure_line
from evenstring.report.sections.first import headline_figures
from evenstring.report.template import asset, own_css, page_template
from evenstring.report.words import CAUTIONS, counted
from evenstring.workshop.strings.beside import Beside, OneString
from evenstring.workshop.written import PAGE

__all__ = ["joining", "sagging", "strings_page", "when"]

_REASONS = 3  # of a string; the rest is in its report: our choice
_URGENT = ("do_not_charge", "inspect")  # worst first


@dataclass(frozen=True, slots=True)
class _Part:
    key: str
    name: str
    headline: str
    sure: str
    reasons: list[str]
    next: str
    about: str
    levels: Markup | None
    link: str


def joining(strings: Sequence[OneString], told: Beside) -> str:
    """What would happen if they were joined, or why that is not known."""
    names = [s.files.name for s in strings]
    if told.uneven_count:
        counts = ", ".join(f"{s.files.name} {s.material.session.groups}" for s in strings)
        return f"They have different numbers of groups ({counts}): never join them."
    if told.joined is None:
        missing = [n for n, a in zip(names, told.at_rest, strict=True) if a is None]
        why = f"no rest of {' and '.join(missing)} with every group read" if missing else "too few strings"
        return f"Not known: {why}. To know it: record all of them at rest for ten minutes, at one time."
    said = told.joined.said(names)
    said = f"{said[0].upper()}{said[1:]}."
    if told.joined.dangerous:
        return f"{said} Bring them to one voltage first."
    urgent = [s.files.name for s in strings if s.material.found.verdict.action in _URGENT]
    if urgent:
        return f"{said} But leave {' and '.join(urgent)} apart until what is said of each was done."
    caution = "Resistances are taken as is common for their size; measure both voltages again before you join them."
    return f"{said} {caution}"


def when(strings: Sequence[OneString], told: Beside) -> str:
    """Of what time the comparison is."""
    if told.at_one_time:
        first = strings[0].material.session
        at = told.at_rest[0]
        since = f", {clock(at.time_s)} into the recording of {strings[0].files.name}" if at and first.start else ""
        return f"Resting voltages are of one instant{since}."
    if not any(told.at_rest):
        return "No string is seen at rest."
    return "Resting voltages are each of the end of a string's own last rest, not of one instant."


def sagging(strings: Sequence[OneString], told: Beside) -> str:
    """Which string sags most under a like load, or why that is not known."""
    like = told.like_load
    if isinstance(like, Unknown):
        return f"which sags most is not known: {like.why}. To know it, record {like.record_next}."
    each = ", ".join(f"{s.files.name} {mv:.0f} mV" for s, mv in zip(strings, like.sag_mv, strict=True))
    load = "of the same instants" if like.current_a is None else f"at {like.current_a:.0f} A"
    who = "they sag alike" if like.most is None else f"{strings[like.most].files.name} sags most"
    said = f"{who}. Fall of a group in {like.load_s:.0f} s {load}: {each}."
    if like.current_a is not None:
        return said
    return (
        f"{said} Strings joined at their terminals sag alike whatever their cells: a current sensor on each tells more."
    )


def strings_page(strings: Sequence[OneString], told: Beside) -> str:
    """The page."""
    actions = [s.material.found.verdict.action for s in strings]
    mood = next((a for a in _URGENT if a in actions), "inspect" if told.is_dangerous else "")
    return page_template(asset("strings.html.j2")).render(
        css=own_css(),
        name=next((s.material.profile.name for s in strings if s.material.profile.name), "This vehicle"),
        headline=_headline(strings),
        mood=mood,
        dangerous=told.is_dangerous,
        joining=joining(strings, told),
        when=when(strings, told),
        sagging=sagging(strings, told),
        strings=[_part(k, s) for k, s in enumerate(strings)],
        rows=_rows(strings, told),
        cautions=CAUTIONS,
        made_by=f"evenstring {__version__}",
    )


def _headline(strings: Sequence[OneString]) -> str:
    """What is the same of all, or the worst with the string's name."""
    said = [headline(s.material.found.verdict) for s in strings]
    if len(set(said)) == 1:
        return f"{said[0]} (both strings)" if len(strings) == 2 else f"{said[0]} (all strings)"  # two strings
    for action in _URGENT:
        for s, words in zip(strings, said, strict=True):
            if s.material.found.verdict.action == action:
                return f"{s.files.name}: {words}"
    return "The strings are not alike: see each"


def _part(k: int, string: OneString) -> _Part:
    material = string.material
    verdict = material.found.verdict
    levels = level_picture(material.session, material.found.phases)
    return _Part(
        key=f"string-{k + 1}",
        name=string.files.name,
        headline=headline(verdict),
        sure=sure_line(verdict),
        reasons=[sentence(r) for r in verdict.reasons[:_REASONS]],
        next=next_step(material),
        about=_about(material),
        levels=draw(levels) if levels else None,
        link=f"{quote(string.files.folder)}/{PAGE}",
    )


def _about(material: Material) -> str:
    session = material.session
    start = "time of day not recorded" if session.start is None else session.start.strftime("%Y-%m-%d %H:%M UTC")
    scans = f"{counted(session.scans, 'scan')} over {clock(session.duration_s)}"
    return f"{session.groups} groups · {scans} · {start}"


def _rows(strings: Sequence[OneString], told: Beside) -> list[tuple[str, list[str]]]:
    """Label and a cell a string."""
    rest = told.at_rest
    figures = [headline_figures(s.material) for s in strings]
    labels = [label for label, _, _ in figures[0]]
    rows = [
        ("voltage at rest", [f"{a.volts_v:.2f} V" if a else "not known" for a in rest]),
        ("mean group at rest", [f"{a.mean_v:.3f} V" if a else "not known" for a in rest]),
        ("lowest group at rest", [f"group {a.lowest}, {a.lowest_v:.3f} V" if a else "not known" for a in rest]),
    ]
    like = told.like_load
    if not isinstance(like, Unknown):
        load = "same instants" if like.current_a is None else f"{like.current_a:.0f} A"
        sags = [f"{mv:.0f} ± {2 * u:.0f} mV (95 %)" for mv, u in zip(like.sag_mv, like.u_mv, strict=True)]
        rows.append((f"sag of a group, {like.load_s:.0f} s, {load}", sags))
    by_label = [{label: (value, note) for label, value, note in some} for some in figures]
    for label in labels:
        cells = [some.get(label, ("not known", "")) for some in by_label]
        rows.append((label, [f"{value}; {note}" if note else value for value, note in cells]))
    return rows
