"""The report as one self-contained HTML page: no outside file, no script needed, light and dark, fit to print.

Every value that reaches the template goes through `evenstring.text.plain` and is escaped, wherever it came from; only
pictures, style and script of our own pass as markup.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup

from evenstring.profile import PackProfile
from evenstring.report.axis import clock
from evenstring.report.downsample import departures_mv
from evenstring.report.findings_text import findings_of, headline_figures
from evenstring.report.picture import draw
from evenstring.report.pictures import level_picture
from evenstring.report.words import ACTIONS, CAUTIONS, GLOSSARY, PROFILE
from evenstring.session import Session
from evenstring.text import plain

__all__ = ["render"]

_NOTES = 60  # notes and marks shown
_SECTIONS = {k: k for k in ("levels", "spread", "events", "balancing", "weakness", "reserve", "charge", "profile")}


def render(session: Session, profile: PackProfile, report: dict[str, Any], title: str = "") -> str:
    """The page.

    Args:
        session: for the pictures.
        profile: what was assumed of the pack.
        report: report.json as made by `evenstring.report.build`; a key that is missing or null is shown as not known.
        title: which recordings this is about.
    """
    verdict = report.get("verdict") or {}
    levels = level_picture(session, report)
    findings = findings_of(session, report)
    return _template().render(
        css=Markup(_asset("page.css")),  # noqa: S704  # our own file
        script=Markup(_asset("page.js")),  # noqa: S704  # our own file
        name=profile.name or session.ident.string_name or "This string",
        about=_about(session, title),
        verdict={"action": verdict.get("action"), "reasons": _reasons(verdict)},
        headline=ACTIONS.get(verdict.get("action", ""), "No verdict from this recording"),
        advice=_advice(report),
        figures=headline_figures(report),
        levels=draw(levels) if levels else None,
        groups=_group_rows(session),
        findings=findings,
        quality=_quality(session, report),
        notes=[(f"{clock(m.time_s)}, {m.kind}", m.text) for m in session.marks if m.kind != "time"][:_NOTES],
        profile=[_profile_row(profile, *entry) for entry in PROFILE],
        assumed=[*_unfit(report), *(report.get("assumed") or [])],
        cautions=CAUTIONS,
        glossary=GLOSSARY,
        made_by=report.get("made_by", ""),
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, finalize=_shown, undefined=jinja2.StrictUndefined
    )
    return environment.from_string(_asset("page.html.j2"))


def _shown(value: Any) -> Any:
    """What the template prints: our markup as it is, everything else as plain text."""
    return value if isinstance(value, Markup) else plain(value, 1200)


def _asset(name: str) -> str:
    return files("evenstring.report").joinpath("assets", name).read_text(encoding="utf-8")


def _unfit(report: dict[str, Any]) -> list[str]:
    """Where the profile does not fit the recording, and what is not said because of it."""
    check = report.get("profile_check") or {}
    withheld = ", ".join(check.get("withheld") or [])
    return [*(check.get("lines") or []), *([f"Not given because of it: {withheld}"] if withheld else [])]


def _about(session: Session, title: str) -> str:
    when = "time of day not recorded" if session.start is None else session.start.strftime("%Y-%m-%d %H:%M UTC")
    parts = [plain(title, 200), f"{session.groups} groups", f"{session.scans:,} scans over {clock(session.duration_s)}"]
    return " · ".join(p for p in [*parts, when] if p)


def _reasons(verdict: dict[str, Any]) -> list[tuple[str, str]]:
    """Each reason, and the section that shows it."""
    shown = {str(e.get("text")): _SECTIONS.get(str(e.get("picture")), "") for e in verdict.get("evidence") or []}
    return [(reason, shown.get(reason, "")) for reason in verdict.get("reasons") or []]


def _advice(report: dict[str, Any]) -> list[str]:
    """What to record next, each thing once."""
    unknown = report.get("unknown") or {}
    wishes = [str(v["record_next"]) for v in unknown.values() if isinstance(v, dict) and v.get("record_next")]
    return list(dict.fromkeys(w.rstrip(".") for w in wishes))[:3]


def _group_rows(session: Session) -> list[tuple[str, ...]]:
    departures = departures_mv(session.volts_v)
    rows = []
    for g in range(session.groups):
        away = departures[:, g][np.isfinite(departures[:, g])]
        volts = session.volts_v[:, g][np.isfinite(session.volts_v[:, g])]
        if len(away):
            numbers = [f"{v:+.1f}".replace("-", "−") for v in (away[0], away[-1], away.min(), away.max())]
            rows.append((str(g + 1), *numbers, f"{volts.min():.3f}", f"{volts.max():.3f}"))
        else:
            rows.append((str(g + 1), *["no reading"] * 6))
    return rows


def _quality(session: Session, report: dict[str, Any]) -> list[tuple[str, str]]:
    ident, meter, link = session.ident, session.meter, session.link
    used = report.get("spread") or {}
    gap_s = sum(g.end_s - g.start_s for g in session.gaps)
    skewed = (
        f", {used['scans_skewed']:,} moved too much while being read" if used.get("scans_skewed") is not None else ""
    )
    seen = report.get("shortest_visible_s")
    return [
        ("read by", ident.front_end.replace("_", " ")),
        ("firmware", ident.firmware or "not stated"),
        ("runs on", ident.runtime or "not stated"),
        ("board", ident.board_id or "not stated"),
        ("board's own memory", ident.memory_words or "records nothing by itself, or does not say"),
        ("calibration", _calibration(session)),
        ("frames good", f"{link.frames_good:,}"),
        ("frames damaged", f"{link.frames_damaged:,}; none of them became a number"),
        ("frames lost", f"{link.frames_lost:,}"),
        ("frames of unknown kind", f"{link.frames_unknown:,}"),
        ("torn end", f"{link.tail_bytes:,} bytes"),
        (
            "console text between frames",
            f"{link.console_pieces:,} pieces, {link.console_bytes:,} bytes; no frame harmed",
        ),
        ("gaps", f"{len(session.gaps)}, {clock(gap_s)} in all" if session.gaps else "none"),
        ("scans used for the spread", f"{used.get('scans_used', session.scans):,}{skewed}"),
        ("shortest dip that cannot hide", "not known" if seen is None else f"{seen:.2g} s"),
        ("current", "measured" if session.has_current else "not measured: charge and resistance in amperes stay open"),
        ("noise of a reading", _millivolts(meter.noise_v)),
        ("one channel against another", _millivolts(meter.channel_u_v)),
        ("gain common to all", "not stated" if meter.gain_u is None else f"± {meter.gain_u * 100:.2g} % (k = 1)"),
    ]


def _calibration(session: Session) -> str:
    """Which correction the readings carry, as the board said."""
    if not session.corrections:
        return "not stated"
    last = session.corrections[-1]
    words = {"none": "none", "description": "from the board description", "command": "written to the board"}
    when = "" if last.found is None else f", found {last.found:%Y-%m-%d}"
    copy = "; its main copy was lost, the second one is in force" if last.second_copy else ""
    changes = len(session.corrections) - 1
    return words.get(last.source, last.source) + when + copy + (f"; changed {changes} times" if changes else "")


def _millivolts(volts: float | None) -> str:
    return "not stated" if volts is None else f"± {volts * 1000:.2g} mV (k = 1)"


def _profile_row(profile: PackProfile, field: str, key: str, unit: str, word: str) -> tuple[str, str, str, bool]:
    value = getattr(profile, field)
    shown = (
        "not known" if value is None else f"{value:.2f} V" if unit == "V" else f"{value:g} {unit}" if unit else value
    )
    return word, key, str(shown), key in profile.defaults and value is not None
