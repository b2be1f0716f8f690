"""evidence.json in words and rows, the same for page and paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from evenstring.logbook.trends.standing import since_told
from evenstring.report.words import ACTIONS, counted
from evenstring.text import json_text

__all__ = ["Table", "about", "check_line", "cleared_lines", "digest_of", "files", "last_line", "measured", "meters",
           "ordered_pack", "since", "trends", "urgent"]  # fmt: skip

_URGENT = ("discard", "last_report", "change")
_ENDED = {
    "full": "full",
    "ended_uneven": "light, uneven",
    "charger_low": "light, below full",
    "stopped_early": "stopped early",
    "interrupted_in_cv": "unplugged near full",
    "stopped_before_cv": "unplugged before full",
    "still_charging": "still charging",
    "cannot_tell": "not told",
    "none": "no charge",
}
_CALIBRATION = {"none": "none", "description": "from the board description", "command": "written to the board"}


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text below their heads; `widths` in parts of the line, for paper."""

    heads: tuple[str, ...]
    widths: tuple[float, ...]
    rows: Sequence[tuple[str, ...]]


def digest_of(doc: dict[str, Any]) -> str:
    """SHA-256 of evidence.json as it is written."""
    return sha256(json_text(doc).encode()).hexdigest()


def ordered_pack(doc: dict[str, Any]) -> str:
    """What the pack is called, with its vehicle and its string where those have names of their own."""
    pack = doc["pack"]
    string = f", string {pack['string_name']}" if pack["string_name"] not in ("", pack["name"]) else ""
    of = f" of {pack['vehicle']}" if pack["vehicle"] != pack["name"] else ""
    return f"{pack['name']}{of}{string}"


def about(doc: dict[str, Any]) -> str:
    """How many groups and recordings, from when to when."""
    period, pack = doc["period"], doc["pack"]
    span = f"{_day(period['first'])} to {_day(period['last'])}" if period["first"] else "without dates"
    recordings = counted(period["recordings"], "recording")
    hours = f"{period['hours']:,.1f} h"
    return f"{pack['groups']} groups, {pack['chemistry'].upper()} · {recordings}, {hours} · {span}"


def since(one: dict[str, Any]) -> str:
    """Since when a warning stands, with the interval where that is an estimate."""
    days = (None if one[key] is None else _day(one[key]) for key in ("since", "low", "high"))
    return since_told(one["kind"], *days)


def urgent(doc: dict[str, Any]) -> bool:
    """Whether something stands that comes before any charge or ride."""
    return any(one["kind"] in _URGENT for one in doc["standing"])


def last_line(doc: dict[str, Any]) -> str:
    """What the last recording's own report says; nothing beside what is urgent, lest it sound like leave to ride."""
    last = doc["last_recording"]
    return "" if last is None or urgent(doc) else f"{ACTIONS[last['action']]}. {last['next_step']}"


def cleared_lines(doc: dict[str, Any]) -> list[str]:
    """Warnings that a person cleared, with the reason given."""
    return [
        f"Group {one['group']}, {_visit(one['lowest_v'])}: cleared on {_day(one['at'])}, reason given: {one['reason']}"
        for one in doc["cleared"]
    ]


def _visit(lowest_v: float | None) -> str:
    if lowest_v is None:
        return "of which no visit below the discard voltage is in these recordings"
    return f"at {lowest_v:.2f} V, below the discard voltage"


def trends(doc: dict[str, Any]) -> Table:
    """Each trend with its 95 % interval."""
    heads = ("what", "between", "a week", "from", "to", "now", "recordings")
    return Table(heads, (2.2, 1.7, 0.7, 0.7, 0.7, 1.1, 0.8), [_trend(one) for one in doc["trends"]])


def _trend(one: dict[str, Any]) -> tuple[str, ...]:
    low, high, slope = _within([one["low"], one["high"], one["a_week"]], "+")
    level = " to ".join(_within([one["level_low"], one["level_high"]]))
    between = f"{_day(one['since'])} to {_day(one['until'])}"
    return (f"{one['what']}, {one['unit']}", between, slope, low, high, level, str(one["recordings"]))


def meters(doc: dict[str, Any]) -> Table:
    """By which meter, how finely it read, with which calibration."""
    heads = ("read by", "one channel against another", "common gain", "noise", "calibration", "recordings")
    rows = [_meter(one["meter"], one["recordings"]) for one in doc["meters"]]
    return Table(heads, (1.5, 1.1, 0.9, 0.9, 1.3, 0.8), rows)


def _meter(meter: dict[str, Any], recordings: Sequence[int]) -> tuple[str, ...]:
    found = meter["calibration_found"]
    calibration = _CALIBRATION.get(meter["calibration"], meter["calibration"])
    return (
        f"{meter['board_id'] or 'not named'} ({meter['front_end'].replace('_', ' ')})",
        _standard(meter["channel_u_mv"], "mV"),
        _standard(meter["gain_u_percent"], "%"),
        _standard(meter["noise_mv"], "mV"),
        f"{calibration}, found {found}" if found else calibration,
        f"{len(recordings)}",
    )


def measured(doc: dict[str, Any]) -> Table:
    """Each recording: how its charge ended, the spread with its interval, what its report says."""
    heads = (
        "no.",
        "when",
        "hours",
        "charge ended",
        "spread at the recording's end, mV",
        "spread at rest, mV",
        "its report",
    )
    rows = [
        (
            str(one["number"]),
            _day(one["start"]) if one["start"] else "not told",
            f"{one['duration_s'] / 3600.0:.1f}",
            _ENDED.get(one["ended"], one["ended"]),
            _claim(one["spread_end_mv"]),
            _claim(one["spread_rest_mv"]),
            one["action"].replace("_", " "),
        )
        for one in doc["recordings"]
    ]
    return Table(heads, (0.4, 0.9, 0.5, 1.3, 1.5, 1.5, 1.2), rows)


def files(doc: dict[str, Any]) -> Table:
    """Checksums of the recordings."""
    rows = [(str(one["number"]), one["file"], f"{one['bytes']:,}", one["sha256"]) for one in doc["recordings"]]
    return Table(("no.", "file", "bytes", "SHA-256"), (0.3, 1.4, 0.7, 3.4), rows)


def check_line(doc: dict[str, Any]) -> str:
    """How anybody can check it."""
    return (
        f"All figures stand in evidence.json (SHA-256 {digest_of(doc)}). Whoever has the recordings can have them"
        " computed again, with what differs named: evenstring logbook evidence --verify FOLDER."
    )


def _day(text: str) -> str:
    return text[:10]


def _within(values: Sequence[float], sign: str = "") -> list[str]:
    """Figures of an interval, whose ends come first, at two significant digits of its half (JCGM 100:2008, 7.2.6)."""
    half = (values[1] - values[0]) / 2.0
    digits = min(max(1 - math.floor(math.log10(half)), 0), 4) if half > 0.0 else 4
    return [f"{value:{sign}.{digits}f}".replace("-", "\N{MINUS SIGN}") for value in values]


def _standard(value: float | None, unit: str) -> str:
    return "not stated" if value is None else f"± {value:.2g} {unit} (k = 1)"


def _claim(claim: Sequence[float | None]) -> str:
    value, low, high = claim
    if value is None:
        return "not known"
    return f"{value:.1f}" if low is None or high is None else f"{value:.1f} ({low:.1f} to {high:.1f})"
