"""What stands on the sheet: words and numbers from report.json, whose keys `job` and `acceptance` it reads too.

Everything is plain text (`evenstring.text.plain`), so that what an owner or a device wrote acts on nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from evenstring.report.words import ACTIONS, CAUTIONS
from evenstring.workshop.acceptance.quantities import QUANTITIES
from evenstring.workshop.acceptance.table import HEADS, criteria_rows, result_parts
from evenstring.workshop.job import Job, UnreadJob, job_rows
from evenstring.workshop.paper.for_paper import paper_text, part, table

__all__ = ["LevelLine", "sheet_data"]

_REASONS = 4  # on the first page; all of them are in the appendix; our choice
_CAUTIONS = (0, 5, 6)  # of the page's cautions, those that an owner takes home; our choice
_KEEP = {"picture"}  # markup of our own


@dataclass(frozen=True, slots=True)
class LevelLine:
    """The picture, ready: SVG, what it shows in words, and the line below it."""

    svg: str = ""
    alt: str = ""
    caption: str = ""


def sheet_data(report: dict[str, Any], files: Sequence[str], level: LevelLine) -> dict[str, Any]:
    """All that the template prints, as plain values."""
    verdict, acceptance = report["verdict"], report.get("acceptance")
    job = Job(**report["job"]) if report.get("job") else Job()
    result = result_parts(acceptance) if acceptance else ("", "")
    data = {
        "title": job.pack or report["profile"]["name"] or report["instrument"]["string_name"] or "This string",
        "about": f"Measurement of a string of {report['recording']['groups']} cell groups",
        "head": [*_job(job, report["recording"]["start"]), *_unread(report), *_instrument(report)],
        "wording": job.wording,
        "headline": ACTIONS[verdict["action"]],
        "said": [*verdict["reasons"][:_REASONS], f"Now: {verdict['next_step']}"],
        "result": result[0],
        "result_said": result[1],
        "heads": HEADS,
        "criteria": criteria_rows(acceptance) if acceptance else [],
        "picture": level.svg,
        "picture_alt": level.alt,
        "picture_caption": level.caption,
        "cautions": [CAUTIONS[k] for k in _CAUTIONS],
        "appendix": _appendix(report, acceptance, files),
        "foot": f"{job.number or 'no job number'} · {report['made_by']}",
    }
    return {key: value if key in _KEEP else paper_text(value) for key, value in data.items()}


def _unread(report: dict[str, Any]) -> list[tuple[str, str]]:
    """A job in the recording that could not be read, so that the sheet does not pass for one without."""
    unread = report.get("job_unread")
    return [("job", UnreadJob(**unread).said())] if unread else []


def _job(job: Job, start: str | None) -> list[tuple[str, str]]:
    """All but what stands elsewhere on the sheet: the title, and the owner's own words."""
    return job_rows(replace(job, pack="", wording=""), None if start is None else date.fromisoformat(start[:10]))


def _instrument(report: dict[str, Any]) -> list[tuple[str, str]]:
    """When, with what, and how finely it read."""
    recording, known = report["recording"], report["instrument"]
    meter, corrections = known["meter"], known["corrections"]
    channel, gain = meter["channel_u_v"], meter["gain_u"]
    u = "not stated" if channel is None else f"± {channel * 1000:.2g} mV from group to group"
    u += "" if gain is None else f", ± {gain * 100:.2g} % common (k = 1)"
    found = corrections[-1]["found"] if corrections else None
    due = f"; due since {known['calibration_due_since']}" if known["calibration_due_since"] else ""
    return [
        ("recorded", _when(recording["start"])),
        ("string monitor", f"{known['board_id'] or 'not named'} ({known['front_end'].replace('_', ' ')})"),
        ("monitor's uncertainty", u),
        ("monitor's calibration", "not stated" if found is None else f"found {found[:10]}{due}"),
    ]


def _when(start: str | None) -> str:
    """The start of a recording, of which report.json gives the time in UTC."""
    return "time of day not recorded" if start is None else f"{start[:10]} {start[11:16]} UTC"


def _appendix(report: dict[str, Any], acceptance: dict[str, Any] | None, files: Sequence[str]) -> list[dict[str, Any]]:
    parts = [part("The verdict and its reasons", [*report["verdict"]["reasons"], _sure(report)])]
    parts += [_decisions(acceptance)] if acceptance else []
    unknown = [(what, u["why"], u["record_next"] or "") for what, u in report["unknown"].items()]
    parts.append(table("Not known, and why", [("what", 1.2), ("why", 2.2), ("to know it", 2.2)], unknown))
    recording = report["recording"]
    lost = f"{recording['frames_damaged']:,} frames damaged, {recording['frames_lost']:,} lost"
    span = f"{recording['scans']:,} scans over {recording['duration_s'] / 3600:.2f} h; {lost}."
    return [*parts, part("The recording", [f"{', '.join(files)}: {span}"]), part("Cautions", list(CAUTIONS))]


def _decisions(acceptance: dict[str, Any]) -> dict[str, Any]:
    """Each limit with its guard band and its origin; what was not measured, and how to."""
    rule = f"Rule: {acceptance['rule']}. The guard band is in standard uncertainties."
    rows = [
        (
            row[0],
            row[1],
            f"{c['guard_band_u']:g}",
            c["of"],
            f"{c['origin']}{': ' if c['because'] else ''}{c['because']}",
        )
        for row, c in zip(criteria_rows(acceptance), acceptance["criteria"], strict=True)
    ]
    heads = [
        ("criterion", 1.4),
        ("limit", 0.9),
        ("guard band", 0.7),
        ("measured at", 1.2),
        ("origin of the limit", 1.8),
    ]
    return table("How it was decided", heads, rows) | {"lines": [rule, *_open(acceptance)]}


def _sure(report: dict[str, Any]) -> str:
    return f"Of 100 verdicts said as surely as this one about {report['verdict']['confidence'] * 100:.0f} are right."


def _open(acceptance: dict[str, Any]) -> list[str]:
    return [
        f"{QUANTITIES[c['of_quantity']].words}: not measured, {c['why']}. To know it: {c['record_next']}."
        for c in acceptance["criteria"]
        if c["decision"] == "not_measured"
    ]
