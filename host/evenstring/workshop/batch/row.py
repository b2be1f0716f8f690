"""One line of the overview: figures and words of report.json, or why there is no report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from evenstring.report.material import Material
from evenstring.report.reasons import headline
from evenstring.report.words import CAUSES
from evenstring.text import plain

__all__ = ["UNREAD", "Row", "attention", "failed", "label_of", "row_from", "row_of"]

UNREAD = "unread"  # stands where the action of a verdict does
# As verdicts are weighed; a file of which nothing is known comes after those that warn. Our choice.
_ORDER = ("do_not_charge", "inspect", UNREAD, "keep_charging", "ride_weak_group", "too_little_data", "ride")
_RESULTS = ("fail", "open", "pass", "")  # of limits, where there are any; within one verdict


@dataclass(frozen=True, slots=True)
class Row:
    """A file of the batch. Empty or None: not known. Columns of the overview are these fields, in this order.

    Attributes:
        action: of the verdict, or `unread`. confidence: of 100 such verdicts so many hundredths are right.
        reason: the gravest. next_step: what to do with the pack now.
        weak: groups and what was named, as words.
        acceptance: pass, fail or open, where the batch was held against limits.
        start: time of day of the first reading, ISO 8601.
        spread_rest_mv: after rest, the meter's share taken out. remaining_h: on the charger, to balanced.
        report: folder of the report, from that of the overview. sha256: of the file.
        error: why there is no report.
    """

    name: str
    action: str
    headline: str
    confidence: float | None = None
    reason: str = ""
    next_step: str = ""
    acceptance: str = ""
    pack: str = ""
    serial: str = ""
    job: str = ""
    start: str = ""
    duration_h: float | None = None
    groups: int | None = None
    chemistry: str = ""
    spread_rest_mv: float | None = None
    spread_end_mv: float | None = None
    charge_ended: str = ""
    balancing: str = ""
    remaining_h: float | None = None
    capacity_ah: float | None = None
    weak: str = ""
    frames_damaged: int | None = None
    frames_lost: int | None = None
    report: str = ""
    sha256: str = ""
    error: str = ""


def attention(row: Row) -> tuple[int, int, float, str]:
    """Sorts rows by what needs attention: verdict, then a limit that was broken, then how sure it is, then name."""
    return _ORDER.index(row.action), _RESULTS.index(row.acceptance), -(row.confidence or 0.0), row.name


def label_of(row: Row) -> str:
    """What a pack is called: by its job or profile, else by its file."""
    return row.pack or row.name


def failed(name: str, why: str) -> Row:
    """The row of a file without a report."""
    return Row(plain(name, 300), UNREAD, "Could not be read", error=plain(why, 600))


def row_from(value: Mapping[str, Any]) -> Row:
    """Back from JSON.

    Raises:
        TypeError: not the fields of this version.
    """
    return Row(**{str(k): v for k, v in value.items()})


def row_of(name: str, sha256: str, material: Material, report: Mapping[str, Any]) -> Row:
    """The row of a report.

    Args:
        name: of the file, from the folder of the batch.
        sha256: of the file.
        material: for the headline as the page words it.
        report: report.json; every number of the row stands there.
    """
    verdict, recording, job = report["verdict"], report["recording"], report.get("job") or {}
    seconds = report["balancing"]["remaining_s"]
    made = Row(
        name=name,
        action=verdict["action"],
        headline=headline(material.found.verdict),
        confidence=verdict["confidence"],
        reason=next(iter(verdict["reasons"]), ""),
        next_step=verdict["next_step"],
        acceptance=(report.get("acceptance") or {}).get("result", ""),
        pack=job.get("pack") or report["profile"]["name"] or report["instrument"]["string_name"],
        serial=job.get("serial", ""),
        job=job.get("number", ""),
        start=recording["start"] or "",
        duration_h=round(recording["duration_s"] / 3600.0, 3),
        groups=recording["groups"],
        chemistry=report["profile"]["chemistry"],
        spread_rest_mv=report["spread"]["rest_mv"],
        spread_end_mv=report["spread"]["end_mv"],
        charge_ended=report["charge"]["ended"],
        balancing=report["balancing"]["state"],
        remaining_h=None if seconds is None else round(seconds / 3600.0, 3),
        capacity_ah=(report["capacity"] or {}).get("ah"),
        weak="; ".join(f"group {w['group']} {CAUSES[w['cause']].split(';')[0]}" for w in report["weakness"]),
        frames_damaged=recording["frames_damaged"],
        frames_lost=recording["frames_lost"],
        report=name,
        sha256=sha256,
    )
    return _plain(made)


def _plain(row: Row) -> Row:
    """All texts as one visible line each: names may come from a device. The folder of the report stays a path."""
    texts = {k: plain(v, 600) for k, v in asdict(row).items() if isinstance(v, str) and k != "report"}
    return replace(row, **texts)  # type: ignore[arg-type]  # texts where there were texts
